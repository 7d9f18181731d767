"""The pages in a real browser: what they show equals the store, and what they do holds."""

import socket
from urllib.parse import urlsplit

import polars as pl
import pytest
from playwright.sync_api import Locator, Page, expect

from pipeline import bill, claims, explain, grades, programme, published, scenarios
from pipeline.bill import workbook
from pipeline.explain import layout
from pipeline.options import screens
from pipeline.stock.faults import counts as fault_counts
from pipeline.stock.reading import sha256
from tests.browser.conftest import PATIENCE_MS, Served
from tests.conftest import same

pytestmark = pytest.mark.xdist_group("browser")
expect.set_options(timeout=PATIENCE_MS)

YEARLY = (
    ("Fuel saved [kWh/year]", "fuel_saved_kwh_per_year", ""),
    ("CO2 saved [kgCO2e/year]", "co2_saved_kg_per_year", ""),
    ("Bill saved [per year]", "bill_saved_gbp_per_year", "£"),
)


def metric(page: Page, label: str, nth: int = 0) -> Locator:
    named = page.get_by_test_id("stMetric").filter(has=page.get_by_text(label, exact=True))
    return named.nth(nth).get_by_test_id("stMetricValue")


def number(page: Page, label: str) -> Locator:
    return page.get_by_role("spinbutton", name=label)


def put(field: Locator, value: str) -> None:
    field.fill(value)
    field.press("Enter")


def expect_totals(page: Page, totals: dict[str, float]) -> None:
    """The headline figures are the totals, modelled and expected each under its own heading."""
    expect(metric(page, "Homes")).to_have_text(f"{totals['homes']:,.0f}")
    expect(metric(page, "Cost")).to_have_text(f"£{totals['cost_gbp']:,.0f}")
    for label, name, pound in YEARLY:
        expect(metric(page, label, 0)).to_have_text(f"{pound}{totals[name]:,.0f}")
        expect(metric(page, label, 1)).to_have_text(f"{pound}{totals[f'expected_{name}']:,.0f}")


def named_homes(page: Page, served: Served, homes: list[str]) -> None:
    """Open the claim page and name homes by their keys."""
    page.goto(f"{served.url}/claim")
    page.get_by_role("button", name="By their keys").or_(
        page.get_by_role("radio", name="By their keys")
    ).click()
    keys = page.get_by_role("textbox", name="Keys of the homes")
    keys.fill("\n".join(homes))
    keys.press("Control+Enter")


def tick(page: Page) -> Locator:
    """Say that the claim was checked; returns the button that freezes it."""
    said = page.get_by_text("I have checked the homes and the figures")
    expect(said).to_have_count(1)  # what stood before goes only when the page is done
    said.click()
    button = page.get_by_role("button", name="Freeze this claim")
    expect(button).to_be_enabled()
    return button


@pytest.mark.parametrize(
    ("path", "title", "last"),
    [
        ("", "Which homes first?", "In quarantine"),
        ("cost", "What it costs", "What the number holds, and what it does not"),
        ("screens", "Screens", "The rules"),
        ("claim", "The claim", "Freeze it"),
        ("what-if", "What if?", "What moves in the funded programme"),
        ("data", "The data", "What overrode what"),
    ],
)
def test_each_page_opens_and_says_what_it_must_not_be_taken_for(
    tab: Page, served: Served, path: str, title: str, last: str
) -> None:
    tab.goto(f"{served.url}/{path}")
    expect(tab.get_by_role("heading", name=title, level=1)).to_be_visible()
    expect(tab.get_by_text(explain.CAUTION)).to_be_visible()
    expect(tab.get_by_text("Invented data: this run was priced from the demo")).to_be_visible()
    expect(tab.get_by_text(served.run.account["run_id"]).first).to_be_visible()
    expect(tab.get_by_role("heading", name=last)).to_be_visible()


def test_the_budget_moves_the_totals_to_what_the_pipeline_gives(tab: Page, served: Served) -> None:
    ranking = served.run.ranking
    tab.goto(served.url)
    whole = programme.totals(programme.affordable(ranking, served.run.base.settings.budget_gbp))
    expect_totals(tab, whole)
    put(number(tab, "Budget [GBP]"), "2000000")
    less = programme.totals(programme.affordable(ranking, 2_000_000.0))
    expect_totals(tab, less)
    assert less["homes"] < whole["homes"]
    per_tonne = metric(tab, "Cost per modelled lifetime tonne [per tCO2e]")
    expect(per_tonne).to_have_text(f"£{less['cost_per_lifetime_tonne_gbp']:,.0f}")
    expect(tab.get_by_test_id("stPlotlyChart").first).to_contain_text("Budget £2,000,000")


def test_a_ticked_home_shows_its_own_calculation(tab: Page, served: Served) -> None:
    home = served.run.ranking.row(3, named=True)
    steps = explain.sheet(home, served.run.base)
    tab.goto(served.url)
    grid = tab.locator(".st-key-ranked_rows canvas").first
    grid.scroll_into_view_if_needed()
    expect(tab.get_by_role("heading", name="In quarantine")).to_be_visible()
    grid.click(position={"x": 20, "y": 38 + 35 * 3 + 15}, force=True)
    expect(tab.locator(".st-key-home input")).to_have_value(f"{home['home_id']}, {home['address']}")
    expect(metric(tab, "Modelled fuel saved [kWh/year]")).to_have_text(
        f"{home['fuel_saved_kwh_per_year']:,.0f}"
    )
    (section,) = (s for s in layout.lay_out(steps).sections if s.title.endswith(" Cost"))
    tab.get_by_role("tab", name=section.title, exact=True).click()
    (price,) = (step for step in steps if step.column == "cost_gbp")
    row = tab.get_by_role("row").filter(has=tab.get_by_text(price.formula, exact=True))
    expect(row).to_contain_text(explain.show(price.value))
    expect(row).to_contain_text(price.working)
    with tab.expect_download() as fetched:
        tab.get_by_role("button", name="Download the sheet with the wall drawn").click()
    paper = explain.paper(home, served.run, sha256(served.store))
    name = f"{home['home_id']}.pdf"
    assert fetched.value.suggested_filename == name
    assert same(fetched.value.path().read_bytes(), explain.files(home["home_id"], paper)[name])


def test_a_claim_is_frozen_once_and_refused_by_name_afterwards(tab: Page, served: Served) -> None:
    first, second, third = served.run.ranking["home_id"][40:43].to_list()
    other = tab.context.new_page()
    named_homes(other, served, [second, third])
    late = tick(other)
    named_homes(tab, served, [first, second])
    previewed = claims.preview(served.run, [first, second])
    expect_totals(tab, {name: float(value) for name, value in previewed.totals.items()})
    tick(tab).click()
    expect(tab.get_by_text(f"Claim {previewed.claim_id} is frozen: 2 homes")).to_be_visible()
    expect(tab.get_by_text(f"Left out, claimed before: {first}, {second}")).to_be_visible()
    made = served.store.parent / f"claim-{previewed.claim_id}"
    with tab.expect_download() as fetched:
        tab.get_by_role("button", name="claim.csv").click()
    assert same(fetched.value.path().read_bytes(), (made / "claim.csv").read_bytes())
    late.click()
    expect(other.get_by_text(f"Claimed before, refused: {second}")).to_be_visible()
    standing = claims.claimed(served.store)
    assert third not in standing["home_id"]
    assert standing.filter(pl.col("home_id") == second).height == 1


def test_a_double_click_claims_once(tab: Page, served: Served) -> None:
    homes = served.run.ranking["home_id"][60:62].to_list()
    named_homes(tab, served, homes)
    tick(tab).dblclick()
    claim_id = claims.preview(served.run, homes).claim_id
    expect(tab.get_by_text(f"Claim {claim_id} is frozen")).to_be_visible()
    expect(tab.get_by_text("Every home chosen is claimed already")).to_be_visible()
    expect(tab.get_by_text("refused")).to_have_count(0)
    standing = claims.claimed(served.store).filter(pl.col("claim_id") == claim_id)
    assert standing["home_id"].to_list() == sorted(homes)


def test_the_gas_price_moves_the_programme_as_the_pipeline_says(tab: Page, served: Served) -> None:
    run = served.run
    changed = scenarios.with_setting(
        run.base.settings, "prices.unit_rates_p_per_kwh.mains_gas", 4.0
    )
    met = claims.met_before(run)  # other tests here claim homes, on which no money is spent again
    before, after = (
        programme.affordable(claims.still_open(ranking, met), changed.budget_gbp)
        for ranking in (run.ranking, scenarios.rerank(run.ranking, run.base, changed))
    )
    gained, lost = scenarios.gained_and_lost(before, after)
    name = "expected_bill_saved_gbp_per_year"
    old, new = programme.totals(before)[name], programme.totals(after)[name]
    assert gained
    assert old != new
    tab.goto(f"{served.url}/what-if")
    row = tab.get_by_role("row").filter(has_text="Expected bill saved")
    expect(row).to_contain_text(f"£{old:,.0f}")
    put(number(tab, "Gas price [p/kWh]"), "4")
    expect(row).to_contain_text(f"£{new:,.0f}")
    expect(row).to_contain_text(f"−£{old - new:,.0f}")
    expect(metric(tab, "Homes entering")).to_have_text(f"{len(gained):,}")
    expect(metric(tab, "Homes leaving")).to_have_text(f"{len(lost):,}")


def test_back_to_the_run_brings_every_control_back_for_good(tab: Page, served: Served) -> None:
    tab.goto(f"{served.url}/what-if")
    slider = tab.get_by_role("slider", name="Warmer or colder year [degC]")
    expect(metric(tab, "Homes entering")).to_have_text("0")
    slider.press("ArrowLeft")
    put(number(tab, "Gas price [p/kWh]"), "4")
    expect(slider).to_have_value("-0.25")
    expect(metric(tab, "Homes entering")).not_to_have_text("0")
    tab.get_by_role("button", name="Back to the run's settings").click()
    expect(metric(tab, "Homes entering")).to_have_text("0")
    expect(slider).to_have_value("0")
    target = tab.get_by_role("slider", name="Wall U-value to reach [W/m2K]")
    target.press("ArrowRight")
    expect(target).to_have_value("0.31")
    expect(slider).to_have_value("0")
    expect(number(tab, "Gas price [p/kWh]")).not_to_have_value("4.00")


def test_budget_and_places_are_the_same_on_every_page(tab: Page, served: Served) -> None:
    tab.goto(served.url)
    put(number(tab, "Budget [GBP]"), "2000000")
    for page in ("What it costs", "What if"):
        tab.get_by_role("link", name=page, exact=True).click()
        expect(number(tab, "Budget [GBP]")).to_have_value("2000000")


@pytest.mark.parametrize("host", ["evil.example", "evil.example:8501", "127.0.0.1.evil.example"])
def test_another_name_for_this_machine_is_refused(served: Served, host: str) -> None:
    """A page of somebody else's that points its own name at this machine gets no session."""
    at = urlsplit(served.url)

    def answer(name: str) -> bytes:
        with socket.create_connection((at.hostname, at.port), timeout=20) as line:
            line.sendall(
                f"GET /_stcore/stream HTTP/1.1\r\nHost: {name}\r\nOrigin: http://{name}\r\n"
                "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
                "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\n\r\n".encode()
            )
            return line.recv(64).split(b"\r\n")[0]

    assert b" 101 " in answer(f"localhost:{at.port}")
    assert b" 403 " in answer(host)


def test_the_data_report_shows_what_the_pipeline_gives(tab: Page, served: Served) -> None:
    run = served.run
    tab.goto(f"{served.url}/data")
    for label, name in (("Rows read", "read"), ("Accepted", "accepted")):
        expect(metric(tab, label)).to_have_text(f"{run.account['rows'][name]:,}")
    expect(metric(tab, "In quarantine")).to_have_text(f"{run.quarantine.height:,}")
    reason = fault_counts(run.faults).row(1, named=True)
    reasons = tab.locator(".st-key-reasons")
    expect(reasons).to_contain_text(reason["reason"])
    expect(reasons).to_contain_text(str(reason["rows"]))
    survey = grades.survey_first(run.ranking, run.base.reference)
    expect(tab.locator(".st-key-survey_first")).to_contain_text(
        f"{survey['doubt_kwh_per_year'][0]:,.0f}"
    )
    known = grades.completeness(run.ranking, "estate").filter(pl.col("input") == "glazing")
    share = known.filter(pl.col("grade") == "B")["homes"].sum() / known["homes"].sum()
    expect(tab.locator(".st-key-grades_of_inputs")).to_contain_text(f"{100 * share:.0f}%")
    with tab.expect_download() as fetched:
        tab.get_by_role("button", name="Download quarantine.xlsx").click()
    made = served.store.parent / "quarantine.xlsx"
    assert same(fetched.value.path().read_bytes(), made.read_bytes())


def test_the_bill_is_downloaded_as_the_pipeline_writes_it(tab: Page, served: Served) -> None:
    run = served.run
    tab.goto(f"{served.url}/cost")
    expect(tab.get_by_test_id("stPlotlyChart").first).to_contain_text("From works to the price")
    with tab.expect_download() as fetched:
        tab.get_by_role("button", name="Download bill.xlsx").click()
    unclaimed = claims.still_open(run.ranking, claims.met_before(run))
    funded = programme.affordable(unclaimed, run.base.settings.budget_gbp)
    made = bill.bill(funded, run)
    assert same(fetched.value.path().read_bytes(), workbook.workbook(made, run))
    expect(tab.get_by_text(f"£{made.lots['total'].sum() / 100:,.2f}")).to_be_visible()


def test_the_funding_offers_the_demo_funds(tab: Page, served: Served) -> None:
    """What it allocates is tested without a browser, where a busy machine costs less."""
    tab.goto(f"{served.url}/funding")
    expect(tab.get_by_role("heading", name="The funding", level=1)).to_be_visible()
    expect(tab.get_by_text(explain.CAUTION)).to_be_visible()
    for name in ("fund_hearth.toml", "fund_lantern.toml"):
        expect(tab.get_by_text(name).first).to_be_visible()
    expect(tab.get_by_role("button", name="Allocate", exact=True)).to_be_enabled()
    expect(tab.get_by_text("Choose the funds and allocate")).to_be_visible()


def test_the_screens_show_what_the_store_holds(tab: Page, served: Served) -> None:
    cells = published.table(served.store, "screens").filter(pl.col("rank").is_not_null())
    of_damp = screens.counts(cells, "screen").filter(pl.col("group") == "screen_damp")
    share = 100 * of_damp.filter(pl.col("verdict") == "not surveyed")["homes"][0] / cells.height
    tab.goto(f"{served.url}/screens")
    expect(tab.locator(".st-key-by_screen")).to_contain_text(f"not surveyed {share:.0f}%")
    tab.get_by_role("combobox", name="Screen", exact=True).click()
    tab.get_by_role("option", name="Fire and height").click()
    fresh = tab.locator('.st-key-by_estate[data-stale="false"]')
    expect(fresh).to_contain_text("Fire and height: where does it")
    tall = cells.filter(pl.col("screen_fire").str.starts_with("refer"))
    expect(tab.get_by_text(f"{tall.height:,} of {cells.height:,} homes")).to_be_visible()
    with tab.expect_download() as fetched:
        tab.get_by_role("button", name="Download these homes").click()
    kept = pl.read_csv(fetched.value.path(), infer_schema=False)
    assert kept["home_id"].to_list() == tall["home_id"].to_list()
    tab.get_by_text("Limits by nation: check with the competent authority").click()
