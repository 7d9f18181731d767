"""What the pages share: the guard, the head, headline figures and tables."""

import functools
import logging
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import polars as pl
import streamlit as st

from dashboard import data, tables, words
from pipeline import claims, programme
from pipeline.errors import ProgrammeError
from pipeline.explain import CAUTION
from pipeline.exports import csv_bytes
from pipeline.plurals import counted
from pipeline.published import Published

_log = logging.getLogger(__name__)
_WIDE = {"u_value_source": 260, "estimated_inputs": 260, "cautions": 320, "reason": 420,
         "address": 235, "reasons": 560, "quarantine_reason": 420, "warning": 420, "outcome": 300,
         "group": 190, "changes_to_pass": 560, "why": 420, "change": 300, "rule": 300,
         "source": 300}  # fmt: skip


def guarded(page: Callable[[], None]) -> Callable[[], None]:
    """A page that tells any fault in words; a fault of the tool itself also goes to the log."""

    @functools.wraps(page)
    def told() -> None:
        try:
            page()
        except ProgrammeError as fault:
            st.error(words.plain(fault))
        except Exception:
            _log.exception("A page of the dashboard stopped.")
            st.error(
                "This page stopped by a fault of the tool itself. If you were recording a claim,"
                " look whether it stands before you try again. The window"
                " in which the dashboard was started shows what to send to its developers."
            )

    return told


def head(title: str, purpose: str, run: Published) -> None:
    """Title, what the page is for, which run it shows, and what it must not be taken for."""
    account = run.account
    rows = account["rows"]
    st.title(title)
    st.markdown(purpose)
    st.caption(
        f"Run {words.plain(account['run_id'])} of {words.plain(account['stock_list'])}:"
        f" {rows['read']:,} rows read = {rows['accepted']:,} accepted +"
        f" {rows['quarantined']:,} in quarantine; {rows['ranked']:,} ranked. Rates:"
        f" {words.plain(account['rate_book_source'])}."
    )
    note = f"\n\n{words.INVENTED}" if "invented" in account["rate_book_source"] else ""
    st.warning(CAUTION + note)


def budget(run: Published, where: Any = st) -> float:
    """The budget in GBP: one for all pages."""
    value: float = where.number_input(
        "Budget [GBP]", min_value=1.0, value=float(run.base.settings.budget_gbp),
        step=250_000.0, format="%.0f", key="budget", persist_state="session",
        help="Homes are taken from the top of the order while their cost together stays within."
        " It is the same on every page.",
    )  # fmt: skip
    return value


def places(run: Published, left: Any, right: Any) -> tuple[list[str], list[str]]:
    """Estates and streets to look at: one choice for all pages, empty for all of them."""
    estates = left.multiselect(
        "Estates", tables.values(run.ranking, "estate"), key="estates",
        placeholder="All estates", persist_state="session",
    )  # fmt: skip
    known = tables.values(tables.narrowed(run.ranking, estates), "street")
    streets = right.multiselect(
        "Streets", known, key="streets", placeholder="All streets", persist_state="session"
    )
    return estates, streets


def affordable(run: Published, budget_gbp: float) -> pl.DataFrame:
    """The homes within the budget. Says how many are left out because they were claimed."""
    met = data.met_before(run)
    if met.height:
        st.caption(
            f"Left out: {counted(met.height, 'home')} claimed before, or like one that was:"
            " no money is spent on a home twice."
        )
    return programme.affordable(claims.still_open(run.ranking, met), budget_gbp)


def told_place(here: int, of: int, narrowed: bool) -> None:
    """Say how many of the homes lie in the estates and streets chosen, where any are."""
    if narrowed:
        st.info(f"{here:,} of the {of:,} homes within the budget lie in the places chosen.")


def headlines(totals: dict[str, float], names: Sequence[str], under: str = "") -> None:
    """Figures in one row; `under` is the first word of labels that the frame's heading says."""
    for place, name in zip(st.columns(len(names)), names, strict=True):
        label = words.headline(name).removeprefix(under).strip()
        place.metric(
            label[0].upper() + label[1:], words.figure(name, totals[name]), help=words.meaning(name)
        )


def three_groups(totals: dict[str, float], heading: str) -> None:
    """The homes together, their modelled and their expected saving, each in its own frame."""
    together = ("homes", "cost_gbp", "co2_saved_lifetime_t", "cost_per_lifetime_tonne_gbp")
    with st.container(border=True):
        st.markdown(f"**{words.plain(heading)}**")
        headlines(totals, [name for name in together if name in totals])
    yearly = ("fuel_saved_kwh_per_year", "co2_saved_kg_per_year", "bill_saved_gbp_per_year")
    left, right = st.columns(2)
    with left.container(border=True):
        st.markdown("**Modelled: under standard conditions**")
        headlines(totals, yearly, "Modelled")
    with right.container(border=True):
        st.markdown("**Expected: what meters will likely show**")
        headlines(totals, [f"expected_{name}" for name in yearly], "Expected")
    st.caption(words.SAVINGS)


def download(label: str, table: pl.DataFrame, name: str, place: Any = st) -> None:
    """A button that fetches a table as CSV; written only when it is pressed."""
    place.download_button(label, lambda: csv_bytes(table), name, "text/csv", on_click="ignore")


def columns(names: Iterable[str], pinned: Sequence[str] = ()) -> dict[str, Any]:
    """Title, meaning and number format of each column, from the dictionary of columns."""
    made: dict[str, Any] = {}
    for name in names:
        shared: dict[str, Any] = {
            "label": words.title(name),
            "help": words.meaning(name),
            "pinned": name in pinned or None,
            "width": _WIDE.get(name),
        }
        if words.is_text(name):
            made[name] = st.column_config.TextColumn(**shared)
        else:
            places = words.decimals(name)
            made[name] = st.column_config.NumberColumn(**shared, format=f"%,.{places}f")
    return made


def table(frame: pl.DataFrame, pinned: Sequence[str] = (), rows: int = 10) -> None:
    """A table with titles, meanings and number formats, at most so many rows high."""
    st.dataframe(
        frame, hide_index=True, column_config=columns(frame.columns, pinned),
        height="content" if frame.height <= rows else 35 * rows + 38, placeholder="",
    )  # fmt: skip
