"""What if: the same model under another option or other settings."""

import io

import polars as pl
import pytest
from matplotlib.figure import Figure

from pipeline import printing, programme, scenarios
from pipeline.errors import SettingsError
from pipeline.exports import csv_bytes
from pipeline.run import run
from pipeline.scenarios import picture, sweeps
from pipeline.settings import build
from pipeline.stock import Inputs
from tests.conftest import DEMO_STOCK, same


def test_sweep_forms():
    name, values = scenarios.parse_sweep("thickness_mm=20:200:10")
    assert (name, values[0], values[-1], len(values)) == ("thickness_mm", 20, 200, 19)
    assert scenarios.parse_sweep("climate.temperature_shift_c=-1:1:0.5")[1] == [-1, -0.5, 0, 0.5, 1]
    assert scenarios.parse_sweep(" budget_gbp = 1e6 : 3e6 : 1e6 ")[1] == [1e6, 2e6, 3e6]
    assert scenarios.parse_sweep("a=0:1:0.3")[1] == [0, 0.3, 0.6, 0.9]
    assert len(scenarios.parse_sweep("a=1:200:1")[1]) == 200


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("thickness_mm", "is not a sweep"),
        ("a=1:2:x", "is not a sweep"),
        ("a=1:nan:1", "is not a sweep"),
        ("a=1:inf:1", "is not a sweep"),
        ("a=1:2", "is not a sweep"),
        ("a=1,000:2,000:100", "is not a sweep"),
        ("=1:2:1", "is not a sweep"),
        ("a=1:2:0", "has the step 0: it must be above 0"),
        ("a=9:1:-1", "has the step -1: it must be above 0"),
        ("a=9:1:2", "runs backwards: begin with the smaller, a=1:9:2"),
        ("a=0:200:1", "has 201 values, the most is 200"),
        ("a=0:1e99:1", "has over a million values"),
        ("a=0:" + "9" * 400 + ":1", "has over a million values"),
        ("a=0:1:1e-99", "has over a million values"),
    ],
)
def test_sweeps_that_lead_nowhere_are_refused_in_words(text, told):
    with pytest.raises(SettingsError, match="--sweep") as found:
        scenarios.parse_sweep(text)
    assert told in str(found.value)


@pytest.mark.parametrize(
    ("key", "told"),
    [
        ("comfort_share", "Did you mean savings.comfort_share?"),
        ("Budget_GBP", "Did you mean budget_gbp?"),
        ("thickness", "Did you mean thickness_mm?"),
        ("climate.temprature_shift_c", "Did you mean climate.temperature_shift_c?"),
        ("appraisal.weights.carbn", "Did you mean appraisal.weights.carbon?"),
        ("zzz", "Settings with numbers: thickness_mm, climate."),
        ("budget_gbp.x", "Did you mean budget_gbp?"),
        ("appraisal.objective", "can only be net_benefit or expected_net_benefit or"),
        ("appraisal.reporting_year", "can only be 2025: it cannot be swept"),
        ("appraisal.guarantee_25_years", "is true or false"),
        ("cost.installation_date", "is a date"),
        ("cost.price_date", "is a date"),
        ("cost.rate_book", "is text"),
        ("climate.heating_months", "is a list"),
        ("walls.block.layers.0.thickness_mm", "is a list"),
        ("prices", "is a group of settings"),
        ("prices.unit_rates_p_per_kwh", "is a group of settings"),
        ("prices.unit_rates_p_per_kwh.gas", "no known fuel: gas. Known: electricity"),
        ("climate.internal_temperature_c", "internal_temperature_c = 1.0"),
    ],
)
def test_what_cannot_be_swept_is_refused_before_anything_is_run(demo, key, told):
    """Unknown keys with the nearest; words, dates, switches and lists; values out of bounds."""
    with pytest.raises(SettingsError) as found:
        scenarios.check(demo.base, key, [1.0, 2.0])
    assert told in str(found.value)


def test_every_setting_with_a_number_can_be_swept(demo):
    """Each at the value it has, as an int where whole things are counted; or at a first value."""
    for key in sweeps._numbers():
        now = demo.base.settings.model_dump()
        for part in key.split("."):
            now = now.get(part, 1.0)
        scenarios.check(demo.base, key, [float(now)])
    ((value, _),) = sweeps.swept(demo.base.settings, "appraisal.first_year", [2028.0])
    assert isinstance(value, int)
    with pytest.raises(SettingsError, match="first_year"):
        scenarios.check(demo.base, "appraisal.first_year", [2028.5])


@pytest.fixture(scope="module")
def few(demo):
    """A small part of the demo's homes, ranked anew."""
    return scenarios.rerank(demo.ranking.gather_every(60), demo.base, demo.base.settings)


def test_a_setting_of_expected_savings_moves_them_alone_and_that_is_told(few, demo):
    table = scenarios.by_setting(few, demo.base, "savings.comfort_share", [0.0, 0.2, 0.4])
    assert table["fuel_saved_kwh_per_year"].n_unique() == 1
    assert table["expected_fuel_saved_kwh_per_year"].is_sorted(descending=True)
    assert table["expected_net_present_value_gbp"].n_unique() == 3
    told = scenarios.effect(table, "savings.comfort_share")
    assert told == (
        "Only the expected figures move with savings.comfort_share; nothing modelled does."
    )
    figure = Figure()
    picture._by_setting(tuple(figure.subplots(1, 2)), table, "savings.comfort_share")
    for axes in figure.axes:
        modelled, expected = ([*map(float, line.get_ydata())] for line in axes.get_lines())
        assert len(set(modelled)) == 1
        assert len(set(expected)) == 3


@pytest.mark.parametrize("key", ["works.payback_most_years", "works.humidity_class"])
def test_a_setting_that_moves_nothing_shown_is_told(few, demo, key):
    table = scenarios.by_setting(few, demo.base, key, [1.0, 2.0])
    assert scenarios.effect(table, key) == f"Nothing shown moves with {key}."


def test_a_setting_that_moves_figures_and_one_value_alone(few, demo):
    key = "prices.unit_rates_p_per_kwh.mains_gas"
    table = scenarios.by_setting(few, demo.base, key, [4.0, 8.0])
    assert scenarios.effect(table, key) == ""
    assert "nothing to compare" in scenarios.effect(table.head(1), key)


def test_a_budget_for_no_home_has_no_cost_per_tonne(few, demo):
    table = scenarios.by_setting(few, demo.base, "budget_gbp", [1.0, 1e6])
    assert table["homes"].to_list()[0] == 0.0
    assert table["cost_per_lifetime_tonne_gbp"].is_null().to_list() == [True, False]
    assert "nan" not in csv_bytes(table).decode().lower()
    nobody = scenarios.by_thickness(few.clear(), demo.base, [50.0, 100.0])
    assert "nan" not in csv_bytes(nobody).decode().lower()


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("climate.temperature_shift_c", [-0.123456789, 0.0, 1.5]),
        ("budget_gbp", [1.0, 1e12]),
        ("appraisal.first_year", [2027.0, 2035.0]),
        ("thickness_mm", [50.0, 133.125]),
    ],
)
def test_every_number_printed_is_whole(few, demo, monkeypatch, name, values):
    """Figures of programmes a thousand times as large too: the table goes on below itself."""
    table = scenarios.sweep(few, demo.base, name, values)
    large = table.with_columns(pl.col(pl.Float64).exclude(name, "u_after_mean_w_m2k") * -1234.567)
    for width in (40, 80, 200):
        seen = io.StringIO()
        monkeypatch.setattr(printing, "console", printing._Plain(file=seen, width=width))
        printing.show_sweep(large, name)
        assert max(map(len, seen.getvalue().splitlines())) <= width
        whole_numbers(seen.getvalue(), large, name, values)


def whole_numbers(shown, large, name, values):
    said = set(shown.split())
    columns = ("cost_gbp", "fuel_saved_kwh_per_year", "cost_per_lifetime_tonne_gbp")
    if name != "thickness_mm":
        columns += ("expected_net_present_value_gbp", "net_present_value_gbp")
        assert not {word for word in said if "…" in word}
    for column in columns:
        for figure in large[column].drop_nulls():
            assert f"{figure:,.0f}" in said, (column, figure)
    for value in values:
        plain = str(int(value)) if "year" in name else f"{value:,.9f}".rstrip("0").rstrip(".")
        assert plain in said


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


def test_a_ranking_ranked_again_is_as_from_the_run(demo):
    """Nothing of the first settings lingers, such as their prices."""
    some = demo.ranking.gather_every(100)
    dear, cheap = (
        scenarios.with_setting(demo.base.settings, "prices.unit_rates_p_per_kwh.mains_gas", price)
        for price in (12.0, 4.0)
    )
    once = scenarios.rerank(some, demo.base, cheap)
    twice = scenarios.rerank(scenarios.rerank(some, demo.base, dear), demo.base, cheap)
    assert twice.equals(once)
    assert once.columns == demo.ranking.columns


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
        assert same((again / name).read_bytes(), (tmp_path / name).read_bytes())
    said = call(
        "whatif", "--store", store, "--sweep", "budget_gbp=1:2000001:1000000", "--out", again
    )
    assert pl.read_csv(again / "whatif.csv").height == 3
    assert "nan" not in said.out
    assert "no cost per tonne" in said.out


def test_the_command_refuses_before_it_makes_a_folder(demo_folder, tmp_path, call):
    """An unknown key; and a sweep or another option given twice, of which one would be lost."""
    store, out = demo_folder / "demo.duckdb", tmp_path / "out"
    said = call("whatif", "--store", store, "--sweep", "budget=1:2:1", "--out", out)
    assert (said.code, out.exists()) == (2, False)
    assert "Did you mean budget_gbp?" in said.err
    both = ("--sweep", "budget_gbp=1:2:1", "--sweep", "thickness_mm=50:100:50")
    said = call("whatif", "--store", store, *both, "--out", out)
    assert (said.code, out.exists()) == (2, False)
    assert "--sweep was given 2 times" in said.err
    said = call("quantities", "--store", store, "--homes", "A", "--homes=B", "--out", out)
    assert (said.code, out.exists()) == (2, False)
    assert "--homes was given 2 times" in said.err
