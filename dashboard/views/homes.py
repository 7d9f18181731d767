"""Which homes first: the order for funding, what it costs, and one home's calculation."""

from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, data, tables, words
from dashboard.views import common
from pipeline import claims, comparison, explain, programme
from pipeline.explain import layout
from pipeline.exports import file_name
from pipeline.plurals import counted
from pipeline.programme import objective
from pipeline.published import Published
from pipeline.stock import faults

_SHOWN = (
    "rank", "home_id", "address", "score", "score_terms", "net_present_value_gbp",
    "bill_saved_pv_gbp", "carbon_value_pv_gbp", "cost_gbp", "system", "thickness_mm",
    "u_existing_w_m2k",
    "u_value_source", "u_after_w_m2k", "fuel_saved_kwh_per_year",
    "expected_fuel_saved_kwh_per_year", "co2_saved_lifetime_t", "cost_per_lifetime_tonne_gbp",
    "cumulative_cost_gbp", "estimated_inputs", "screen_verdict", "cautions", "street", "estate",
)  # fmt: skip
_HOME = "home"
_ROWS = "ranked_rows"


@common.guarded
def page() -> None:
    """The page: budget and places in; totals, two charts, the order and one home's sheet out."""
    key, run = data.opened()
    common.head(
        "Which homes first?",
        "For the asset manager: homes in the order of the programme's objective, down to where"
        " the money ends.",
        run,
    )
    budget, estates, streets = _controls(run)
    funded = common.affordable(run, budget)
    here = tables.narrowed(funded, estates, streets)
    common.told_place(here.height, funded.height, bool(estates or streets))
    common.three_groups(
        programme.totals(here), f"The homes within {words.figure('cost_gbp', budget)}"
    )
    _charts(run, budget, here)
    _order(run, here, tables.narrowed(tables.ranked(run.ranking), estates, streets))
    _one_home(key, run)
    _left_behind(run)


def _controls(run: Published) -> tuple[float, list[str], list[str]]:
    left, middle, right = st.columns([1, 1.5, 1.5])
    return common.budget(run, left), *common.places(run, middle, right)


def _charts(run: Published, budget: float, here: pl.DataFrame) -> None:
    left, right = st.columns(2)
    still_open = claims.still_open(run.ranking, data.met_before(run))
    left.plotly_chart(
        charts.next_pound(tables.spend(still_open), budget), key="next_pound",
        alt="Lifetime CO2 saved against spend, in rank order",
    )  # fmt: skip
    left.caption("Every ranked home in order: where the line flattens, the next pound buys less.")
    by_street = tables.by_street(here)
    right.plotly_chart(
        charts.street_bars(by_street), key="street_bars",
        alt="Cost of the funded homes by street",
    )  # fmt: skip
    drawn = min(by_street.height, 15)
    right.caption(
        f"The {drawn} dearest of {by_street.height} streets with homes within the budget;"
        " lifetime CO2 is modelled."
    )
    with st.expander("Every street as a table"):
        common.table(by_street, pinned=("street",))


def _order(run: Published, here: pl.DataFrame, ranked: pl.DataFrame) -> None:
    st.header("The order")
    unit = objective.unit(run.base.settings.appraisal)
    st.caption(f"Score = {unit}, for each pound of cost.")
    wanted = st.segmented_control(
        "Show", ["Within the budget", "All ranked homes"], default="Within the budget",
        required=True, key="which", label_visibility="collapsed",
    )  # fmt: skip
    homes = here if wanted == "Within the budget" else ranked
    marked = homes.join(data.met_before(run), on="home_id", how="left", maintain_order="left")
    shown = tables.with_system_labels(marked, run.base.reference).select(
        *_SHOWN[:3], "claim_id", *_SHOWN[3:]
    )
    claimed = shown["claim_id"].count()

    def take_row() -> None:
        rows = st.session_state[_ROWS]["selection"]["rows"]
        if rows:
            st.session_state[_HOME] = shown["home_id"][rows[0]]

    st.dataframe(
        shown, hide_index=True, column_config=common.columns(shown.columns, ("rank", "home_id")),
        height=430, placeholder="", on_select=take_row, selection_mode="single-row", key=_ROWS,
    )  # fmt: skip
    left, right = st.columns([1, 3], vertical_alignment="center")
    common.download("Download this table", shown, "homes.csv", left)
    said = f" {claimed:,} of them are claimed already, see column Claim." if claimed else ""
    right.caption(
        f"{counted(shown.height, 'home')}.{said} Tick a row to see that home's calculation below."
    )


def _one_home(key: data.Identity, run: Published) -> None:
    st.header("One home, step by step")
    names = dict(run.ranking.select("home_id", "address").iter_rows())
    chosen = st.selectbox(
        "Home", list(names), key=_HOME, persist_state="session",
        format_func=lambda home: f"{home}, {names[home] or 'no address'}",
    )  # fmt: skip
    if chosen is None:
        return
    home = run.ranking.filter(pl.col("home_id") == chosen).to_dicts()[0]
    steps = explain.sheet(home, run.base)
    if home["reason"]:
        st.info(f"Not ranked: {words.plain(home['reason'])}.")
    else:
        common.headlines(home, ("rank", "u_existing_w_m2k", "u_after_w_m2k", "cost_gbp"))
        common.headlines(home, ("fuel_saved_kwh_per_year", "expected_fuel_saved_kwh_per_year",
                                "net_present_value_gbp", "score"))  # fmt: skip
    st.markdown(
        f"**Estimated:** {words.plain(home['estimated_inputs'] or 'nothing')}  \n"
        f"**Cautions:** {words.plain(home['cautions'] or 'none found in the stock list')}  \n"
        f"**To pass every screen:** {words.plain(home['changes_to_pass'] or 'nothing')}"
    )
    with st.expander("All options of this home"):
        _options(home, run)
    _sheet(layout.lay_out(steps))
    check = explain.check(home, steps)
    (st.caption if check.agrees else st.error)(words.plain(check.words()))
    left, right = st.columns(2)
    name = file_name(chosen)
    common.download("Download this calculation", tables.sheet(steps), f"{name}.csv", left)
    digest = data.digest(key)

    def sheet_as_pdf() -> bytes:
        return explain.files(chosen, explain.paper(home, run, digest))[f"{name}.pdf"]

    right.download_button(
        "Download the sheet with the wall drawn (PDF)", sheet_as_pdf, f"{name}.pdf",
        "application/pdf", on_click="ignore",
    )  # fmt: skip


def _options(home: dict[str, Any], run: Published) -> None:
    """Every system and thickness for the home, and the thickness of greatest worth."""
    compared = comparison.options(home, run.base)
    optima = comparison.optima(compared, run.base)
    left, right = st.columns([1.5, 1])
    left.plotly_chart(
        charts.options_of_home(compared), key="options",
        alt="Net present value of every option of the home against thickness",
    )  # fmt: skip
    with right, st.container(key="optima"):
        common.table(optima.drop("u_after_w_m2k"))
    right.caption(
        "The closed form takes the plane wall; the stocked thickness is reckoned in full, with"
        " junctions, which lose more as boards grow thicker. Hollow points may not be had."
    )
    may = pl.col("verdict").is_in([comparison.CHOSEN, comparison.ALLOWED])
    shown = compared.sort(~may, "cost_per_lifetime_tonne_gbp").select(
        "verdict", *(c for c in comparison.SHOWN if c != "verdict")
    )
    with st.container(key="every_option"):
        common.table(shown, pinned=("verdict",))


def _sheet(laid_out: layout.Layout) -> None:
    *places, last = st.tabs([*(section.title for section in laid_out.sections), "Sources"])
    for place, section in zip(places, laid_out.sections, strict=True):
        for caption, table in tables.section(section):
            if caption:
                place.caption(words.plain(caption))
            shown = table.select(
                pl.col(name)
                .map_elements(words.plain, return_dtype=pl.String)
                .alias(words.plain(name))
                for name in table.columns
            )
            place.table(shown, border="horizontal", hide_index=True)
    last.markdown(explain.MARKS)
    for number, source in enumerate(laid_out.sources, start=1):
        last.caption(words.plain(f"[{number}] {source}"))


def _left_behind(run: Published) -> None:
    homes, count = tables.not_ranked(run.ranking)
    left, right = st.columns(2)
    with left:
        st.header("Accepted, not ranked")
        st.caption(f"{homes.height:,} homes were read well, but nothing was chosen for them.")
        common.table(count)
        common.download("Download these homes", homes, "not_ranked.csv")
    with right:
        st.header("In quarantine")
        st.caption(
            f"{run.quarantine.height:,} rows could not be used as they stand; a row may have"
            " several reasons. Mend them in the stock list and run again."
        )
        common.table(
            faults.counts(run.faults).rename({"reason": "quarantine_reason"}),
            rows=14,
        )
        common.download("Download these rows", run.quarantine, "quarantine.csv")
