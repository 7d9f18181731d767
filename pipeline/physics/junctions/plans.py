"""Where the wall turns or passes to a neighbour, in plan."""

from pipeline.physics.conduction import Air, Solid
from pipeline.physics.junctions.section import (
    AIR,
    Details,
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


def corner(wall: Wall, details: Details, insulation: Insulation | None) -> Junction:
    """External corner, both walls alike, insulation unbroken round it."""
    length = cut_off(wall, insulation, details)
    end, face = wall.thickness + length, front(insulation, details)

    def square(start: float) -> tuple[tuple[float, float], tuple[float, float]]:
        return (start, end), (start, end)

    regions: list[Solid | Air] = [Air("outside", *square(face - AIR))]
    if insulation:
        regions.append(Solid("finish", *square(face), details.finish_conductivity))
        board = -insulation.thickness
        regions.append(Solid("insulation", *square(board), insulation.conductivity))
    for layer, depth in reversed(wall.depths()):
        regions.append(Solid(layer.name, *square(depth[0]), layer.conductivity))
    regions.append(Air("inside", *square(wall.thickness)))
    u = wall_u(wall, insulation, details)
    return Junction(placed(regions, details, "plan"), 2.0 * u * length, u)


def neighbour(
    wall: Wall, details: Details, insulation: Insulation | None, continued: bool
) -> Junction:
    """Party wall meeting the outer wall; the treated home on the positive side.

    continued: the neighbour's wall is insulated too; otherwise the insulation ends on the line
    between the homes. Both homes are equally warm. Only the heat of the treated home counts: what
    the neighbour gains or loses is the neighbour's.
    """
    length = cut_off(wall, insulation, details)
    half, inner = details.party_thickness / 2.0, wall.thickness
    lined = half + details.lining_thickness
    end, back = lined + length, wall.masonry + max(details.cut_off, inner)
    party, lining = details.party_conductivity, details.lining_conductivity
    regions: list[Solid | Air] = [
        Air("outside", (-end, end), (front(insulation, details) - AIR, 0.0)),
        Air("inside", (0.0, end), (inner, back)),
        Air("neighbour", (-end, 0.0), (inner, back)),
        *wall_solids(wall, (-end, end)),
        Solid("plaster", (-lined, lined), (inner, back), lining),
        Solid("party wall", (-half, half), (wall.masonry, back), party),
    ]
    if insulation:
        regions += board_solids(insulation, details, (-end if continued else 0.0, end))
        if not continued:
            bead = (-details.finish_thickness, 0.0)
            depth = (front(insulation, details), 0.0)
            regions.append(Solid("finish", bead, depth, details.finish_conductivity))
    u = wall_u(wall, insulation, details)
    return Junction(placed(regions, details, "plan"), u * length, u)
