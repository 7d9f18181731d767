"""Every figure of a claim recomputed from its files alone, in plain Python.

Relations: BS EN ISO 6946:2017 (U after), CIBSE TM41:2006 (degree-days by Hitchin's formula, heat
= 0.024 H DD). Nothing of the pipeline is used but to make the claim.
"""

import csv
import json
import math
import re

import polars as pl
import pytest

from pipeline import claims
from pipeline.run import run
from pipeline.settings import Settings
from pipeline.stock import Inputs
from tests.conftest import DEMO_STOCK

MONTH = re.compile(r"region (\d+), month (\d+) of (\d+) days, (.*)")
PARTS = ("insulation", "render", "details", "access", "enabling", "prelims", "contingency",
         "on_costs", "vat")  # fmt: skip
DECIMALS = {"kwh_per_year": 1, "kg_per_year": 1, "gbp_per_year": 2, "lifetime_t": 3}


OWN = {"climate": {"method": "fixed_base"}, "savings": {"comfort_share": 0.2}}


def _kinds(ranking: pl.DataFrame) -> list[str]:
    """A home of every fuel, metered or not, with each source of U and of heat loss."""
    metered = pl.col("metered_heating_kwh_per_year").is_not_null()
    kinds = ranking.filter(pl.col("rank").is_not_null()).select(
        "home_id", "fuel", "u_value_source", "heat_loss_source", "system", metered=metered
    )
    return kinds.unique(pl.exclude("home_id"), maintain_order=True)["home_id"].to_list()


@pytest.fixture(params=[{}, OWN], ids=["as shipped", "own settings"])
def files(request, tmp_path):
    """The lines and the manifest of a claim, as a reader with nothing else would have them."""
    store = tmp_path / "town.duckdb"
    made = run(Inputs(DEMO_STOCK), store, tmp_path, Settings.model_validate(request.param))
    claims.export(store, _kinds(made.ranking), tmp_path / "c")
    with (tmp_path / "c" / "claim.csv").open(encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    return lines, json.loads((tmp_path / "c" / "claim.json").read_text(encoding="utf-8"))


def _degree_days(loss: float, line: dict[str, str], factors: dict[str, dict[str, str]]) -> float:
    """Sum over the counted months of N x / (1 - exp(-k x)), x the balance point less outside."""
    k = float(factors["hitchin k"]["value"])
    months: dict[str, dict[str, float]] = {}
    days = {}
    for name, row in factors.items():
        found = MONTH.fullmatch(name)
        if found and int(found[1]) == float(line["region_id"]):
            months.setdefault(found[2], {})[found[4]] = float(row["value"])
            days[found[2]] = float(found[3])
    total = 0.0
    for month, held in months.items():
        sun = held["sun on an east or west face"] * float(line["solar_aperture_m2"])
        gains = float(line["internal_gains_w"]) + sun
        base = float(factors["inside temperature"]["value"]) - gains / loss
        if factors["method of degree-days"]["value"] == "fixed_base":
            base = float(factors["fixed base"]["value"])
        x = base - held["outside temperature"]
        total += days[month] * x / (1.0 - math.exp(-k * x)) if abs(x) > 1e-9 else days[month] / k
    return total


def test_every_figure_follows_from_the_files(files):
    lines, manifest = files
    factors = {row["name"]: row for row in manifest["method"]}
    assert len({line["fuel"] for line in lines}) >= 3
    for line in lines:
        found = _recomputed(line, factors)
        for name, value in found.items():
            places = next((d for end, d in DECIMALS.items() if name.endswith(end)), 2)
            # inputs are rounded to the last place shown, so a figure may differ by one part in
            # a thousand and by half of its own last place
            slack = 1e-3 * abs(value) + 0.6 * 10.0**-places
            assert abs(float(line[name]) - value) <= slack, (name, line["home_id"], value)


def _recomputed(line: dict[str, str], factors: dict[str, dict[str, str]]) -> dict[str, float]:
    def of(name: str) -> float:
        return float(factors[name]["value"])

    figure = {k: float(v) for k, v in line.items() if re.fullmatch(r"-?\d+(\.\d+)?", v or "")}
    option = f"{line['system']} {figure['thickness_mm']:g} mm, "
    r_insulation = of(option + "r_insulation_m2k_w")
    r_total = 1.0 / figure["u_existing_w_m2k"] + r_insulation + of("finish resistance")
    bypass = of(option + "bypass_w_m2k") * (r_insulation / r_total) ** 2
    u_after = 1.0 / r_total + of(option + "delta_u_w_m2k") + bypass
    plane = (figure["u_existing_w_m2k"] - figure["u_after_w_m2k"]) * figure["treated_wall_area_m2"]
    fall = figure["plane_heat_loss_reduction_w_k"] + figure["junction_heat_loss_reduction_w_k"]
    before = figure["heat_loss_before_w_k"]
    after = before - figure["heat_loss_reduction_w_k"]
    days = _degree_days(before, line, factors), _degree_days(after, line, factors)
    heat_before = 0.024 * before * figure["degree_days_before_k_day"]
    heat_saved = heat_before - 0.024 * after * figure["degree_days_after_k_day"]
    saved = heat_saved / figure["efficiency"]
    kept = 1.0 - of("comfort share")
    expected = saved * (1.0 - of("in use reduction")) * kept
    now = figure["fuel_before_kwh_per_year"]
    if line["metered_heating_kwh_per_year"]:
        now = figure["metered_heating_kwh_per_year"]
        expected = saved / figure["fuel_before_kwh_per_year"] * now * kept
    expected = min(expected, now)
    fuel = line["fuel"].replace("_", " ")
    made = {
        "u_after_w_m2k": u_after,
        "plane_heat_loss_reduction_w_k": plane,
        "heat_loss_reduction_w_k": fall,
        "degree_days_before_k_day": days[0],
        "degree_days_after_k_day": days[1],
        "heat_before_kwh_per_year": heat_before,
        "heat_saved_kwh_per_year": heat_saved,
        "fuel_before_kwh_per_year": heat_before / figure["efficiency"],
        "fuel_saved_kwh_per_year": saved,
        "expected_fuel_saved_kwh_per_year": expected,
        "co2_saved_lifetime_t": saved * of(f"{fuel}, appraisal factor over the life"),
        "cost_gbp": sum(figure[f"{part}_gbp"] for part in PARTS),
    }
    for what, factor in (("co2_saved_kg", "reporting factor"), ("bill_saved_gbp", "unit rate")):
        made[f"{what}_per_year"] = saved * of(f"{fuel}, {factor}")
        made[f"expected_{what}_per_year"] = expected * of(f"{fuel}, {factor}")
    return made


def test_a_setting_is_the_users_only_where_it_differs(files):
    _, manifest = files
    marks = {row["name"]: row["checked"] for row in manifest["method"]}
    own = manifest["account"]["settings"]["savings"]["comfort_share"] != 0.15
    assert marks["in use reduction"] == "memory"
    assert marks["comfort share"] == ("the user's settings" if own else "memory")


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
