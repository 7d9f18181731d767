"""Fifty homes and more reckoned again in plain Python, from the input columns of each ranked row.

Only `math` and `csv` do the arithmetic (here and in `by_hand`); reference tables and the rate book
are read anew from their files. Only psi between the grid points of the junction table comes from
`pipeline`. Every figure must agree to one part in a million, and the option chosen must be the one
that brute force over all options finds.
"""

import csv
import datetime
import itertools
import math
import random
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import polars as pl
import pytest

from pipeline import assess, homes, junction_catalogue, programme, reference, stock
from pipeline.options import rates
from pipeline.settings import Appraisal, Cost, Prices, Savings, Settings, Works

from . import bill_by_hand, by_hand

HOMES = 72
TOLERANCE = 1e-6

TARGET = 0.30  # W/m2K
MOST_MM = 150.0
TALL_M = 11.0
IN_USE, COMFORT = 0.33, 0.15
PERIOD, FIRST_YEAR = "2026-04_06", 2027
SETTINGS = Settings(
    works=Works(target_u_w_m2k=TARGET, thickness_most_mm=MOST_MM),
    savings=Savings(in_use_reduction=IN_USE, comfort_share=COMFORT),
    prices=Prices(period=PERIOD),
    cost=Cost(installation_date=datetime.date(2027, 6, 1)),
    appraisal=Appraisal(objective="net_benefit", first_year=FIRST_YEAR, carbon_value="central"),
)

C = by_hand.CONSTANTS
OUTSIDE = by_hand.outside_temperatures()
FLUX = by_hand.east_west_irradiance()
PSI = by_hand.junction_psi()
BUILT = {  # the details of the default settings
    "jamb": "reveal_20", "head": "reveal_20", "sill": "reveal_20", "base": "stopped_at_dpc",
    "eaves": "not_joined", "neighbour": "ended", "corner": "unbroken",
}  # fmt: skip
BARE = {**BUILT, "jamb": "bare", "head": "bare", "sill": "bare"}
SYSTEMS = by_hand.table("insulation_systems")
GLAZING = {row["glazing"]: row for row in by_hand.table("glazing")}
HEATING = {row["heating"]: row for row in by_hand.table("heating_systems")}
FUELS = {(row["fuel"], row["metric"]): float(row["value"]) for row in by_hand.table("fuel_factors")}
RATES = {
    (row["item"], row["applies_to"]): float(row["rate_gbp"])
    for row in by_hand.rows(by_hand.ROOT / "data_demo" / "rate_book.csv")
}

Row = dict[str, Any]


# The stock list: invented homes, written as a landlord's CSV.


def _stock_list() -> list[dict[str, object]]:
    draw = random.Random(6946)
    more = random.Random(10211)
    return [_home(draw, number) | _junctions(more) for number in range(HOMES)]


def _junctions(draw: random.Random) -> dict[str, object]:
    """Insulation inside for some walls, and some junction lengths: all, some or none."""
    share = draw.choice([0.0, 0.0, 0.5, 1.0])
    longest = {
        "jamb": 30.0, "head": 14.0, "sill": 12.0, "base": 14.0, "eaves": 9.0, "neighbour": 10.0,
        "corner": 20.0,
    }  # fmt: skip
    return {
        "wall_insulation": "internal" if draw.random() < 0.1 else "",
        **{
            f"{name}_length_m": round(draw.uniform(0.0, most), 1) if draw.random() < share else ""
            for name, most in longest.items()
        },
    }


def _home(draw: random.Random, number: int) -> dict[str, object]:
    kind = draw.choice(["house", "house", "bungalow", "flat", "maisonette"])
    flat = kind in ("flat", "maisonette")
    storeys = {"house": draw.choice([2, 2, 3]), "maisonette": 2}.get(kind, 1)
    area = round(draw.uniform(40.0, 70.0) * (1.5 if storeys > 1 else 1.0), 1)

    def sometimes(value: object, share: float) -> object:
        return value if draw.random() < share else ""

    return {
        "home_id": f"P{number:03d}",
        "address": f"{number + 1} Example Row",
        "postcode": draw.choice(["SW9", "PL1", "M1", "LS1", "EH1", "AB10", "BT1", "ZE1"]) + " 1AA",
        "tenure": "private" if number == 5 else "social rent",
        "property_type": kind,
        "built_form": draw.choice(["detached", "semi", "end terrace", "mid terrace"]),
        "floor_position": draw.choice(["ground", "mid", "top"]) if flat else "",
        "storeys": storeys,
        "building_height_m": sometimes(draw.choice([6.5, 9.0, 11.0, 17.5]), 0.6) if flat else "",
        "construction_year": draw.randint(1880, 1978),
        "floor_area_m2": area,
        "wall_construction": draw.choice(
            ["solid brick", "solid brick", "no fines", "sandstone", "filled cavity", "cob"]
        ),
        "wall_thickness_mm": sometimes(draw.choice([230, 330, 450]), 0.4),
        "wall_area_m2": sometimes(round(area * draw.uniform(0.5, 1.1), 1), 0.4),
        "treatable_share": sometimes(round(draw.uniform(0.4, 1.0), 2), 0.6),
        "u_existing_w_m2k": 0.28
        if number == 9
        else sometimes(round(draw.uniform(0.8, 2.4), 2), 0.3),
        "window_area_m2": sometimes(round(area * draw.uniform(0.12, 0.25), 1), 0.4),
        "glazing": sometimes(draw.choice(["single", "old double", "double 2002", "triple"]), 0.8),
        "loft_insulation_mm": sometimes(draw.choice([0, 100, 270]), 0.7),
        "heating": sometimes(
            draw.choice(["gas boiler", "ashp", "electric", "oil boiler", "district", "coal"]), 0.8
        ),
        "metered_heating_kwh_per_year": sometimes(draw.choice([900, 8000, 17000]), 0.4),
        "measured_htc_w_k": sometimes(round(area * draw.uniform(4.0, 5.0)), 0.12),
        "clearance_mm": 25 if number == 13 else sometimes(draw.choice([92, 112, 132, 900]), 0.4),
    }


LISTED = {str(home["home_id"]): home for home in _stock_list()}


def write_list(path: Path) -> None:
    """The stock list as a landlord's CSV."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(LISTED["P000"]))
        writer.writeheader()
        writer.writerows(LISTED.values())


@pytest.fixture(scope="module")
def ranking(tmp_path_factory: pytest.TempPathFactory) -> list[Row]:
    """The stages of a run on the list above, as rows."""
    path = tmp_path_factory.mktemp("plain") / "stock.csv"
    write_list(path)
    tables = reference.load()
    base = assess.basis(tables, SETTINGS, rates.read(SETTINGS.cost))
    listed = stock.ingest(stock.Inputs(path), {})
    described = homes.describe(listed.accepted, tables, SETTINGS)
    ranked = programme.rank(pl.concat(assess.assess(described, base)), SETTINGS)
    assert ranked.height == HOMES
    return ranked.to_dicts()


@pytest.fixture(scope="module")
def ranked(ranking: list[Row]) -> list[Row]:
    return [row for row in ranking if row["rank"] is not None]


# The dwelling.


def internal_gains(floor_area: float) -> float:
    """Mean gains of people, cooking, appliances and lights [W]. SAP 2012 Tables 1b, 5, App. L."""
    over = max(floor_area - 13.9, 0.0)
    people = 1.0 + 1.76 * (1.0 - math.exp(-0.000349 * over * over)) + 0.0013 * over
    yearly_kwh = (207.8 + 0.85 * 59.73) * (floor_area * people) ** 0.4714
    return (60.0 + 7.0 - 40.0) * people + 35.0 + yearly_kwh * 1000.0 / 8760.0


def solar_aperture(row: Row) -> float:
    """0.9 x area x g x frame 0.7 x shading 0.77 [m2]. SAP 2012 s6, Tables 6b to 6d."""
    return float(
        0.9
        * row["window_area_m2"]
        * float(GLAZING[row["glazing"]]["solar_transmittance"])
        * 0.7
        * 0.77
    )


def heat_loss(row: Row) -> float:
    """Elements, bridging by the exposed area and 0.33 n V [W/K], or the measured coefficient."""
    if row["measured_htc_w_k"] is not None:
        return float(row["measured_htc_w_k"])
    fabric = sum(u * area for u, area in elements(row))
    air = 0.33 * row["air_changes_per_hour"] * row["volume_m3"]
    return float(fabric + bridging_loss(row) + air)


def elements(row: Row) -> list[tuple[float, float]]:
    """U-value and area of everything exposed."""
    return [
        (row["u_existing_w_m2k"], row["treated_wall_area_m2"] + row["untreated_wall_area_m2"]),
        (row["u_roof_w_m2k"], row["roof_area_m2"]),
        (row["u_floor_w_m2k"], row["ground_area_m2"]),
        (row["u_window_w_m2k"], row["window_area_m2"]),
        (row["u_door_w_m2k"], row["door_area_m2"]),
    ]


def bridging_loss(row: Row) -> float:
    """y-value times the exposed area [W/K]. SAP 2012 Appendix K."""
    return float(row["bridging_y_w_m2k"] * sum(area for _, area in elements(row)))


def lengths(row: Row) -> dict[str, float]:
    """Junction lengths [m]: the list's, else estimated (own assumption of the tool)."""
    listed = LISTED[row["home_id"]]
    given = {name: listed[f"{name}_length_m"] for name in by_hand.JUNCTIONS}
    estimates = by_hand.estimated_lengths(row)
    return {n: estimates[n] if said == "" else float(str(said)) for n, said in given.items()}


@cache
def psi_after(wall: str, junction: str, variant: str, mm: float, conductivity: float) -> float:
    """Exactly the table's at its grid points. BS EN ISO 10211:2017."""
    exact = PSI.get((wall, junction, variant, by_hand.insulation(mm, conductivity)))
    if exact is not None:
        return exact
    after = junction_catalogue.load().after
    psi, _, _ = after(wall, junction, variant, np.array([mm]), np.array([conductivity]))
    return float(psi[0])


def junction_reduction(row: Row, option: "Option", built: dict[str, str]) -> float:
    """Sum of (psi before - psi after) length [W/K], BS EN ISO 14683: H = sum(psi l).

    Never more than the bridging loss counted today; 0 where the table has no such wall.
    """
    wall = by_hand.junction_wall(
        row["wall_construction"], row["wall_insulation"], row["wall_thickness_mm"]
    )
    if wall is None:
        return 0.0
    total = 0.0
    for name, length in lengths(row).items():
        after = psi_after(wall, name, built[name], option.mm, option.conductivity)
        total += (PSI[wall, name, "before"] - after) * length
    return min(total, bridging_loss(row))


def season_degree_days(row: Row, loss: float) -> float:
    region = int(row["region_id"])
    inside, aperture = internal_gains(row["floor_area_m2"]), solar_aperture(row)
    gains = {month: inside + aperture * FLUX[region][month] for month in by_hand.MONTHS}
    return by_hand.degree_days(loss, gains, OUTSIDE[region])


# The option, its price and its worth.


class Option(NamedTuple):
    system: str
    mm: float
    conductivity: float
    r: float
    chi_loss: float
    non_combustible: bool


def options() -> list[Option]:
    """Every system in every stocked thickness up to the thickest allowed."""
    return [
        Option(
            row["system"],
            mm,
            float(row["lambda_design_w_mk"]),
            mm / 1000.0 / float(row["lambda_design_w_mk"]),
            float(row["fixings_per_m2"]) * float(row["chi_w_k"]),
            row["reaction_to_fire"].startswith("A"),
        )
        for row in SYSTEMS
        for mm in map(float, row["thicknesses_mm"].split())
        if mm <= MOST_MM
    ]


OPTIONS = options()


def u_after(row: Row, option: Option) -> float:
    """BS EN ISO 6946:2017 6.5.2, with fixings declared by chi."""
    plane = 1.0 / row["u_existing_w_m2k"] + option.r + C["finish_resistance"]
    return float(1.0 / plane + option.chi_loss)


def fits(row: Row, option: Option) -> bool:
    """Fire class by height, and room outside.

    A flat, or a home of more than three storeys, of unknown height counts as tall.
    """
    unsure = row["property_type"] in ("flat", "maisonette") or row["storeys"] > 3
    height = row["building_height_m"]
    tall = unsure if height is None else height >= TALL_M
    room = row["clearance_mm"] is None or option.mm + 12.0 <= row["clearance_mm"]
    return (option.non_combustible or not tall) and room


def may_have(row: Row, option: Option) -> bool:
    return fits(row, option) and u_after(row, option) <= TARGET


def price(row: Row, option: Option) -> dict[str, float]:
    """Works, and the price with prelims, contingency, on-costs and VAT from April 2027 [GBP]."""
    return bill_by_hand.cost(row, lengths(row), option.system, option.mm, RATES)


class Worth(NamedTuple):
    """Of one kWh of fuel saved each year: lifetime kg, and present values in GBP."""

    lifetime_kg: float
    carbon_pv: float
    annuity: float
    years: int


def worth(fuel: str) -> Worth:
    """DESNZ appraisal: factors and carbon values year by year; Green Book discounting."""
    years = int(C["lifetime_with_guarantee"])
    grid = _series("grid_carbon_long_run_marginal", "factor_kgco2e_per_kwh")
    values = _series("carbon_values", "central_gbp_per_t")
    kilograms = carbon_pv = annuity = 0.0
    discount = 1.0
    for number in range(1, years + 1):
        year = FIRST_YEAR + number - 1
        discount /= 1.0 + (0.035 if number <= 30 else 0.030)
        if fuel.startswith("electricity"):
            factor = grid.get(year, grid[max(grid)])
        else:
            factor = FUELS[fuel, "appraisal"]
        value = values.get(year, values[max(values)]) * C["deflator_2025"] / C["deflator_2022"]
        kilograms += factor
        carbon_pv += factor / 1000.0 * value * discount
        annuity += discount
    return Worth(kilograms, carbon_pv, annuity, years)


def _series(table: str, column: str) -> dict[int, float]:
    return {int(row["year"]): float(row[column]) for row in by_hand.table(table)}


def reckoned(row: Row, option: Option) -> dict[str, float]:
    """Every published figure of one home with one option."""
    heating = HEATING[row["heating"]]
    fuel, efficiency = heating["fuel"], float(heating["efficiency"])
    before, after_u = heat_loss(row), u_after(row, option)
    plane = (row["u_existing_w_m2k"] - after_u) * row["treated_wall_area_m2"]
    junctions = junction_reduction(row, option, BUILT)
    reduction = plane + junctions
    bare = before - plane - junction_reduction(row, option, BARE)
    days_before = season_degree_days(row, before)
    days_after = season_degree_days(row, before - reduction)
    heat_before = 0.024 * before * days_before
    heat_after = 0.024 * (before - reduction) * days_after
    heat_saved = heat_before - heat_after
    fuel_before, saved = heat_before / efficiency, heat_saved / efficiency
    metered = row["metered_heating_kwh_per_year"]
    if metered is None:
        expected = min(saved * (1.0 - IN_USE) * (1.0 - COMFORT), fuel_before)
    else:
        expected = min(saved / fuel_before * metered * (1.0 - COMFORT), metered)
    pence = FUELS.get((fuel, f"price_{PERIOD}"), FUELS.get((fuel, "price_other")))
    assert pence is not None
    priced, lived = price(row, option), worth(fuel)
    cost = priced["cost_gbp"]
    tonnes = saved * lived.lifetime_kg / 1000.0
    bill = saved * pence / 100.0
    net = bill * lived.annuity + saved * lived.carbon_pv - cost
    return {
        "u_after_w_m2k": after_u,
        "internal_gains_w": internal_gains(row["floor_area_m2"]),
        "solar_aperture_m2": solar_aperture(row),
        "heat_loss_before_w_k": before,
        "bridging_heat_loss_w_k": bridging_loss(row),
        **{f"{name}_length_m": length for name, length in lengths(row).items()},
        "plane_heat_loss_reduction_w_k": plane,
        "junction_heat_loss_reduction_w_k": junctions,
        "junctions_take_back": -junctions / plane,
        "heat_loss_reduction_w_k": reduction,
        "reveals_worth_kwh_per_year": 0.024 * bare * season_degree_days(row, bare) - heat_after,
        "degree_days_before_k_day": days_before,
        "degree_days_after_k_day": days_after,
        "heat_before_kwh_per_year": heat_before,
        "fuel_before_kwh_per_year": fuel_before,
        "heat_saved_kwh_per_year": heat_saved,
        "fuel_saved_kwh_per_year": saved,
        "expected_fuel_saved_kwh_per_year": expected,
        "co2_saved_kg_per_year": saved * FUELS[fuel, "reporting_2025"],
        "expected_co2_saved_kg_per_year": expected * FUELS[fuel, "reporting_2025"],
        "co2_saved_rating_kg_per_year": saved * FUELS[fuel, "rating_sap10_2"],
        "bill_saved_gbp_per_year": bill,
        "expected_bill_saved_gbp_per_year": expected * pence / 100.0,
        **priced,
        "lifetime_years": float(lived.years),
        "co2_saved_lifetime_t": tonnes,
        "cost_per_lifetime_tonne_gbp": cost / tonnes,
        "cost_per_lifetime_kwh_gbp": cost / (saved * lived.years),
        "bill_saved_pv_gbp": bill * lived.annuity,
        "carbon_value_pv_gbp": saved * lived.carbon_pv,
        "net_present_value_gbp": net,
        "simple_payback_years": cost / bill,
        "score": net / cost,
    }


def _with_own_option(ranked: list[Row]) -> Iterator[tuple[Row, Option]]:
    named = {(option.system, option.mm): option for option in OPTIONS}
    for row in ranked:
        yield row, named[row["system"], row["thickness_mm"]]


# The checks.


def test_fifty_homes_of_many_kinds(ranked: list[Row]) -> None:
    assert len(ranked) >= 50
    assert {row["property_type"] for row in ranked} == {"house", "bungalow", "flat", "maisonette"}
    assert len({row["fuel"] for row in ranked}) >= 4
    assert len({row["system"] for row in ranked}) >= 2
    assert {row["junction_lengths_source"].split(",")[0] for row in ranked} == {
        "stock list",
        "stock list in part",
        "estimated from form",
    }
    assert {row["wall_insulation"] for row in ranked} == {"none", "internal", "filled_cavity"}
    assert {row["junction_heat_loss_reduction_w_k"] == 0.0 for row in ranked} == {True, False}
    exact = [
        (row, option)
        for row, option in _with_own_option(ranked)
        if ("stone_500", "jamb", "bare", by_hand.insulation(option.mm, option.conductivity)) in PSI
    ]
    assert exact
    for column in ("measured_htc_w_k", "metered_heating_kwh_per_year", "clearance_mm"):
        known = {row[column] is not None for row in ranked}
        assert known == {True, False}, column


def test_every_figure_of_every_ranked_home(ranked: list[Row]) -> None:
    wrong = {
        (row["home_id"], name): (row[name], own)
        for row, option in _with_own_option(ranked)
        for name, own in reckoned(row, option).items()
        if not math.isclose(row[name], own, rel_tol=TOLERANCE, abs_tol=0.0)
    }
    assert wrong == {}


def test_chosen_option_is_least_cost_per_tonne_that_reaches_the_target(ranked: list[Row]) -> None:
    for row, chosen in _with_own_option(ranked):
        per_tonne = {
            option: reckoned(row, option)["cost_per_lifetime_tonne_gbp"]
            for option in OPTIONS
            if may_have(row, option)
        }
        best = min(per_tonne, key=per_tonne.__getitem__)
        assert chosen in per_tonne, row["home_id"]
        assert (chosen.system, chosen.mm) == (best.system, best.mm), row["home_id"]


def test_homes_without_an_option_have_none_by_brute_force(ranking: list[Row]) -> None:
    """The private home, the insulated wall and the home without room stay out, with a reason."""
    left_out = {row["home_id"]: row for row in ranking if row["rank"] is None}
    assert {"P005", "P009", "P013"} <= set(left_out)
    for row in left_out.values():
        assert row["reason"]
        assert row["cost_gbp"] is None
        if row["tenure"] == "private" or row["u_existing_w_m2k"] <= TARGET:
            continue
        least = [u_after(row, option) for option in OPTIONS if fits(row, option)]
        assert not any(u <= TARGET for u in least), row["reason"]
        told = f"least U-value is {round(min(least), 3)}" if least else "no option is allowed"
        assert told in row["reason"]


def test_order_is_by_score_and_spend_adds_up(ranked: list[Row]) -> None:
    own = [(reckoned(row, option)["score"], row) for row, option in _with_own_option(ranked)]
    assert [row["rank"] for _, row in own] == list(range(1, len(own) + 1))
    spent = 0.0
    for (score, row), (following, _) in itertools.pairwise(own):
        assert score >= following
        spent += row["cost_gbp"]
        assert math.isclose(row["cumulative_cost_gbp"], spent, rel_tol=TOLERANCE)
