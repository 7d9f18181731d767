"""What a junction is made of, and the parts that several junctions share.

Every builder draws its section in two coordinates: `along` the wall, and `depth` through it, zero
at the outer face of the wall as it stands, rising inwards; external insulation lies at negative
depth. `placed` then lays the section down as a plan or upright. Lengths m, conductivities W/mK,
resistances m2K/W.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from pipeline.physics import wall as plane
from pipeline.physics.conduction import Air, Environment, Model, Solid

Span = tuple[float, float]
How = Literal["plan", "up", "down"]
"""How a section is laid down; see `placed`."""
AIR = 0.1
"""Depth of air drawn in front of a surface [m]; carries no heat, only names the surface."""


@dataclass(frozen=True)
class Layer:
    """One layer of a wall: thickness [m], conductivity [W/mK]."""

    name: str
    thickness: float
    conductivity: float


@dataclass(frozen=True)
class Wall:
    """A wall as it stands, layers from the inside out."""

    layers: tuple[Layer, ...]

    @property
    def thickness(self) -> float:
        """All layers together [m]."""
        return sum(layer.thickness for layer in self.layers)

    @property
    def masonry(self) -> float:
        """All layers but the plaster, the innermost [m]."""
        return self.thickness - self.layers[0].thickness

    def depths(self) -> list[tuple[Layer, Span]]:
        """Each layer with its extent in depth [m], inside first."""
        inner, found = self.thickness, []
        for layer in self.layers:
            found.append((layer, (inner - layer.thickness, inner)))
            inner -= layer.thickness
        return found

    def cavity(self) -> Span | None:
        """Extent of the cavity in depth [m], None in a wall without one."""
        spans = [span for layer, span in self.depths() if layer.name == "cavity"]
        return spans[0] if spans else None


@dataclass(frozen=True)
class Insulation:
    """The board of the plane wall: thickness [m], conductivity [W/mK]."""

    thickness: float
    conductivity: float


@dataclass(frozen=True)
class Details:
    """Dimensions and materials common to all junctions; the table of details names each source.

    Lengths in m, conductivities in W/mK; inside, outside, floor, ceiling and mould are surface
    resistances in m2K/W.
    """

    inside: float
    outside: float
    floor: float
    ceiling: float
    mould: float
    finish_thickness: float
    finish_conductivity: float
    reveal_depth: float
    frame_width: float
    frame_depth: float
    frame_conductivity: float
    lining_thickness: float
    lining_conductivity: float
    board_thickness: float
    board_conductivity: float
    outer_leaf: float
    lintel_height: float
    lintel_conductivity: float
    cavity_closer: float
    sill_height: float
    sill_projection: float
    sill_bed: float
    sill_conductivity: float
    party_thickness: float
    party_conductivity: float
    plinth_height: float
    carried_below: float
    below_conductivity: float
    footing_depth: float
    fill_conductivity: float
    floor_half_width: float
    ground_extent: float
    soil_conductivity: float
    loft_thickness: float
    loft_conductivity: float
    ceiling_thickness: float
    ceiling_conductivity: float
    wall_head: float
    soffit_drop: float
    over_head: float
    plate_width: float
    plate_height: float
    plate_conductivity: float
    cut_off: float
    cut_off_multiple: float


@dataclass(frozen=True)
class Junction:
    """A junction ready to be solved.

    model: temperatures as a share of the difference from inside to outside, so that a heat flow
    is a thermal coupling L2D [W/mK] and a surface temperature is a temperature factor.
    plane_loss: what the plane elements would lose, sum of U x length [W/mK]. rooms: the
    environments whose heat counts. u_wall: of the plane wall, with the insulation if any [W/m2K].
    """

    model: Model
    plane_loss: float
    u_wall: float
    rooms: tuple[str, ...] = ("inside",)


def wall_u(wall: Wall, insulation: Insulation | None, details: Details) -> float:
    """U of the plane wall without fixings [W/m2K]. Source: BS EN ISO 6946:2017."""
    resistances = [plane.layer_resistance(x.thickness, x.conductivity) for x in wall.layers]
    if insulation:
        resistances.append(insulation.thickness / insulation.conductivity)
        resistances.append(details.finish_thickness / details.finish_conductivity)
    return plane.u_value(resistances, details.inside, details.outside)


def cut_off(wall: Wall, insulation: Insulation | None, details: Details) -> float:
    """Distance from the junction to the cut through the plane wall [m].

    Source: BS EN ISO 10211:2017, cut-off planes: 1 m or three times the thickness, if more.
    """
    total = wall.thickness + (insulation.thickness if insulation else 0.0)
    return max(details.cut_off, details.cut_off_multiple * total)


def front(insulation: Insulation | None, details: Details) -> float:
    """Depth of the outermost face [m]: zero before works, negative after."""
    return -(insulation.thickness + details.finish_thickness) if insulation else 0.0


def wall_solids(wall: Wall, along: Span) -> list[Solid]:
    """The layers of the wall as it stands, over a stretch of its length."""
    return [Solid(x.name, along, depth, x.conductivity) for x, depth in wall.depths()]


def board_solids(insulation: Insulation, details: Details, along: Span) -> list[Solid]:
    """Insulation on the face of the wall with its finish, over a stretch of its length."""
    face = -insulation.thickness
    return [
        Solid("insulation", along, (face, 0.0), insulation.conductivity),
        Solid("finish", along, (front(insulation, details), face), details.finish_conductivity),
    ]


def environments(details: Details, upright: bool) -> dict[str, Environment]:
    """Inside at 1, outside and the ventilated loft at 0. Source: BS EN ISO 6946:2017, Table 7.

    upright: the section is a vertical one, with floors and ceilings; in a plan every surface is
    that of a wall. The loft counts as outside air, its surfaces as sheltered: the resistance of an
    inside surface.
    """
    floor = details.floor if upright else details.inside
    ceiling = details.ceiling if upright else details.inside
    return {
        "inside": Environment(1.0, details.inside, floor, ceiling),
        "neighbour": Environment(1.0, details.inside, floor, ceiling),
        "outside": Environment(0.0, details.outside, details.outside, details.outside),
        "loft": Environment(0.0, details.inside, details.ceiling, details.ceiling),
    }


def placed(
    regions: Iterable[Solid | Air],
    details: Details,
    how: How,
) -> Model:
    """A model from regions drawn with x along the wall and y in depth.

    plan: as drawn. up: the section stands, along the wall is upwards. down: along is downwards.
    Environments that no region names are left out.
    """
    drawn = tuple(regions)
    if how != "plan":
        turn = 1.0 if how == "up" else -1.0
        drawn = tuple(replace(r, x=r.y, y=_scaled(r.x, turn)) for r in drawn)
    air = environments(details, upright=how != "plan")
    named = {r.name for r in drawn if isinstance(r, Air)}
    kept = {name: e for name, e in air.items() if name in named}
    return Model(drawn, kept)


def _scaled(span: Span, factor: float) -> Span:
    low, high = sorted((span[0] * factor, span[1] * factor))
    return low, high


def for_mould(junction: Junction, details: Details) -> Model:
    """The same model with the inside surface resistance for the risk of mould.

    Source: BS EN ISO 13788:2012, opaque surfaces; here of the frame too, on the safe side.
    """
    slow = {
        name: Environment(e.temperature, details.mould, details.mould, details.mould)
        if e.temperature > 0.0
        else e
        for name, e in junction.model.environments.items()
    }
    return replace(junction.model, environments=slow)
