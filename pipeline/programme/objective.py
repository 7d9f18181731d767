"""What a home is worth under the stated objective, term by term."""

from functools import reduce
from operator import add

import polars as pl

from pipeline.settings import Appraisal, Term

_BILLS = pl.col("bill_saved_pv_gbp")
_LOW_INCOME = (pl.col("low_income") == "yes").fill_null(False)
TERMS: dict[Term, tuple[str, str, pl.Expr]] = {
    "net_benefit": ("net benefit", "GBP", pl.col("net_present_value_gbp")),
    "expected_net_benefit": (
        "expected net benefit", "GBP", pl.col("expected_net_present_value_gbp"),
    ),
    "carbon": ("lifetime CO2 saved", "tCO2e", pl.col("co2_saved_lifetime_t")),
    "heat": (
        "lifetime heat saved", "kWh", pl.col("heat_saved_kwh_per_year") * pl.col("lifetime_years"),
    ),
    "low_income_bills": (
        "bills saved in low-income homes", "GBP",
        pl.when(_LOW_INCOME).then(_BILLS).otherwise(_BILLS * 0.0),
    ),
}  # fmt: skip
"""Words, unit and value of each objective; a household's income not known counts as not low."""


def _weights(appraisal: Appraisal) -> dict[Term, float]:
    return dict(appraisal.weights) or {appraisal.objective: 1.0}


def value(appraisal: Appraisal) -> pl.Expr:
    """Worth of a home with its option, in `unit`; more is better whatever its sign."""
    return reduce(add, [w * TERMS[term][2] for term, w in _weights(appraisal).items()])


def unit(appraisal: Appraisal) -> str:
    """What one unit of the worth is, in words."""
    if appraisal.weights:
        return f"GBP of {' and '.join(TERMS[term][0] for term in appraisal.weights)}, weighted"
    words, measure, _ = TERMS[appraisal.objective]
    return f"{measure} of {words}"


def score(appraisal: Appraisal) -> pl.Expr:
    """Worth per pound of cost."""
    return value(appraisal) / pl.col("cost_gbp")


def terms(appraisal: Appraisal) -> pl.Expr:
    """Each term of the score in words, as weight x value, and the cost they are divided by."""
    parts = [
        pl.format(f"{{}} {measure} {words}" + (f" x {appraisal.weights[term]:g}" if many else ""),
                  worth.round(1))
        for many in (bool(appraisal.weights),)
        for term in _weights(appraisal)
        for words, measure, worth in (TERMS[term],)
    ]  # fmt: skip
    cost = pl.format("per {} GBP of cost", pl.col("cost_gbp").round(0).cast(pl.Int64, strict=False))
    return pl.concat_str(pl.concat_str(parts, separator=" + "), cost, separator=", ")
