"""The wall's build-up drawn to scale, with temperature and vapour pressure in its coldest month."""

import io

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from pipeline.explain.damp import Layer, Profile, room_air
from pipeline.explain.step import CAUTION
from pipeline.reference import MONTHS

_COLOURS = (
    ("plaster", "#e4e0d8"), ("air", "#ffffff"), ("brick", "#e3ab8e"), ("wool", "#fff0a8"),
    ("stone", "#cfc8bb"), ("granite", "#c4c6cb"), ("cob", "#d6bd93"), ("concrete", "#d3d6db"),
    ("render", "#9a9a9a"), ("wood", "#e2c79c"), ("sheathing", "#c9b48f"),
)  # fmt: skip
_INSULATION = "#ffe27a"
_TEMPERATURE, _SATURATION, _VAPOUR, _WET = "#b00020", "#1f5fa8", "#0b7a4b", "#d6006c"
_ROOM = 48.0
"""Air drawn beside the wall [mm]."""


def draw(before: Profile, after: Profile | None, note: str) -> bytes:
    """PNG: a column for the wall today and one after works, millimetres at one scale.

    note: whose wall it is and of which run, printed above.
    """
    walls = [("Today", before)] + ([("After works", after)] if after else [])
    most = max(len(wall.layers) for _, wall in walls)
    widths = [float(wall.depth_mm[-1]) + 2 * _ROOM for _, wall in walls]
    with mpl.rc_context({"font.size": 9, "axes.spines.top": False, "axes.spines.right": False}):
        figure = Figure(figsize=(10.0, 6.6), layout="constrained")
        axes = figure.subplots(
            3, len(walls), squeeze=False, sharey="row",
            gridspec_kw={"width_ratios": widths, "height_ratios": [3.0, 3.0, 0.32 * most]},
        )  # fmt: skip
        for column, (title, wall) in enumerate(walls):
            heat, vapour, words = axes[:, column]
            _heat(heat, wall)
            told = f"{wall.depth_mm[-1]:.0f} mm, inside surface {wall.temperature[0]:.1f} °C"
            heat.set_title(f"{title}: {told}", fontsize=10, loc="left")
            _vapour(vapour, wall)
            _legend(words, wall)
        axes[0, 0].set_ylabel("Temperature [°C]")
        axes[1, 0].set_ylabel("Vapour pressure [Pa]")
        low = min(float(wall.climate.outside.min()) for _, wall in walls)
        axes[0, 0].set_ylim(min(low - 2.0, 0.0), 24.0)
        high = max(float(wall.saturation.max()) for _, wall in walls)
        axes[1, 0].set_ylim(0.0, 1.18 * high)
        handles, labels = axes[1, 0].get_legend_handles_labels()
        for more in axes[1, 1:]:
            extra = dict(zip(*reversed(more.get_legend_handles_labels()), strict=True))
            labels += [label for label in extra if label not in labels]
            handles += [extra[label] for label in labels[len(handles) :]]
        figure.legend(handles, labels, loc="outside lower center", ncols=3, frameon=False)
        whose = " ".join(note.encode("ascii", "replace").decode().split())  # what the font has
        figure.suptitle(
            f"{whose}. {MONTHS[before.month].capitalize()}, the coldest month, room air at"
            f" {room_air(before)}.\n{CAUTION}",
            fontsize=8, x=0.01, ha="left", parse_math=False,
        )  # fmt: skip
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=170, metadata={"Software": None})
    return buffer.getvalue()


def _layers(axes: Axes, wall: Profile) -> None:
    """Layers as bands, numbered above, room at the left and open air at the right."""
    for number, (layer, one, other) in enumerate(
        zip(wall.layers, wall.edges, wall.edges[1:], strict=False), start=1
    ):
        left, right = float(wall.depth_mm[one]), float(wall.depth_mm[other])
        axes.axvspan(left, right, facecolor=_colour(layer), edgecolor="0.35", linewidth=0.6)
        axes.text(
            (left + right) / 2, 0.985, str(number), transform=axes.get_xaxis_transform(),
            ha="center", va="top", fontsize=8, color="0.2",
        )  # fmt: skip
    axes.set_xlim(-_ROOM, float(wall.depth_mm[-1]) + _ROOM)
    axes.margins(x=0.0)


def _heat(axes: Axes, wall: Profile) -> None:
    _layers(axes, wall)
    end = float(wall.depth_mm[-1])
    inside, outside = (
        float(side[0, wall.month]) for side in (wall.climate.inside, wall.climate.outside)
    )
    axes.plot(
        [-_ROOM, -_ROOM / 3, *wall.depth_mm, end + _ROOM / 3, end + _ROOM],
        [inside, inside, *wall.temperature, outside, outside],
        color=_TEMPERATURE, linewidth=1.8,
    )  # fmt: skip
    for x, word in ((-_ROOM / 2, "room"), (end + _ROOM / 2, "outside")):
        axes.text(x, 0.4, word, transform=axes.get_xaxis_transform(), fontsize=8, color="0.35",
                  ha="center", rotation="vertical")  # fmt: skip


def _vapour(axes: Axes, wall: Profile) -> None:
    _layers(axes, wall)
    axes.plot(wall.depth_mm, wall.saturation, color=_SATURATION, linestyle="--", linewidth=1.5,
              label="saturation")  # fmt: skip
    axes.plot(wall.depth_mm, wall.vapour, color=_VAPOUR, linewidth=1.8, label="vapour")
    wet = wall.condenses
    if wet.any():
        axes.plot(wall.depth_mm[wet], wall.vapour[wet], "o", color=_WET, markersize=5,
                  label="vapour condenses here")  # fmt: skip
    axes.set_xlabel("Depth from the inside surface [mm]")


def _legend(axes: Axes, wall: Profile) -> None:
    """The layers by number: name, thickness, conductivity or resistance, and sd."""
    axes.axis("off")
    lines = [
        f"{number}  {layer.name}, {layer.thickness_mm:g} mm, {_carries(layer)}, sd {layer.sd:.3g} m"
        for number, layer in enumerate(wall.layers, start=1)
    ]
    axes.text(0.0, 1.0, "\n".join(lines), transform=axes.transAxes, va="top", fontsize=8.5,
              linespacing=1.5)  # fmt: skip


def _carries(layer: Layer) -> str:
    if layer.conductivity is None:
        return f"R {layer.resistance:.3g} m²K/W"
    return f"λ {layer.conductivity:g} W/mK"


def _colour(layer: Layer) -> str:
    return next((colour for word, colour in _COLOURS if word in layer.name), _INSULATION)
