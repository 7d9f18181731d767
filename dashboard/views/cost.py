"""What it costs: where the money goes, unit costs beside evidence, lots, the bill of quantities."""

import polars as pl
import streamlit as st

from dashboard import charts, data, tables, words
from dashboard.views import common
from pipeline import bill, programme
from pipeline.bill import workbook
from pipeline.plurals import counted
from pipeline.published import Published


@common.guarded
def page() -> None:
    """The page: a budget in; the account of its homes, evidence, lots and the bill out."""
    key, run = data.opened()
    common.head(
        "What it costs",
        "For the quantity surveyor and the budget holder: what the money buys, from measured works"
        " to the price, and what the number holds.",
        run,
    )
    left, middle, right = st.columns([1, 1.5, 1.5])
    budget = common.budget(run, left)
    estates, streets = common.places(run, middle, right)
    funded = common.affordable(run, budget)
    homes = tables.narrowed(funded, estates, streets)
    common.told_place(homes.height, funded.height, bool(estates or streets))
    if not homes.height:
        st.info("No home fits this budget and these places. Give more, or choose other places.")
        return
    _account(homes)
    _evidence(homes, run)
    _lots(key, run, homes)
    st.header("What the number holds, and what it does not")
    st.markdown("\n".join(f"- {words.plain(said)}" for said in workbook.HOLDS))


def _account(homes: pl.DataFrame) -> None:
    account = tables.account(homes)
    st.header("Where the money goes")
    common.headlines(programme.totals(homes), ("homes", "cost_gbp", "treated_wall_area_m2"))
    low, high = (float(homes[f"cost_{end}_gbp"].sum()) for end in ("low", "high"))
    st.plotly_chart(
        charts.waterfall(account, low, high), key="waterfall",
        alt="Cost of the funded homes built up from works to VAT",
    )  # fmt: skip
    with st.container(key="account"):
        common.table(account.drop("kind"), rows=14)
    st.caption(
        f"With every rate at its low end {words.figure('cost_gbp', low)}, at its high end"
        f" {words.figure('cost_gbp', high)}. These are ends of the rate book, not a forecast:"
        " rates seldom all fall one way. Each home is priced as the settings say"
        " (cost.lot\\_homes); the lots below are priced at their own size. Every part is at its"
        " place's index, and access is less that lot discount; the bill's sections stand before"
        " the location index and the discount, each of which has its own line there."
    )


def _evidence(homes: pl.DataFrame, run: Published) -> None:
    st.header("Beside published costs")
    beside = tables.unit_costs(homes, run.base.reference)
    st.plotly_chart(
        charts.beside_evidence(beside), key="evidence",
        alt="Cost per square metre by insulant beside published ranges",
    )  # fmt: skip
    with st.container(key="beside"):
        common.table(beside.drop("p5", "p95"), rows=10)
    st.caption(
        "Insulation, render and details per m2 of net wall: published rates leave out scaffold,"
        " preparation and complex details, and so does this. Bars run from the fifth to the"
        " ninety-fifth home in a hundred."
    )
    with st.expander("The evidence, with its sources"):
        common.table(tables.evidence(run.base.reference))


def _lots(key: data.Identity, run: Published, homes: pl.DataFrame) -> None:
    st.header("Street lots and the bill of quantities")
    made = data.bill_of(key, tuple(homes["home_id"]), run)
    lots = workbook.in_pounds(made.lots)
    total, alone = (
        int(table.sum()) / 100 for table in (made.lots["total"], made.homes["priced_alone"])
    )
    st.markdown(
        f"{counted(lots.height, 'lot')}, {counted(homes.height, 'home')}: **£{total:,.2f}** with"
        f" VAT and the lot discount of the rate book; £{alone:,.2f} priced alone, each home in"
        " whole pence. Homes, lots and programme add up to the penny."
    )
    with st.container(key="lots"):
        common.table(
            lots.sort("total_gbp", descending=True).select(
                "lot_no", "street_lot", "homes", "net_area_m2", "discount_share",
                "works_here_gbp", "prelims_gbp", "contingency_gbp", "on_costs_here_gbp",
                "vat_gbp", "total_gbp",
            ),
            pinned=("street_lot",),
        )  # fmt: skip
    st.download_button(
        "Download bill.xlsx", lambda: workbook.workbook(made, run), "bill.xlsx",
        on_click="ignore", key="bill",
        help="Live formulas: type your rates into the yellow cells and the workbook follows.",
    )  # fmt: skip
    st.caption(
        f"Every line, pack and home: `programme quantities`. {len(bill.WORKS)} sections of works,"
        f" {made.items['item'].n_unique()} items."
    )
