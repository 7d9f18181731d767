"""More than one source for a home: surveys, certificate extracts, meter totals beside the list.

Each source is read like a stock list, with its own headings. Its rows are matched to the list's
homes (`matching`) and their values laid over. Which value wins is a rule per column, else the
newest by its survey date, else that of the source named last; what gave way is kept in a log.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import identity
from pipeline.columns import by_role
from pipeline.errors import SettingsError, StockListError
from pipeline.plurals import counted
from pipeline.stock import matching, reading, values
from pipeline.stock.answers import Answers
from pipeline.stock.rules import UNREADABLE

BASE = "list"
_KEYS = {"home_id", "uprn"}
_NAMED = 3


@dataclass(frozen=True)
class Overlay:
    """The list with the other sources laid over it.

    typed: values and flags as `values.typed` gives them, with `<column>__from` naming the source
    of each value that is not the list's. log: home_id, column, source, value, gave_way, and why a
    source's row or cell was not used. accounts: for each source its rows, those matched by way,
    those not matched by reason with the first of them by name, the homes that got something, and
    the values used by column.
    """

    typed: pl.DataFrame
    log: pl.DataFrame
    accounts: dict[str, dict[str, Any]]


_LOG = {
    "home_id": pl.String,
    "column": pl.String,
    "source": pl.String,
    "value": pl.String,
    "gave_way": pl.String,
    "outcome": pl.String,
}


def overlay(
    typed: pl.DataFrame,
    others: Mapping[str, Path],
    settled: Answers,
    precedence: Mapping[str, tuple[str, ...]],
    corrected: pl.DataFrame,
) -> Overlay:
    """Lay each source over the list in turn, the newest on top unless `precedence` says else.

    corrected: source_row and column of cells that a person corrected, which no source overrides.
    precedence: column to source names, strongest first; a source it leaves out gives no value.
    Raises StockListError for a source without a key or of no use, SettingsError for an unknown
    name in `precedence`.
    """
    _check_names(precedence, others)
    log = [pl.DataFrame(schema=_LOG)]
    accounts: dict[str, dict[str, Any]] = {}
    typed = typed.with_columns(pl.col("survey_date").alias(_day(BASE)))
    for name, path in others.items():
        sent, columns, superseded = _read(path, settled)
        matched = matching.match(sent, typed)
        log.append(_not_matched(matched, name))
        home = matched.drop_nulls("home").select("source_row", home_id="home")
        read = sent.drop("home_id").join(home, on="source_row")
        dates = read.select("home_id", pl.col("survey_date").alias(_day(name)))
        typed = typed.join(dates, on="home_id", how="left", maintain_order="left")
        used = {}
        for column in (c for c in columns if c not in _KEYS):
            stands = corrected.filter(pl.col("column") == column)["source_row"]
            beside = _beside(typed, read, column).with_columns(
                _stands=pl.col("source_row").is_in(stands.implode())
            )
            wins = _wins(column, name, precedence.get(column), [BASE, *accounts])
            wins &= ~pl.col("_stands")
            if column in identity.NAMED:  # a shorter address would part a home from its street
                wins &= ~_held(column)
            log.append(_told(beside, column, name, wins))
            used[column] = beside.filter(wins)["home_id"].unique()
            typed = _settled(beside, column, name, wins)
        accounts[name] = _account(matched, used, superseded)
        _refuse_unused(accounts[name], path, sent, typed)
    return Overlay(typed.drop(map(_day, (BASE, *others))), pl.concat(log), accounts)


def _day(source: str) -> str:
    """Column that holds the survey date of a source's row while the sources are laid over."""
    return f"_day {source}"


def _check_names(precedence: Mapping[str, tuple[str, ...]], others: Mapping[str, Path]) -> None:
    known = {BASE, *others}
    for column, names in precedence.items():
        if column not in {c.name for c in by_role("stock")}:
            raise SettingsError(f"sources.precedence names no column of the list: {column}.")
        if unknown := sorted(set(names) - known):
            raise SettingsError(
                f"sources.precedence.{column} names {', '.join(unknown)}; the sources of this run"
                f" are {', '.join(sorted(known))}."
            )


def _read(path: Path, settled: Answers) -> tuple[pl.DataFrame, list[str], int]:
    """The rows of a source, typed, the columns of the list it has, and its rows superseded."""
    raw = reading.read(path, settled, must=())
    if not _KEYS & set(raw.headings) and not {"address", "postcode"} <= set(raw.headings):
        raise StockListError(
            f"{path.name}: neither the home's key nor a UPRN nor an address with its postcode has a"
            " heading, so its rows cannot be joined to the list. Add one, or settle it with"
            " --columns."
        )
    read = values.typed(raw).frame
    told = [
        c.name
        for c in by_role("stock")
        if c.name in raw.headings or read[c.name].count() or read[c.name + UNREADABLE].any()
    ]
    return read, told, raw.superseded


def _account(
    matched: pl.DataFrame, used: Mapping[str, pl.Series], superseded: int
) -> dict[str, Any]:
    """What became of the rows and values of a source, in numbers that add up."""
    known = pl.col("home").is_not_null()
    ways = {told: part.height for (told,), part in _parted(matched.filter(known))}
    left: dict[str, dict[str, Any]] = {
        told: {"rows": part.height, "first": part["named"].head(_NAMED).to_list()}
        for (told,), part in _parted(matched.filter(~known))
    }
    if superseded:
        left.setdefault(matching.OLDER, {"rows": 0, "first": []})["rows"] += superseded
    rows = matched.height + superseded
    if sum(ways.values()) + sum(int(one["rows"]) for one in left.values()) != rows:
        raise AssertionError("rows of a source differ from those matched plus those not")
    homes = pl.concat([pl.Series(dtype=pl.String), *used.values()]).n_unique()
    counts = {column: homes_of.len() for column, homes_of in used.items() if homes_of.len()}
    return {
        "rows": rows, "matched": ways, "not_matched": left, "homes": homes,
        "used": counts,
    }  # fmt: skip


def _parted(matched: pl.DataFrame) -> Iterable[tuple[tuple[Any, ...], pl.DataFrame]]:
    return matched.partition_by("told", as_dict=True, maintain_order=True).items()


def _refuse_unused(
    told: dict[str, Any], path: Path, read: pl.DataFrame, typed: pl.DataFrame
) -> None:
    """Raise StockListError for a source that changes nothing: its keys may be those of others."""
    if told["used"]:
        return
    if told["matched"]:
        raise StockListError(
            f"{path.name}: {sum(told['matched'].values()):,} of its rows match a home of the list,"
            " but none of their values is used: they are empty, cannot be read, are older than the"
            " list's or give way by sources.precedence. Mend the file or the settings, or leave the"
            " source out."
        )
    own, lists = (
        "; ".join(
            f"{label} {', '.join(some)}"
            for label, some in (
                (c, t[c].drop_nulls().head(_NAMED).to_list()) for c in identity.NAMED
            )
            if some
        )
        for t in (read, typed)
    )
    why = "; ".join(f"{counted(one['rows'], 'row')}: {w}" for w, one in told["not_matched"].items())
    raise StockListError(
        f"{path.name}: nothing of it was used, as none of its {counted(told['rows'], 'row')}"
        f" matches a home of the list ({why}). It has {own or 'no keys'}; the list has"
        f" {lists or 'no keys'}. Add"
        " the list's keys, UPRNs, or addresses with postcodes to it, or settle its headings with"
        " --columns."
    )


def _not_matched(matched: pl.DataFrame, source: str) -> pl.DataFrame:
    """The log of rows that were not used."""
    left = matched.filter(pl.col("home").is_null())
    told = {"home_id": pl.col("named"), "source": pl.lit(source), "outcome": pl.col("told")}
    return left.select(told.get(c, pl.lit(None, t)).alias(c) for c, t in _LOG.items())


def _parts(column: str) -> list[str]:
    """Columns that hold one value together: an age is a year or a band."""
    return [column, "age_band"] if column == "construction_year" else [column]


def _beside(typed: pl.DataFrame, read: pl.DataFrame, column: str) -> pl.DataFrame:
    """The list with one column of a source beside it: `_bad`, and `<part>__new` for each part."""
    incoming = read.select(
        "home_id",
        pl.col(column + UNREADABLE).alias("_bad"),
        *(pl.col(part).alias(f"{part}__new") for part in _parts(column)),
    )
    if f"{column}__from" not in typed.columns:
        typed = typed.with_columns(pl.lit(None, pl.String).alias(f"{column}__from"))
    return typed.join(incoming, on="home_id", how="left", maintain_order="left")


def _given(column: str) -> pl.Expr:
    return pl.any_horizontal(pl.col(f"{part}__new").is_not_null() for part in _parts(column))


def _held(column: str) -> pl.Expr:
    return pl.any_horizontal(pl.col(part).is_not_null() for part in _parts(column))


def _wins(column: str, source: str, order: tuple[str, ...] | None, below: Sequence[str]) -> pl.Expr:
    """Where the source's value takes the cell: over a gap, or over a weaker source's value.

    below: the sources laid before. Without an order the value of the later date is the stronger,
    and without both dates that of the later source.
    """
    if order is None:
        origin = pl.col(f"{column}__from").fill_null(BASE)
        held_on = pl.coalesce(pl.when(origin == name).then(_day(name)) for name in below)
        newer_held = (held_on > pl.col(_day(source))).fill_null(False)
        return _given(column) & ~(_held(column) & newer_held)
    if source not in order:
        return pl.lit(False)
    place = {name: i for i, name in enumerate(order)}
    held_by = pl.col(f"{column}__from").fill_null(BASE)
    weaker = held_by.replace_strict(place, default=len(order), return_dtype=pl.Int64)
    return _given(column) & (~_held(column) | (weaker > place[source]))


def _told(beside: pl.DataFrame, column: str, source: str, wins: pl.Expr) -> pl.DataFrame:
    """The log of one column of one source."""
    value, text = (
        pl.coalesce(pl.col(f"{part}{new}").cast(pl.String) for part in _parts(column))
        for new in ("__new", "")
    )
    return beside.select(
        "home_id",
        pl.lit(column).alias("column"),
        pl.lit(source).alias("source"),
        value.alias("value"),
        text.alias("gave_way"),
        pl.when(pl.col("_bad").fill_null(False))
        .then(pl.lit("could not be read: not used"))
        .when(_given(column) & pl.col("_stands"))
        .then(pl.lit("kept what a person corrected"))
        .when(_given(column) & ~wins)
        .then(pl.lit("kept the stronger or newer value"))
        .when(wins & _held(column) & (value != text))
        .then(pl.lit("took the place of the value that gave way"))
        .when(wins & ~_held(column))
        .then(pl.lit("filled a gap"))
        .alias("outcome"),
    ).filter(pl.col("outcome").is_not_null())


def _settled(beside: pl.DataFrame, column: str, source: str, wins: pl.Expr) -> pl.DataFrame:
    """The list with the winning values in place; helper columns dropped."""
    flag, origin = column + UNREADABLE, f"{column}__from"
    laid = beside.with_columns(
        *(
            pl.when(wins).then(pl.col(f"{part}__new")).otherwise(part).alias(part)
            for part in _parts(column)
        ),
        pl.when(wins).then(False).otherwise(flag).alias(flag),
        pl.when(wins).then(pl.lit(source)).otherwise(origin).alias(origin),
    )
    return laid.drop("_bad", "_stands", *(f"{part}__new" for part in _parts(column)))
