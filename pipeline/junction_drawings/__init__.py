"""Drawings of the junctions with their isotherms: `python -m pipeline.junction_drawings`.

One picture per junction, before works and with each variant, for one wall and one insulation.
"""

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Patch, Rectangle

from pipeline.junction_catalogue import JUNCTIONS, details, walls
from pipeline.physics import junctions
from pipeline.physics.conduction import Solid
from pipeline.physics.junctions import Insulation, Result

FOLDER = Path(__file__).parent
WALL = "solid_brick_215"
BOARD = Insulation(0.090, 0.031)
_COLOURS = {
    "plaster": "#e4e0d8", "lining": "#e4e0d8", "ceiling": "#e4e0d8", "finish": "#8c8c8c",
    "inner brick": "#e8b9a0", "outer brick": "#d99a7c", "party wall": "#e8b9a0",
    "insulation": "#fff0a8", "loft insulation": "#fbe3c0", "frame": "#b9d3b0", "plate": "#c9b48f",
    "sill": "#c4c8cf", "lintel": "#c4c8cf", "slab": "#d3d6db", "soil": "#d8cdb8",
}  # fmt: skip
_SEEN = {"base": ((-0.6, 1.0), (-0.6, 0.9)), "eaves": ((-0.4, 0.9), (-0.7, 0.5))}
_SEEN |= {"corner": ((-0.15, 0.75), (-0.15, 0.75)), "neighbour": ((-0.6, 0.7), (-0.2, 0.8))}
_SEEN |= {"jamb": ((-0.5, 0.15), (-0.18, 0.36)), "head": ((-0.2, 0.36), (-0.15, 0.5))}
_SEEN |= {"sill": ((-0.2, 0.36), (-0.5, 0.15))}
_WORDS = {
    "jamb": {"inside": (0.5, 0.9), "outside": (0.5, 0.05)},
    "head": {"inside": (0.85, 0.6), "outside": (0.15, 0.6)},
    "sill": {"inside": (0.85, 0.4), "outside": (0.12, 0.4)},
    "base": {"inside": (0.75, 0.75), "outside": (0.15, 0.75)},
    "eaves": {"inside": (0.75, 0.3), "outside": (0.12, 0.3), "loft": (0.75, 0.9)},
    "neighbour": {"home": (0.8, 0.8), "neighbour": (0.18, 0.8), "outside": (0.5, 0.05)},
    "corner": {"inside": (0.7, 0.7), "outside": (0.5, 0.04)},
}
_LEVELS = np.arange(0.1, 1.0, 0.1)


def draw(name: str) -> Figure:
    """All variants of one junction side by side, each with its psi and f_Rsi."""
    wanted: list[tuple[str, Insulation | None]] = [(junctions.BEFORE, None)]
    wanted += [(v, BOARD) for n, v in junctions.AFTER if n == name]
    figure = Figure(figsize=(3.1 * len(wanted), 3.9), layout="constrained")
    used: set[str] = set()
    for axes, (variant, board) in zip(
        figure.subplots(1, len(wanted), squeeze=False)[0], wanted, strict=True
    ):
        junction = junctions.build(walls()[WALL], details(), name, variant, board)
        result = junctions.solved(junction, details())
        used |= _panel(axes, result, _SEEN[name])
        for word, (x, y) in _WORDS[name].items():
            axes.text(x, y, word, transform=axes.transAxes, fontsize=8, ha="center", color="0.35")
        axes.set_title(
            f"{variant.replace('_', ' ')}\nψ {result.psi:.2f} W/mK   f_Rsi {result.f_rsi:.2f}",
            fontsize=9,
        )
    patches = [Patch(facecolor=_COLOURS[n], label=n) for n in _COLOURS if n in used]
    figure.legend(
        handles=patches, loc="outside lower center", ncols=len(patches), fontsize=7, frameon=False
    )
    return figure


def _panel(
    axes: Axes, result: Result, seen: tuple[tuple[float, float], tuple[float, float]]
) -> set[str]:
    """Materials, isotherms and the coldest inside point; returns the materials drawn."""
    solution, used = result.solution, set()
    for region in solution.model.regions:
        (x0, x1), (y0, y1) = region.x, region.y
        colour = _COLOURS.get(region.name, "#ffffff") if isinstance(region, Solid) else "#ffffff"
        axes.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, facecolor=colour, linewidth=0))
        if isinstance(region, Solid):
            used.add(region.name)
    lines = axes.contour(
        solution.grid.x, solution.grid.y, solution.temperature.T, _LEVELS,
        colors="#20303f", linewidths=0.7,
    )  # fmt: skip
    axes.clabel(lines, _LEVELS[1::2], fontsize=6, fmt="%.1f", inline_spacing=2)
    _, x, y = solution.coldest("inside", but=("frame",))
    axes.plot([x], [y], marker="o", markersize=5, color="#b00020")
    axes.set(xlim=seen[0], ylim=seen[1], aspect="equal", xticks=[], yticks=[])
    return used


def draw_all(folder: Path = FOLDER) -> None:
    """Write one PNG per junction into a folder."""
    for name in JUNCTIONS:
        draw(name).savefig(folder / f"{name}.png", dpi=100, metadata={"Software": None})
