"""Savings by degree-days against the monthly utilisation method of BS EN ISO 13790:2008.

The two methods share gains and climate and nothing else: one counts degree-days below a balance
point, the other the share of the gains that is of use. Thermal mass 250 kJ/m2K of floor area, the
medium class of SAP 2012 Table 1f.
"""

from typing import NamedTuple

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pipeline import homes, reference
from pipeline.settings import Climate, Settings

from . import by_hand, drawn

THERMAL_MASS = 250.0  # kJ/m2K
TARGET = 0.30  # W/m2K
AGREEMENT = 0.05  # per home


@pytest.mark.parametrize(
    ("tau", "expected"),
    [
        (10.0, (0.9806, 0.9237, 0.8131, 0.6925, 0.6250, 0.5540, 0.4065)),
        (20.0, (0.9958, 0.9702, 0.8899, 0.7735, 0.7000, 0.6188, 0.4449)),
        (50.0, (1.0000, 0.9982, 0.9746, 0.8907, 0.8125, 0.7126, 0.4873)),
    ],
)
def test_factor(tau: float, expected: tuple[float, ...]) -> None:
    """Our own exact values of the formula of 12.2.1.1, a0 1 and tau0 15 h; 1e-4."""
    for gamma, eta in zip((0.1, 0.25, 0.5, 0.8, 1.0, 1.25, 2.0), expected, strict=True):
        assert by_hand.utilisation(gamma, tau) == pytest.approx(eta, abs=1e-4)


@given(st.floats(0.01, 5.0), st.floats(1.0, 200.0))
def test_factor_is_a_share_that_falls_with_gains_and_rises_with_mass(
    gamma: float, tau: float
) -> None:
    eta = by_hand.utilisation(gamma, tau)
    assert 0.0 < eta <= 1.0 + 1e-12
    assert eta * gamma <= 1.0 + 1e-9
    assert by_hand.utilisation(gamma * 1.05, tau) <= eta + 1e-9
    assert by_hand.utilisation(gamma, tau * 1.05) >= eta - 1e-9


@given(st.floats(1.0, 200.0))
def test_factor_is_continuous_where_gains_equal_losses(tau: float) -> None:
    for gamma in (1.0 - 1e-6, 1.0 + 1e-6):
        assert by_hand.utilisation(gamma, tau) == pytest.approx(
            by_hand.utilisation(1.0, tau), abs=1e-5
        )


class Compared(NamedTuple):
    """Homes, and the heat of each by either method before and after works [kWh/year]."""

    homes: pl.DataFrame
    before: np.ndarray
    after: np.ndarray
    iso_before: np.ndarray
    iso_after: np.ndarray


@pytest.fixture(scope="module")
def compared() -> Compared:
    """400 homes with a wall worth insulating, all twelve months heated."""
    tables = reference.load()
    settings = Settings(climate=Climate(heating_months=tuple(range(1, 13))))
    stock = drawn.stock(np.random.default_rng(13790), 400)
    listed = homes.describe(stock, tables, settings).filter(
        pl.col("u_existing_w_m2k") > TARGET, pl.col("treated_wall_area_m2") > 0.0
    )
    fall = (pl.col("u_existing_w_m2k") - TARGET) * pl.col("treated_wall_area_m2")
    insulated = listed.with_columns(heat_loss_before_w_k=pl.col("heat_loss_before_w_k") - fall)
    insulated = homes.with_energy_today(insulated, tables, settings)
    return Compared(
        listed,
        listed["heat_before_kwh_per_year"].to_numpy(),
        insulated["heat_before_kwh_per_year"].to_numpy(),
        _by_utilisation(listed),
        _by_utilisation(insulated),
    )


def _by_utilisation(listed: pl.DataFrame) -> np.ndarray:
    outside, flux = by_hand.outside_temperatures(), by_hand.east_west_irradiance()
    heat = []
    for home in listed.iter_rows(named=True):
        region = int(home["region_id"])
        gains = {
            month: home["internal_gains_w"] + home["solar_aperture_m2"] * flux[region][month]
            for month in by_hand.MONTHS
        }
        capacity = THERMAL_MASS * home["floor_area_m2"]
        heat.append(
            by_hand.heat_by_utilisation(
                home["heat_loss_before_w_k"], capacity, gains, outside[region]
            )
        )
    return np.array(heat)


def test_homes_are_varied(compared: Compared) -> None:
    """At least 200 homes; every type, form, wall, glazing and region; losses of 1.5 to 6 W/m2K."""
    listed = compared.homes
    assert listed.height >= 200
    assert set(listed["property_type"]) == set(drawn.AREAS)
    assert set(listed["built_form"]) == set(drawn.FORMS)
    assert set(listed["wall_construction"]) == set(drawn.WALLS)
    assert set(listed["glazing"]) == set(drawn.GLAZING)
    assert set(listed["region_id"]) == set(map(float, range(1, 22)))
    per_floor = (listed["heat_loss_before_w_k"] / listed["floor_area_m2"]).to_numpy()
    assert per_floor.min() < 2.0
    assert per_floor.max() > 5.0


def test_saving_agrees_home_by_home(compared: Compared) -> None:
    own = compared.before - compared.after
    iso = compared.iso_before - compared.iso_after
    apart = np.abs(own / iso - 1.0)
    worst = compared.homes.with_columns(apart=pl.Series(apart)).filter(pl.col("apart") > AGREEMENT)
    assert worst.height == 0, worst.select("home_id", "property_type", "region_id", "apart")


def test_saving_of_the_stock_agrees(compared: Compared) -> None:
    """Deviations of single homes are one-sided and small: the sum stays within 3 %."""
    own = (compared.before - compared.after).sum()
    iso = (compared.iso_before - compared.iso_after).sum()
    assert own == pytest.approx(iso, rel=0.03)


def test_heat_demand_agrees_home_by_home(compared: Compared) -> None:
    """Not only the difference: the heat before works agrees within the same 5 %."""
    apart = np.abs(compared.before / compared.iso_before - 1.0)
    assert apart.max() <= AGREEMENT
