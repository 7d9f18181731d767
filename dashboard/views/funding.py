"""The funding: who pays for which homes and when, how good that is, and why a home is left out."""

from pathlib import Path
from typing import Any

import polars as pl
import streamlit as st

from dashboard import charts, data, tables, words
from dashboard.views import common
from pipeline.funding import Funding
from pipeline.funding.tables import none_funded, own_money
from pipeline.published import Published

_HOMES = (
    "home_id", "address", "lot", "funded", "fund", "year", "infill", "system", "thickness_mm",
    "cost_gbp", "grant_gbp", "own_gbp", "worth", "reason_code", "why", "budget_10_less",
    "budget_10_more", "rule", "rule_version", "cautions",
)  # fmt: skip
_LOTS = (
    "lot", "year", "homes", "homes_funded", "homes_infill", "infill_cost_gbp", "cost_gbp",
    "grant_gbp", "own_gbp", "heat_saved_kwh_per_year", "co2_saved_lifetime_t", "funds",
)  # fmt: skip


@common.guarded
def page() -> None:
    """The page: funds in; homes funded by street and year, limits, next pound and reasons out."""
    key, run = data.opened()
    common.head(
        "The funding",
        "For the funding officer: which fund pays for which homes in which year, with every rule"
        " of the funds kept.",
        run,
    )
    chosen, means = _controls()
    inputs = (
        key,
        data.ledger_of(run),
        *((path, data.identity(path)) for path in (*chosen, means) if path),
    )
    if st.button("Allocate", type="primary", disabled=not chosen):
        st.session_state[data.ALLOCATION] = (inputs, _allocate(run, chosen, means))
    before, made = st.session_state.get(data.ALLOCATION, (None, None))
    if made is None:
        st.info("Choose the funds and allocate: some seconds for thousands of homes.")
        return
    if before != inputs:
        st.warning(
            "The funds, their files, the claims or the run have changed since: allocate again, for"
            " homes shown as funded may be claimed by now."
        )
    _show(run, made)


def _controls() -> tuple[list[Path], Path | None]:
    offered, own = data.rule_files("fund*.toml"), data.rule_files("*means*.toml")
    left, right = st.columns([2, 1])
    names = left.multiselect(
        "Funds", list(offered), list(offered), key="funds", persist_state="session",
        help="Files fund*.toml beside the store, and the demo's. The README says how to write one.",
    )  # fmt: skip
    means = right.selectbox(
        "The landlord's own means",
        ["No limit", *own],
        key="means",
        persist_state="session",
        help="Files with means in their name: own money and contractors' capacity by year.",
    )
    return [offered[name] for name in names], own.get(means)


def _allocate(run: Published, chosen: list[Path], means: Path | None) -> Funding:
    bar = st.progress(0.0, "Allocating")

    def tell(stage: str, done: int, of: int) -> None:
        bar.progress(done / of if of else 0.0, stage.capitalize())

    try:
        return data.allocated(run, chosen, means, tell)
    finally:
        bar.empty()


def _show(run: Published, made: Funding) -> None:
    account, homes = made.account, made.homes
    invented = [words.plain(one["name"]) for one in account["funds"] if one["invented"]]
    if invented:
        st.warning(f"Invented for the demo: {', '.join(invented)}. No real scheme has these rules.")
    funded = homes.filter(pl.col("funded") == "yes")
    if none := none_funded(homes):
        st.warning(words.plain(none))
    _headlines(account, funded)
    left, right = st.columns(2)
    left.plotly_chart(
        charts.frontier(made.frontier, account["objective"]), key="frontier",
        alt="Worth of the funded homes against the budgets together",
    )  # fmt: skip
    left.caption(words.GAP)
    _next_pound(left, account)
    right.plotly_chart(
        charts.lots_by_year(made.lots), key="lots_by_year", alt="Funded homes by street and year"
    )
    _limits(account)
    _moves(homes)
    st.header("Street by street")
    common.table(_dated(made.lots).select(_LOTS), pinned=("lot",))
    _why(run, homes)


def _headlines(account: dict[str, Any], funded: pl.DataFrame) -> None:
    together = {"homes": float(funded.height)}
    together |= {name: float(funded[name].sum()) for name in ("cost_gbp", "grant_gbp", "own_gbp")}
    with st.container(border=True):
        st.markdown(f"**The homes funded, worth {account['value']:,.0f} {account['objective']}**")
        common.headlines(together, list(together))
        st.markdown(
            f"No choice that keeps the rules is worth more than {account['bound']:,.0f}:"
            f" **the gap is {account['gap']:.2%}**."
        )
        st.markdown(own_money(account["means"]))


def _next_pound(place: Any, account: dict[str, Any]) -> None:
    told = [rule["next"] for rule in account["rules"] if rule["price"] > 0.0]
    place.subheader("What the next pound buys")
    place.markdown("\n".join(f"- {words.plain(text)}" for text in told) or "No limit binds.")


def _limits(account: dict[str, Any]) -> None:
    st.header("What is left of each limit")
    st.dataframe(
        tables.limits(account["rules"]), hide_index=True, key="limits",
        column_config={
            "limit": st.column_config.NumberColumn("Limit", format="%,.0f"),
            "used": st.column_config.ProgressColumn("Used", format="percent"),
            "slack": st.column_config.NumberColumn("Left", format="%,.0f"),
            "rule": "Rule", "version": "Version",
        },
    )  # fmt: skip


def _moves(homes: pl.DataFrame) -> None:
    st.header("When all budgets move by a tenth")
    for place, (column, words_) in zip(
        st.columns(2),
        (("budget_10_more", "10 % more"), ("budget_10_less", "10 % less")), strict=True,
    ):  # fmt: skip
        moved = homes.filter(pl.col(column).is_not_null())
        enter, leave = (moved.filter(pl.col(column) == verb) for verb in ("enters", "leaves"))
        place.markdown(f"**With {words_}**: {enter.height:,} homes enter, {leave.height:,} leave.")
        with place.expander("Which homes"):
            common.table(moved.select("home_id", "address", column, "worth"), pinned=("home_id",))


def _why(run: Published, homes: pl.DataFrame) -> None:
    st.header("Why is a home funded, or not?")
    named = dict(homes.select("home_id", "address").iter_rows())
    home = st.selectbox(
        "Home", list(named), index=None, key="why_home", placeholder="Key or address",
        format_func=lambda key: f"{key}, {named[key]}",
    )  # fmt: skip
    for row in homes.filter(pl.col("home_id") == (home or "")).iter_rows(named=True):
        rule = f" Rule: {row['rule']} {row['rule_version']}".rstrip() + "." if row["rule"] else ""
        st.info(words.plain(f"{row['why']} Code {row['reason_code']}.{rule}"))
    shown = tables.with_system_labels(_dated(homes), run.base.reference).select(_HOMES)
    common.table(shown, pinned=("home_id",))
    common.download("Download allocation.csv", homes, "allocation.csv")


def _dated(frame: pl.DataFrame) -> pl.DataFrame:
    """The year as text, so that no thousands are set apart in it."""
    return frame.with_columns(pl.col("year").cast(pl.String))
