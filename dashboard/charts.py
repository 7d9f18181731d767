"""Tables in, Plotly figures out. Lines, bars and points on plain axes only; no Streamlit here."""

from html import escape
from typing import Any

import plotly.graph_objects as go
import polars as pl

from dashboard import words

PALETTE = ("#1d74a6", "#e18700", "#871eff", "#8f9e70", "#d20f2d", "#d25aff", "#875a69")
"""Own colours, apart for every kind of sight and plain on light and on dark (both tested)."""
MARKERS = ("circle", "square", "diamond", "triangle-up", "x", "cross", "star")
FAINT = "#9aa5ad"
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
