"""Tables in, Plotly figures out. Plain x and y axes only; no Streamlit here."""

from collections.abc import Sequence
from html import escape
from textwrap import wrap
from typing import Any

import plotly.graph_objects as go
import polars as pl

from dashboard import words
from pipeline import comparison

PALETTE = ("#1d74a6", "#e18700", "#871eff", "#8f9e70", "#d20f2d", "#d25aff", "#875a69")
"""Own colours, apart for every kind of sight and plain on light and on dark (both tested)."""
MARKERS = ("circle", "square", "diamond", "triangle-up", "x", "cross", "star")
FAINT = "#7b8791"
"""Lines round bars and lines of less weight: three to one on light and on dark."""
TOTAL = "#5f7f95"
GRADE_COLOURS = {"A": "#1d74a6", "B": "#67a1c3", "C": "#abcadd", "D": "#f1f5f8"}
"""One hue from dark, well known, to pale, assumed; D is hatched as well."""
GRADE_INK = {"A": "#ffffff", "B": "#1b2a33", "C": "#1b2a33", "D": "#1b2a33"}
VERDICT_LOOKS = {
    "pass": ("#8fbcd8", "", "#1b2a33"),
    "not surveyed": ("#eef2f5", "/", "#1b2a33"),
    "refer": ("#e18700", "", "#1b2a33"),
    "exclude": ("#1d74a6", "x", "#ffffff"),
    "not tested": ("#ffffff", ".", "#1b2a33"),
}
"""Colour, pattern and ink of each verdict of the screens: told apart without colour as well."""
_HEIGHT = 430
_ROUND = [digit * 10.0**power for power in range(6) for digit in (1, 2, 5)]


def next_pound(spend: pl.DataFrame, budget_gbp: float) -> go.Figure:
    """Cumulative lifetime CO2 against cumulative cost in rank order, with the budget marked.

    spend: as `tables.spend` returns it. The first trace holds every ranked home, the second the
    homes within the budget.
    """
    x, y = "cumulative_cost_gbp", "cumulative_co2_saved_lifetime_t"
    within = spend.filter(pl.col(x) <= budget_gbp)
    figure = go.Figure()
    for part, name, line in (
        (spend, "All ranked homes", {"color": FAINT, "width": 2, "dash": "dot"}),
        (within, "Within the budget", {"color": PALETTE[0], "width": 4}),
    ):
        figure.add_scatter(
            x=part[x].to_list(),
            y=part[y].to_list(),
            mode="lines",
            name=name,
            line=line,
            customdata=part.select("rank", "home_id", "cost_per_lifetime_tonne_gbp").rows(),
            hovertemplate="Rank %{customdata[0]}, %{customdata[1]}: £%{customdata[2]:,.0f} per"
            " lifetime tonne<br>Spend to here £%{x:,.0f}, saved to here %{y:,.0f} tCO2e",
        )
    _budget_line(figure, budget_gbp, within)
    _dress(figure, "What does the next pound buy?", words.title(x), words.title(y))
    figure.update_xaxes(rangemode="tozero", tickprefix="£", tickformat="~s")
    figure.update_yaxes(rangemode="tozero", tickformat=",.0f")
    return figure


def _budget_line(figure: go.Figure, budget_gbp: float, within: pl.DataFrame) -> None:
    figure.add_vline(x=budget_gbp, line={"color": PALETTE[1], "width": 2, "dash": "dash"})
    saved = max(within["cumulative_co2_saved_lifetime_t"].to_list(), default=0.0)
    figure.add_annotation(
        x=budget_gbp,
        y=0.04,
        yref="paper",
        text=f"Budget {words.figure('cost_gbp', budget_gbp)}<br>{within.height:,} homes<br>"
        f"{words.figure('cumulative_co2_saved_lifetime_t', saved)} tCO2e",
        showarrow=False,
        xanchor="left",
        yanchor="bottom",
        align="left",
        xshift=8,
        font={"size": 13},
    )


def street_bars(streets: pl.DataFrame, most: int = 15) -> go.Figure:
    """Cost of the homes of each street as bars, dearest on top, with homes and benefit written.

    streets: as `tables.by_street` returns it; the first `most` rows are drawn.
    """
    shown = streets.head(most)
    figure = go.Figure()
    figure.add_bar(
        x=shown["cost_gbp"].to_list(),
        y=[escape(street) for street in shown["street"]],
        orientation="h",
        marker={"color": PALETTE[0]},
        text=[
            f"{row['homes']:,.0f} homes, {row['co2_saved_lifetime_t']:,.0f} tCO2e"
            for row in shown.iter_rows(named=True)
        ],
        textposition="outside",
        constraintext="none",
        textfont={"size": 12},
        cliponaxis=False,
        customdata=shown.select("fuel_saved_kwh_per_year", "expected_fuel_saved_kwh_per_year")
        .rows(),
        hovertemplate="%{y}: £%{x:,.0f}<br>Fuel saved, modelled %{customdata[0]:,.0f} kWh/year,"
        " expected %{customdata[1]:,.0f} kWh/year<extra></extra>",
    )  # fmt: skip
    _dress(figure, "Which streets carry the programme?", "Cost of their homes [GBP]", "")
    figure.update_layout(hovermode="closest", showlegend=False, bargap=0.3)
    figure.update_xaxes(rangemode="tozero", tickprefix="£", tickformat="~s")
    longest = max(shown["cost_gbp"].to_list(), default=1.0)
    figure.update_xaxes(range=[0, longest * 1.45])
    figure.update_yaxes(autorange="reversed", showgrid=False)
    return figure


def frontier(points: pl.DataFrame, unit: str) -> go.Figure:
    """Worth found against all budgets together, with the band up to the proven bound.

    points: as `pipeline.funding` gives them. The first trace is the bound, the second the worth.
    """
    found = points.drop_nulls("worth")
    x = found["budgets_gbp"].to_list()
    figure = go.Figure()
    figure.add_scatter(
        x=x, y=found["bound"].to_list(), mode="lines", name="No choice is worth more",
        line={"color": PALETTE[1], "width": 2, "dash": "dot"},
        hovertemplate="Bound %{y:,.0f}<extra></extra>",
    )  # fmt: skip
    figure.add_scatter(
        x=x, y=found["worth"].to_list(), mode="lines+markers", name="Found, every rule kept",
        line={"color": PALETTE[0], "width": 3}, fill="tonexty", fillcolor="rgba(225,135,0,0.3)",
        customdata=found.select("homes", pl.col("gap") * 100.0).rows(),
        hovertemplate="£%{x:,.0f}: worth %{y:,.0f}, %{customdata[0]:,} homes, gap"
        " %{customdata[1]:.2f} %<extra></extra>",
    )  # fmt: skip
    for row in found.filter(pl.col("budget_factor") == 1.0).iter_rows(named=True):
        figure.add_vline(x=row["budgets_gbp"], line={"color": FAINT, "width": 2, "dash": "dash"})
        figure.add_annotation(
            x=row["budgets_gbp"], y=0.05, yref="paper", xanchor="left", xshift=8, showarrow=False,
            align="left", text=f"Budgets as given<br>{row['homes']:,} homes<br>gap"
            f" {row['gap']:.2%}", font={"size": 13},
        )  # fmt: skip
    _dress(figure, "What would other budgets buy?", words.title("budgets_gbp"), f"Worth [{unit}]")
    figure.update_xaxes(tickprefix="£", tickformat="~s")
    figure.update_yaxes(rangemode="tozero", tickformat="~s")
    return figure


def lots_by_year(lots: pl.DataFrame) -> go.Figure:
    """Funded homes of each street lot as bars, a colour for each year; infill homes hatched."""
    funded = lots.filter(pl.col("homes_funded") > 0)
    figure = go.Figure()
    for number, part in enumerate(funded.partition_by("year", maintain_order=True)):
        for infill in (False, True):
            count = part["homes_infill"] if infill else part["homes_funded"] - part["homes_infill"]
            year = part["year"][0]
            figure.add_bar(
                x=count.to_list(), y=[escape(lot) for lot in part["lot"]], orientation="h",
                name=f"{year}, infill" if infill else f"{year}",
                marker={"color": PALETTE[number % len(PALETTE)],
                        "pattern": {"shape": "/" if infill else ""}},
                customdata=part.select("cost_gbp", "grant_gbp", "infill_cost_gbp").rows(),
                hovertemplate="%{y}, " + f"{year}: " + "%{x:,} homes<br>lot £%{customdata[0]:,.0f},"
                " grant £%{customdata[1]:,.0f}, infill £%{customdata[2]:,.0f}<extra></extra>",
            )  # fmt: skip
    _dress(figure, "Which streets are treated when?", "Homes funded", "")
    figure.update_layout(
        barmode="stack",
        bargap=0.25,
        legend_traceorder="normal",
        height=max(_HEIGHT, 20 * funded.height + 130),
    )
    figure.update_yaxes(autorange="reversed", showgrid=False, tickfont={"size": 11}, dtick=1)
    return figure


def saving_by_thickness(table: pl.DataFrame) -> go.Figure:
    """Modelled heat saved against thickness, a line for each insulant."""
    column = "heat_saved_kwh_per_year"
    figure = _by_thickness(table, column, "%{y:,.0f} kWh/year")
    _dress(figure, "How much more does a thicker board save?", words.title("thickness_mm"),
           words.title(column))  # fmt: skip
    figure.update_yaxes(tickformat="~s")
    return figure


def next_tonne_by_thickness(table: pl.DataFrame) -> go.Figure:
    """Cost of one more lifetime tonne at the last step of thickness, a line for each insulant."""
    column = "marginal_cost_per_lifetime_tonne_gbp"
    stepped = table.filter(pl.col(column).is_not_null())
    figure = _by_thickness(stepped, column, "£%{y:,.0f} for one more tonne")
    _dress(figure, "What does one more tonne cost?", words.title("thickness_mm"),
           words.title(column))  # fmt: skip
    figure.update_yaxes(
        type="log", tickvals=_ROUND, ticktext=[words.figure("cost_gbp", v) for v in _ROUND]
    )
    return figure


def _by_thickness(table: pl.DataFrame, column: str, hover: str) -> go.Figure:
    figure = go.Figure()
    parts = table.partition_by("system_label", maintain_order=True) if table.height else []
    for number, part in enumerate(parts):
        look = number % len(PALETTE)
        figure.add_scatter(
            x=part["thickness_mm"].to_list(),
            y=part[column].to_list(),
            mode="lines+markers",
            name=escape(part["system_label"][0]),
            line={"color": PALETTE[look], "width": 2},
            marker={"symbol": MARKERS[look], "size": 7},
            hovertemplate=hover,
        )
    return figure


def waterfall(account: pl.DataFrame, low_gbp: float, high_gbp: float) -> go.Figure:
    """A price built up from its parts, with its low and high ends beside the total.

    account: as `tables.account` returns it.
    """
    parts = account["part"].to_list()
    figure = go.Figure()
    figure.add_waterfall(
        x=parts,
        y=account["amount_gbp"].to_list(),
        measure=["total" if kind == "sum" else "relative" for kind in account["kind"]],
        text=[words.figure("cost_gbp", v) if v < 1e6 else f"£{v / 1e6:.2f}M"
              for v in account["amount_gbp"]],
        textposition="outside",
        cliponaxis=False,
        increasing={"marker": {"color": PALETTE[0]}},
        totals={"marker": {"color": TOTAL}},
        connector={"line": {"color": FAINT, "width": 1}},
        customdata=account.select("per_home_gbp", "per_m2_gbp").rows(),
        hovertemplate="%{x}: £%{y:,.0f}<br>£%{customdata[0]:,.0f} a home,"
        " £%{customdata[1]:,.0f} per m2<extra></extra>",
        name="At the rates of the book",
    )  # fmt: skip
    total = account["amount_gbp"][-1]
    figure.add_scatter(
        x=["Low to high"],
        y=[total],
        mode="markers",
        marker={"color": PALETTE[1], "size": 9, "symbol": "diamond"},
        error_y={
            "type": "data", "symmetric": False, "array": [high_gbp - total],
            "arrayminus": [total - low_gbp], "color": PALETTE[1], "thickness": 2, "width": 9,
        },
        name="All rates low to all high",
        hovertemplate=f"£{low_gbp:,.0f} to £{high_gbp:,.0f}<extra></extra>",
    )  # fmt: skip
    _dress(figure, "From works to the price", "", "Cost of the homes [GBP]")
    figure.update_layout(showlegend=False, bargap=0.25, margin={"t": 50})
    figure.update_yaxes(tickprefix="£", tickformat="~s", range=[0, 1.08 * max(high_gbp, total)])
    return figure


def beside_evidence(beside: pl.DataFrame) -> go.Figure:
    """Unit cost of each insulant, as a bar over its homes with the mean, beside published ranges.

    beside: as `tables.unit_costs` returns it.
    """
    labels = [f"{escape(row['system_label'])} ({row['homes']:,})"
              for row in beside.iter_rows(named=True)]  # fmt: skip
    figure = go.Figure()
    for low, high, name, colour, width in (
        ("evidence_low_gbp_m2", "evidence_high_gbp_m2", "Published range", "#cfd8de", 0.55),
        ("p5", "p95", "This programme, 5 to 95 % of homes", PALETTE[0], 0.22),
    ):
        figure.add_bar(
            y=labels,
            x=(beside[high] - beside[low]).to_list(),
            base=beside[low].to_list(),
            orientation="h",
            width=width,
            marker={"color": colour},
            name=name,
            customdata=beside.select(low, high).rows(),
            hovertemplate="%{y}: £%{customdata[0]:,.0f} to £%{customdata[1]:,.0f} per m2"
            "<extra></extra>",
        )
    figure.add_scatter(
        x=beside["mean_gbp_m2"].to_list(),
        y=labels,
        mode="markers",
        marker={"symbol": "diamond", "size": 11, "color": PALETTE[1],
                "line": {"color": "#ffffff", "width": 1}},
        name="Mean",
        hovertemplate="%{y}: £%{x:,.0f} per m2<extra></extra>",
    )  # fmt: skip
    _dress(figure, "Insulation, render and details per m2", "GBP per m2 of net wall", "")
    _rows(figure, beside.height, 62)
    figure.update_layout(barmode="overlay")
    figure.update_xaxes(rangemode="tozero", tickprefix="£")
    figure.update_yaxes(autorange="reversed")
    return figure


def options_of_home(compared: pl.DataFrame) -> go.Figure:
    """Net present value against thickness for one home, a line per insulant.

    The option chosen is ringed, the one of greatest net present value has a star: the choice is
    the least cost per lifetime tonne, which is often a thicker or a thinner board.
    compared: as `comparison.options` returns it. Options that may not be had are hollow.
    """
    column = "net_present_value_gbp"
    figure = _by_thickness(compared, column, "£%{y:,.0f}")
    for trace, part in zip(
        figure.data, compared.partition_by("system", maintain_order=True), strict=True
    ):
        open_to = part["verdict"].is_in([comparison.CHOSEN, comparison.ALLOWED])
        trace.marker.color = [trace.line.color if may else "#ffffff" for may in open_to]
        trace.marker.line = {"color": trace.line.color, "width": 1.5}
        trace.customdata = part["verdict"].to_list()
        trace.hovertemplate = "%{x:.0f} mm: £%{y:,.0f}, %{customdata}"
    chosen = comparison.chosen(compared)
    figure.add_scatter(
        x=chosen["thickness_mm"].to_list(), y=chosen[column].to_list(), mode="markers",
        marker={"symbol": "circle-open", "size": 17, "color": PALETTE[4], "line": {"width": 3}},
        name=f"Chosen: {comparison.CHOSEN_FOR}", hoverinfo="skip",
    )  # fmt: skip
    best = comparison.greatest_net_present_value(compared)
    figure.add_scatter(
        x=best["thickness_mm"].to_list(), y=best[column].to_list(), mode="markers",
        marker={"symbol": "star", "size": 15, "color": PALETTE[1],
                "line": {"color": FAINT, "width": 1}},
        name=comparison.GREATEST_FOR.capitalize(), hoverinfo="skip",
    )  # fmt: skip
    _dress(
        figure, "What is each thickness worth?", words.title("thickness_mm"), words.title(column)
    )
    figure.update_yaxes(tickprefix="£", tickformat="~s")
    return figure


def grade_bars(shares: pl.DataFrame, key: str, title: str) -> go.Figure:
    """Share of homes by data grade as stacked bars, the least known on top.

    shares: as `tables.grades_of_inputs` (key `input`) or `tables.grades_of_estates` (key `group`)
    returns it.
    """
    figure = go.Figure()
    names = shares[key].unique(maintain_order=True).to_list()
    for grade, colour in GRADE_COLOURS.items():
        part = shares.filter(pl.col("grade") == grade)
        figure.add_bar(
            x=part["share_percent"].to_list(),
            y=[escape(name) for name in part[key]],
            orientation="h",
            name=words.GRADES[grade],
            marker={
                "color": colour,
                "line": {"color": FAINT, "width": 1},
                "pattern": {"shape": "/" if grade == "D" else "", "bgcolor": colour,
                            "fgcolor": "#b9c6cf", "size": 7},
            },
            text=[f"{share:.0f}%" if share >= 7 else "" for share in part["share_percent"]],
            textposition="inside",
            insidetextanchor="middle",
            textangle=0,
            textfont={"color": GRADE_INK[grade], "size": 12},
            customdata=part["homes"].to_list(),
            hovertemplate="%{y}: %{customdata:,} homes, %{x:.1f}%",
        )  # fmt: skip
    _dress(figure, title, "Share of homes [%]", "")
    _rows(figure, len(names), 27)
    figure.update_layout(barmode="stack", bargap=0.25, legend={"traceorder": "normal"})
    figure.update_xaxes(range=[0, 100], ticksuffix="%")
    figure.update_yaxes(
        categoryorder="array", categoryarray=[escape(name) for name in names], autorange="reversed"
    )
    return figure


def verdict_bars(shares: pl.DataFrame, title: str) -> go.Figure:
    """Share of homes by verdict of the screens as stacked bars; the wider parts say their word.

    shares: as `tables.verdicts` returns it, groups in the order drawn.
    """
    figure = go.Figure()
    groups = [escape(name) for name in shares["label"].unique(maintain_order=True)]
    for verdict, (colour, pattern, ink) in VERDICT_LOOKS.items():
        part = shares.filter(pl.col("verdict") == verdict)
        if not part.height:
            continue
        figure.add_bar(
            x=part["share_percent"].to_list(),
            y=[escape(name) for name in part["label"]],
            orientation="h",
            name=verdict,
            marker={
                "color": colour,
                "line": {"color": FAINT, "width": 1},
                "pattern": {"shape": pattern, "bgcolor": colour, "fgcolor": "#9fb3c1", "size": 7,
                            "solidity": 0.15},
            },
            text=[
                f"{verdict} {share:.0f}%" if share >= 30 else f"{share:.0f}%" if share >= 5 else ""
                for share in part["share_percent"]
            ],
            textposition="inside",
            insidetextanchor="middle",
            textangle=0,
            textfont={"color": ink, "size": 12},
            customdata=part["homes"].to_list(),
            hovertemplate=f"%{{y}}, {verdict}: %{{customdata:,}} homes, %{{x:.1f}}%",
        )  # fmt: skip
    _dress(figure, title, "Share of homes [%]", "")
    _rows(figure, len(groups), 29)
    figure.update_layout(barmode="stack", bargap=0.25, legend={"traceorder": "normal"})
    figure.update_xaxes(range=[0, 100], ticksuffix="%")
    figure.update_yaxes(categoryorder="array", categoryarray=groups, autorange="reversed")
    return figure


def u_ranges(given: pl.DataFrame, defaults: pl.DataFrame) -> go.Figure:
    """Given wall U-values by type of wall as boxes, with the defaults of the same homes marked.

    given: `tables.ranges` by wall_type; defaults: `tables.defaults_used`.
    """
    labels = _counted(given, "wall_type")
    figure = _boxes(given, list(labels.values()), "Given: half of the homes in the box")
    figure.add_scatter(
        x=defaults["u_default_w_m2k"].to_list(),
        y=[labels[name] for name in defaults["wall_type"]],
        mode="markers",
        name="Default for the same homes",
        marker={
            "color": PALETTE[1],
            "symbol": "diamond",
            "size": [8.0 + 9.0 * share**0.5 for share in defaults["share"]],
            "line": {"color": "#ffffff", "width": 1},
        },
        customdata=defaults["homes"].to_list(),
        hovertemplate="%{y}: default %{x:.2f} W/m2K, %{customdata:,} homes<extra></extra>",
    )
    _dress(figure, "Do wall U-values look like their construction and age?",
           words.title("u_existing_w_m2k"), "")  # fmt: skip
    _rows(figure, given.height, 38)
    figure.update_xaxes(rangemode="tozero")
    return figure


def floor_ranges(areas: pl.DataFrame) -> go.Figure:
    """Floor areas by property type as boxes. areas: `tables.ranges` by property_type."""
    labels = list(_counted(areas, "property_type").values())
    figure = _boxes(areas, labels, "Half of the homes in the box")
    _dress(figure, "Does the floor area look like the property type?",
           words.title("floor_area_m2"), "")  # fmt: skip
    figure.update_layout(showlegend=False)
    _rows(figure, areas.height, 50)
    figure.update_xaxes(rangemode="tozero")
    return figure


def _counted(ranges: pl.DataFrame, key: str) -> dict[str, str]:
    """Label of each group: its name and how many homes it has."""
    return {
        name: f"{escape(name.capitalize())} ({homes:,})"
        for name, homes in ranges.select(key, "homes").iter_rows()
    }


def _boxes(ranges: pl.DataFrame, labels: list[str], name: str) -> go.Figure:
    """Boxes on their sides from percentiles worked out before; no single home is sent along."""
    figure = go.Figure()
    figure.add_box(
        y=labels,
        q1=ranges["q1"].to_list(),
        median=ranges["median"].to_list(),
        q3=ranges["q3"].to_list(),
        lowerfence=ranges["low"].to_list(),
        upperfence=ranges["high"].to_list(),
        orientation="h",
        name=name,
        marker={"color": PALETTE[0]},
        fillcolor="rgba(29, 116, 166, 0.25)",
        line={"width": 1.5},
        width=0.55,
    )
    figure.update_yaxes(categoryorder="array", categoryarray=labels, autorange="reversed")
    return figure


def wall_areas(areas: pl.DataFrame, most: float) -> go.Figure:
    """Given wall area against the area estimated from floor area, storeys and form.

    areas: as `tables.areas` returns it; `most` is the highest area on the axes. The first trace
    is the line on which both are equal.
    """
    figure = go.Figure()
    figure.add_scatter(
        x=[0, most], y=[0, most], mode="lines", name="Given as estimated",
        line={"color": FAINT, "width": 2, "dash": "dash"}, hoverinfo="skip",
    )  # fmt: skip
    for warned, name, colour, symbol in (
        (False, "Home", PALETTE[0], "circle"),
        (True, "Home with a warning on its wall area", PALETTE[1], "diamond"),
    ):
        part = areas.filter(pl.col("warned") == warned)
        figure.add_scatter(
            x=part["wall_area_estimated_m2"].to_list(),
            y=part["wall_area_m2"].to_list(),
            mode="markers",
            name=name,
            marker={"color": colour, "symbol": symbol, "size": 9 if warned else 5,
                    "opacity": 0.9 if warned else 0.4},
            customdata=[escape(home) for home in part["home_id"]],
            hovertemplate="%{customdata}: given %{y:,.0f} m2, estimated %{x:,.0f} m2"
            "<extra></extra>",
        )  # fmt: skip
    _dress(figure, "Do wall areas look like their form?",
           words.title("wall_area_estimated_m2"), "Net wall area given [m2]")  # fmt: skip
    figure.update_xaxes(range=[0, most], constrain="domain")
    figure.update_yaxes(range=[0, most])
    return figure


def count_bars(
    labels: Sequence[str], counts: Sequence[float], title: str, x_title: str, wide: int = 44
) -> go.Figure:
    """Counts or sums as bars with their labels, in the order given, the first on top."""
    figure = go.Figure()
    figure.add_bar(
        x=list(counts),
        y=["<br>".join(escape(line) for line in wrap(label, wide)) for label in labels],
        orientation="h",
        marker={"color": PALETTE[0]},
        text=[f"{count:,.0f}" for count in counts],
        textposition="outside",
        constraintext="none",
        textfont={"size": 12},
        cliponaxis=False,
        hovertemplate="%{y}: %{x:,.0f}<extra></extra>",
    )
    _dress(figure, title, x_title, "")
    figure.update_layout(showlegend=False, bargap=0.3)
    _rows(figure, len(labels), 36)
    figure.update_xaxes(range=[0, 1.12 * max(counts, default=1.0)], tickformat="~s")
    figure.update_yaxes(autorange="reversed", showgrid=False)
    return figure


def _rows(figure: go.Figure, rows: int, each: int) -> None:
    """Height of a figure with one row for each label, and less room above where no legend is."""
    top = 50 if figure.layout.showlegend is False else 80
    figure.update_layout(height=top + 70 + each * max(rows, 2), margin={"t": top})
    figure.update_yaxes(showgrid=False, ticklabelstandoff=6)


def _dress(figure: go.Figure, title: str, x_title: str, y_title: str) -> None:
    """Title, axis titles with their units, and the legend above the plot."""
    legend: dict[str, Any] = {"orientation": "h", "x": 0, "y": 1.02, "yanchor": "bottom"}
    figure.update_layout(
        title={"text": title, "yref": "container", "y": 0.97, "yanchor": "top"},
        height=_HEIGHT,
        margin={"l": 10, "r": 20, "t": 110 if len(figure.data) > 3 else 80, "b": 10},
        legend=legend,
        hovermode="closest",
    )
    figure.update_xaxes(title={"text": x_title}, automargin=True)
    figure.update_yaxes(title={"text": y_title}, automargin=True)
