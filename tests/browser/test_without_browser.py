"""The pages run without a browser: faults in words, filters, claims and what-if, by the store."""

import shutil
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal
from streamlit.testing.v1 import AppTest

from dashboard import data, tables, words
from pipeline import (
    bill,
    claims,
    comparison,
    explain,
    funding,
    grades,
    homes,
    programme,
    published,
    scenarios,
)
from pipeline.bill import workbook
from pipeline.programme import funds
from pipeline.published import Published, open_run
from pipeline.run import run
from pipeline.settings import Settings
from pipeline.stock import Inputs
from pipeline.stock.faults import counts as fault_counts
from tests.conftest import DEMO_STOCK, claimed_before, same, stock_text

PATIENCE_S = 60
APP = Path(str(files("dashboard") / "app.py"))
DEMO_RATES = Path(str(files("data_demo") / "rate_book.csv"))


def homes_page() -> None:
    from dashboard.views import homes

    homes.page()


def claim_page() -> None:
    from dashboard.views import claim

    claim.page()


def what_if_page() -> None:
    from dashboard.views import what_if

    what_if.page()


def data_page() -> None:
    from dashboard.views import data_report

    data_report.page()


def cost_page() -> None:
    from dashboard.views import cost

    cost.page()


def funding_page() -> None:
    from dashboard.views import funding

    funding.page()


def screens_page() -> None:
    from dashboard.views import screens

    screens.page()


PAGES = (homes_page, cost_page, screens_page, funding_page, claim_page, what_if_page, data_page)


@pytest.fixture
def store(demo_folder: Path, tmp_path: Path) -> Path:
    """The demo store under a path of its own, so that a test may claim from it or break it."""
    return Path(shutil.copy(demo_folder / "demo.duckdb", tmp_path / "demo.duckdb"))


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> Callable[..., AppTest]:
    """Run a page on a store, as `programme dashboard --store` would."""

    def page(script: Callable[[], None], *arguments: object) -> AppTest:
        monkeypatch.setattr("sys.argv", ["app.py", *map(str, arguments)])
        return AppTest.from_function(script, default_timeout=PATIENCE_S).run()

    return page


def sound(page: AppTest) -> AppTest:
    assert not page.exception
    assert not page.error
    return page


def told(page: AppTest) -> str:
    """What the page says is wrong, with the guards against Markdown taken off."""
    assert not page.exception
    return " ".join(element.value.replace("\\", "") for element in page.error)


def figures(page: AppTest) -> dict[str, list[str]]:
    made: dict[str, list[str]] = {}
    for metric in page.metric:
        made.setdefault(metric.label, []).append(metric.value)
    return made


def test_the_app_shows_the_first_page_of_five(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.argv", ["app.py", str(store)])
    page = AppTest.from_file(APP, default_timeout=PATIENCE_S).run()
    assert sound(page).title[0].value == "Which homes first?"


@pytest.mark.parametrize("script", PAGES)
def test_a_store_that_cannot_be_read_is_told_in_words(
    script: Callable[[], None], opened: Callable[..., AppTest], tmp_path: Path
) -> None:
    broken = tmp_path / "broken.duckdb"
    broken.write_bytes(b"no store at all" * 1000)
    assert "No store at" in told(opened(script, tmp_path / "nowhere.duckdb"))
    assert "could not be opened as a store" in told(opened(script, broken))
    assert "No store was named" in told(opened(script))


@pytest.mark.parametrize("script", PAGES)
def test_a_fault_of_the_tool_itself_shows_no_traceback(
    script: Callable[[], None], opened: Callable[..., AppTest], store: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    def fail(*_: object) -> None:
        raise RuntimeError("secret inside")

    monkeypatch.setattr("dashboard.data.opened", fail)
    said = told(opened(script, store))
    assert "fault of the tool itself" in said
    assert "secret" not in said


@pytest.mark.parametrize("script", PAGES)
def test_every_page_carries_the_caution_and_the_note_on_invented_data(
    script: Callable[[], None], opened: Callable[..., AppTest], store: Path
) -> None:
    shown = " ".join(element.value for element in sound(opened(script, store)).warning)
    assert explain.CAUTION in shown
    assert "Invented data" in shown


def test_own_rates_bring_no_note_on_invented_data(
    opened: Callable[..., AppTest], tmp_path: Path
) -> None:
    book = tmp_path / "own.csv"
    demo = DEMO_RATES.read_text()
    book.write_text(demo.replace("invented for the demo", "tender of 2026"))
    stock = tmp_path / "stock.csv"
    stock.write_text(stock_text())
    settings = Settings.model_validate({"cost": {"rate_book": str(book)}})
    run(Inputs(stock), tmp_path / "own.duckdb", tmp_path, settings)
    page = sound(opened(homes_page, tmp_path / "own.duckdb"))
    assert [element.value for element in page.warning] == [explain.CAUTION]


def test_filters_narrow_the_totals_to_the_homes_that_lie_there(
    opened: Callable[..., AppTest], store: Path, demo: Published
) -> None:
    funded = programme.affordable(demo.ranking, demo.base.settings.budget_gbp)
    estate = funded["estate"].drop_nulls().mode().sort()[0]
    street = funded.filter(pl.col("estate") == estate)["street"].mode().sort()[0]
    page = opened(homes_page, store)
    page.multiselect(key="estates").set_value([estate])
    page.multiselect(key="streets").set_value([street])
    here = funded.filter(pl.col("estate") == estate, pl.col("street") == street)
    totals = programme.totals(here)
    shown = figures(sound(page.run()))
    assert shown["Homes"] == [f"{here.height:,}"]
    assert shown["Cost"][0] == f"£{totals['cost_gbp']:,.0f}"
    assert shown["Fuel saved [kWh/year]"] == [
        f"{totals[name]:,.0f}"
        for name in ("fuel_saved_kwh_per_year", "expected_fuel_saved_kwh_per_year")
    ]


def test_a_street_outside_the_estates_chosen_later_drops_out(
    opened: Callable[..., AppTest], store: Path, demo: Published
) -> None:
    funded = programme.affordable(demo.ranking, demo.base.settings.budget_gbp)
    street, other = funded["street"][0], funded["estate"].drop_nulls().unique().sort()[-1]
    elsewhere = funded.filter(pl.col("estate") == other)
    assert street not in elsewhere["street"]
    page = opened(homes_page, store)
    page.multiselect(key="streets").set_value([street]).run()
    page.multiselect(key="estates").set_value([other])
    assert figures(sound(page.run()))["Homes"] == [f"{elsewhere.height:,}"]


def test_a_home_without_a_place_says_why(
    opened: Callable[..., AppTest], store: Path, demo: Published
) -> None:
    home = demo.ranking.filter(pl.col("reason").is_not_null()).row(0, named=True)
    page = opened(homes_page, store)
    page.selectbox(key="home").set_value(home["home_id"])
    said = [element.value.replace("\\", "") for element in sound(page.run()).info]
    assert f"Not ranked: {home['reason']}." in said


def test_no_budget_funds_no_home_and_says_so_without_a_fault(
    opened: Callable[..., AppTest], store: Path
) -> None:
    page = opened(homes_page, store)
    page.number_input(key="budget").set_value(1.0)
    shown = figures(sound(page.run()))
    assert shown["Homes"] == ["0"]
    assert shown["Cost per modelled lifetime tonne [per tCO2e]"] == ["–"]


def test_a_new_run_at_the_same_path_shows_at_once(
    opened: Callable[..., AppTest], tmp_path: Path
) -> None:
    stock, store = tmp_path / "stock.csv", tmp_path / "town.duckdb"
    stock.write_text(stock_text())
    first = run(Inputs(stock), store, tmp_path, Settings()).account["run_id"]
    page = sound(opened(homes_page, store))
    assert str(first) in page.caption[0].value
    second = run(Inputs(stock), store, tmp_path, Settings(budget_gbp=20_000.0)).account["run_id"]
    assert str(second) in sound(page.run()).caption[0].value


def test_text_of_the_stock_list_never_acts_as_markup(
    opened: Callable[..., AppTest], tmp_path: Path
) -> None:
    stock = tmp_path / "stock.csv"
    address = "1 ![x](http://example.test/x.png) <b>Row</b>, Tarnwick"
    row = f'T1,"{address}",HX77 3AB,House,1934,85,Solid brick,'
    stock.write_text(stock_text(row))
    run(Inputs(stock), tmp_path / "town.duckdb", tmp_path, Settings())
    page = sound(opened(homes_page, tmp_path / "town.duckdb"))
    written = [e.value for kind in (page.markdown, page.caption, page.info) for e in kind]
    assert not [text for text in written if "![x](" in text or "<b>Row" in text]
    assert "\\!\\[x\\]" in words.plain("![x](http://example.test)")


@pytest.mark.parametrize(
    ("pasted", "said"),
    [
        ("NOWHERE1", "Not in this store: NOWHERE1"),
        ("{first}\n{first}", "Named more than once: {first}"),
        ("{unranked}", "These homes have no option to claim or measure: {unranked}"),
    ],
)
def test_homes_that_cannot_be_claimed_are_named(
    opened: Callable[..., AppTest], store: Path, demo: Published, pasted: str, said: str
) -> None:
    names = {
        "first": demo.ranking["home_id"][0],
        "unranked": demo.ranking.filter(pl.col("reason").is_not_null())["home_id"][0],
    }
    page = opened(claim_page, store)
    page.segmented_control(key="how").set_value("By their keys").run()
    page.text_area(key="pasted").set_value(pasted.format(**names))
    assert said.format(**names) in told(page.run())


def test_a_preview_shows_the_claim_as_it_would_be_and_records_nothing(
    opened: Callable[..., AppTest], store: Path, demo: Published
) -> None:
    claim = claims.preview(demo, demo.ranking["home_id"].head(20).to_list())
    page = sound(opened(claim_page, store))
    shown = figures(page)
    assert shown["Homes"] == ["20"]
    assert shown["Bill saved [per year]"] == [
        f"£{float(claim.totals[name]):,.0f}"
        for name in ("bill_saved_gbp_per_year", "expected_bill_saved_gbp_per_year")
    ]
    assert page.dataframe[0].value["cost_gbp"].to_list() == [
        float(cost) for cost in claim.lines["cost_gbp"]
    ]
    command = page.code[-1].value
    assert command.startswith(f"programme claim --store {store}")
    assert any("this claim begins one" in warning.value for warning in page.warning)
    assert not claims.ledger_path(store).exists()


def test_a_folder_with_another_claim_is_refused_before_anything_is_recorded(
    opened: Callable[..., AppTest], store: Path
) -> None:
    (store.parent / "claim.csv").write_text("another claim")
    page = opened(claim_page, store)
    page.text_input[0].set_value(str(store.parent)).run()
    page.checkbox[0].check().run()
    page.button(key="freeze").click()
    assert "A claim is never written over" in told(page.run())
    assert not claims.claimed(store).height
    assert (store.parent / "claim.csv").read_text() == "another claim"


def test_a_ledger_that_is_none_is_told_in_words(
    opened: Callable[..., AppTest], store: Path
) -> None:
    claims.ledger_path(store).write_bytes(b"torn" * 5000)
    assert "ledger" in told(opened(claim_page, store))


def test_unchanged_settings_change_nothing(opened: Callable[..., AppTest], store: Path) -> None:
    page = sound(opened(what_if_page, store))
    beside = page.table[0].value
    assert set(beside["Difference"]) == {"0"}
    assert figures(page)["Homes entering"] == ["0"]


def test_a_colder_year_saves_what_the_pipeline_says(
    opened: Callable[..., AppTest], store: Path, demo: Published
) -> None:
    page = opened(what_if_page, store)
    page.slider(key="shift").set_value(-1.5)
    page.multiselect(key="systems").set_value(["mineral_wool", "cork"])
    beside = sound(page.run()).table[0].value.set_index("What")
    settings = scenarios.with_setting(demo.base.settings, "climate.temperature_shift_c", -1.5)
    settings = scenarios.with_setting(settings, "works.systems", ["mineral_wool", "cork"])
    ranking = scenarios.rerank(demo.ranking, demo.base, settings)
    totals = programme.totals(programme.affordable(ranking, settings.budget_gbp))
    row = beside.loc[words.plain(words.title("heat_saved_kwh_per_year"))]
    assert row["What if"] == f"{totals['heat_saved_kwh_per_year']:,.0f}"


@pytest.mark.parametrize(("key", "value"), [("target", 0.15), ("thickest", 20.0), ("budget", 1.0)])
def test_settings_that_fund_nothing_are_no_fault(
    opened: Callable[..., AppTest], store: Path, key: str, value: float
) -> None:
    page = opened(what_if_page, store)
    kind = page.number_input if key == "budget" else page.slider
    kind(key=key).set_value(value)
    sound(page.run())


def test_without_an_insulant_the_page_asks_for_one_and_comes_back(
    opened: Callable[..., AppTest], store: Path
) -> None:
    page = opened(what_if_page, store)
    page.multiselect(key="systems").set_value([])
    assert "Choose at least one insulant." in [e.value for e in sound(page.run()).info]
    page.button[0].click()
    assert figures(sound(page.run()))["Homes leaving"] == ["0"]


def test_a_run_with_unusual_settings_opens_on_them(
    opened: Callable[..., AppTest], tmp_path: Path
) -> None:
    stock = tmp_path / "stock.csv"
    stock.write_text(stock_text())
    unusual = {
        "climate": {"temperature_shift_c": -4.9},
        "works": {"thickness_most_mm": 333.0, "target_u_w_m2k": 0.99, "systems": ["cork"]},
    }
    run(Inputs(stock), tmp_path / "odd.duckdb", tmp_path, Settings.model_validate(unusual))
    page = sound(opened(what_if_page, tmp_path / "odd.duckdb"))
    assert page.slider(key="shift").value == -4.9
    assert set(page.table[0].value["Difference"]) == {"0"}


def test_curves_under_another_climate_equal_those_of_a_run_under_it(
    store: Path, demo: Published, tmp_path: Path
) -> None:
    settings = scenarios.with_setting(demo.base.settings, "climate.temperature_shift_c", -1.5)
    run(Inputs(DEMO_STOCK), tmp_path / "cold.duckdb", tmp_path, settings)
    cold = open_run(tmp_path / "cold.duckdb")
    drawn = data.by_thickness(data.identity(store), settings, [50.0, 100.0], demo)
    assert_frame_equal(drawn, scenarios.by_thickness(cold.ranking, cold.base, [50.0, 100.0]))


def shown_tables(page: AppTest) -> dict[tuple[str, ...], pl.DataFrame]:
    """Tables of a page by their columns."""
    return {tuple(table.value.columns): pl.from_pandas(table.value) for table in page.dataframe}


def test_the_data_page_tells_what_the_pipeline_found(
    opened: Callable[..., AppTest], store: Path, demo: Published
) -> None:
    page = sound(opened(data_page, store))
    rows = demo.account["rows"]
    assert figures(page) == {
        "Rows read": [f"{rows['read']:,}"],
        "Accepted": [f"{rows['accepted']:,}"],
        "In quarantine": [f"{rows['quarantined']:,}"],
        "Accepted with a warning": [f"{demo.ranking['warnings'].count():,}"],
    }
    shown = shown_tables(page)
    order = grades.survey_first(demo.ranking, demo.base.reference)
    assert_frame_equal(shown[tuple(order.columns)], order)
    assert_frame_equal(
        shown["quarantine_reason", "rows"],
        fault_counts(demo.faults).rename({"reason": "quarantine_reason"}),
    )
    first = order.row(0, named=True)
    text = " ".join(element.value for element in page.markdown)
    assert f"Survey the {first['input']} first" in text
    assert f"{first['doubt_kwh_per_year']:,.0f} kWh/year" in text
    assert f"**Headings not used:** {demo.account['headings_not_used']}; the run names them" in text
    grade = shown["data_grade", "spread", "homes"]
    assert grade["homes"].sum() == rows["ranked"]
    assert grade["spread"].to_list() == ["up to 15%", "up to 25%", "up to 40%", "over 40%"]


def test_shares_known_are_those_of_the_grades_in_the_ranking(demo: Published) -> None:
    by_estate = grades.completeness(demo.ranking, "estate")
    known = tables.known_by_estate(by_estate)
    assert known["homes"].sum() == demo.ranking.height
    estate = known["group"][0]
    part = demo.ranking.filter(pl.col("estate") == estate)
    for name, (_, _, word) in homes.GRADED.items():
        share = 100.0 * part[f"{name}_grade"].is_in(["A", "B"]).mean()
        assert known[word][0] == pytest.approx(share)
    whole = tables.grades_of_inputs(by_estate)
    for _, part in whole.group_by("input"):
        assert part["share_percent"].sum() == pytest.approx(100.0)
        assert part["homes"].sum() == demo.ranking.height


def test_what_a_home_would_be_filled_with_is_what_the_pipeline_filled_in(demo: Published) -> None:
    beside = tables.beside_type(demo.ranking, demo.base)
    filled = demo.ranking["u_value_grade"] == "C"
    assert beside.height == demo.ranking.height
    assert beside["home_id"].to_list() == demo.ranking["home_id"].to_list()
    for used, estimate, estimated in (
        ("u_existing_w_m2k", "u_default_w_m2k", filled),
        ("wall_area_m2", "wall_area_estimated_m2", demo.ranking["wall_area_grade"] == "C"),
    ):
        part = beside.filter(estimated)
        assert part.height
        assert part[estimate].to_list() == pytest.approx(part[used].to_list())
        given = beside.filter(~estimated)
        assert ((given[estimate] - given[used]).abs() > 0.01).mean() > 0.9, "no estimate of its own"


def test_the_input_chosen_is_shown_by_estate(opened: Callable[..., AppTest], store: Path) -> None:
    page = opened(data_page, store)
    page.selectbox(key="graded_input").set_value("glazing")
    sound(page.run())
    assert page.selectbox(key="graded_input").value == "glazing"


def test_the_workbook_offered_is_the_one_the_run_wrote(
    demo_folder: Path, store: Path, demo: Published
) -> None:
    made = data.mending_workbook(data.identity(store), demo)
    assert same(made, (demo_folder / "quarantine.xlsx").read_bytes())


def test_a_bare_list_with_nothing_given_is_no_fault(
    opened: Callable[..., AppTest], tmp_path: Path
) -> None:
    stock = tmp_path / "stock.csv"
    stock.write_text(stock_text())
    run(Inputs(stock), tmp_path / "bare.duckdb", tmp_path, Settings())
    page = sound(opened(data_page, tmp_path / "bare.duckdb"))
    said = " ".join(element.value for element in page.info)
    assert "No wall U-value is given" in said
    assert "No wall area is given" in said
    assert "No row is in quarantine" in said
    assert "rests on the list alone" in said


def test_another_source_is_told_by_what_it_overrode(
    opened: Callable[..., AppTest], tmp_path: Path
) -> None:
    stock, survey, store = (tmp_path / name for name in ("list.csv", "survey.csv", "two.duckdb"))
    stock.write_text(stock_text())
    survey.write_text("Property Ref,Wall U\nT1,1.45\nT2,1.5\nT9,1.1\n")
    run(Inputs(stock, {"survey": survey}), store, tmp_path, Settings())
    log = published.table(store, "overrides")
    shown = shown_tables(sound(opened(data_page, store)))
    told = shown["from_source", "column_label", "outcome", "entries"]
    assert told["entries"].sum() == log.height
    assert told.row(0) == ("survey", "Wall U-value today", "filled a gap", 2)
    assert told.row(1)[1] == "Whole row"


def test_the_cost_page_adds_up_and_offers_the_bill(
    opened: Callable[..., AppTest], store: Path, demo: Published
) -> None:
    page = sound(opened(cost_page, store))
    funded = programme.affordable(demo.ranking, demo.base.settings.budget_gbp)
    account = pl.DataFrame(page.dataframe[0].value.to_dict("list"))
    total = account.filter(pl.col("part") == "Cost")["amount_gbp"][0]
    assert total == pytest.approx(funded["cost_gbp"].sum(), rel=1e-12)
    parts = account.filter(~pl.col("part").is_in(["Cost", "Works"]))
    assert parts["amount_gbp"].sum() == pytest.approx(total, rel=1e-12)
    assert figures(page)["Homes"] == [f"{funded.height:,}"]
    made = bill.bill(funded, demo)
    said = " ".join(element.value for element in page.markdown)
    assert f"£{made.lots['total'].sum() / 100:,.2f}" in said
    assert all(words.plain(line) in said for line in workbook.HOLDS)
    page.number_input(key="budget").set_value(1.0).run()
    assert any("No home fits this budget" in element.value for element in sound(page).info)


def test_every_option_of_a_home_is_on_its_page(
    opened: Callable[..., AppTest], store: Path, demo: Published
) -> None:
    page = sound(opened(homes_page, store))
    shown = [t.value for t in page.dataframe if "verdict" in t.value.columns]
    assert len(shown) == 1
    home = demo.ranking.row(0, named=True)
    compared = comparison.options(home, demo.base)
    assert sorted(shown[0]["cost_gbp"]) == compared["cost_gbp"].sort().to_list()
    assert shown[0]["verdict"].iloc[0] == comparison.CHOSEN


def test_funds_allocated_on_the_page_are_what_the_pipeline_allocates(
    store: Path, opened: Callable[..., AppTest]
) -> None:
    page = opened(funding_page, store)
    page.multiselect(key="funds").set_value(["fund_lantern.toml"])
    page.button[0].click().run()
    rules = funds.read(DEMO_RATES.with_name("fund_lantern.toml"))
    made = funding.fund(open_run(store), funding.Asked((rules,), funds.Means()), claimed_before())
    funded = made.homes.filter(pl.col("funded") == "yes")
    assert not page.exception
    assert page.metric[0].value == f"{funded.height:,}"
    assert any(f"the gap is {made.account['gap']:.2%}" in told.value for told in page.markdown)
    left = made.homes.filter(pl.col("reason_code") == "RULE").row(0, named=True)
    page.selectbox(key="why_home").set_value(left["home_id"]).run()
    assert any("Others do more with the money" in told.value for told in page.info)
    claim = AppTest.from_function(claim_page, default_timeout=PATIENCE_S)
    claim.session_state[data.ALLOCATION] = page.session_state[data.ALLOCATION]
    claim = sound(claim.run())
    claim.segmented_control(key="how").set_value("As allocated").run()
    lines = sound(claim).dataframe[0].value.set_index("home_id")
    costs = dict(funded.select("home_id", "cost_gbp").iter_rows())
    assert lines["cost_gbp"].to_dict() == costs
    assert lines["thickness_mm"].to_dict() == dict(
        funded.select("home_id", "thickness_mm").iter_rows()
    )
    assert any("as allocated" in told.value for told in claim.caption)
    assert "--homes homes.csv" in claim.code[-1].value
    taken = funded["home_id"][0]
    claims.export(store, [taken], store.parent / "claimed elsewhere")
    page.run()
    assert any("may be claimed by now" in warning.value for warning in page.warning)
    page.button[0].click().run()
    assert not any("may be claimed by now" in warning.value for warning in page.warning)
    page.selectbox(key="why_home").set_value(taken).run()
    assert any("Claimed before" in told.value for told in page.info)


def test_the_funding_page_says_why_nobody_is_funded(
    store: Path, opened: Callable[..., AppTest]
) -> None:
    rules = DEMO_RATES.with_name("fund_lantern.toml").read_text().replace("600_000", "6")
    (store.parent / "fund_poor.toml").write_text(rules)
    page = opened(funding_page, store)
    page.multiselect(key="funds").set_value(["fund_poor.toml"])
    page.button[0].click().run()
    assert not page.exception
    assert page.metric[0].value == "0"
    warned = " ".join(warning.value.replace("\\", "") for warning in page.warning)
    assert "is funded: " in warned
    assert "too little is left of the limits for its lot (LEFT_OVER)" in warned


def test_the_order_heeds_a_claim_made_elsewhere(
    opened: Callable[..., AppTest], store: Path, demo: Published
) -> None:
    page = sound(opened(homes_page, store))
    first = demo.ranking["home_id"][0]

    def shown() -> bool:
        tables = [table.value for table in page.dataframe if "cumulative_cost_gbp" in table.value]
        return first in tables[0]["home_id"].to_list()

    assert shown()
    claims.export(store, [first], store.parent / "claimed elsewhere")
    sound(page.run())
    assert not shown()
    assert any("1 home claimed before" in told.value for told in page.caption)


def test_a_screen_and_a_verdict_choose_the_homes_shown(
    opened: Callable[..., AppTest], store: Path
) -> None:
    cells = published.table(store, "screens")
    page = sound(opened(screens_page, store))
    page.selectbox(key="screen").set_value("screen_fire")
    page.multiselect(key="verdicts").set_value(["refer"])
    sound(page.run())
    tall = cells.filter(
        pl.col("rank").is_not_null(), pl.col("screen_fire").str.starts_with("refer")
    )
    homes_shown = [frame.value for frame in page.dataframe if "changes_to_pass" in frame.value]
    assert homes_shown[0]["home_id"].to_list() == tall["home_id"].to_list()
    assert f"{tall.height:,} of" in " ".join(element.value for element in page.caption)
    page.segmented_control(key="screened").set_value("All accepted homes")
    page.multiselect(key="verdicts").set_value(["not tested"])
    page.selectbox(key="screen").set_value("screen_mould")
    sound(page.run())
    untested = cells.filter(pl.col("screen_mould").is_null())
    assert f"{untested.height:,} of {cells.height:,} homes" in " ".join(
        element.value for element in page.caption
    )
