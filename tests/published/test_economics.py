"""Discount factors and present values by HM Treasury's Green Book schedule.

Schedule: 3.5 % in years 1 to 30, 3.0 % in 31 to 75, 2.5 % in 76 to 125; a change of rate counts
from its own year on (Table 6.1, https://ppponline.affinitext.com/public/book?id=1475&toc_id=508091).
Factors and sums are our own arithmetic to four decimals, so checked to half of the fourth.
"""

import dataclasses

import numpy as np
import polars as pl
import pytest

from pipeline import appraisal, reference
from pipeline.physics import discounting
from pipeline.reference import Reference
from pipeline.settings import Appraisal, Settings

FACTORS = {
    1: 0.9662,
    2: 0.9335,
    5: 0.8420,
    10: 0.7089,
    20: 0.5026,
    25: 0.4231,
    30: 0.3563,
    31: 0.3459,
    40: 0.2651,
    60: 0.1468,
    75: 0.0942,
}
ANNUITIES = {10: 8.3166, 20: 14.2124, 25: 16.4815, 30: 18.3920, 40: 21.4312, 60: 25.3753}


def yearly_rates(years: int) -> np.ndarray:
    """Rate of each year 1..n as the reference table has it."""
    table = reference.load().table("discount_rates")
    return np.array(
        [
            next(
                row["rate"]
                for row in table.iter_rows(named=True)
                if row["first_year"] <= year <= row["last_year"]
            )
            for year in range(1, years + 1)
        ]
    )


def with_lifetime(years: int) -> Reference:
    """The reference tables with another lifetime of the measure."""
    tables = reference.load()
    lived = pl.when(pl.col("name") == "lifetime_with_guarantee").then(float(years))
    constants = tables.table("constants").with_columns(lived.otherwise("value").alias("value"))
    return dataclasses.replace(tables, tables=tables.tables | {"constants": constants})


def test_schedule_of_the_reference_table() -> None:
    rates = yearly_rates(125)
    assert list(rates) == [0.035] * 30 + [0.030] * 45 + [0.025] * 50


@pytest.mark.parametrize(("year", "expected"), FACTORS.items())
def test_factor(year: int, expected: float) -> None:
    factors = discounting.discount_factors(yearly_rates(75))
    assert factors[year - 1] == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(("years", "expected"), ANNUITIES.items())
def test_sum_of_factors(years: int, expected: float) -> None:
    factors = discounting.discount_factors(yearly_rates(years))
    assert factors.sum() == pytest.approx(expected, abs=5e-5)


@pytest.mark.parametrize(("years", "expected"), ANNUITIES.items())
def test_annuity_of_the_appraisal(years: int, expected: float) -> None:
    """The same sums, as the appraisal reaches them from the reference table."""
    worth = appraisal.worth(with_lifetime(years), Settings())
    assert worth.lifetime_years == years
    assert worth.annuity == pytest.approx(expected, abs=5e-5)


def test_annuity_without_a_guarantee() -> None:
    """Two years (Ofgem, no guarantee): 1/1.035 + 1/1.035 squared."""
    worth = appraisal.worth(
        reference.load(), Settings(appraisal=Appraisal(guarantee_25_years=False))
    )
    assert worth.lifetime_years == 2
    assert worth.annuity == pytest.approx(1.0 / 1.035 + 1.0 / 1.035**2, rel=1e-12)


def test_annuity_steps_down_after_year_30() -> None:
    """36 years with a guarantee: 30 at 3.5 %, six more at 3.0 %."""
    worth = appraisal.worth(reference.load(), Settings())
    first = (1.0 - 1.035**-30) / 0.035
    after = 1.035**-30 * (1.0 - 1.03**-6) / 0.03
    assert worth.lifetime_years == 36
    assert worth.annuity == pytest.approx(first + after, rel=1e-12)


def test_level_rate_gives_the_textbook_annuity() -> None:
    """Thirty years at 3.5 %: 18.392045, (1 - v^n)/r; present-value function of any spreadsheet."""
    factors = discounting.discount_factors(np.full(30, 0.035))
    assert factors.sum() == pytest.approx(18.392045, abs=5e-7)
    assert 1.0 / factors.sum() == pytest.approx(0.0543713, abs=5e-8)


def test_net_present_value_of_a_retrofit() -> None:
    """5000 GBP now, 300 GBP a year for 25 years at 3.5 %: -55.5456 (recorded)."""
    factors = discounting.discount_factors(yearly_rates(25))
    assert 300.0 * factors.sum() - 5000.0 == pytest.approx(-55.5456, abs=5e-5)
