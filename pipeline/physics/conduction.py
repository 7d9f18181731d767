"""Steady heat conduction in two dimensions (BS EN ISO 10211:2017).

A model is a list of rectangles, each of one material or of the air of one environment; a later
rectangle covers an earlier one. What no rectangle covers, and the outer edge of the whole, lets
no heat through. Lengths m, conductivities W/mK, surface resistances m2K/W, heat flows W per metre
of length across the section.

Unknowns sit at the nodes of a grid whose lines include every edge of every rectangle, and each
node keeps the balance of the quarter cells round it. Three things follow. A layered wall is exact
on any grid. A point on an interface or a surface is a node, with one temperature: nothing is
averaged across two materials. Heat flow converges from above, since the scheme is that of linear
elements on the halved cells and a coarse grid can only conduct too well.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from pipeline.physics import Floats

_SAME = 1e-9
Ints = NDArray[np.intp]


@dataclass(frozen=True)
class Solid:
    """A rectangle of one material: x and y as (low, high) [m]; conductivity [W/mK]."""

    name: str
    x: tuple[float, float]
    y: tuple[float, float]
    conductivity: float


@dataclass(frozen=True)
class Air:
    """A rectangle of the air of a named environment: x and y as (low, high) [m]."""

    name: str
    x: tuple[float, float]
    y: tuple[float, float]


@dataclass(frozen=True)
class Environment:
    """Air temperature and the surface resistances [m2K/W] of the surfaces that face it.

    beside: vertical surfaces; above: the air lies above the surface; below: the air lies below
    it. A resistance of zero fixes the surface itself at the temperature.
    """

    temperature: float
    beside: float
    above: float
    below: float


@dataclass(frozen=True)
class Model:
    """Rectangles in the order they are laid down, and the environments they name."""

    regions: tuple[Solid | Air, ...]
    environments: dict[str, Environment]

    def edges(self, axis: int) -> list[float]:
        """Every coordinate at which a rectangle begins or ends, on axis 0 (x) or 1 (y)."""
        return [end for r in self.regions for end in (r.x, r.y)[axis]]


@dataclass(frozen=True)
class Grid:
    """Grid lines in x and y [m], increasing."""

    x: Floats
    y: Floats

    def halved(self) -> "Grid":
        """Every cell split in four."""
        return Grid(*(np.sort(np.append(a, (a[1:] + a[:-1]) / 2.0)) for a in (self.x, self.y)))


@dataclass(frozen=True)
class Surfaces:
    """Faces between a solid cell and air; one entry each.

    nodes: the two end nodes, shape [face, 2]; length [m]; resistance [m2K/W]; temperature of the
    air; air and solid: index of the region on either side.
    """

    nodes: Ints
    length: Floats
    resistance: Floats
    temperature: Floats
    air: Ints
    solid: Ints


@dataclass(frozen=True)
class Solution:
    """Temperatures at the nodes, shape [x line, y line]; nan where there is no solid."""

    model: Model
    grid: Grid
    temperature: Floats
    surfaces: Surfaces
    inflow: Floats
    """Heat that enters at each node whose temperature is fixed [W/m]; 0 elsewhere."""

    def heat_flow(self, *environments: str) -> float:
        """Heat from these environments into the solids [W/m], negative where it leaves them."""
        s = self.surfaces
        counts = np.isin(self._names, environments)
        held = s.resistance <= 0.0
        free = counts[s.air] & ~held
        drop = s.temperature[free, None] - self.temperature.ravel()[s.nodes[free]]
        through = float((drop.mean(axis=1) * s.length[free] / s.resistance[free]).sum())
        owner = np.full(self.inflow.size, -1)
        owner[s.nodes[held]] = s.air[held, None]
        return through + float(self.inflow.ravel()[(owner >= 0) & counts[owner]].sum())

    @property
    def _names(self) -> NDArray[np.str_]:
        return np.array([region.name for region in self.model.regions])

    def imbalance(self) -> float:
        """Heat in less heat out, as a share of the heat in. ISO 10211 asks for 1e-4."""
        flows = np.array([self.heat_flow(name) for name in self.model.environments])
        return float(abs(flows.sum()) / flows[flows > 0.0].sum())

    def at(self, x: float, y: float) -> float:
        """Temperature at a point: linear within the one cell that holds it.

        No cell spans two materials, so no material is averaged with another; on a grid line the
        node or nodes of that line alone count. Raises ValueError for a point in no solid.
        """
        i, u = _within(self.grid.x, x)
        j, v = _within(self.grid.y, y)
        weights = np.outer([1.0 - u, u], [1.0 - v, v])
        corner = self.temperature[i : i + 2, j : j + 2]
        used = weights > _SAME
        value = float((weights[used] * corner[used]).sum() / weights[used].sum())
        if np.isnan(value):
            raise ValueError(f"the point ({x}, {y}) lies in no solid")
        return value

    def coldest(self, environment: str, but: Sequence[str] = ()) -> tuple[float, float, float]:
        """Lowest surface temperature facing an environment, and its x and y.

        but: names of solids whose surface does not count, such as a window frame.
        """
        s = self.surfaces
        counts = (self._names[s.air] == environment) & ~np.isin(self._names[s.solid], list(but))
        nodes = np.unique(s.nodes[counts])
        node = int(nodes[self.temperature.ravel()[nodes].argmin()])
        i, j = divmod(node, len(self.grid.y))
        return float(self.temperature[i, j]), float(self.grid.x[i]), float(self.grid.y[j])


def _within(lines: Floats, value: float) -> tuple[int, float]:
    """Index of the interval that holds a value, and how far along it the value lies [0..1]."""
    if not lines[0] - _SAME <= value <= lines[-1] + _SAME:
        raise ValueError(f"{value} lies outside the model, {lines[0]} to {lines[-1]}")
    i = int(np.clip(np.searchsorted(lines, value) - 1, 0, len(lines) - 2))
    share = float(np.clip((value - lines[i]) / (lines[i + 1] - lines[i]), 0.0, 1.0))
    return i, share


def graded_lines(edges: Sequence[float], first: float, growth: float) -> Floats:
    """Grid lines [m] through every edge, fine beside an edge and coarser away from it.

    first: size of the cell beside an edge [m]; growth: ratio of one cell to the next, 1 or more.
    The two outermost edges are cuts, not corners: the grid does not close up towards them.
    """
    ends = np.unique(np.asarray(edges, dtype=float))
    ends = ends[np.append(True, np.diff(ends) > _SAME)]
    lines = [ends[:1]]
    for k, (low, high) in enumerate(pairwise(ends)):
        is_first, is_last = k == 0, k == len(ends) - 2
        steps = _steps(high - low, first, growth, both=is_first == is_last)
        steps = steps[::-1] if is_first and not is_last else steps
        lines.append(low + np.cumsum(steps)[:-1])
        lines.append(np.array([high]))
    return np.concatenate(lines)


def _steps(width: float, first: float, growth: float, both: bool) -> Floats:
    """Cell sizes that fill a width, growing from its start, or from both ends to its middle."""
    half, sizes = width / 2.0 if both else width, [first]
    while sum(sizes) < half - _SAME:
        sizes.append(sizes[-1] * growth)
    shape = np.array([*sizes, *sizes[::-1]] if both else sizes)
    if both and width <= 2.0 * first + _SAME:
        shape = np.ones(max(1, int(np.ceil(width / first - _SAME))))
    return np.asarray(shape * (width / shape.sum()))


def graded(model: Model, first: float, growth: float) -> Grid:
    """Graded grid of a model. first [m] and growth as for `graded_lines`."""
    return Grid(*(graded_lines(model.edges(axis), first, growth) for axis in (0, 1)))


def uniform(model: Model, size: float) -> Grid:
    """Grid of equal cells, no larger than size [m], between the edges of a model."""
    return graded(model, size, 1.0)


def solve(model: Model, grid: Grid) -> Solution:
    """Steady temperatures of a model on a grid. Source: BS EN ISO 10211:2017, numerical method.

    Raises ValueError where a solid touches no environment, directly or through another.
    """
    region = _painted(model, grid)
    conductivity = [r.conductivity if isinstance(r, Solid) else 0.0 for r in model.regions]
    surfaces = _surfaces(model, grid, region)
    matrix, load = _balance(grid, np.array([*conductivity, 0.0])[region], surfaces)
    held = surfaces.resistance <= 0.0
    temperature = np.full(load.shape, np.nan)
    temperature[surfaces.nodes[held]] = surfaces.temperature[held, None]
    fixed = ~np.isnan(temperature)
    unknown = np.flatnonzero((matrix.diagonal() > 0.0) & ~fixed)
    rows = matrix[unknown]
    right = load[unknown] - rows[:, np.flatnonzero(fixed)] @ temperature[fixed]
    temperature[unknown] = _solved(rows[:, unknown], right)
    inflow = np.where(fixed, matrix @ np.nan_to_num(temperature) - load, 0.0)
    shape = (len(grid.x), len(grid.y))
    return Solution(model, grid, temperature.reshape(shape), surfaces, inflow.reshape(shape))


def _painted(model: Model, grid: Grid) -> Ints:
    """Index of the region that covers each cell, -1 where none does; shape [x cell, y cell]."""
    region = np.full((len(grid.x) - 1, len(grid.y) - 1), -1, dtype=np.intp)
    for index, r in enumerate(model.regions):
        i = np.searchsorted(grid.x, np.array(r.x) - _SAME)
        j = np.searchsorted(grid.y, np.array(r.y) - _SAME)
        region[i[0] : i[1], j[0] : j[1]] = index
    return region


def _surfaces(model: Model, grid: Grid, region: Ints) -> Surfaces:
    """Every face between a solid cell and an air cell."""
    solid = np.array([*(isinstance(r, Solid) for r in model.regions), False])
    air = np.array([*(isinstance(r, Air) for r in model.regions), False])
    facing = [_facing(model, r) for r in model.regions]
    node = np.arange(len(grid.x) * len(grid.y)).reshape(len(grid.x), len(grid.y))
    upright = (region[:-1], region[1:], node[1:-1, :-1], node[1:-1, 1:], np.diff(grid.y)[None, :])
    level = (
        region[:, :-1],
        region[:, 1:],
        node[:-1, 1:-1],
        node[1:, 1:-1],
        np.diff(grid.x)[:, None],
    )
    parts = []
    for faces, sides in ((upright, ("beside", "beside")), (level, ("above", "below"))):
        low, high, start, end, size = faces
        for body, over, side in ((low, high, sides[0]), (high, low, sides[1])):
            is_face = solid[body] & air[over]
            parts.append((
                np.stack([start[is_face], end[is_face]], axis=1),
                np.broadcast_to(size, is_face.shape)[is_face],
                np.array([getattr(e, side) for e in facing])[over[is_face]],
                np.array([e.temperature for e in facing])[over[is_face]],
                over[is_face],
                body[is_face],
            ))  # fmt: skip
    return Surfaces(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))


def _facing(model: Model, region: Solid | Air) -> Environment:
    """The environment of a region of air; one of no meaning for a solid."""
    if isinstance(region, Air):
        return model.environments[region.name]
    return Environment(np.nan, np.nan, np.nan, np.nan)


def _balance(grid: Grid, conductivity: Floats, surfaces: Surfaces) -> tuple[Any, Floats]:
    """Conductances between nodes and to the air: (matrix, load), matrix @ T - load = inflow.

    conductivity: of each cell [W/mK], 0 where there is no solid; shape [x cell, y cell].
    """
    dx, dy = np.diff(grid.x)[:, None], np.diff(grid.y)[None, :]
    node = np.arange(len(grid.x) * len(grid.y)).reshape(len(grid.x), len(grid.y))
    beyond = np.pad(conductivity * dy, ((0, 0), (1, 1)))
    along_x = (beyond[:, :-1] + beyond[:, 1:]) / 2.0 / dx
    beyond = np.pad(conductivity * dx, ((1, 1), (0, 0)))
    along_y = (beyond[:-1] + beyond[1:]) / 2.0 / dy
    a = np.concatenate([node[:-1].ravel(), node[:, :-1].ravel()])
    b = np.concatenate([node[1:].ravel(), node[:, 1:].ravel()])
    g = np.concatenate([along_x.ravel(), along_y.ravel()])
    free = surfaces.resistance > 0.0
    to_air = np.repeat(surfaces.length[free] / surfaces.resistance[free] / 2.0, 2)
    ends = surfaces.nodes[free].ravel()
    load = np.bincount(ends, to_air * np.repeat(surfaces.temperature[free], 2), node.size).astype(
        float
    )
    rows, columns = np.concatenate([a, b, a, b, ends]), np.concatenate([b, a, a, b, ends])
    values = np.concatenate([-g, -g, g, g, to_air])
    return sparse.coo_matrix((values, (rows, columns)), shape=(node.size,) * 2).tocsr(), load


def _solved(matrix: Any, right: Floats) -> Floats:
    """Solve a sparse, symmetric, positive definite system."""
    _, part = connected_components(matrix, directed=False)
    anchor = np.bincount(part, np.asarray(matrix.sum(axis=1)).ravel())
    if np.any(anchor < _SAME * np.bincount(part, matrix.diagonal())):
        raise ValueError("a solid of the model touches no environment")
    options = {"SymmetricMode": True}
    factors = splu(matrix.tocsc(), "MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options=options)
    return np.asarray(factors.solve(right), dtype=float)


@dataclass(frozen=True)
class Refined:
    """A quantity carried to cells of no size, and its change at the last halving [same unit].

    solution: on the finest grid tried.
    """

    value: float
    change: float
    solution: Solution


def refined(
    model: Model,
    quantity: Callable[[Solution], float],
    grid: Grid,
    share: float = 0.01,
    floor: float = 0.0,
) -> Refined:
    """Halve every cell until a quantity changes by less than a share of itself, or than a floor.

    The value of each halving is carried to cells of no size by the second order of the scheme
    (Richardson), and it is that value whose change is judged. floor: in the quantity's unit, for
    a quantity near zero. Raises ValueError where five halvings do not suffice. Source: BS EN ISO
    10211:2017, refinement of a numerical method, here on the quantity that is wanted.
    """
    coarse, last, change = quantity(solve(model, grid)), np.inf, np.inf
    for _ in range(5):
        grid = grid.halved()
        solution = solve(model, grid)
        fine = quantity(solution)
        value = fine + (fine - coarse) / 3.0
        change = abs(value - last)
        if change < max(share * abs(value), floor):
            return Refined(value, change, solution)
        coarse, last = fine, value
    raise ValueError(f"still changes by {change:.3g} at {last:.6g} after five halvings")
