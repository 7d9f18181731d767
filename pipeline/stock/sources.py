"""More than one source for a home: surveys, certificate extracts, meter totals beside the list.

Each source is read like a stock list, with its own headings. Its values are laid over the list's
by the home's key, or by the UPRN where a source has no key of the landlord's. Which source wins is
a rule per column; every value that gave way is kept in a log.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import polars as pl

from pipeline.columns import by_role
from pipeline.errors import SettingsError, StockListError
from pipeline.stock import reading, values
from pipeline.stock.answers import Answers
from pipeline.stock.rules import UNREADABLE

BASE = "list"
_KEYS = ("home_id", "uprn")


@dataclass(frozen=True)
class Overlay:
    """The list with the other sources laid over it.

    typed: values and flags as `values.typed` gives them, with `<column>__from` naming the source
    of each value that is not the list's. log: home_id, column, source, value, gave_way, and why a
    source's row or cell was not used.
    """

    typed: pl.DataFrame
    log: pl.DataFrame


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
    """Lay each source over the list in turn, the last named on top unless `precedence` says else.

    corrected: source_row and column of cells that a person corrected, which no source overrides.
    precedence: column to source names, strongest first; a source it leaves out gives no value.
    Raises StockListError for a source without a key, SettingsError for an unknown name in
    `precedence`.
    """
    _check_names(precedence, others)
    log = [pl.DataFrame(schema=_LOG)]
    for name, path in others.items():
        read, by = _read(path, settled)
        read, left = _one_row_a_home(read, by, typed, name)
        log.append(left)
        for column in by_role("stock"):
            if column.name not in _KEYS and column.name in read.columns:
                stands = corrected.filter(pl.col("column") == column.name)["source_row"]
                beside = _beside(typed, read, by, column.name).with_columns(
                    _stands=pl.col("source_row").is_in(stands.implode())
                )
                wins = _wins(column.name, name, precedence.get(column.name)) & ~pl.col("_stands")
                log.append(_told(beside, column.name, name, wins))
                typed = _settled(beside, column.name, name, wins)
    return Overlay(typed, pl.concat(log))


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


def _read(path: Path, settled: Answers) -> tuple[pl.DataFrame, str]:
    raw = reading.read(path, settled, must=())
    by = next((key for key in _KEYS if key in raw.headings), None)
    if by is None:
        raise StockListError(
            f"{path.name}: neither the home's key nor a UPRN has a heading, so its rows cannot be"
            " joined to the list. Add one, or settle it with --columns."
        )
    read = values.typed(raw).frame
    keep = [c for c in read.columns if c.removesuffix(UNREADABLE) in raw.headings]
    extra = ["age_band"] if "age_band" in read.columns else []
    return read.select(*keep, *extra), by


def _one_row_a_home(
    read: pl.DataFrame, by: str, typed: pl.DataFrame, source: str
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Rows that name one home of the list, and a log of those that do not."""
    keyed = read.filter(pl.col(by).is_not_null())
    strange = keyed.join(typed, on=by, how="anti").select(by)
    double = keyed.filter(pl.col(by).is_duplicated()).select(by).unique()
    used = keyed.join(typed.select(by).unique(), on=by, how="semi").filter(
        ~pl.col(by).is_duplicated()
    )
    told = [
        frame.select(pl.col(by).alias("home_id"), pl.lit(why).alias("outcome"))
        for frame, why in (
            (strange, f"no home of the list has this {by}"),
            (double, f"several rows of the source share this {by}: none used"),
        )
    ]
    nameless = read.height - keyed.height
    if nameless:
        why = f"{nameless} rows of the source have no {by}"
        told.append(pl.DataFrame({"home_id": [None], "outcome": [why]}, schema_overrides=_LOG))
    log = pl.concat(told, how="diagonal").with_columns(source=pl.lit(source))
    blank = {c: pl.lit(None, t) for c, t in _LOG.items() if c not in log.columns}
    return used, log.with_columns(**blank).select(list(_LOG))


def _parts(column: str) -> list[str]:
    """Columns that hold one value together: an age is a year or a band."""
    return [column, "age_band"] if column == "construction_year" else [column]


def _beside(typed: pl.DataFrame, read: pl.DataFrame, by: str, column: str) -> pl.DataFrame:
    """The list with one column of a source beside it: `_bad`, and `<part>__new` for each part."""
    incoming = read.select(
        by,
        pl.col(column + UNREADABLE).alias("_bad"),
        *(pl.col(part).alias(f"{part}__new") for part in _parts(column)),
    )
    if f"{column}__from" not in typed.columns:
        typed = typed.with_columns(pl.lit(None, pl.String).alias(f"{column}__from"))
    return typed.join(incoming, on=by, how="left", maintain_order="left")


def _given(column: str) -> pl.Expr:
    return pl.any_horizontal(pl.col(f"{part}__new").is_not_null() for part in _parts(column))


def _held(column: str) -> pl.Expr:
    return pl.any_horizontal(pl.col(part).is_not_null() for part in _parts(column))


def _wins(column: str, source: str, order: tuple[str, ...] | None) -> pl.Expr:
    """Where the source's value takes the cell: over a gap, or over a weaker source's value.

    Without an order the later source is the stronger.
    """
    if order is None:
        return _given(column)
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
        .then(pl.lit("kept the stronger source's value"))
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
