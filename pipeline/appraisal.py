"""Unit rates, carbon factors on their three bases, and lifetime worth per kWh of each fuel.

Three bases, kept apart: reporting (published factor of the year), appraisal (long-run marginal,
year by year over the measure's life) and rating.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.errors import SettingsError
from pipeline.physics import Floats, discounting
from pipeline.reference import Reference
from pipeline.settings import Settings


@dataclass(frozen=True)
class Worth:
    """What one kWh of fuel saved every year is worth, one row per fuel in `by_fuel`.

    by_fuel columns: fuel, price_gbp_per_kwh, reporting_kg_per_kwh (both with source and mark),
    rating_kg_per_kwh, lifetime_t_per_kwh (appraisal basis, undiscounted) and carbon_pv_gbp_per_kwh.
    annuity: present value of 1 GBP a year. lifetime_years: years that savings count.
    """

    by_fuel: pl.DataFrame
    annuity: float
    lifetime_years: int


def worth(reference: Reference, settings: Settings) -> Worth:
    """Worth of a saving under the settings. Raises SettingsError for a fuel without a price."""
    chosen = settings.appraisal
    name = "lifetime_with_guarantee" if chosen.guarantee_25_years else "lifetime_without_guarantee"
    lifetime = int(reference.constant(name))
    years = chosen.first_year + np.arange(lifetime, dtype=np.float64)
    factors = discounting.discount_factors(_yearly_rates(reference, lifetime))
    values = _held(reference, "carbon_values", f"{chosen.carbon_value}_gbp_per_t", years)
    values = values * reference.constant("deflator_2025") / reference.constant("deflator_2022")
    marginal = _held(reference, "grid_carbon_long_run_marginal", "factor_kgco2e_per_kwh", years)
    rows = []
    for fuel in sorted(set(reference.table("heating_systems")["fuel"])):
        reporting = _factor(reference, fuel, f"reporting_{chosen.reporting_year}")
        price = unit_rate(reference, settings, fuel)
        if fuel.startswith("electricity"):
            yearly = marginal
        else:
            yearly = np.full(lifetime, _factor(reference, fuel, "appraisal").value)
        rows.append(
            {
                "fuel": fuel,
                "price_gbp_per_kwh": price.value / 100.0,
                "price_source": price.source,
                "price_checked": price.checked,
                "reporting_kg_per_kwh": reporting.value,
                "reporting_source": reporting.source,
                "reporting_checked": reporting.checked,
                "rating_kg_per_kwh": _factor(reference, fuel, "rating_sap10_2").value,
                "lifetime_t_per_kwh": float(yearly.sum()) / 1000.0,
                "carbon_pv_gbp_per_kwh": float((yearly / 1000.0 * values * factors).sum()),
            }
        )
    return Worth(pl.DataFrame(rows), float(factors.sum()), lifetime)


@dataclass(frozen=True)
class Cited:
    """A figure with its source and mark."""

    value: float
    source: str
    checked: str


def unit_rate(reference: Reference, settings: Settings, fuel: str) -> Cited:
    """Price of a fuel [p/kWh]: the user's own, else the price period's, else `price_other`."""
    own = settings.prices.unit_rates_p_per_kwh
    unknown = set(own) - set(reference.table("fuel_factors")["fuel"])
    if unknown:
        raise SettingsError(
            f"prices.unit_rates_p_per_kwh names no known fuel: {', '.join(sorted(unknown))}."
            f" Known: {', '.join(sorted(set(reference.table('fuel_factors')['fuel'])))}."
        )
    if fuel in own:
        return Cited(own[fuel], "the user's settings", "assumed")
    table = reference.table("fuel_factors").filter(pl.col("fuel") == fuel)
    for metric in (f"price_{settings.prices.period}", "price_other"):
        found = table.filter(pl.col("metric") == metric)
        if found.height:
            return Cited(found["value"][0], found["source"][0], found["checked"][0])
    known = table.filter(pl.col("metric").str.starts_with("price_"))["metric"].to_list()
    raise SettingsError(
        f"prices.period '{settings.prices.period}' has no price for {fuel}. Known periods:"
        f" {', '.join(m.removeprefix('price_') for m in known) or 'none'}. Choose one, or give"
        " the price under prices.unit_rates_p_per_kwh."
    )


def _factor(reference: Reference, fuel: str, metric: str) -> Cited:
    row = reference.table("fuel_factors").filter(pl.col("fuel") == fuel, pl.col("metric") == metric)
    return Cited(row["value"].item(), row["source"].item(), row["checked"].item())


def year_weights(reference: Reference, years: int) -> Floats:
    """[years], what a saving that starts in each year is worth beside one of the first year."""
    later = discounting.discount_factors(_yearly_rates(reference, years - 1))
    return np.concatenate([[1.0], later])


def _yearly_rates(reference: Reference, years: int) -> Floats:
    table = reference.table("discount_rates")
    year = np.arange(1, years + 1)
    steps = [(year >= r["first_year"]) & (year <= r["last_year"]) for r in table.to_dicts()]
    return np.asarray(np.select(steps, table["rate"].to_list()), dtype=float)


def _held(reference: Reference, table: str, column: str, years: Floats) -> Floats:
    """A yearly series; after its last published year that year's value is held."""
    frame = reference.table(table).sort("year")
    return np.asarray(np.interp(years, frame["year"].to_numpy(), frame[column].to_numpy()))
