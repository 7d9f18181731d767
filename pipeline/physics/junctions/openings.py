"""Jamb, head and sill of a window set back in its reveal.

Drawn with `along` zero at the edge of the frame, the wall on the negative side. The frame is one
block of equivalent conductivity, cut off at its sight line, and its own loss (U of the block times
its width) is taken from the coupling like that of the wall. The window is neither larger nor
smaller after works; boards on the reveal cover part of the frame, and what that saves is in psi.
"""

from pipeline.physics import wall as plane
from pipeline.physics.conduction import Air, Solid
from pipeline.physics.junctions.section import (
    AIR,
    Details,
    How,
    Insulation,
    Junction,
    Wall,
    board_solids,
    cut_off,
    front,
    placed,
    wall_solids,
    wall_u,
)

Regions = list[Solid | Air]


def jamb(wall: Wall, details: Details, insulation: Insulation | None, reveal: float) -> Junction:
    """Side of the window, in plan. reveal: board on the outer reveal [m], 0 where it is bare."""
    lining = (details.lining_thickness, details.lining_conductivity)
    regions = _airs(wall, details, insulation, lining[0])
    regions += wall_solids(wall, (-cut_off(wall, insulation, details), 0.0))
    regions += _closer(wall, details, details.cavity_closer)
    regions += _frame(wall, details, lining)
    regions += _boards(wall, details, insulation, reveal, details.finish_thickness)
    return _junction(regions, wall, details, insulation, "plan")


def head(wall: Wall, details: Details, insulation: Insulation | None, reveal: float) -> Junction:
    """Top of the window: concrete lintel behind half a brick, closing the cavity if any.

    reveal: board on the outer soffit [m], 0 where it is bare.
    """
    lining = (details.lining_thickness, details.lining_conductivity)
    regions = _airs(wall, details, insulation, lining[0])
    regions += wall_solids(wall, (-cut_off(wall, insulation, details), 0.0))
    lintel = (details.outer_leaf, wall.masonry)
    regions.append(
        Solid("lintel", (-details.lintel_height, 0.0), lintel, details.lintel_conductivity)
    )
    regions += _frame(wall, details, lining)
    regions += _boards(wall, details, insulation, reveal, details.finish_thickness)
    return _junction(regions, wall, details, insulation, "down")


def sill(wall: Wall, details: Details, insulation: Insulation | None, reveal: float) -> Junction:
    """Bottom of the window: concrete sill, its nose cut back to the face of the wall by the works.

    reveal: board between the old sill and a new metal one [m], 0 where the metal lies on the old
    sill. The metal itself is left out.
    """
    lining = (details.board_thickness, details.board_conductivity)
    nose = 0.0 if insulation else -details.sill_projection
    inner = details.reveal_depth + details.sill_bed
    regions = _airs(wall, details, insulation, lining[0])
    regions += wall_solids(wall, (-cut_off(wall, insulation, details), 0.0))
    regions += _closer(wall, details, details.cavity_closer)
    regions.append(
        Solid("sill", (-details.sill_height, 0.0), (nose, inner), details.sill_conductivity)
    )
    regions += _frame(wall, details, lining)
    regions += _boards(wall, details, insulation, reveal, 0.0)
    return _junction(regions, wall, details, insulation, "up")


def _airs(wall: Wall, details: Details, insulation: Insulation | None, lining: float) -> Regions:
    """Air in front of the wall and in the outer reveal, and in the room."""
    along = (-cut_off(wall, insulation, details), details.frame_width)
    outer = front(insulation, details) - AIR
    inner = details.reveal_depth + details.frame_depth
    return [
        Air("outside", along, (outer, details.reveal_depth)),
        Air("inside", along, (wall.thickness, wall.thickness + AIR)),
        Air("inside", (lining, details.frame_width), (inner, wall.thickness)),
    ]


def _closer(wall: Wall, details: Details, length: float) -> Regions:
    """Masonry that closes the cavity beside the opening, of the inner leaf."""
    cavity = wall.cavity()
    if cavity is None:
        return []
    return [Solid("closer", (-length, 0.0), cavity, wall.layers[1].conductivity)]


def _frame(wall: Wall, details: Details, lining: tuple[float, float]) -> Regions:
    """The frame, and the lining of the inner reveal: plaster, or the window board."""
    outer, inner = details.reveal_depth, details.reveal_depth + details.frame_depth
    return [
        Solid("frame", (0.0, details.frame_width), (outer, inner), details.frame_conductivity),
        Solid("lining", (0.0, lining[0]), (inner, wall.thickness), lining[1]),
    ]


def _boards(
    wall: Wall, details: Details, insulation: Insulation | None, reveal: float, finish: float
) -> Regions:
    """Insulation on the face, and on the reveal if any, with the finish returned to the frame."""
    if insulation is None:
        return []
    depth = (-insulation.thickness, details.reveal_depth)
    face = (front(insulation, details), details.reveal_depth)
    regions: Regions = [
        *board_solids(insulation, details, (-cut_off(wall, insulation, details), reveal))
    ]
    if reveal > 0.0:
        regions.append(Solid("insulation", (0.0, reveal), depth, insulation.conductivity))
    if finish > 0.0:
        end = (reveal, reveal + finish)
        regions.append(Solid("finish", end, face, details.finish_conductivity))
    return regions


def _junction(
    regions: Regions, wall: Wall, details: Details, insulation: Insulation | None, how: How
) -> Junction:
    u = wall_u(wall, insulation, details)
    frame = plane.layer_resistance(details.frame_depth, details.frame_conductivity)
    u_frame = plane.u_value([frame], details.inside, details.outside)
    loss = u * cut_off(wall, insulation, details) + u_frame * details.frame_width
    return Junction(placed(regions, details, how), loss, u)
