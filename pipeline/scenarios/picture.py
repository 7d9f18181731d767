"""The picture of a sweep, as PNG bytes."""

import io

import matplotlib as mpl
import polars as pl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pipeline.columns import dictionary
from pipeline.scenarios import THICKNESS

_PAIRS = (
    ("fuel_saved_kwh_per_year", 1e6, "Fuel saved [GWh/year]"),
    ("net_present_value_gbp", 1e6, "Net present value [m GBP]"),
)
"""Of a setting: what is drawn modelled and expected, by what it is divided, and its axis."""


def draw(table: pl.DataFrame, name: str, note: str) -> bytes:
    """What the swept value moves: of thickness a line per insulant, of a setting two per axis."""
    with mpl.rc_context({"font.size": 9, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(11, 4.6), layout="constrained")
        left, right = figure.subplots(1, 2)
        if name == THICKNESS:
            _by_thickness(left, right, table)
        else:
            _by_setting((left, right), table, name)
        known = dictionary().get(name)
        for axes in (left, right):
            axes.set_xlabel(known.titled if known else name)
            axes.grid(alpha=0.3)
        figure.supxlabel(note, fontsize=7)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=130, metadata={"Software": None})
    return buffer.getvalue()


def _by_thickness(left: Axes, right: Axes, table: pl.DataFrame) -> None:
    """Heat saved, and what one more tonne costs."""
    marginal = "marginal_cost_per_lifetime_tonne_gbp"
    for part in table.partition_by("system_label", maintain_order=True):
        label = part["system_label"][0]
        left.plot(part[THICKNESS], part["heat_saved_kwh_per_year"] / 1e6, marker=".", label=label)
        right.plot(part[THICKNESS], part[marginal], marker=".", label=label)
    left.set_ylabel("Modelled heat saved [GWh/year]")
    left.set_ylim(bottom=0)
    right.set_ylabel("Cost of one more tonne [GBP/tCO2e]")
    right.set_yscale("log")
    right.legend(title="Insulant", frameon=False)


def _by_setting(both: tuple[Axes, Axes], table: pl.DataFrame, name: str) -> None:
    """Of the homes the budget affords, modelled beside expected."""
    for axes, (column, by, title) in zip(both, _PAIRS, strict=True):
        for what, style in (("modelled", "-"), ("expected", "--")):
            drawn = table[column if what == "modelled" else f"expected_{column}"] / by
            axes.plot(table[name], drawn, style, marker=".", label=what)
        axes.set_ylabel(title)
        axes.legend(frameon=False)
    both[0].set_ylim(bottom=0)
