"""Tables the pages show, put side by side from what the pipeline returns. No Streamlit here."""

from collections.abc import Sequence

import polars as pl

from pipeline import explain, programme
from pipeline.reference import Reference


def ranked(ranking: pl.DataFrame) -> pl.DataFrame:
    """The homes that have a place in the order."""
    return ranking.filter(pl.col("rank").is_not_null())


def narrowed(
    homes: pl.DataFrame, estates: Sequence[str], streets: Sequence[str] = ()
) -> pl.DataFrame:
    """Homes of the estates and streets named; an empty list leaves all in."""
    for column, wanted in (("estate", estates), ("street", streets)):
        if wanted:
            homes = homes.filter(pl.col(column).is_in(list(wanted)))
    return homes


def values(homes: pl.DataFrame, column: str) -> list[str]:
    """The different values of a text column, in order."""
    return homes[column].drop_nulls().unique().sort().to_list()


def spend(ranking: pl.DataFrame) -> pl.DataFrame:
    """Ranked homes with the lifetime CO2 of each and all before it, beside the spend to there."""
    return ranked(ranking).select(
        "rank",
        "home_id",
        "cumulative_cost_gbp",
        "cost_per_lifetime_tonne_gbp",
        cumulative_co2_saved_lifetime_t=pl.col("co2_saved_lifetime_t").cum_sum(),
    )


def by_street(homes: pl.DataFrame) -> pl.DataFrame:
    """Programme totals of each street, dearest first. Empty where there is no home."""
    named = homes.with_columns(pl.col("street").fill_null("street not known"))
    rows = [
        {"street": part["street"][0], **programme.totals(part)}
        for part in named.partition_by("street", maintain_order=True)
    ]
    schema = {"street": pl.String, **dict.fromkeys(programme.totals(homes.clear()), pl.Float64)}
    return pl.DataFrame(rows, schema=schema).sort("cost_gbp", "street", descending=[True, False])


def with_system_labels(homes: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """The table with each insulant under its plain label."""
    names = reference.table("insulation_systems").select("system", "label").iter_rows()
    return homes.with_columns(pl.col("system").replace(dict(names)))


def not_ranked(ranking: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The homes without a place, and how many there are for each reason."""
    left = ranking.filter(pl.col("rank").is_null())
    count = left["reason"].value_counts(sort=True, name="homes")
    return left.select("home_id", "address", "street", "estate", "reason"), count


def sheet(steps: Sequence[explain.Step]) -> pl.DataFrame:
    """One home's calculation as a table, figures written as the sheet prints them."""
    return pl.DataFrame(
        [
            {
                "part": step.part,
                "what": step.what,
                "formula": step.formula,
                "working": step.working,
                "value": explain.show(step.value),
                "unit": step.unit,
                "source": step.source,
            }
            for step in steps
        ]
    )


def compared(before: dict[str, float], after: dict[str, float]) -> pl.DataFrame:
    """Two sets of totals side by side: name, before, after and after less before."""
    return pl.DataFrame({"name": list(before), "before": before.values(), "after": after.values()}
        ).with_columns(difference=pl.col("after") - pl.col("before"))  # fmt: skip


def as_numbers(lines: pl.DataFrame, columns: Sequence[str]) -> pl.DataFrame:
    """Claim lines with the text of their figures as numbers, so that a table can sort them."""
    return lines.with_columns(pl.col(list(columns)).cast(pl.Float64))


def left_out(wanted: Sequence[str], claimed: pl.DataFrame) -> tuple[list[str], pl.DataFrame]:
    """The homes still open to claim, in the order named, and the lines of those claimed before."""
    taken = claimed.filter(pl.col("home_id").is_in(list(wanted)))
    gone = set(taken["home_id"])
    return [home for home in wanted if home not in gone], taken


def by_claim(claimed: pl.DataFrame) -> pl.DataFrame:
    """Claims in the ledger with their time and number of homes, the newest first."""
    return (
        claimed.group_by("claim_id", "made_at")
        .agg(homes=pl.len())
        .sort("made_at", "claim_id", descending=[True, False])
    )
