"""Moisture against published values, against other libraries and against plain Python.

Sources: BS EN ISO 13788:2012; a timber wall worked in Lehrbuch der Bauphysik (Springer Vieweg)
13.2.5, Example a; psychrolib and CoolProp for saturation and dew point.
"""

import dataclasses
import math
from importlib.resources import files

import numpy as np
import polars as pl
import psychrolib
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline import moisture_cases, reference
from pipeline.errors import ReferenceTableError, SettingsError
from pipeline.physics import moisture

psychrolib.SetUnitSystem(psychrolib.SI)
TABLES = reference.load()
DELTA = 2e-10
SURFACES = moisture.Surfaces(0.13, 0.04, DELTA)
SECONDS = reference.DAYS_IN_MONTH * 86400.0
OPTIONS = (
    TABLES.table("insulation_systems")
    .with_columns(pl.col("thicknesses_mm").str.split(" ").cast(pl.List(pl.Float64)))
    .explode("thicknesses_mm")
    .select("system", thickness_mm="thicknesses_mm")
)
SOME = OPTIONS.filter(pl.col("thickness_mm").is_in([40.0, 90.0, 100.0, 150.0]))


# Saturation pressure and dew point -----------------------------------------------------------


@pytest.mark.parametrize(
    ("temperature", "printed"), [(20.0, 2337.0), (0.0, 611.0), (-5.0, 401.0), (17.8, 2037.0)]
)
def test_saturation_pressure_as_printed(temperature: float, printed: float) -> None:
    """Rounded to the pascal in the published table; half a pascal and the table's own rounding."""
    assert float(moisture.saturation_pressure(temperature)) == pytest.approx(printed, abs=0.6)


def test_saturation_pressure_printed_at_minus_four() -> None:
    """437 Pa is printed for -4.0; a rounded table entry, within half a pascal."""
    assert float(moisture.saturation_pressure(-4.0)) == pytest.approx(437.0, abs=0.5)


@pytest.mark.parametrize("temperature", [-10.0, -5.0, -1.0, 0.0, 5.0, 10.0, 15.0, 20.0, 25.0])
def test_saturation_pressure_against_psychrolib(temperature: float) -> None:
    """0.15 % from 0 to 25 degC, 0.25 % below: two formulae that truly differ."""
    other = psychrolib.GetSatVapPres(temperature)
    tolerance = 0.0015 if temperature >= 0.0 else 0.0025
    assert float(moisture.saturation_pressure(temperature)) == pytest.approx(other, rel=tolerance)


@pytest.mark.parametrize("temperature", [5.0, 10.0, 15.0, 20.0, 25.0])
def test_saturation_pressure_against_coolprop(temperature: float) -> None:
    other = PropsSI("P", "T", temperature + 273.15, "Q", 0, "Water")
    assert float(moisture.saturation_pressure(temperature)) == pytest.approx(other, rel=0.0015)


def test_dew_point_of_a_room() -> None:
    """20 degC and 60 %: 12.0039 degC by the standard, 0.02 K from both other libraries."""
    own = float(moisture.dew_point(0.6 * moisture.saturation_pressure(20.0)))
    assert own == pytest.approx(12.0039, abs=5e-5)
    assert own == pytest.approx(psychrolib.GetTDewPointFromRelHum(20.0, 0.6), abs=0.02)
    wet = HAPropsSI("D", "T", 293.15, "R", 0.6, "P", 101325.0) - 273.15
    assert own == pytest.approx(wet, abs=0.02)


@given(st.floats(-30.0, 40.0))
def test_dew_point_undoes_saturation(temperature: float) -> None:
    again = float(moisture.dew_point(moisture.saturation_pressure(temperature)))
    assert again == pytest.approx(temperature, abs=1e-9)


# Temperature factor --------------------------------------------------------------------------


@pytest.mark.parametrize(("outside", "expected"), [(0.0, 0.7717), (5.0, 0.6957)])
def test_least_temperature_factor(outside: float, expected: float) -> None:
    """20 degC and 60 % inside: 1402.2 Pa, 1752.7 Pa at 80 %, 15.435 degC. Tolerance 0.001."""
    vapour = 0.6 * moisture.saturation_pressure(20.0)
    assert float(vapour) == pytest.approx(1402.2, abs=0.1)
    assert float(moisture.dew_point(vapour / 0.8)) == pytest.approx(15.435, abs=0.001)
    own = moisture.least_temperature_factor(20.0, outside, vapour, 0.8)
    assert float(own) == pytest.approx(expected, abs=0.001)


@given(st.floats(0.05, 3.0), st.floats(15.0, 25.0), st.floats(-10.0, 10.0))
def test_plane_temperature_factor_is_the_definition(
    u: float, inside: float, outside: float
) -> None:
    """From U with 0.13 inside, checked with 0.25: the surface temperature worked out by hand."""
    total = 1.0 / u - 0.13 + 0.25
    surface = inside - (inside - outside) * 0.25 / total
    defined = moisture.temperature_factor(surface, inside, outside)
    assert moisture.plane_temperature_factor(u, 0.13, 0.25) == pytest.approx(defined, abs=1e-12)
    assert moisture.plane_temperature_factor(u, 0.25, 0.25) == pytest.approx(1.0 - u * 0.25)


# Humidity classes and conversions ------------------------------------------------------------


def test_humidity_classes_agree_with_themselves() -> None:
    """kg/m3 x 462 J/kgK x 293 K against Pa: 270.7, 541, 812, 1083; the table rounds to 0.5 %."""
    table = TABLES.table("humidity_classes")
    pressure = table["excess_kg_m3"].to_numpy() * 462.0 * 293.0
    assert pressure == pytest.approx(np.array([270.7, 541.5, 812.2, 1082.9]), abs=0.1)
    assert table["excess_pa"].to_numpy() == pytest.approx(pressure, rel=0.005)
    assert set(table["checked"]) == {"assumed"}


def test_vapour_excess_falls_from_cold_to_warm() -> None:
    outside = np.array([-5.0, 0.0, 10.0, 20.0, 25.0])
    own = moisture.vapour_excess(outside, 810.0, 0.0, 20.0)
    assert own == pytest.approx(np.array([810.0, 810.0, 405.0, 0.0, 0.0]))


def test_vapour_resistance_of_one_metre() -> None:
    """1 m of air is 5 MNs/g, so 10 MNs/g is 2 m. Derived from 2e-10 kg/(m s Pa)."""
    assert moisture.vapour_resistance(1.0, DELTA) * 1e-9 == pytest.approx(5.0)
    assert moisture.vapour_resistance(2.0, DELTA) * 1e-9 == pytest.approx(10.0)


# Worked example A: timber wall, one plane, 90 days -------------------------------------------

EXAMPLE_R = np.array([[0.150, 0.0, 4.000, 0.150]])
EXAMPLE_SD = np.array([[0.95, 2.0, 0.16, 1.90]])
NINETY_DAYS = np.array([7.776e6])


def example_pressures() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Depths, temperatures and pressures of the example: 20 degC 1168 Pa, -5 degC 321 Pa."""
    temperature = moisture.interface_temperatures(
        EXAMPLE_R, np.array([[20.0]]), np.array([[-5.0]]), 0.25, 0.04
    )[:, 0]
    pressure = moisture.saturation_pressure(temperature)
    pressure[:, 0], pressure[:, -1] = 1168.0, 321.0
    return moisture.interface_depths(EXAMPLE_SD), temperature, pressure


def test_example_heat() -> None:
    """Printed: total 4.590 m2K/W, U 0.218 (0.0005), 5.447 W/m2, -4.0 degC, 437 Pa (rounded)."""
    total = 0.25 + EXAMPLE_R.sum() + 0.04
    assert total == pytest.approx(4.590)
    assert 1.0 / total == pytest.approx(0.218, abs=0.0005)
    assert 25.0 / total == pytest.approx(5.447, abs=0.0005)
    depth, temperature, pressure = example_pressures()
    assert depth[0, -1] == pytest.approx(5.01)
    assert temperature[0, 3] == pytest.approx(-4.0, abs=0.05)
    assert pressure[0, 3] == pytest.approx(438.18, abs=0.005)


def test_example_wetting_and_drying() -> None:
    """Printed: 3.48e-8 kg/m2s, 0.27 kg/m2, 8.48e-8, 0.659 kg/m2. 1 % wetting, 0.1 % drying."""
    depth, _, pressure = example_pressures()
    dry = np.zeros_like(depth)
    gain, inwards, outwards = moisture.vapour_flows(depth, pressure, dry > 0.0, DELTA)
    assert np.flatnonzero(gain[0]).tolist() == [3]
    assert gain[0, 3] == pytest.approx(3.48e-8, rel=0.01)
    assert gain[0, 3] == pytest.approx(3.460e-8, rel=0.0005)
    assert inwards[0] - outwards[0] == pytest.approx(gain[0, 3], rel=1e-12)
    amount, _, _ = moisture.through_period(dry, depth, pressure, NINETY_DAYS, DELTA)
    assert amount[0, 3] == pytest.approx(0.2706, rel=0.01)
    assert amount[0, 3] == pytest.approx(0.2690, abs=0.0001)

    summer = np.full_like(depth, 1700.0)
    summer[:, 0] = summer[:, -1] = 1200.0
    gain, _, _ = moisture.vapour_flows(depth, summer, amount > 0.0, DELTA)
    assert gain[0, 3] == pytest.approx(-8.479e-8, rel=0.001)
    assert -gain[0, 3] * NINETY_DAYS[0] == pytest.approx(0.659, rel=0.001)
    left, entered, gone = moisture.through_period(amount, depth, summer, NINETY_DAYS, DELTA)
    assert left.sum() == 0.0
    assert entered[0] - gone[0] == pytest.approx(-amount.sum(), rel=1e-12)


def test_example_with_the_printed_pressure() -> None:
    """437 Pa put in by hand gives the printed 3.480e-8 and 0.2706."""
    depth, _, pressure = example_pressures()
    pressure[0, 3] = 437.0
    gain, _, _ = moisture.vapour_flows(depth, pressure, np.zeros_like(depth) > 0.0, DELTA)
    assert gain[0, 3] == pytest.approx(3.480e-8, rel=1e-4)
    assert gain[0, 3] * NINETY_DAYS[0] == pytest.approx(0.2706, abs=5e-5)


# Walls and climates drawn at random ----------------------------------------------------------


def climate(
    mean: float, swing: float, humidity: float, excess: float, inside: float = 20.0
) -> moisture.Climate:
    """A year of one season: coldest in January, warmest in July; one case."""
    outside = mean - swing * np.cos(2.0 * math.pi * np.arange(12) / 12.0)
    vapour = humidity * moisture.saturation_pressure(outside)
    within = vapour + moisture.vapour_excess(outside, excess, 0.0, 20.0)
    room = np.full(12, inside)
    within = np.minimum(within, moisture.saturation_pressure(room))
    return moisture.Climate(room[None], outside[None], within[None], vapour[None], SECONDS)


CLIMATES = st.builds(
    climate, st.floats(0.0, 12.0), st.floats(0.0, 8.0), st.floats(0.7, 0.95), st.floats(0.0, 1500.0)
)
LAYER = st.tuples(st.floats(0.0, 3.0), st.floats(0.01, 5.0))
WALLS = st.lists(LAYER, min_size=2, max_size=5)
MANY = settings(max_examples=100, deadline=None)


def year(layers: list[tuple[float, float]], conditions: moisture.Climate) -> moisture.MoistureYear:
    """One wall's year without strips: (resistance, sd) of each layer, inside to outside."""
    r, sd = np.array(layers, dtype=float).T
    return moisture.moisture_year(r[None], sd[None], conditions, SURFACES)


def cut_year(
    layers: list[tuple[float, float]], conditions: moisture.Climate
) -> moisture.MoistureYear:
    """One wall's year with layers cut into strips."""
    r, sd = np.array(layers, dtype=float).T
    r, sd, _ = moisture.strips(r[None], sd[None], 0.25)
    return moisture.moisture_year(r, sd, conditions, SURFACES)


@MANY
@given(WALLS, CLIMATES)
def test_no_condensation_where_no_pressure_passes_saturation(
    layers: list[tuple[float, float]], conditions: moisture.Climate
) -> None:
    """The straight line of vapour pressure worked by hand, month by month."""
    over = False
    total = 0.13 + sum(r for r, _ in layers) + 0.04
    depth = sum(sd for _, sd in layers)
    for m in range(12):
        reached, at = 0.13, 0.0
        outside = conditions.outside[0, m]
        surface = float(moisture.saturation_pressure(20.0 - (20.0 - outside) * 0.13 / total))
        vapour_in = min(conditions.vapour_inside[0, m], surface)
        for r, sd in layers[:-1]:
            reached, at = reached + r, at + sd
            saturated = moisture.saturation_pressure(20.0 - (20.0 - outside) * reached / total)
            line = vapour_in + (conditions.vapour_outside[0, m] - vapour_in) * at / depth
            over = over or line > saturated * (1.0 + 1e-12)
    result = year(layers, conditions)
    assert (result.peak[0] > 0.0) == over
    assert (result.verdict[0] != moisture.NONE) == over


@MANY
@given(WALLS, CLIMATES)
def test_mass_balance_of_every_month(
    layers: list[tuple[float, float]], conditions: moisture.Climate
) -> None:
    """Vapour in less vapour out is the gain of condensate, to 1e-9 of the larger flow."""
    result = cut_year(layers, conditions)
    gain = np.diff(result.total, axis=1, prepend=0.0)
    larger = np.maximum(np.abs(result.vapour_in), np.abs(result.vapour_out))
    larger = np.maximum(larger, np.abs(gain))
    assert (np.abs(result.vapour_in - result.vapour_out - gain) <= 1e-9 * larger + 1e-18).all()
    assert (result.amount >= 0.0).all()
    assert (result.amount[:, :, [0, -1]] == 0.0).all()


MASONRY = st.tuples(st.floats(0.08, 0.6), st.floats(0.3, 1.2), st.floats(5.0, 60.0))
INSULANT = st.tuples(st.floats(0.02, 0.2), st.floats(0.02, 0.045), st.floats(1.0, 60.0))


@MANY
@given(st.lists(MASONRY, min_size=1, max_size=3), INSULANT, CLIMATES, st.floats(0.05, 1.0))
def test_insulation_outside_is_never_worse_than_inside(
    masonry: list[tuple[float, float, float]],
    insulant: tuple[float, float, float],
    conditions: moisture.Climate,
    finish_sd: float,
) -> None:
    """Same layers, same finish, only the place of the insulation moved.

    It holds where the insulant resists heat more than vapour compared with the masonry
    (1/(lambda mu) is larger), as every insulant of the catalogue does. Source: Lehrbuch der
    Bauphysik 13.2.3, in words.
    """
    thickness, conductivity, mu = insulant
    walls = [(d / k, d * m) for d, k, m in masonry if k * m > conductivity * mu]
    insulation, finish = (thickness / conductivity, thickness * mu), (0.00857, finish_sd)
    outside = cut_year([*walls, insulation, finish], conditions)
    inside = cut_year([insulation, *walls, finish], conditions)
    assert outside.peak[0] <= inside.peak[0] * (1.0 + 1e-9) + 1e-12
    assert outside.verdict[0] <= inside.verdict[0]


@MANY
@given(WALLS, CLIMATES, st.floats(0.01, 50.0))
def test_vapour_resistance_at_the_warm_side_never_adds_condensation(
    layers: list[tuple[float, float]], conditions: moisture.Climate, barrier: float
) -> None:
    """A membrane (no thermal resistance) inside everything: the peak never rises."""
    without, within = year(layers, conditions), year([(0.0, barrier), *layers], conditions)
    assert within.peak[0] <= without.peak[0] * (1.0 + 1e-9) + 1e-12


@MANY
@given(WALLS, CLIMATES, st.floats(0.1, 10.0))
def test_scale(
    layers: list[tuple[float, float]], conditions: moisture.Climate, factor: float
) -> None:
    """All sd times a factor: all amounts divided by it, at the same moments.

    All pressures cannot be scaled alone, saturation being fixed; all resistances can, with those
    of the surfaces: temperatures and so amounts stay.
    """
    result = year(layers, conditions)
    wider = year([(r, sd * factor) for r, sd in layers], conditions)
    assert wider.amount * factor == pytest.approx(result.amount, rel=1e-6, abs=1e-9)
    r, sd = np.array(layers).T
    surfaces = moisture.Surfaces(0.13 * factor, 0.04 * factor, DELTA)
    thicker = moisture.moisture_year(r[None] * factor, sd[None], conditions, surfaces)
    assert thicker.amount == pytest.approx(result.amount, rel=1e-6, abs=1e-9)
    permeable = dataclasses.replace(SURFACES, permeability=DELTA * factor)
    quicker = moisture.moisture_year(r[None], sd[None], conditions, permeable)
    assert quicker.amount == pytest.approx(result.amount * factor, rel=1e-6, abs=1e-9)


def many(cases: int, layers: int, seed: int) -> tuple[np.ndarray, np.ndarray, moisture.Climate]:
    """Walls of differing depth, padded outside, each with its own climate."""
    rng = np.random.default_rng(seed)
    r, sd = rng.uniform(0.0, 2.0, (cases, layers)), rng.uniform(0.01, 3.0, (cases, layers))
    unused = np.arange(layers) >= rng.integers(2, layers + 1, cases)[:, None]
    r[unused] = sd[unused] = 0.0
    parts = [
        climate(*draw)
        for draw in zip(
            rng.uniform(0.0, 12.0, cases),
            rng.uniform(0.0, 8.0, cases),
            rng.uniform(0.7, 0.95, cases),
            rng.uniform(0.0, 1500.0, cases),
            strict=True,
        )
    ]
    fields = ("inside", "outside", "vapour_inside", "vapour_outside")
    stacked = [np.concatenate([getattr(part, f) for part in parts]) for f in fields]
    return r, sd, moisture.Climate(*stacked, SECONDS)


def test_many_at_once_equal_one_by_one() -> None:
    """Same numbers, whatever the neighbours and the padding."""
    r, sd, conditions = many(200, 5, seed=3)
    r_cut, sd_cut, _ = moisture.strips(r, sd, 0.25)
    together = moisture.moisture_year(r_cut, sd_cut, conditions, SURFACES)
    assert {0, 1, 2} <= set(together.verdict.tolist())
    for i in range(len(r)):
        one = moisture.Climate(
            conditions.inside[i : i + 1],
            conditions.outside[i : i + 1],
            conditions.vapour_inside[i : i + 1],
            conditions.vapour_outside[i : i + 1],
            SECONDS,
        )
        used = sd[i] > 0.0
        alone = cut_year(list(zip(r[i][used], sd[i][used], strict=True)), one)
        planes = alone.amount.shape[2]
        assert together.start[i] == alone.start[0]
        assert together.amount[i, :, :planes] == pytest.approx(alone.amount[0], rel=1e-9, abs=1e-15)
        assert together.verdict[i] == alone.verdict[0]
        assert together.dry_period[i] == alone.dry_period[0]


# A slow and simple calculation in plain Python ------------------------------------------------


def saturation(t: float) -> float:
    if t >= 0.0:
        return 610.5 * math.exp(17.269 * t / (237.3 + t))
    return 610.5 * math.exp(21.875 * t / (265.5 + t))


def steady_pressure(depth: list[float], most: list[float], wet: list[bool]) -> list[float]:
    """Vapour pressure by relaxation: a straight line nowhere above saturation, wet ones held.

    An iterative obstacle solution (projected Gauss-Seidel), nothing to do with a convex hull.
    """
    last = len(depth) - 1
    p = [most[0] + (most[-1] - most[0]) * d / depth[-1] for d in depth]
    for _ in range(100_000):
        moved = 0.0
        for j in range(1, last):
            left, right = 1.0 / (depth[j] - depth[j - 1]), 1.0 / (depth[j + 1] - depth[j])
            free = (p[j - 1] * left + p[j + 1] * right) / (left + right)
            new = most[j] if wet[j] else min(free, most[j])
            moved, p[j] = max(moved, abs(new - p[j])), new
        if moved < 1e-9:
            break
    return p


def plain_year(
    layers: list[tuple[float, float]], conditions: moisture.Climate, start: int, steps: int
) -> list[list[float]]:
    """Amounts at the end of each month from `start` on, in equal small steps of time."""
    total = 0.13 + sum(r for r, _ in layers) + 0.04
    depth, reached = [0.0], [0.13]
    for r, sd in layers:
        depth.append(depth[-1] + sd)
        reached.append(reached[-1] + r)
    amounts, ends = [0.0] * len(depth), []
    for place in range(12):
        m = (start + place) % 12
        ti, te = float(conditions.inside[0, m]), float(conditions.outside[0, m])
        most = [saturation(ti + (te - ti) * r / total) for r in reached]
        most[0] = min(most[0], float(conditions.vapour_inside[0, m]))
        most[-1] = min(most[-1], float(conditions.vapour_outside[0, m]))
        known: dict[tuple[bool, ...], list[float]] = {}
        for _ in range(steps):
            wet = tuple(a > 0.0 for a in amounts)
            if wet not in known:
                known[wet] = steady_pressure(depth, most, list(wet))
            p = known[wet]
            flow = [
                DELTA * (p[j] - p[j + 1]) / (depth[j + 1] - depth[j]) for j in range(len(layers))
            ]
            for j in range(1, len(layers)):
                gain = (flow[j - 1] - flow[j]) * float(SECONDS[m]) / steps
                if wet[j] or gain > 1e-12:
                    amounts[j] = max(amounts[j] + gain, 0.0)
        ends.append(list(amounts))
    return ends


def sandwich(seed: int) -> tuple[list[tuple[float, float]], moisture.Climate]:
    """Two insulants between three boards, so that vapour can condense behind each of them."""
    rng = np.random.default_rng(seed)
    insulants, boards = rng.uniform(0.6, 2.2, 2), rng.uniform(0.3, 2.0, 3)
    layers = [
        (0.1, 0.2),
        (insulants[0], rng.uniform(0.03, 0.1)),
        (0.1, boards[0]),
        (insulants[1], rng.uniform(0.03, 0.1)),
        (0.1, boards[1]),
        (0.2, boards[2]),
    ]
    conditions = climate(rng.uniform(2.0, 10.0), 6.0, 0.8, rng.uniform(500.0, 1200.0))
    return [(float(r), float(sd)) for r, sd in layers], conditions


@pytest.mark.parametrize("seed", range(12))
def test_against_small_steps_in_plain_python(seed: int) -> None:
    """Several planes at once; steps of 1/400 of a month, so within 0.5 % of the wall's peak."""
    layers, conditions = sandwich(seed)
    result = year(layers, conditions)
    plain = np.array(plain_year(layers, conditions, int(result.start[0]), steps=400))
    assert result.peak[0] > 0.0
    assert plain == pytest.approx(result.amount[0], abs=0.005 * result.peak[0])


@pytest.mark.parametrize("wettest", [0.97, 0.90, 0.85])
def test_a_zone_of_condensation_in_plain_python(wettest: float) -> None:
    """A damp room and one thick permeable layer in eight strips: a zone, not a plane.

    It dries from both edges, so a month is split several times. 0.5 % of the wall's peak.
    """
    layers = [(0.3, 0.1)] * 8
    conditions = climate(6.0, 6.0, 0.97, 0.0)
    season = wettest - 0.25 * (1.0 - np.cos(2.0 * math.pi * np.arange(12) / 12.0))
    room = season[None] * moisture.saturation_pressure(20.0)
    conditions = dataclasses.replace(conditions, vapour_inside=room)
    result = year(layers, conditions)
    plain = np.array(plain_year(layers, conditions, int(result.start[0]), steps=400))
    assert (result.peak_by_interface[0] > 0.0).sum() >= 3
    assert result.verdict[0] == moisture.DRIES
    assert plain == pytest.approx(result.amount[0], abs=0.005 * result.peak[0])


def test_plain_python_meets_several_planes() -> None:
    """The comparison above is of use: one plane and two, drying and staying."""
    years = [year(*sandwich(seed)) for seed in range(12)]
    planes = [int((result.peak_by_interface[0] > 0.0).sum()) for result in years]
    assert sum(count >= 2 for count in planes) >= 4
    assert {int(result.verdict[0]) for result in years} == {moisture.DRIES, moisture.ACCUMULATES}


def test_start_follows_the_longest_dry_run() -> None:
    """No condensation from March to July and in September: the year begins in August's stead."""
    wet = np.ones((2, 12), dtype=bool)
    wet[0, [2, 3, 4, 5, 6, 8]] = False
    assert moisture.first_period(wet).tolist() == [7, 0]


def test_strips_keep_the_wall() -> None:
    """Sums stay, no strip passes the limit, the owner of each is right, padding is outside."""
    r = np.array([[0.6, 0.0, 0.25], [0.1, 0.0, 0.0]])
    sd = np.array([[3.0, 2.0, 1.0], [0.5, 0.0, 0.0]])
    cut_r, cut_sd, owner = moisture.strips(r, sd, 0.25)
    assert cut_r.sum(axis=1) == pytest.approx(r.sum(axis=1))
    assert cut_sd.sum(axis=1) == pytest.approx(sd.sum(axis=1))
    assert cut_r.max() <= 0.25 + 1e-12
    assert owner.tolist() == [[0, 0, 0, 1, 2], [0, -1, -1, -1, -1]]


@pytest.mark.parametrize(("resistance", "sd"), [(0.2, 0.0), (0.2, math.inf), (-0.1, 1.0)])
def test_strips_refuse_a_layer_the_method_cannot_take(resistance: float, sd: float) -> None:
    with pytest.raises(ValueError, match="every layer needs"):
        moisture.strips(np.array([[resistance]]), np.array([[sd]]), 0.25)


# Cases and homes -----------------------------------------------------------------------------


def test_layers_are_near_the_default_u_values() -> None:
    """Each generic wall lies within 30 % of the default U its construction has when uninsulated.

    Source of the defaults: SAP 2012 Appendix S, bands as noted; stone by thickness of 500 mm.
    """
    default = {
        "solid_brick": 1.7, "cavity": 1.5, "filled_cavity": 0.7, "cob": 0.8, "system_built": 2.0,
        "stone_granite": 3.3 - 0.002 * 500, "stone_sandstone": 3.0 - 0.002 * 500,
        "timber_frame": 0.45,
    }  # fmt: skip
    for row in u_values().iter_rows():
        assert row[1] == pytest.approx(default[row[0]], rel=0.3), row[0]
    assert set(default) == set(u_values()["construction"])


def u_values() -> pl.DataFrame:
    resistance = pl.coalesce(
        "resistance_m2k_w", pl.col("thickness_mm") / 1000.0 / pl.col("lambda_w_mk")
    )
    return (
        TABLES.table("wall_layers")
        .group_by("construction")
        .agg(u=1.0 / (0.13 + resistance.sum() + 0.04))
    )


def test_every_construction_code_has_layers() -> None:
    codes = pl.read_csv((files("pipeline") / "stock" / "codes.csv").read_bytes())
    codes = codes.filter(pl.col(codes.columns[0]) == "wall_construction")
    assert set(codes[codes.columns[-1]]) == set(TABLES.table("wall_layers")["construction"])


@pytest.fixture(scope="module")
def table() -> pl.DataFrame:
    return moisture_cases.cases(moisture_cases.every(TABLES, SOME, [3, 4]), TABLES)


def test_every_case_is_answered_once(table: pl.DataFrame) -> None:
    assert table.height == 8 * SOME.height * 22 * 2
    assert table.select(moisture_cases.KEYS).n_unique() == table.height
    needed = set(table.columns) - {"moisture_dry_month", "moisture_plane"}
    assert all(table[name].null_count() == 0 for name in needed)
    assert set(table["moisture_verdict"]) <= set(moisture_cases.VERDICTS)


def test_words_and_figures_of_a_case_agree(table: pl.DataFrame) -> None:
    dry, wet = (
        table.filter(pl.col("moisture_verdict") == word) for word in ("none", "accumulates")
    )
    dries = table.filter(pl.col("moisture_verdict") == "dries")
    assert dry["moisture_peak_kg_m2"].max() == 0.0
    assert dry["moisture_plane"].null_count() == dry.height
    assert dries["moisture_dry_month"].null_count() == 0
    assert wet["moisture_dry_month"].null_count() == wet.height
    assert dries["moisture_plane"].null_count() == wet["moisture_plane"].null_count() == 0
    assert (dries["moisture_peak_kg_m2"] > 0.0).all()


def test_outside_insulation_lifts_f_rsi_and_never_adds_condensate(table: pl.DataFrame) -> None:
    assert (table["f_rsi_plane"] > table["f_rsi_plane_before"]).all()
    assert (table["mould_risk_plane"] == (table["f_rsi_plane"] < 0.75)).all()
    masonry = table.filter(pl.col("build_up") != "timber_frame")
    worse = masonry["moisture_peak_kg_m2"] - masonry["moisture_peak_before_kg_m2"]
    assert worse.max() <= 1e-12


def test_a_wetter_room_is_never_drier(table: pl.DataFrame) -> None:
    keys = [key for key in moisture_cases.KEYS if key != "humidity_class"]
    low, high = (table.filter(pl.col("humidity_class") == c) for c in (3, 4))
    both = low.join(high, on=keys, suffix="_4")
    assert both.height == low.height
    assert (both["moisture_peak_kg_m2_4"] >= both["moisture_peak_kg_m2"] - 1e-12).all()


def test_one_case_by_hand(table: pl.DataFrame) -> None:
    """Solid brick, 90 mm white EPS, f_Rsi from the layers: 1 - 0.25 / (R + 0.04 + 0.25)."""
    row = table.filter(
        pl.col("build_up") == "solid_brick",
        pl.col("system") == "eps_white",
        pl.col("thickness_mm") == 90.0,
        pl.col("region_id") == 0,
        pl.col("humidity_class") == 3,
    ).row(0, named=True)
    bare = 0.013 / 0.57 + 0.1075 / 0.56 + 0.1075 / 0.77
    after = bare + 0.090 / 0.038 + 0.00857
    assert row["f_rsi_plane_before"] == pytest.approx(1.0 - 0.25 / (bare + 0.29), abs=1e-12)
    assert row["f_rsi_plane"] == pytest.approx(1.0 - 0.25 / (after + 0.29), abs=1e-12)


HOMES = pl.DataFrame(
    {
        "home_id": ["a", "b", "c", "d", "e"],
        "wall_construction": ["solid_brick", "cavity", "cavity", "solid_brick", "solid_brick"],
        "wall_insulation": ["none", "filled_cavity", None, "internal", "none"],
        "system": ["eps_white", "eps_white", "mineral_wool", "eps_white", None],
        "thickness_mm": [90.0, 90.0, 100.0, 90.0, None],
        "region_id": [1.0, 17.0, 17.0, 1.0, 1.0],
    }
)


def test_homes_are_joined_in_their_order() -> None:
    keys = moisture_cases.distinct(HOMES, 3)
    assert keys["build_up"].to_list() == ["cavity", "filled_cavity", "solid_brick"]
    joined = moisture_cases.join(HOMES, moisture_cases.cases(keys, TABLES), 3)
    assert joined["home_id"].to_list() == HOMES["home_id"].to_list()
    assert joined["moisture_verdict"].is_null().to_list() == [False, False, False, True, True]
    assert joined.drop(moisture_cases.ANSWERS).equals(HOMES)


def test_no_option_anywhere_gives_no_verdict() -> None:
    homes = HOMES.with_columns(system=pl.lit(None, pl.String))
    table = moisture_cases.cases(moisture_cases.distinct(homes, 3), TABLES)
    assert table.height == 0
    joined = moisture_cases.join(homes, table, 3)
    assert joined["moisture_verdict"].null_count() == homes.height


def test_small_table_equals_large(table: pl.DataFrame) -> None:
    """Batches and neighbours change nothing: a sample alone gives the same rows."""
    keys = table.select(moisture_cases.KEYS).sample(300, seed=5).sort(moisture_cases.KEYS)
    alone = moisture_cases.cases(keys, TABLES)
    expected = keys.join(table, on=list(moisture_cases.KEYS), how="left", maintain_order="left")
    assert alone.columns == expected.columns
    for name in alone.columns:
        if alone[name].dtype == pl.Float64:
            assert alone[name].to_numpy() == pytest.approx(expected[name].to_numpy(), abs=1e-12)
        else:
            assert alone[name].equals(expected[name]), name


def test_a_tight_finish_and_a_colder_year_are_never_drier() -> None:
    keys = moisture_cases.every(TABLES, SOME.filter(pl.col("system") == "mineral_wool"), [4])
    plain = moisture_cases.cases(keys, TABLES)["moisture_peak_kg_m2"]
    tight = moisture_cases.cases(keys, TABLES, finish_sd_m=2.0)["moisture_peak_kg_m2"]
    cold = moisture_cases.cases(keys, TABLES, temperature_shift_c=-3.0)["moisture_peak_kg_m2"]
    assert (tight >= plain - 1e-12).all()
    assert tight.sum() > plain.sum()
    assert cold.sum() > plain.sum()


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"humidity_class": 5}, SettingsError, "known: 1, 2, 3, 4"),
        ({"system": "straw"}, SettingsError, "No insulation system 'straw'"),
        ({"build_up": "igloo"}, ReferenceTableError, "no layers for construction 'igloo'"),
    ],
)
def test_what_is_not_in_the_tables_is_refused(
    change: dict[str, object], error: type[Exception], words: str
) -> None:
    keys = moisture_cases.distinct(HOMES, 3).with_columns(
        **{k: pl.lit(v) for k, v in change.items()}
    )
    with pytest.raises(error, match=words):
        moisture_cases.cases(keys, TABLES)
