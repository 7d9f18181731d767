"""What if: the same model under another option or other settings."""

import polars as pl
import pytest

from pipeline import programme, scenarios
from pipeline.errors import SettingsError
from pipeline.run import run
from pipeline.settings import build
from pipeline.stock import Inputs
from tests.conftest import DEMO_STOCK


def test_sweep_forms():
    name, values = scenarios.parse_sweep("thickness_mm=20:200:10")
    assert (name, values[0], values[-1], len(values)) == ("thickness_mm", 20, 200, 19)
    assert scenarios.parse_sweep("climate.temperature_shift_c=-1:1:0.5")[1] == [-1, -0.5, 0, 0.5, 1]
    for bad in ("thickness_mm", "thickness_mm=1:2:0", "a=9:1:1", "a=0:9999:1", "a=1:2:x"):
        with pytest.raises(SettingsError, match="--sweep"):
            scenarios.parse_sweep(bad)


def test_thicker_saves_more_at_a_falling_rate_and_costs_more(demo):
    table = scenarios.by_thickness(demo.ranking, demo.base, [float(x) for x in range(20, 201, 20)])
    assert table["system"].n_unique() == 7
    for part in table.partition_by("system"):
        gain = part["marginal_heat_kwh_per_year"].drop_nulls()
        assert (gain > 0).all()
        assert gain.is_sorted(descending=True)
        assert (part["marginal_cost_gbp"].drop_nulls() > 0).all()
        assert part["u_after_mean_w_m2k"].is_sorted(descending=True)


def test_a_swept_thickness_gives_the_figures_of_the_run(demo):
    chosen = demo.ranking.filter(pl.col("system") == "eps_white", pl.col("thickness_mm") == 150)
    table = scenarios.by_thickness(chosen, demo.base, [150.0])
    row = table.filter(pl.col("system") == "eps_white").to_dicts()[0]
    for name in ("cost_gbp", "heat_saved_kwh_per_year", "co2_saved_lifetime_t"):
        assert row[name] == pytest.approx(chosen[name].sum(), rel=1e-12)
    assert row["homes_allowed"] == row["homes"] == chosen.height


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("climate.temperature_shift_c", -1.5),
        ("prices.unit_rates_p_per_kwh.mains_gas", 11.0),
        ("works.target_u_w_m2k", 0.2),
        ("climate.method", "fixed_base"),
    ],
)
def test_rerank_equals_a_run_with_those_settings(demo, tmp_path, key, value):
    changed = scenarios.with_setting(demo.base.settings, key, value)
    again = run(Inputs(DEMO_STOCK), tmp_path / "s.duckdb", tmp_path, changed).ranking
    assert scenarios.rerank(demo.ranking, demo.base, changed).select(again.columns).equals(again)


def test_a_colder_year_dearer_gas_and_a_smaller_budget_move_what_they_should(demo):
    def totals(key: str, values: list[float]) -> list[dict[str, float]]:
        return scenarios.by_setting(demo.ranking, demo.base, key, values).to_dicts()

    cold, mild = totals("climate.temperature_shift_c", [-1.0, 1.0])
    assert cold["heat_saved_kwh_per_year"] > mild["heat_saved_kwh_per_year"]
    cheap, dear = totals("prices.unit_rates_p_per_kwh.mains_gas", [4.0, 12.0])
    assert dear["net_present_value_gbp"] > cheap["net_present_value_gbp"]
    small, large = totals("budget_gbp", [2e6, 8e6])
    assert small["cost_gbp"] <= 2e6 < large["cost_gbp"] <= 8e6
    funded = programme.affordable(demo.ranking, 8e6)
    assert large["homes"] == funded.height


def test_gained_and_lost(demo):
    first = programme.affordable(demo.ranking, 4e6)
    second = programme.affordable(demo.ranking, 5e6)
    gained, lost = scenarios.gained_and_lost(first, second)
    assert (len(gained), lost) == (second.height - first.height, [])


def test_settings_that_do_not_exist_are_refused(demo):
    for key in ("climate.colour", "nothing", "works.target_u_w_m2k.x"):
        with pytest.raises(SettingsError):
            scenarios.with_setting(demo.base.settings, key, 1.0)
    with pytest.raises(SettingsError, match=r"climate\.internal_temperature_c"):
        build({"climate": {"internal_temperature_c": 90}}, "test")


def test_the_command_writes_table_and_picture(demo_folder, tmp_path, call):
    store = demo_folder / "demo.duckdb"
    said = call("whatif", "--store", store, "--sweep", "thickness_mm=50:150:50", "--out", tmp_path)
    assert said.code == 0
    table = pl.read_csv(tmp_path / "whatif.csv")
    assert table.height == 21
    assert (tmp_path / "whatif.png").read_bytes().startswith(b"\x89PNG")
    again = tmp_path / "again"
    call("whatif", "--store", store, "--sweep", "thickness_mm=50:150:50", "--out", again)
    for name in ("whatif.csv", "whatif.png"):
        assert (again / name).read_bytes() == (tmp_path / name).read_bytes()
    said = call(
        "whatif", "--store", store, "--sweep", "budget_gbp=1000000:3000000:1000000", "--out", again
    )
    assert pl.read_csv(again / "whatif.csv").height == 3
