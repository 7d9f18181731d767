"""What differs between two published runs: what they rest on, their homes, and their columns."""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import identity, programme
from pipeline.columns import by_role, dictionary
from pipeline.published import table
from pipeline.store import damaged

INPUT, RESULT, DERIVED = "input", "result", "derived"
GONE, NEW = "gone", "new"
RESULTS = (
    "reason", "system", "thickness_mm", "u_after_w_m2k", "expected_fuel_saved_kwh_per_year",
    "expected_bill_saved_gbp_per_year", "co2_saved_lifetime_t", "cost_gbp",
)  # fmt: skip
"""What a landlord orders and gets; every other modelled column counts as derived."""
_FOLLOW = ("home_id", "source_row", "rank", "cumulative_cost_gbp")
"""Columns that follow from the place in the list or the order."""
_NEEDED = (*identity.NAMED, "rank", "cumulative_cost_gbp", *programme.SUMMED)
_OF_RUN = ("reference_version", "code_version", "system_catalogue_sha256", "rate_book")


@dataclass(frozen=True)
class Run:
    """What two runs are compared by; one made with other reference tables can be read too."""

    account: dict[str, Any]
    ranking: pl.DataFrame
    rates: pl.DataFrame


def read(path: Path) -> Run:
    """A run from its store. Raises StoreError where that is missing, none of ours or damaged."""
    ranking, rates, made = (table(path, name) for name in ("ranking", "rate_book", "run"))
    try:
        account = json.loads(made["account"].item())
        float(account["settings"]["budget_gbp"])
        for name in _NEEDED:
            if (ranking.schema[name] == pl.String) != (dictionary()[name].dtype == "text"):
                raise ValueError(f"column {name} of the ranking is {ranking.schema[name]}")
        if ranking["home_id"].null_count() or ranking["home_id"].is_duplicated().any():
            raise ValueError("a home of the ranking stands twice or has no key")
        rates.select("item", "applies_to", "source")
        _ = [account[name] for name in _OF_RUN]
    except (KeyError, TypeError, ValueError, pl.exceptions.PolarsError) as fault:
        raise damaged(path, str(fault).splitlines()[0]) from None
    return Run(account, ranking, rates)


@dataclass(frozen=True)
class Changes:
    """What differs between two runs.

    basis: what, before and after, of settings, rates and versions. homes: before, kept, re-keyed,
    gone, after and new, which add up. lines: home_id, other_key (the earlier key of a re-keyed
    home), kind (input, result, derived, gone or new), column, before and after as text. money: for
    the ranking and the budget the totals before and after, and the keys of homes in and out.
    """

    basis: list[tuple[str, str, str]]
    homes: dict[str, int]
    lines: pl.DataFrame
    money: dict[str, dict[str, Any]]


def compare(before: Run, after: Run) -> Changes:
    """Compare two runs, a re-keyed home with itself (same UPRN, or address and postcode)."""
    keys = rekeyed(before.ranking, after.ranking)
    was = before.ranking.rename({"home_id": "_old"}).join(
        keys, on="_old", how="left", maintain_order="left"
    )
    was = was.with_columns(home_id=pl.coalesce("home_id", "_old"))
    gone = was.join(after.ranking, on="home_id", how="anti")
    new = after.ranking.join(was, on="home_id", how="anti")
    homes = {
        "before": was.height, "kept": was.height - keys.height - gone.height,
        "rekeyed": keys.height, "gone": gone.height, "after": after.ranking.height,
        "new": new.height,
    }  # fmt: skip
    met = was.join(after.ranking, on="home_id", how="inner").height
    if homes["kept"] + homes["rekeyed"] != met or met + homes["new"] != homes["after"]:
        raise AssertionError("homes before and after differ from those kept, re-keyed, gone, new")
    lines = [_line(gone, GONE), _line(new, NEW), *_changed(was, after.ranking)]
    pairs = {
        "ranking": (was.drop_nulls("rank"), after.ranking.drop_nulls("rank")),
        "budget": (_bought(was, before), _bought(after.ranking, after)),
    }
    money = {name: _moved(*pair) for name, pair in pairs.items()}
    return Changes(list(_basis(before, after)), homes, pl.concat(lines), money)


def rekeyed(before: pl.DataFrame, after: pl.DataFrame) -> pl.DataFrame:
    """home_id (the key now) and _old of homes under another key, where each meets only the other.

    A key that stands in both runs is taken for one home.
    """
    gone, new = (
        before.join(after, on="home_id", how="anti"),
        after.join(before, on="home_id", how="anti"),
    )
    sure = pl.col("way").is_in(identity.SURE)
    there, back = (
        identity.met(a.select(identity.NAMED), b.select(identity.NAMED)).filter(sure)
        for a, b in ((new, gone), (gone, new))
    )
    alone = there.filter(~pl.col("other").is_duplicated()).select("home_id", _old="other")
    return alone.join(
        back.filter(~pl.col("other").is_duplicated()).select(home_id="other", _old="home_id"),
        on=["home_id", "_old"],
        how="semi",
    )


def _changed(was: pl.DataFrame, now: pl.DataFrame) -> Iterator[pl.DataFrame]:
    """A line for each cell that differs: the key, the inputs, the results, the derived columns."""
    pair = was.join(now, on="home_id", suffix="__now")
    rekeyed = pair.filter(pl.col("_old") != pl.col("home_id"))
    yield _line(rekeyed, INPUT, "home_id", pl.col("_old"), pl.col("home_id"))
    inputs = [c.name for c in by_role("stock")]
    others = [c.name for c in by_role("home", "result") if c.name not in RESULTS]
    for kind, names in ((INPUT, inputs), (RESULT, RESULTS), (DERIVED, others)):
        for name in (n for n in names if n not in _FOLLOW and {n, f"{n}__now"} <= {*pair.columns}):
            one, other = pl.col(name), pl.col(f"{name}__now")
            yield _line(pair.filter(one.ne_missing(other)), kind, name, one, other)


def _line(
    homes: pl.DataFrame, kind: str, column: str | None = None, was: Any = None, now: Any = None
) -> pl.DataFrame:
    old = pl.col("_old") if "_old" in homes.columns else pl.col("home_id")
    cells = (pl.lit(None) if cell is None else cell for cell in (was, now))
    before, after = (cell.cast(pl.String) for cell in cells)
    return homes.select(
        "home_id", other_key=pl.when(old != pl.col("home_id")).then(old), kind=pl.lit(kind),
        column=pl.lit(column, pl.String), before=before, after=after,
    ).sort("home_id")  # fmt: skip


def _bought(ranking: pl.DataFrame, run: Run) -> pl.DataFrame:
    """Homes within the run's budget; claims, which lie outside a store, are not looked at."""
    return programme.affordable(ranking, run.account["settings"]["budget_gbp"])


def _moved(was: pl.DataFrame, now: pl.DataFrame) -> dict[str, Any]:
    """Totals before and after, and which homes came in and fell out."""
    entered, left = (
        a.join(b, on="home_id", how="anti")["home_id"].sort().to_list()
        for a, b in ((now, was), (was, now))
    )
    if was.height - len(left) != now.height - len(entered):
        raise AssertionError("homes that stayed are counted twice")
    totals = {"before": programme.totals(was), "after": programme.totals(now)}
    return {**totals, "in": entered, "out": left}


def _basis(before: Run, after: Run) -> Iterator[tuple[str, str, str]]:
    """What the two runs rest on otherwise: versions, settings, and rates by item."""
    one, two = ({**{n: run.account[n] for n in _OF_RUN}, **_flat(run)} for run in (before, after))
    for what in sorted({*one, *two}):
        was, now = (str(side.get(what, "none")) for side in (one, two))
        if was != now:
            yield what, was, now


def _flat(run: Run) -> dict[str, Any]:
    """Settings and rates by their names."""
    found: dict[str, Any] = {}
    left = list(run.account["settings"].items())
    for name, value in left:
        if isinstance(value, dict):
            left += [(f"{name}.{key}", inner) for key, inner in value.items()]
        else:
            found[f"settings {name}"] = value
    for row in run.rates.drop("source").iter_rows(named=True):
        item, applies_to, *rest = row.values()
        found[f"rate {item} {applies_to}"] = " ".join(map(str, rest))
    return found
