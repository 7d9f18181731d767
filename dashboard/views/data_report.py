"""The data as a report: how the list was read, what is known, what is odd, what to survey."""

import polars as pl
import streamlit as st

from dashboard import charts, data, tables, words
from dashboard.views import common
from pipeline import grades, programme
from pipeline.homes import GRADED
from pipeline.plurals import counted
from pipeline.published import Published
from pipeline.stock.faults import counts as fault_counts

_DRAWN = 3_000
_ESTATES = 20
_REASONS = 12
_FURTHEST = 50


@common.guarded
def page() -> None:
    """The page: the run in; a report on its data out, from reading to what to survey."""
    key, run = data.opened()
    common.head(
        "The data",
        "For the asset manager in the first hour with a new list: what was read, how much of it is"
        " known, what looks odd, and what to survey first.",
        run,
    )
    faults = data.stored(key, "faults")
    said = data.stored(key, "said")
    _reading(run, said, data.stored(key, "corrections"))
    _not_understood(key, run, said.filter(pl.col("value").is_null()))
    _known(run)
    _shape(data.beside_type(key, run), faults)
    _quarantine(key, run, faults)
    _warnings(run, faults)
    _survey(run)
    _sources(run, data.stored(key, "overrides"))


def _reading(run: Published, said: pl.DataFrame, corrections: pl.DataFrame) -> None:
    st.header("How the list was read")
    account = run.account
    rows, personal = account["rows"], account["personal"]
    with st.container(border=True):
        told = (
            ("Rows read", rows["read"], "Rows below the headings that hold anything."),
            ("Accepted", rows["accepted"], "Rows that passed every check that keeps a row out."),
            ("In quarantine", rows["quarantined"], "Rows kept out, each with every reason."),
            ("Accepted with a warning", run.ranking["warnings"].count(),
             "Taken, though something about them is unusual."),
        )  # fmt: skip
        for place, (label, value, why) in zip(st.columns(4), told, strict=True):
            place.metric(label, f"{value:,}", help=why)
    lines = [
        f"**Rows:** {rows['read']:,} read = {rows['accepted']:,} accepted +"
        f" {rows['quarantined']:,} in quarantine"
        f" + {rows.get('superseded', 0):,} superseded by a newer row of their home.",
        f"**Headings not used:** {account['headings_not_used']:,}; the run names them on the"
        " terminal and keeps none, for they may name a person.",
        f"**Personal data:** {personal['columns_dropped']:,} columns whose headings look personal"
        f" were dropped; {personal['pieces_struck_out']:,} names, numbers and e-mail"
        " addresses were struck out of other cells.",
        "**Notes on the file:** "
        f"{words.plain('; '.join(account['notes']) or 'none, it was read as it stands')}.",
        f"**Mended by hand:** {f'{corrections.height:,} cells' if corrections.height else 'none'}.",
    ]
    st.markdown("\n".join(f"- {line}" for line in lines))
    _turned(said.drop_nulls("value"))


def _turned(mended: pl.DataFrame) -> None:
    st.markdown(
        f"**Texts read as a value of another look:** {mended['rows'].sum():,} cells,"
        f" {mended.height:,} different texts. Look here for a code that was misread."
    )
    if not mended.height:
        return
    left, right = st.columns([2, 3])
    with left:
        common.table(tables.turned_by_column(mended), rows=8)
    with right:
        texts = tables.turned(mended).select("column_label", "cell_text", "read_as", "rows")
        common.table(texts, rows=8)
    common.download("Download these texts", texts, "texts_read.csv")


def _not_understood(key: data.Identity, run: Published, unread: pl.DataFrame) -> None:
    """Homes held until it is settled what the list says of them, texts unread, questions."""
    held = run.ranking.drop_nulls("held_for")
    asked = data.stored(key, "questions")
    if not held.height + unread.height + asked.height:
        return
    st.header("What was not understood")
    st.markdown(
        f"**Held**: {counted(held.height, 'home')}, described, and left out of the order, the"
        " budget, allocations, bills and claims until it is settled what the list says of them."
        f" Without a value: {counted(float(unread['rows'].sum()), 'cell')} with"
        f" {counted(unread.height, 'different text')}. Open:"
        f" {counted(asked.height, 'question')} about whole columns. Answer them in the workbook of"
        " the run's quarantine and run again with `--mended`."
    )
    left, right = st.columns(2)
    with left:
        if held.height:
            common.table(
                held.group_by("held_for").agg(homes=pl.len()).sort("homes", descending=True)
            )
        for question in asked.iter_rows(named=True):
            st.warning(words.plain(f"{question['about']} {question['evidence']}"))
    with right:
        if unread.height:
            texts = tables.turned(unread).select("column_label", "cell_text", "rows")
            common.table(texts, rows=8)


def _known(run: Published) -> None:
    st.header("How much is known?")
    by_estate = grades.completeness(run.ranking, "estate")
    left, right = st.columns(2)
    with left:
        st.markdown(words.GRADE_MEANING)
        st.plotly_chart(
            charts.grade_bars(
                tables.grades_of_inputs(by_estate), "input", "How much is known of each input?"
            ),
            key="grades_of_inputs", alt="Share of homes by data grade of each input",
        )  # fmt: skip
        st.caption(
            f"All {run.ranking.height:,} accepted homes. A home that is no flat counts as A for"
            " floor position, as there is nothing to find out."
        )
    with right:
        names = [name for _, _, name in GRADED.values()]
        wanted = st.selectbox("Input, by estate", names, key="graded_input") or names[0]
        estates = tables.grades_of_estates(by_estate, wanted)
        worst = estates["group"].unique(maintain_order=True).head(_ESTATES)
        st.plotly_chart(
            charts.grade_bars(
                estates.filter(pl.col("group").is_in(worst.to_list())), "group",
                f"Where is the {wanted} known?",
            ),
            key="grades_of_estates", alt=f"Share of homes by data grade of {wanted}, by estate",
        )  # fmt: skip
        st.caption(
            f"The {worst.len()} least known of {estates['group'].n_unique()} estates."
            if estates["group"].n_unique() > worst.len()
            else f"All {worst.len()} estates, the least known on top."
        )
    with st.expander("Every estate and input: share of homes measured or given, in %"):
        common.table(tables.known_by_estate(by_estate), pinned=("group",), rows=20)


def _shape(beside: pl.DataFrame, faults: pl.DataFrame) -> None:
    st.header("Do the figures look like their age and form?")
    left, right = st.columns(2)
    with left:
        _u_values(beside)
    areas = tables.areas(beside, faults)
    with right:
        _wall_areas(areas)
    left, right = st.columns(2)
    with left:
        st.plotly_chart(
            charts.floor_ranges(tables.ranges(beside, "property_type", "floor_area_m2")),
            key="floor_ranges", alt="Floor area by property type",
        )  # fmt: skip
        st.caption("Line in the box: the median. Whiskers: 5th and 95th percentile.")
    with right:
        if areas.height:
            st.markdown("**Wall areas furthest from what the form suggests: check these first**")
            common.table(tables.furthest(areas, _FURTHEST), pinned=("source_row",), rows=7)
            common.download("Download all with their estimates", areas, "wall_areas.csv")


def _u_values(beside: pl.DataFrame) -> None:
    given = beside.filter("u_given")
    if not given.height:
        st.info("No wall U-value is given in this run; every home has the default of its type.")
        return
    ranges = tables.ranges(given, "wall_type", "u_existing_w_m2k")
    st.plotly_chart(
        charts.u_ranges(ranges, tables.defaults_used(given)), key="u_ranges",
        alt="Given wall U-values by construction, with the defaults of the same homes",
    )  # fmt: skip
    st.caption(
        f"The {given.height:,} homes with a wall U-value measured or given. Line in the box: the"
        " median. Whiskers: 5th and 95th percentile. Diamonds: what the same homes would have by"
        " construction, insulation and age; the more homes, the larger."
    )


def _wall_areas(areas: pl.DataFrame) -> None:
    if not areas.height:
        st.info("No wall area is given in this run; every home has an estimate from its form.")
        return
    drawn = tables.thinned(areas, _DRAWN)
    st.plotly_chart(
        charts.wall_areas(drawn, tables.axis_end(areas)), key="wall_areas",
        alt="Given net wall area against the estimate from floor area, storeys and form",
    )  # fmt: skip
    count = tables.agreement(areas)
    some = f" {drawn.height:,} of them are drawn." if drawn.height < areas.height else ""
    st.caption(
        f"Of {areas.height:,} homes with a wall area measured or given, {count['near']:,} lie"
        f" within {100 * tables.NEAR:.0f}% of the estimate from floor area, storeys, form,"
        f" windows and doors; {count['larger']:,} are larger, {count['smaller']:,} smaller.{some}"
    )


def _quarantine(key: data.Identity, run: Published, faults: pl.DataFrame) -> None:
    st.header("Why rows are in quarantine")
    if not run.quarantine.height:
        st.info("No row is in quarantine.")
        return
    reasons = fault_counts(faults).rename({"reason": "quarantine_reason"})
    shown = reasons.head(_REASONS)
    left, right = st.columns(2)
    with left:
        st.plotly_chart(
            charts.count_bars(
                shown["quarantine_reason"].to_list(), shown["rows"].to_list(),
                "What keeps rows out?", "Rows [number]",
            ),
            key="reasons", alt="Reasons in quarantine by number of rows",
        )  # fmt: skip
        st.caption(
            f"{run.quarantine.height:,} rows; a row may have several reasons."
            + (f" The {shown.height} commonest of {reasons.height} reasons."
               if shown.height < reasons.height else "")
        )  # fmt: skip
    with right:
        st.markdown(
            "**To bring them back:** open quarantine.xlsx, write in the yellow column of sheet"
            " Faults what each cell should hold, save it, and run again with"
            " `programme run LIST --mended quarantine.xlsx` and the same further options. Every"
            " cell you change is kept in the trail."
        )
        with st.container(horizontal=True):
            st.download_button(
                "Download quarantine.xlsx",
                lambda: data.mending_workbook(key, run),
                "quarantine.xlsx",
                "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
                on_click="ignore",
            )  # fmt: skip
            common.download("Download quarantine.csv", run.quarantine, "quarantine.csv")
        rows = run.quarantine.select("source_row", "home_id", "reasons")
        common.table(rows, pinned=("source_row",), rows=10)
    with st.expander("Every reason as a table"):
        common.table(reasons, rows=20)


def _accepted(faults: pl.DataFrame, run: Published) -> pl.DataFrame:
    """Faults of rows that are in the ranking."""
    return faults.join(run.ranking.select("source_row"), on="source_row", how="semi")


def _warnings(run: Published, faults: pl.DataFrame) -> None:
    st.header("Accepted, but unusual")
    counts = fault_counts(_accepted(faults, run), warnings=True).rename({"reason": "warning"})
    if not counts.height:
        st.info("No accepted row has a warning.")
        return
    warned = run.ranking.filter(pl.col("warnings").is_not_null())
    left, right = st.columns(2)
    shown = counts.head(_REASONS)
    with left:
        st.plotly_chart(
            charts.count_bars(
                shown["warning"].to_list(), shown["rows"].to_list(),
                "What is unusual about accepted homes?", "Homes [number]",
            ),
            key="warnings", alt="Warnings by number of homes",
        )  # fmt: skip
    with right:
        st.markdown(
            f"{warned.height:,} of {run.ranking.height:,} homes are in the run with a warning."
            " Nothing was changed in them: look before you rely on them."
        )
        rows = warned.select("source_row", "home_id", "warnings", "address")
        common.table(rows.sort("source_row"), pinned=("source_row",), rows=7)
        common.download("Download these homes", rows, "warnings.csv")


def _survey(run: Published) -> None:
    st.header("What to survey first")
    order = grades.survey_first(run.ranking, run.base.reference)
    open_inputs = order.filter(pl.col("homes") > 0)
    if not open_inputs.height:
        st.info("No ranked home has a filled input: a survey of these would take away no doubt.")
        return
    first = open_inputs.row(0, named=True)
    saved = programme.totals(tables.ranked(run.ranking))["heat_saved_kwh_per_year"]
    st.markdown(
        f"**Survey the {first['input']} first.** It was filled in for {first['homes']:,} of"
        f" {run.account['rows']['ranked']:,} ranked homes; their doubt from it adds up to"
        f" {first['doubt_kwh_per_year']:,.0f} kWh/year, beside a modelled heat saving of"
        f" {saved:,.0f} kWh/year."
    )
    left, right = st.columns(2)
    with left:
        st.plotly_chart(
            charts.count_bars(
                open_inputs["input"].to_list(), open_inputs["doubt_kwh_per_year"].to_list(),
                "Which unknown leaves most doubt?", words.title("doubt_kwh_per_year"),
            ),
            key="survey_first", alt="Doubt in the modelled heat saved by filled input",
        )  # fmt: skip
        st.caption(
            "Doubt: a home's modelled heat saved times the relative spread that this one filled"
            " input brings to it, added over the homes where it is filled. Doubts of several"
            " inputs do not add up; within a home they join as the root of their squares."
        )
    with right:
        common.table(order, rows=12)
        st.markdown(
            "**What a home's data grade means:** how widely its true saving may lie about the"
            " modelled one, as one standard deviation."
        )
        common.table(tables.homes_by_grade(run.ranking, run.base.reference))


def _sources(run: Published, overrides: pl.DataFrame) -> None:
    st.header("What overrode what")
    names = list(run.account["other_sources_sha256"])
    if not names:
        st.info(
            "This run rests on the list alone. Lay a survey, a certificate extract or meter totals"
            " over it with `programme run LIST --with NAME=FILE`."
        )
        return
    st.markdown(
        f"Laid over the list, in this order: {words.plain(', '.join(names))}. The later source is"
        " the stronger, unless the settings give a column another order."
    )
    if not overrides.height:
        st.info("The other sources changed nothing.")
        return
    common.table(tables.overruled(overrides), rows=14)
    common.download("Download every entry", overrides, "overrides.csv")
