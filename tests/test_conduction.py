"""Two-dimensional conduction against the reference cases of BS EN ISO 10211 and exact answers."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.physics.conduction import (
    Air,
    Environment,
    Grid,
    Model,
    Solid,
    graded,
    graded_lines,
    refined,
    solve,
    uniform,
)

# Case 1, half a square column: temperatures at x = L/8 .. 4L/8 from the cold edge to the axis, rows
# from y = 7L/8 down to L/8. BS EN ISO 10211:2017 Annex C (2007: Annex A), accepted within 0.1 K.
CASE_1 = [
    [9.7, 13.4, 14.7, 15.1],
    [5.3, 8.6, 10.3, 10.8],
    [3.2, 5.6, 7.0, 7.5],
    [2.0, 3.6, 4.7, 5.0],
    [1.3, 2.3, 3.0, 3.2],
    [0.7, 1.4, 1.8, 1.9],
    [0.3, 0.6, 0.8, 0.9],
]
# Case 2, composite: points (x, y) in mm with their temperature, accepted within 0.1 K, and the heat
# flow of 9.5 W/m, accepted within 0.1 W/m. Coordinates and conductivities:
# https://www.simscale.com/docs/validation-cases/thermal-bridge-case-2/ ; surface resistances:
# https://docs.feelpp.org/toolboxes/latest/heat/ISO_10211_2007/index.html
CASE_2 = {
    "A": (0, 47.5, 7.1), "B": (500, 47.5, 0.8), "C": (0, 41.5, 7.9), "D": (15, 41.5, 6.3),
    "E": (500, 41.5, 0.8), "F": (0, 36.5, 16.4), "G": (15, 36.5, 16.3), "H": (0, 0, 16.8),
    "I": (500, 0, 18.3),
}  # fmt: skip


def fixed(temperature):
    return Environment(temperature, 0.0, 0.0, 0.0)


def column():
    """Half a square column of side 1: 20 above, 0 on the left and below, axis on the right."""
    return Model(
        (
            Air("cold", (-0.1, 0.5), (-0.1, 0.0)),
            Air("cold", (-0.1, 0.0), (0.0, 1.0)),
            Air("hot", (-0.1, 0.5), (1.0, 1.1)),
            Solid("column", (0.0, 0.5), (0.0, 1.0), 1.0),
        ),
        {"cold": fixed(0.0), "hot": fixed(20.0)},
    )


def series(x, y):
    """Exact temperature of the column: the Fourier series, summed to its 400th term."""
    k = np.arange(1, 401, 2) * np.pi
    rise = np.exp(k * (y - 1.0)) * (1.0 - np.exp(-2.0 * k * y)) / (1.0 - np.exp(-2.0 * k))
    return float(20.0 * (4.0 / k * np.sin(k * x) * rise).sum())


def eighths(solution):
    return np.array([[solution.at(i / 8, j / 8) for i in range(1, 5)] for j in range(7, 0, -1)])


EXACT = np.array([[series(i / 8, j / 8) for i in range(1, 5)] for j in range(7, 0, -1)])


def composite():
    """Case 2 in metres."""

    def solid(name, x, y, conductivity):
        return Solid(name, (x[0] / 1e3, x[1] / 1e3), (y[0] / 1e3, y[1] / 1e3), conductivity)

    return Model(
        (
            Air("cold", (0.0, 0.5), (0.0475, 0.05)),
            Air("warm", (0.0, 0.5), (-0.0025, 0.0)),
            solid("insulation", (0, 500), (1.5, 41.5), 0.029),
            solid("concrete", (0, 500), (41.5, 47.5), 1.15),
            solid("wood", (0, 15), (36.5, 41.5), 0.12),
            solid("aluminium", (0, 1.5), (0, 36.5), 230.0),
            solid("aluminium", (0, 15), (35, 36.5), 230.0),
            solid("aluminium", (0, 500), (0, 1.5), 230.0),
        ),
        {
            "cold": Environment(0.0, 0.06, 0.06, 0.06),
            "warm": Environment(20.0, 0.11, 0.11, 0.11),
        },
    )


def test_case_1_at_every_published_point():
    found = eighths(solve(column(), uniform(column(), 1 / 32)))
    assert found == pytest.approx(np.array(CASE_1), abs=0.1)
    assert found == pytest.approx(EXACT, abs=0.015)
    assert found[3, 3] == pytest.approx(5.0, abs=1e-9)


def test_case_1_converges_with_the_second_order_of_the_cell():
    errors = [
        np.abs(eighths(solve(column(), uniform(column(), 1 / n))) - EXACT).max()
        for n in (16, 32, 64, 128)
    ]
    orders = np.log2(np.array(errors[:-1]) / np.array(errors[1:]))
    assert orders == pytest.approx(2.0, abs=0.12)
    assert errors[-1] < 1e-3


def test_case_2_temperatures_and_heat_flow():
    """At G aluminium, wood and insulation meet. The rule: read the node, never a mean of cells.

    G is a corner of three rectangles, so it is a node of every grid and has one temperature, kept
    by the balance of the four quarter cells round it, each with its own conductivity. The mean of
    the cells on either side, which a scheme with unknowns at cell centres would offer, is 15.4 to
    16.2 and wrong.
    """
    model = composite()
    found = refined(model, lambda s: s.heat_flow("warm"), graded(model, 1e-3, 1.4), share=1e-3)
    assert found.solution.grid.x == pytest.approx(np.unique(found.solution.grid.x))
    assert 0.015 in found.solution.grid.x
    assert 0.0365 in found.solution.grid.y
    for x, y, expected in CASE_2.values():
        assert found.solution.at(x / 1e3, y / 1e3) == pytest.approx(expected, abs=0.1)
    assert found.value == pytest.approx(9.5, abs=0.1)
    assert found.solution.heat_flow("warm") == pytest.approx(9.4915, abs=0.01)
    assert found.solution.imbalance() < 1e-9


layers = st.lists(st.tuples(st.floats(0.004, 0.4), st.floats(0.02, 60.0)), min_size=1, max_size=5)


surfaces = st.tuples(st.floats(0.02, 0.25), st.floats(0.02, 0.25))


@settings(max_examples=40, deadline=None)
@given(layers, st.floats(0.01, 0.3), st.floats(1.0, 2.5), surfaces, st.booleans())
def test_a_layered_wall_is_exact_on_any_grid(wall, first, growth, resistances, upright):
    inside, outside = resistances
    ends = np.concatenate([[0.0], np.cumsum([thickness for thickness, _ in wall])])
    spans = [(float(a), float(b)) for a, b in pairwise(ends)]
    regions = [Solid("layer", s, (0.0, 0.1), k) for s, (_, k) in zip(spans, wall, strict=True)]
    regions += [Air("in", (-0.1, 0.0), (0.0, 0.1))]
    regions += [Air("out", (ends[-1], ends[-1] + 0.1), (0.0, 0.1))]
    if not upright:
        regions = [type(r)(**{**vars(r), "x": r.y, "y": r.x}) for r in regions]
    resistance = {"in": inside, "out": outside}
    model = Model(
        tuple(regions),
        {n: Environment(t, *[resistance[n]] * 3) for n, t in (("in", 21.0), ("out", -3.0))},
    )
    solution = solve(model, graded(model, first, growth))
    u = 1.0 / (inside + sum(d / k for d, k in wall) + outside)
    assert solution.heat_flow("in") == pytest.approx(2.4 * u, rel=1e-9)
    assert solution.heat_flow("out") == pytest.approx(-2.4 * u, rel=1e-9)
    assert solution.coldest("in")[0] == pytest.approx(21.0 - 24.0 * u * inside, abs=1e-9)


def test_surface_resistance_follows_the_side_the_air_is_on():
    """A square in the middle of air: each side has its own resistance, so the mean is known."""
    model = Model(
        (
            Air("round", (-1.0, 2.0), (-1.0, 2.0)),
            Solid("post", (0.0, 1.0), (0.0, 1.0), 1e6),
            Air("core", (0.4, 0.6), (0.4, 0.6)),
        ),
        {"round": Environment(0.0, 0.1, 0.2, 0.4), "core": fixed(1.0)},
    )
    flow = solve(model, uniform(model, 0.1)).heat_flow("core")
    assert flow == pytest.approx(2.0 / 0.1 + 1.0 / 0.2 + 1.0 / 0.4, rel=1e-4)


def test_heat_is_kept_with_three_environments_and_fixed_and_free_surfaces():
    model = composite()
    warmer = {**model.environments, "duct": fixed(35.0)}
    model = Model((*model.regions, Air("duct", (0.2, 0.25), (0.01, 0.03))), warmer)
    solution = solve(model, graded(model, 2e-3, 1.5))
    flows = [solution.heat_flow(name) for name in warmer]
    assert solution.heat_flow(*warmer) == pytest.approx(sum(flows), rel=1e-12)
    assert abs(sum(flows)) < 1e-9 * max(flows)
    assert solution.heat_flow("duct") > 0.0


def test_temperature_between_nodes_stays_within_one_material():
    """Across an interface the profile is broken; a point beside it must not see the other side."""
    model = Model(
        (
            Solid("good", (0.0, 0.1), (0.0, 1.0), 10.0),
            Solid("poor", (0.1, 0.2), (0.0, 1.0), 0.1),
            Air("in", (-0.1, 0.0), (0.0, 1.0)),
            Air("out", (0.2, 0.3), (0.0, 1.0)),
        ),
        {"in": fixed(1.0), "out": fixed(0.0)},
    )
    solution = solve(model, Grid(np.array([-0.1, 0.0, 0.1, 0.2, 0.3]), np.array([0.0, 1.0])))
    at_interface = 1.0 - 0.01 / 1.01
    assert solution.at(0.05, 0.3) == pytest.approx((1.0 + at_interface) / 2.0)
    assert solution.at(0.15, 0.3) == pytest.approx(at_interface / 2.0)
    assert solution.at(0.1, 1.0) == pytest.approx(at_interface)
    with pytest.raises(ValueError, match="lies in no solid"):
        solution.at(-0.05, 0.5)
    with pytest.raises(ValueError, match="outside the model"):
        solution.at(0.5, 0.5)


def test_a_solid_without_an_environment_is_refused():
    model = Model((Solid("lost", (0.0, 1.0), (0.0, 1.0), 1.0),), {})
    with pytest.raises(ValueError, match="touches no environment"):
        solve(model, uniform(model, 0.5))


def test_refinement_gives_up_loudly():
    model = column()
    with pytest.raises(ValueError, match="after five halvings"):
        refined(model, lambda s: s.heat_flow("hot"), uniform(model, 1 / 4), share=1e-6)


def test_graded_lines_are_fine_at_inner_edges_and_coarse_at_the_cuts():
    lines = graded_lines([0.0, 1.0, 1.006, 3.0], 0.01, 1.5)
    steps = np.diff(lines)
    assert {0.0, 1.0, 1.006, 3.0} <= set(lines)
    assert steps[0] == steps.max(initial=0.0, where=lines[1:] <= 1.0)
    assert steps[-1] == steps.max()
    assert steps[lines[:-1] >= 1.006][0] < 0.011
    assert len(graded_lines([0.0, 1.0], 0.1, 1.0)) == 11
