"""The same junction by quadratic finite elements of a general library, for comparison.

Nothing of `pipeline.physics.conduction` but the list of rectangles is used: another mesh, another
kind of element, materials and surfaces found again by asking what lies at a point.
"""

from itertools import pairwise

import numpy as np
from skfem import Basis, BilinearForm, ElementQuad2, FacetBasis, LinearForm, MeshQuad, solve
from skfem.helpers import dot, grad

from pipeline.physics.conduction import Air, Model, Solid


@BilinearForm
def _conduction(u, v, w):
    return w.k * dot(grad(u), grad(v))


@BilinearForm
def _film(u, v, _):
    return u * v


@LinearForm
def _air(v, _):
    return v


def covering(model, x, y):
    """Index of the region seen at each point, -1 for none: the last laid down."""
    found = np.full(np.shape(x), -1)
    for index, r in enumerate(model.regions):
        inside = (r.x[0] < x) & (x < r.x[1]) & (r.y[0] < y) & (y < r.y[1])
        found[inside] = index
    return found


def lines(model, axis, cell, growth):
    """Mesh lines: every edge, and between two edges cells that grow to the middle."""
    ends = sorted({round(end, 9) for end in model.edges(axis)})
    found = [ends[0]]
    for low, high in pairwise(ends):
        half, at, step = (high - low) / 2.0, 0.0, cell
        left = []
        while at + step < half:
            at += step
            left.append(at)
            step *= growth
        found += [low + a for a in left] + [low + half] + [high - a for a in reversed(left)]
        found.append(high)
    return np.array(found)


def coupling(model: Model, room: str, cell=0.008, growth=1.6):
    """Heat from a room [W/m] and the coldest temperature of its surfaces but the frame's."""
    mesh = MeshQuad.init_tensor(lines(model, 0, cell, growth), lines(model, 1, cell, growth))
    seen = covering(model, *mesh.p[:, mesh.t].mean(axis=1))
    solid = np.array([isinstance(r, Solid) for r in model.regions] + [False])[seen]
    mesh = mesh.restrict(np.flatnonzero(solid))
    seen = seen[solid]
    conductivity = np.array([getattr(r, "conductivity", 0.0) for r in model.regions])[seen]
    basis = Basis(mesh, ElementQuad2(), intorder=4)
    k = np.broadcast_to(conductivity[:, None], basis.dx.shape)
    matrix, load = _conduction.assemble(basis, k=k), np.zeros(basis.N)
    rooms = []
    for facets, region, resistance, within in _films(model, mesh, seen):
        edge = FacetBasis(mesh, ElementQuad2(), facets=facets, intorder=4)
        film = _film.assemble(edge) / resistance
        drive = _air.assemble(edge) / resistance
        matrix, load = matrix + film, load + model.environments[region].temperature * drive
        if region == room:
            counts = np.array([r.name != "frame" for r in model.regions])[within]
            rooms.append((drive, np.unique(mesh.facets[:, facets[counts]])))
    temperature = solve(matrix, load)
    warm = model.environments[room].temperature
    heat = sum(float(drive @ (warm - temperature)) for drive, _ in rooms)
    nodes = np.concatenate([nodes for _, nodes in rooms])
    return heat, float(temperature[basis.nodal_dofs[0, nodes]].min())


def _films(model, mesh, seen):
    """Groups of boundary facets: (facets, air's name, resistance, solid's region of each)."""
    facets = mesh.boundary_facets()
    ends = mesh.p[:, mesh.facets[:, facets]]
    middle = ends.mean(axis=1)
    within = mesh.f2t[0, facets]
    centre = mesh.p[:, mesh.t[:, within]].mean(axis=1)
    upright = np.isclose(ends[0, 0], ends[0, 1])
    away = np.where(upright, np.sign(middle[0] - centre[0]), np.sign(middle[1] - centre[1]))
    beyond = middle + 1e-6 * away * np.array([upright, ~upright])
    over = covering(model, *beyond)
    side = np.where(upright, "beside", np.where(away > 0, "above", "below"))
    for index in np.unique(over[over >= 0]):
        air = model.regions[index]
        if isinstance(air, Air):
            for name in ("beside", "above", "below"):
                chosen = (over == index) & (side == name)
                resistance = getattr(model.environments[air.name], name)
                if chosen.any():
                    yield facets[chosen], air.name, resistance, seen[within[chosen]]
