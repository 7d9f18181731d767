"""Junctions of an externally insulated wall: psi and the coldest inside point.

A home saves (U before - U after) x area + sum of (psi before - psi after) x length, with one area
and one length for both. The conventions follow from that.

- Dimensions are overall internal: to the finished inside faces of wall, floor, ceiling and party
  wall, and to the outer edge of the window frame. External insulation does not move those faces,
  and national practice measures floor areas and states psi in the same way
  (http://howtopassivhaus.org.uk/thermal-bridges-and-energy-calculations, seen). With external
  dimensions the area would grow by the insulation and psi fall by U x growth: the same heat, but
  no one area to multiply. `to_other_length` turns a psi over to an area measured otherwise.
- psi = L2D - sum(U x length), BS EN ISO 10211:2017. U of the wall is the plane one, with insulation
  and finish and without fixings, which belong to the area. A window frame is one block cut at its
  sight line, a ground floor the slab as it stands (BS EN ISO 13370:2017), a loft the ceiling as it
  stands: each loses the same before and after, so all that works change is in psi.
- A jamb is one side of a window. A corner is both its walls. At a party wall psi is the treated
  home's own; what its neighbour gains or loses is left out.
- Surface resistances: BS EN ISO 6946:2017 by direction of heat flow, 0.13 on walls, 0.17 over a
  floor or window board, 0.10 under a ceiling or lintel, 0.04 outside, in m2K/W.
- f_rsi is the lowest temperature factor of an inside surface other than the frame's, solved again
  with 0.25 m2K/W inside, as BS EN ISO 13788 takes for mould (memory). f_rsi_heat is the lowest
  factor at the resistances of psi, and higher. National practice holds the limit of 0.75 (BRE
  IP 1/06) against the latter (memory); f_rsi against 0.75 is the stricter question.
- Left out: metal base rails, beads and sills, wall ties, moving air in a cavity, a suspended
  ground floor, damp masonry. The first three and the last add loss, before or after works.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from pipeline.physics import Number
from pipeline.physics.conduction import Solution, graded, refined, solve
from pipeline.physics.junctions import edges, openings, plans
from pipeline.physics.junctions.section import (
    Details,
    Insulation,
    Junction,
    Layer,
    Wall,
    for_mould,
    wall_u,
)

__all__ = ["AFTER", "Details", "Insulation", "Junction", "Layer", "Result", "Wall",
           "build", "for_mould", "heat_psi", "solved", "to_other_length", "wall_u"]  # fmt: skip

Builder = Callable[[Wall, Details, Insulation | None], Junction]

AFTER: dict[tuple[str, str], Builder] = {
    **{
        (name, variant): partial(make, reveal=board)
        for name, make in (
            ("jamb", openings.jamb), ("head", openings.head), ("sill", openings.sill)
        )
        for variant, board in (("bare", 0.0), ("reveal_20", 0.020), ("reveal_30", 0.030))
    },
    ("base", "stopped_at_dpc"): partial(edges.base, below=False),
    ("base", "carried_below"): partial(edges.base, below=True),
    ("eaves", "not_joined"): partial(edges.eaves, joined=False),
    ("eaves", "joined"): partial(edges.eaves, joined=True),
    ("neighbour", "ended"): partial(plans.neighbour, continued=False),
    ("neighbour", "continued"): partial(plans.neighbour, continued=True),
    ("corner", "unbroken"): plans.corner,
}  # fmt: skip
"""How each junction is built after works, by junction and variant."""

BEFORE = "before"


@dataclass(frozen=True)
class Refinement:
    """Coarsest grid and where refinement ends.

    first_cell: cell beside an edge [m]; growth: ratio of one cell to the next; change: of psi at
    the last halving, as a share of psi, or least_change [W/mK] for a psi near zero.
    """

    first_cell: float = 0.018
    growth: float = 1.4
    change: float = 0.01
    least_change: float = 0.001


GRID = Refinement()


@dataclass(frozen=True)
class Result:
    """psi and L2D [W/mK], U of the plane wall [W/m2K], temperature factors [-].

    f_rsi: with the surface resistance for mould; f_rsi_heat: with those of psi. change: of psi at
    the last halving of the grid [W/mK]; solution: on the finest grid.
    """

    psi: float
    l2d: float
    u_wall: float
    f_rsi: float
    f_rsi_heat: float
    change: float
    solution: Solution


def build(
    wall: Wall, details: Details, name: str, variant: str, insulation: Insulation | None
) -> Junction:
    """One junction by its name and variant; without insulation the variant does not matter."""
    found = next(make for (n, v), make in AFTER.items() if n == name and variant in (v, BEFORE))
    return found(wall, details, insulation)


def heat_psi(junction: Junction, solution: Solution) -> float:
    """Linear thermal transmittance [W/mK]. Source: BS EN ISO 10211:2017, psi = L2D - sum(U l)."""
    return solution.heat_flow(*junction.rooms) - junction.plane_loss


def solved(junction: Junction, details: Details) -> Result:
    """Solve a junction, refined until psi changes by less than GRID asks, here 1 % of it."""
    quantity = partial(heat_psi, junction)
    grid = graded(junction.model, GRID.first_cell, GRID.growth)
    found = refined(junction.model, quantity, grid, GRID.change, GRID.least_change)
    slow = solve(for_mould(junction, details), found.solution.grid)
    return Result(
        found.value,
        found.value + junction.plane_loss,
        junction.u_wall,
        slow.coldest("inside", but=("frame",))[0],
        found.solution.coldest("inside", but=("frame",))[0],
        found.change,
        found.solution,
    )


def to_other_length(psi: Number, u: Number, longer: Number) -> Number:
    """psi referred to a length of plane wall that is longer by `longer` [m], of U u [W/m2K].

    For a corner whose walls are measured outside: longer = twice the wall's thickness, with the
    insulation where the area counts it. Source: BS EN ISO 10211:2017, psi by system of dimensions.
    """
    return psi - u * longer
