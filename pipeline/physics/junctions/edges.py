"""Where the wall ends below and above: the base on the ground, the eaves under a cold loft."""

import numpy as np

from pipeline.physics.conduction import Air, Solid
from pipeline.physics.dwelling import ground_floor_u_value
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


def base(wall: Wall, details: Details, insulation: Insulation | None, below: bool) -> Junction:
    """Foot of the wall on a solid floor at the level of the damp-proof course.

    Drawn with `along` upwards from the ground. below: the insulation is carried on below the
    damp-proof course, as extruded polystyrene of the same thickness; otherwise it stops there. The
    floor's own loss is that of the slab as it stands, before and after (BS EN ISO 13370:2017), so
    that what the insulation saves through the floor's edge is in psi.
    """
    course, extent = details.plinth_height, details.ground_extent
    height = cut_off(wall, insulation, details)
    outer, inner = front(insulation, details) - AIR, wall.thickness + details.floor_half_width
    soil = details.soil_conductivity
    regions: list[Solid | Air] = [
        Air("outside", (0.0, course + height), (outer, 0.0)),
        Air("outside", (0.0, AIR), (-extent, outer)),
        Air("inside", (course, course + height), (wall.thickness, wall.thickness + AIR)),
        Air("inside", (course, course + AIR), (wall.thickness + AIR, inner)),
        Solid("soil", (-extent, 0.0), (-extent, inner), soil),
        Solid("slab", (0.0, course), (wall.masonry, inner), soil),
        *wall_solids(wall, (-details.footing_depth, course + height)),
        Solid("slab", (0.0, course), (wall.masonry, wall.thickness), soil),
        Solid("soil", (-details.footing_depth, 0.0), (wall.masonry, wall.thickness), soil),
    ]
    cavity = wall.cavity()
    if cavity:
        fill = (-details.footing_depth, 0.0)
        regions.append(Solid("cavity fill", fill, cavity, details.fill_conductivity))
    if insulation:
        regions += board_solids(insulation, details, (course, course + height))
        if below:
            foot = Insulation(insulation.thickness, details.below_conductivity)
            regions += board_solids(foot, details, (course - details.carried_below, course))
    u = wall_u(wall, insulation, details)
    floor = _floor_u(wall, details) * details.floor_half_width
    return Junction(placed(regions, details, "up"), u * height + floor, u)


def _floor_u(wall: Wall, details: Details) -> float:
    """U of the slab without insulation [W/m2K], the characteristic dimension its whole width."""
    area, perimeter = np.array([2.0 * details.floor_half_width]), np.array([2.0])
    thickness = np.array([wall.thickness])
    surfaces = np.array([details.floor + details.outside])
    u = ground_floor_u_value(area, perimeter, thickness, surfaces, details.soil_conductivity)
    return float(u[0])


def eaves(wall: Wall, details: Details, insulation: Insulation | None, joined: bool) -> Junction:
    """Top of the wall under a ventilated loft insulated at the ceiling.

    Drawn with `along` upwards from the underside of the ceiling. joined: the wall's insulation is
    carried up past the wall head, and insulation over the head meets that of the loft; otherwise
    the wall's insulation stops at the soffit and the wall head stays bare, as before works.
    """
    height = cut_off(wall, insulation, details)
    head, loft = details.wall_head, details.ceiling_thickness + details.loft_thickness
    soffit, reach = head - details.soffit_drop, wall.thickness + max(details.cut_off, height)
    outer, top = front(insulation, details) - AIR, loft + AIR
    over = head + details.over_head
    plate = (wall.masonry - details.plate_width, wall.masonry)
    regions: list[Solid | Air] = [
        Air("outside", (-height, soffit), (outer, 0.0)),
        Air("loft", (soffit, top), (outer, reach)),
        Air("inside", (-height, 0.0), (wall.thickness, reach)),
        *wall_solids(wall, (-height, head)),
        Solid("loft insulation", (0.0, loft), (wall.masonry, reach), details.loft_conductivity),
        Solid("ceiling", (0.0, details.ceiling_thickness), (wall.masonry, reach),
              details.ceiling_conductivity),
        *_head_closer(wall, details),
    ]  # fmt: skip
    if insulation and joined:
        regions += board_solids(insulation, details, (-height, over))
        regions.append(
            Solid("loft insulation", (head, over), (0.0, wall.masonry), details.loft_conductivity)
        )
    elif insulation:
        regions += board_solids(insulation, details, (-height, soffit))
    regions.append(
        Solid("plate", (head, head + details.plate_height), plate, details.plate_conductivity)
    )
    u = wall_u(wall, insulation, details)
    resistance = details.ceiling_thickness / details.ceiling_conductivity
    resistance += details.loft_thickness / details.loft_conductivity
    u_ceiling = 1.0 / (2.0 * details.ceiling + resistance)
    loss = u * height + u_ceiling * (reach - wall.thickness)
    return Junction(placed(regions, details, "up"), loss, u)


def _head_closer(wall: Wall, details: Details) -> list[Solid]:
    """Masonry that closes the cavity at the wall head, of the inner leaf."""
    cavity, head = wall.cavity(), details.wall_head
    if cavity is None:
        return []
    closed = (head - details.cavity_closer, head)
    return [Solid("closer", closed, cavity, wall.layers[1].conductivity)]
