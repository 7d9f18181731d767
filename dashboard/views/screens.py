"""The screens: what speaks against homes, what is not known, and what would have to change."""

import polars as pl
import streamlit as st

from dashboard import charts, data, tables, words
from dashboard.views import common
from pipeline.options import screens
from pipeline.published import Published

_ESTATES = 20
_WORST = "screen_verdict"
_SHOWN = ("rank", "home_id", "address", "screen_verdict", "changes_to_pass")


@common.guarded
def page() -> None:
    """The page: estates and kind of homes in; verdicts as bars, and the homes behind them, out."""
    key, run = data.opened()
    common.head(
        "Screens",
        "For the asset manager: what the screens find, home by home, what is not surveyed yet, and"
        " what would have to change for a home to pass.",
        run,
    )
    cells = _controls(run, data.stored(key, "screens"))
    if not cells.height:
        st.info("No home lies here.")
        return
    st.markdown(words.VERDICTS)
    of = _bars(cells)
    _homes(cells, of)
    _rules(run)


def _controls(run: Published, cells: pl.DataFrame) -> pl.DataFrame:
    left, middle, right = st.columns([1, 1.5, 1.5])
    which = left.segmented_control(
        "Homes", ["Ranked homes", "All accepted homes"], default="Ranked homes", required=True,
        key="screened",
    )  # fmt: skip
    chosen = tables.ranked(cells) if which == "Ranked homes" else cells
    return tables.narrowed(chosen, *common.places(run, middle, right))


def _bars(cells: pl.DataFrame) -> str:
    """Both figures; returns the screen chosen, or the column of the worst verdict."""
    left, right = st.columns([3, 2])
    by_screen = tables.verdicts(cells, "screen")
    left.plotly_chart(
        charts.verdict_bars(by_screen, "What does each screen find?"), key="by_screen",
        alt="Share of homes by verdict of each screen",
    )  # fmt: skip
    with left.expander("The figures behind the bars"):
        wide = by_screen.pivot("verdict", index="label", values="homes").rename({"label": "screen"})
        common.table(wide.fill_null(0), pinned=("screen",), rows=len(screens.SCREENS))
    of = right.selectbox(
        "Screen", [_WORST, *screens.SCREENS], format_func=words.title, key="screen"
    ) or _WORST  # fmt: skip
    by_estate = tables.verdicts(cells, "estate", of)
    estates = by_estate["label"].unique(maintain_order=True)
    drawn = by_estate.filter(pl.col("label").is_in(estates.head(_ESTATES).to_list()))
    right.plotly_chart(
        charts.verdict_bars(drawn, f"{words.title(of)}: where does it speak against homes?"),
        key="by_estate", alt=f"Share of homes by verdict of {words.title(of)}, by estate",
    )  # fmt: skip
    right.caption(
        f"{min(estates.len(), _ESTATES)} of {estates.len()} estates, those with the largest share"
        " of referred and excluded homes on top."
    )
    return of


def _homes(cells: pl.DataFrame, of: str) -> None:
    st.header("Which homes, and what would have to change")
    kinds = [*screens.VERDICTS, screens.NOT_TESTED]
    wanted = st.multiselect(f"Verdicts of {words.title(of)}", kinds, ["refer"], key="verdicts")
    found = tables.with_verdict(cells, of, wanted)
    shown = found.select(list(dict.fromkeys((*_SHOWN[:3], of, *_SHOWN[3:]))))
    common.table(shown, pinned=("rank", "home_id"), rows=12)
    place, said = st.columns([1, 3], vertical_alignment="center")
    common.download("Download these homes", found, "screens.csv", place)
    said.caption(f"{found.height:,} of {cells.height:,} homes. The file holds every screen.")


def _rules(run: Published) -> None:
    st.header("The rules")
    st.caption(words.MARKS)
    reference = run.base.reference
    names = {name: words.title(name) for name in screens.SCREENS}
    said = (pl.col(name).str.replace_all(r"\{\w+\}", "…") for name in ("reason", "change"))
    cases = reference.table("screen_cases").select(
        pl.format("screen_{}", "screen").replace(names).alias("screen"), "verdict", *said, "rule",
        "source", "checked",
    ).rename({"reason": "why"})  # fmt: skip
    with st.expander(f"All {cases.height} cases with their rule and source"):
        common.table(cases, rows=14)
    with st.expander("Limits by nation: check with the competent authority"):
        common.table(
            reference.table("nation_limits").with_columns(
                pl.col("nation", "quantity").str.replace_all("_", " ")
            ),
            rows=12,
        )
