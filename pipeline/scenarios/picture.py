"""The picture of a sweep, as PNG bytes."""

import io

import matplotlib as mpl
import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pipeline.columns import dictionary
from pipeline.scenarios import THICKNESS

_RIGHT = {
    THICKNESS: ("marginal_cost_per_lifetime_tonne_gbp", "Cost of one more tonne [GBP/tCO2e]"),
}


def draw(table: pl.DataFrame, name: str, note: str) -> bytes:
    """Heat saved and its cost against the swept value; one line per system where there are any."""
    with mpl.rc_context({"font.size": 9, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(11, 4.6), layout="constrained")
        left, right = figure.subplots(1, 2)
        column, title = _RIGHT.get(name, ("cost_gbp", "Cost of the funded homes [GBP]"))
        for part, label in _lines(table):
            left.plot(part[name], part["heat_saved_kwh_per_year"] / 1e6, marker=".", label=label)
            right.plot(part[name], part[column], marker=".", label=label)
        known = dictionary().get(name)
        for axes in (left, right):
            axes.set_xlabel(known.titled if known else name)
            axes.grid(alpha=0.3)
        left.set_ylabel("Modelled heat saved [GWh/year]")
        right.set_ylabel(title)
        _from_zero(left)
        if name == THICKNESS:
            right.set_yscale("log")
            right.legend(title="Insulant", frameon=False)
        figure.supxlabel(note, fontsize=7)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=130, metadata={"Software": None})
    return buffer.getvalue()


def _lines(table: pl.DataFrame) -> list[tuple[pl.DataFrame, str]]:
    if "system_label" not in table.columns:
        return [(table, "")]
    parts = table.partition_by("system_label", maintain_order=True)
    return [(part, part["system_label"][0]) for part in parts]


def _from_zero(axes: Axes) -> None:
    axes.set_ylim(bottom=0)
