"""Every figure of a claim recomputed from its files alone: csv and json, in plain Python.

Relations: BS EN ISO 6946:2017 (U after), BS EN ISO 13789 (heat loss), SAP 2012 Table 1b, Table 5
and section 6 (occupants, gains, sun), CIBSE TM41:2006 (degree-days by Hitchin's formula, heat =
0.024 H DD); the bill is quantity x (1 + waste) x rate. Nothing of the pipeline is used but to make
the claim.
"""

import csv
import datetime
import json
import math
import re
from itertools import pairwise
from typing import Any

import polars as pl
import pytest

from pipeline import assess, claims
from pipeline.claims import files as claim_files
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Settings
from pipeline.stock import Inputs
from tests.conftest import DEMO_STOCK

Line = dict[str, str]
Rows = list[dict[str, Any]]

MONTH = re.compile(r"region (\d+), month (\d+) of (\d+) days, (.*)")
OWN = {
    "climate": {"method": "fixed_base", "temperature_shift_c": -0.5},
    "savings": {"comfort_share": 0.2},
    "prices": {"unit_rates_p_per_kwh": {"mains_gas": 7.25}},
    "cost": {"price_date": "2027-07-01", "lot_homes": 30, "installation_date": "2026-09-01"},
    "appraisal": {"guarantee_25_years": False},
    "details": {"reveal": "reveal_30", "base": "carried_below"},
}
SAME = (
    "built_form", "property_type", "floor_position", "fuel", "wall_construction", "walls_refused",
    "system",
)  # fmt: skip


@pytest.fixture(scope="module")
def listed(demo, tmp_path_factory):
    """A list of one home of every kind of the demo; every third with a measured heat loss."""
    ranked = demo.ranking.filter(pl.col("rank").is_not_null())
    kinds = ranked.with_columns(
        metered=pl.col("metered_heating_kwh_per_year").is_not_null(),
        source=pl.col("u_value_source").str.slice(0, 12),
    )
    chosen = kinds.unique([*SAME, "metered", "source"], keep="first", maintain_order=True)
    raw = pl.read_csv(DEMO_STOCK, infer_schema=False)
    raw = raw.filter(pl.col("Property Ref").is_in(chosen["home_id"].to_list()))
    third = pl.int_range(pl.len()) % 3 == 0
    path = tmp_path_factory.mktemp("kinds") / "list.csv"
    raw.with_columns(pl.when(third).then(pl.lit("245.5")).alias("Measured HTC")).write_csv(path)
    return path


@pytest.fixture(scope="module", params=[{}, OWN], ids=["as shipped", "own settings"])
def files(request, listed, tmp_path_factory):
    """The lines and the manifest of a claim, as a reader with nothing else would have them."""
    folder = tmp_path_factory.mktemp("claimed")
    store = folder / "town.duckdb"
    made = run(Inputs(listed), store, folder, Settings.model_validate(request.param))
    wanted = made.ranking.filter(pl.col("rank").is_not_null())["home_id"].to_list()
    if request.param:
        wanted = _dearest(store, wanted)
    claims.export(store, wanted, folder / "c")
    with (folder / "c" / "claim.csv").open(encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    return lines, json.loads((folder / "c" / "claim.json").read_text(encoding="utf-8"))


def _dearest(store, home_ids):
    """The homes with the dearest option worth having of each, as an allocation might give it."""
    base, ranking = open_run(store).base, open_run(store).ranking
    every = pl.concat(assess.efficient(assess.today(ranking, base), base))
    last = every.filter(pl.col("home_id").is_in(home_ids)).group_by("home_id").last()
    option = ("home_id", "system", "thickness_mm")
    assert last.join(ranking, on=option).height < last.height / 2
    nothing = {"cost_gbp": None, "infill": False, "run_id": None}
    return last.select(*option, **{name: pl.lit(value) for name, value in nothing.items()})


class Reader:
    """The manifest of a claim by name."""

    def __init__(self, manifest: dict[str, Any]) -> None:
        self.factors = {row["name"]: row["value"] for row in manifest["method"]}
        self.tables: dict[str, Rows] = manifest["tables"]

    def of(self, name: str) -> float:
        return float(self.factors[name])

    def row(self, table: str, **key: object) -> dict[str, Any]:
        (found,) = (r for r in self.tables[table] if all(r[k] == v for k, v in key.items()))
        return found

    def rates(self, item: str) -> dict[str, float]:
        return {
            r["applies_to"]: float(r["rate_gbp"])
            for r in self.tables["rate_book"]
            if r["item"] == item
        }


def _number(line: Line, name: str) -> float:
    return float(line[name] or 0.0)


def _geometry(line: Line, by: Reader) -> dict[str, float]:
    """Treated area, gains, sun and heat loss today."""
    area = _number(line, "wall_area_m2") * _number(line, "treatable_share")
    if line["walls_refused"] not in ("", "none"):
        walls = [w for w in ("front", "rear", "gable") if w not in line["walls_refused"]]
        area = sum(_number(line, f"{wall}_wall_area_m2") for wall in walls)
    floor, above = _number(line, "floor_area_m2"), 0.0
    above = max(floor - by.of("occupants area"), 0.0)
    people = 1.0 + by.of("occupants a") * (1.0 - math.exp(-by.of("occupants b") * above**2))
    people += by.of("occupants c") * above
    electric = by.of("appliance energy factor")
    electric += by.of("lighting energy factor") * by.of("lighting gain share")
    watts = electric * (floor * people) ** by.of("gains exponent") * 1000.0 / 8760.0
    each = by.of("metabolic gain") + by.of("cooking gain per person")
    each -= by.of("evaporation loss per person")
    glass = by.row("glazing", glazing=line["glazing"])
    sun = _number(line, "window_area_m2") * glass["solar_transmittance"]
    for factor in ("glazing incidence factor", "frame factor", "shading factor"):
        sun *= by.of(factor)
    elements = {"u_existing_w_m2k": "wall_area_m2", "u_roof_w_m2k": "roof_area_m2",
                "u_floor_w_m2k": "ground_area_m2", "u_window_w_m2k": "window_area_m2",
                "u_door_w_m2k": "door_area_m2"}  # fmt: skip
    exposed = sum(_number(line, a) for a in elements.values())
    bridging = _number(line, "bridging_y_w_m2k") * exposed
    loss = sum(_number(line, u) * _number(line, a) for u, a in elements.items()) + bridging
    loss += (
        by.of("air heat capacity")
        * _number(line, "air_changes_per_hour")
        * _number(line, "volume_m3")
    )
    return {
        "treated_wall_area_m2": area,
        "internal_gains_w": people * each + by.of("cooking gain fixed") + watts,
        "solar_aperture_m2": sun,
        "heat_loss_before_w_k": _number(line, "measured_htc_w_k") or loss,
        "bridging": bridging,
    }


def _wall(line: Line, by: Reader, area: float, bridging: float) -> dict[str, float]:
    """U after works, and what the plane wall and the junctions save."""
    before = _number(line, "u_existing_w_m2k")
    option = f"{line['system']} {line['thickness_mm']} mm, "
    system = by.row("insulation_systems", system=line["system"])
    insulation = float(line["thickness_mm"]) / 1000.0 / system["lambda_design_w_mk"]
    assert by.of(option + "r_insulation_m2k_w") == pytest.approx(insulation, rel=1e-9)
    total = 1.0 / before + insulation + by.of("finish resistance")
    after = 1.0 / total + by.of(option + "delta_u_w_m2k")
    after += by.of(option + "bypass_w_m2k") * (insulation / total) ** 2
    junctions = 0.0
    if line["junction_wall"]:
        key = {"wall": line["junction_wall"], "system": line["system"]}
        rows = [
            r
            for r in by.tables["junctions"]
            if r["thickness_mm"] == float(line["thickness_mm"]) and key.items() <= r.items()
        ]
        assert len(rows) == 8
        saved = (r["psi_before_w_mk"] - r["psi_after_w_mk"] for r in rows)
        lengths = (_number(line, f"{r['junction']}_length_m") for r in rows)
        junctions = min(sum(a * b for a, b in zip(saved, lengths, strict=True)), bridging)
    plane = (before - after) * area
    return {
        "u_after_w_m2k": after,
        "plane_heat_loss_reduction_w_k": plane,
        "junction_heat_loss_reduction_w_k": junctions,
        "heat_loss_reduction_w_k": plane + junctions,
    }


def _degree_days(line: Line, by: Reader, loss: float, today: dict[str, float]) -> float:
    """Sum over the counted months of N x / (1 - exp(-k x)), x the balance point less outside."""
    months: dict[tuple[str, float], dict[str, float]] = {}
    for name, value in by.factors.items():
        found = MONTH.fullmatch(name)
        if found and int(found[1]) == float(line["region_id"]):
            months.setdefault((found[2], float(found[3])), {})[found[4]] = float(value)
    assert ", ".join(month for month, _ in months) == by.factors["months counted"]
    k, total = by.of("hitchin k"), 0.0
    for (_, days), held in months.items():
        sun = held["sun on an east or west face"] * today["solar_aperture_m2"]
        base = by.of("inside temperature") - (today["internal_gains_w"] + sun) / loss
        if by.factors["method of degree-days"] == "fixed_base":
            base = by.of("fixed base")
        x = base - held["outside temperature"]
        total += days * x / (1.0 - math.exp(-k * x)) if x else days / k
    return total


def _savings(line: Line, by: Reader, heat: float, saved_heat: float) -> dict[str, float]:
    efficiency = _number(line, "efficiency")
    now, saved = heat / efficiency, saved_heat / efficiency
    kept = 1.0 - by.of("comfort share")
    expected = min(saved * (1.0 - by.of("in use reduction")) * kept, now)
    if line["metered_heating_kwh_per_year"]:
        metered = _number(line, "metered_heating_kwh_per_year")
        expected = min(saved / now * metered * kept, metered)
    fuel = line["fuel"].replace("_", " ")
    guarantee = "with" if by.factors["guarantee of 25 years"] == "True" else "without"
    made = {
        "heat_before_kwh_per_year": heat,
        "heat_saved_kwh_per_year": saved_heat,
        "fuel_before_kwh_per_year": now,
        "fuel_saved_kwh_per_year": saved,
        "expected_fuel_saved_kwh_per_year": expected,
        "lifetime_years": by.of(f"lifetime {guarantee} guarantee"),
        "co2_saved_lifetime_t": saved * by.of(f"{fuel}, appraisal factor over the life"),
    }
    for what, factor in (("co2_saved_kg", "reporting factor"), ("bill_saved_gbp", "unit rate")):
        made[f"{what}_per_year"] = saved * by.of(f"{fuel}, {factor}")
        made[f"expected_{what}_per_year"] = expected * by.of(f"{fuel}, {factor}")
    return made


def _drivers(line: Line, by: Reader, area: float) -> dict[str, float]:
    """Numbers the home is measured by: areas, lengths and counts."""
    names = ("base", "eaves", "corner", "jamb", "head", "sill", "neighbour", "edge")
    length = {name: _number(line, f"{name}_length_m") for name in names}
    windows = length["sill"] / by.of("window width")
    doors = max(length["head"] - length["sill"], 0.0) / by.of("door width")
    face = area + windows * by.of("window width") * by.of("window height")
    face += doors * by.of("door width") * by.of("door height")
    storeys, height = _number(line, "storeys"), line["building_height_m"]
    upstairs = line["property_type"] in ("flat", "maisonette")
    upstairs = upstairs and line["floor_position"] in ("mid", "top")
    tall = float(height) > by.of("scaffold two storeys up to") if height else upstairs
    band = 3 if storeys > 2 or tall else 2 if storeys > 1 else 1
    counts = by.row("enabling_counts", property_type=line["property_type"])
    side = math.sqrt(_number(line, "floor_area_m2") / storeys)
    around = _number(line, "exposed_perimeter_m") / side
    return {
        **{name: value for name, value in counts.items() if isinstance(value, int | float)},
        **length,
        "home": 1.0,
        "net_area": area,
        "neighbour": length["neighbour"] + length["edge"],
        "rail": max(length["base"] - doors * by.of("door width"), 0.0),
        "windows": windows,
        "doors": doors,
        **{f"scaffold_{n}": face * (band == n) for n in (1, 2, 3)},
        "elevations": around * _number(line, "treatable_share"),
    }


def _at_prices(by: Reader, item: str, applies_to: str) -> float:
    """A rate at the prices of the day the claim names, by the book's index, straight between."""
    row = by.row("rate_book", item=item, applies_to=applies_to)
    known = sorted((datetime.date.fromisoformat(d), v) for d, v in by.rates("price_index").items())

    def index(day: datetime.date) -> float:
        (first, low), (last, high) = next((a, b) for a, b in pairwise(known) if a[0] <= day <= b[0])
        return low + (high - low) * (day - first).days / (last - first).days

    to, own = by.factors["date of prices"], row["price_date"]
    moved = index(datetime.date.fromisoformat(to)) / index(datetime.date.fromisoformat(own))
    return float(row["rate_gbp"]) * moved


def _last(known: dict[str, float], reached: str) -> float:
    """The figure of the last key not after the one reached: a day of VAT."""
    return known[max(day for day in known if day <= reached)]


def _cost(line: Line, by: Reader, area: float) -> dict[str, float]:
    driver, system = _drivers(line, by, area), by.row("insulation_systems", system=line["system"])
    thickness = float(line["thickness_mm"])
    parts = dict.fromkeys(
        ("insulation", "render", "details", "access", "enabling", "on_costs"), 0.0
    )
    for item in by.tables["bill_items"]:
        name = item["item"]
        key = {"system": line["system"], "finish": system["finish"]}.get(item["rate_by"], "all")
        rate = _at_prices(by, name, key)
        if item["priced_per_10mm"] == "yes":
            rate += _at_prices(by, f"{name}_per_10mm", key) * thickness / 10.0
        for take in by.tables["take_off"]:
            if take["item"] == name:
                each = take["per"] + take["per_mm"] * thickness
                each *= system[take["times"]] if take["times"] else 1.0
                quantity = driver[take["driver"]] * each * (1.0 + item["waste"])
                parts[item["section"]] += quantity * rate * _number(line, "location_index")
    homes = by.of("homes treated together")
    discounts = {int(least): share for least, share in by.rates("lot_discount").items()}
    discount = max((s for least, s in discounts.items() if least <= homes), default=0.0)
    parts["access"] *= 1.0 - discount
    on_costs = parts.pop("on_costs")
    works = sum(parts.values())
    prelims = works * by.rates("prelims")["all"] * (1.0 - discount)
    contingency = (works + prelims) * by.rates("contingency")["all"]
    before = works + prelims + contingency + on_costs
    vat = before * _last(by.rates("vat"), by.factors["date of installation"])
    parts |= {"prelims": prelims, "contingency": contingency, "on_costs": on_costs, "vat": vat}
    return {f"{name}_gbp": value for name, value in parts.items()} | {"cost_gbp": before + vat}


def _recomputed(line: Line, by: Reader) -> dict[str, float]:
    today = _geometry(line, by)
    area, loss = today["treated_wall_area_m2"], today["heat_loss_before_w_k"]
    wall = _wall(line, by, area, today.pop("bridging"))
    after = loss - wall["heat_loss_reduction_w_k"]
    days = _degree_days(line, by, loss, today), _degree_days(line, by, after, today)
    heat = 0.024 * loss * days[0]
    return {
        **today,
        **wall,
        "degree_days_before_k_day": days[0],
        "degree_days_after_k_day": days[1],
        **_savings(line, by, heat, heat - 0.024 * after * days[1]),
        **_cost(line, by, area),
    }


GIVEN = ("thickness_mm", "region_id")
"""Figures of a line that nothing else of it decides: what was chosen, and where the home is."""


def test_every_figure_follows_from_the_files(files):
    lines, manifest = files
    by = Reader(manifest)
    for line in lines:
        made = _recomputed(line, by)
        figures = {n: d for n, d in claim_files.LINE.items() if d not in (None, claim_files.EXACT)}
        assert set(made) == set(figures) - set(GIVEN)
        for name, value in made.items():
            # half of the last place shown, and what plain sums of floats may differ by
            slack = 0.500001 * 10.0 ** -figures[name] + 1e-9 * abs(value)
            assert abs(float(line[name]) - value) <= slack, (name, line["home_id"], value)


def test_the_claim_has_homes_of_many_kinds(files):
    lines, _ = files
    assert len(lines) > 60
    assert {"mains_gas", "electricity", "heating_oil"} <= {line["fuel"] for line in lines}
    for column in ("metered_heating_kwh_per_year", "measured_htc_w_k", "junction_wall"):
        assert {bool(line[column]) for line in lines} == {True, False}, column
    assert {"front", "none"} <= {line["walls_refused"] or "none" for line in lines}
    assert any(float(line["junction_heat_loss_reduction_w_k"]) < 0.0 for line in lines)


def test_a_total_is_the_sum_of_its_lines(files):
    lines, manifest = files
    for name, total in manifest["totals"].items():
        if name != "homes":
            places = len(total.partition(".")[2])
            assert f"{math.fsum(float(line[name]) for line in lines):.{places}f}" == total


def test_a_setting_is_the_users_only_where_it_differs(files):
    """Each by itself: the comfort share says nothing of the in-use reduction in the same group."""
    _, manifest = files
    rows = {row["name"]: row for row in manifest["method"]}
    own = manifest["account"]["settings"]["savings"]["comfort_share"] != 0.15
    users = {name for name, row in rows.items() if row["checked"] == "the user's settings"}
    assert users == (
        {"comfort share", "method of degree-days", "temperature shift", "guarantee of 25 years",
         "date of installation", "date of prices", "homes treated together"} if own else set()
    )  # fmt: skip
    assert rows["in use reduction"]["source"].startswith("in-use factor for solid wall")
    said = "the user's, no basis given" if own else "share of the saving taken as warmth"
    assert rows["comfort share"]["source"].startswith(said)
    for fuel, source in (("mains gas", "the user's settings"), ("electricity", "")):
        assert (rows[f"{fuel}, unit rate"]["source"] == source) == (own and bool(source))


def test_headings_of_the_list_are_counted_not_told(tmp_path):
    listed = pl.read_csv(DEMO_STOCK, infer_schema=False).head(60)
    listed = listed.with_columns(pl.lit("x").alias("Mrs Ada Quill, arrears since May"))
    listed.write_csv(tmp_path / "list.csv")
    store = tmp_path / "town.duckdb"
    made = run(Inputs(tmp_path / "list.csv"), store, tmp_path, Settings())
    home = made.ranking.filter(pl.col("rank") == 1)["home_id"].to_list()
    claims.export(store, home, tmp_path / "c")
    assert b"Quill" not in (tmp_path / "c" / "claim.json").read_bytes()
    manifest = json.loads((tmp_path / "c" / "claim.json").read_text(encoding="utf-8"))
    assert isinstance(manifest["account"]["headings_not_used"], int)
