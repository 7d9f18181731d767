"""From assessed homes to an order for funding."""

import polars as pl

from pipeline.programme import objective
from pipeline.settings import Settings

SUMMED = (
    "cost_gbp",
    "treated_wall_area_m2",
    "heat_saved_kwh_per_year",
    "fuel_saved_kwh_per_year",
    "expected_fuel_saved_kwh_per_year",
    "co2_saved_kg_per_year",
    "expected_co2_saved_kg_per_year",
    "bill_saved_gbp_per_year",
    "expected_bill_saved_gbp_per_year",
    "co2_saved_lifetime_t",
    "net_present_value_gbp",
    "expected_net_present_value_gbp",
)
"""Columns whose sum over homes means something."""


def rank(assessed: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Homes in the order of the objective, best first; ties by home_id; the unranked last.

    Adds score, score_terms, rank (null where there is a reason) and cumulative_cost_gbp.
    """
    stated = settings.appraisal
    scored = assessed.with_columns(
        score=objective.score(stated), score_terms=objective.terms(stated)
    )
    ordered = scored.sort(pl.col("score").is_null(), -pl.col("score"), "home_id", nulls_last=True)
    ranked = pl.col("score").is_not_null()
    return ordered.with_columns(
        rank=pl.when(ranked).then(pl.int_range(1, pl.len() + 1, dtype=pl.Int64)),
        cumulative_cost_gbp=pl.when(ranked).then(pl.col("cost_gbp").cum_sum()),
    )


def affordable(homes: pl.DataFrame, budget_gbp: float) -> pl.DataFrame:
    """The homes from the top of the order whose cost together stays within the budget.

    homes: those of a ranking that money may still be spent on, in its order. A home claimed before
    has had its works, so it costs nothing more: it is to be left out (`claims.still_open`).
    cumulative_cost_gbp is told anew for the homes given.
    """
    ranked = homes.filter(pl.col("rank").is_not_null())
    spent = ranked.with_columns(cumulative_cost_gbp=pl.col("cost_gbp").cum_sum())
    return spent.filter(pl.col("cumulative_cost_gbp") <= budget_gbp)


def totals(homes: pl.DataFrame) -> dict[str, float]:
    """How many homes, the sums of `SUMMED`, and the cost per lifetime tonne of them together."""
    sums = homes.select(pl.col(SUMMED).sum()).to_dicts()[0]
    tonnes = sums["co2_saved_lifetime_t"]
    return {
        "homes": float(homes.height),
        **sums,
        "cost_per_lifetime_tonne_gbp": sums["cost_gbp"] / tonnes if tonnes else float("nan"),
    }
