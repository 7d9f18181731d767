"""The whole allocation problem given to scipy's milp at once: the tests' independent answer.

Written apart from the solver: one binary for each home, option and year; a street lot is tied
together home by home; nothing is bounded, priced or reduced.
"""

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from pipeline.programme.solver.rules import Problem


def best_value(problem: Problem) -> float | None:
    """Value of the best allocation, None when no allocation keeps every rule."""
    index = [
        (i, k, t)
        for i in range(problem.homes)
        for k in range(problem.options)
        for t in range(problem.years)
        if not np.isnan(problem.value[i, k]) and problem.opened[k, t]
    ]
    if not index:
        return None if any(rule.asks for rule in problem.rules) else 0.0
    home, option, year = np.array(index).T
    value = problem.value[home, option] * problem.year_weight[year]
    rows: list[tuple[np.ndarray, float, float]] = []
    for i in np.unique(home):
        rows.append(((home == i).astype(float), -np.inf, 1.0))
    eligible = ~np.isnan(problem.value).all(axis=1)
    for lot in np.unique(problem.lots[problem.lots >= 0]):
        first, *others = [*np.flatnonzero((problem.lots == lot) & eligible)] or [-1]
        for other in others:
            for t in range(problem.years):
                on = year == t
                rows.append(((on & (home == first)) * 1.0 - (on & (home == other)), 0.0, 0.0))
    for rule in problem.rules:
        left = np.zeros(home.size)
        for name, weights in rule.terms.items():
            table = np.broadcast_to(problem.quantities[name], problem.value.shape)
            left += table[home, option] * np.array(weights)[year]
        low, high = (-np.inf, rule.limit) if rule.sense == "at_most" else (rule.limit, np.inf)
        rows.append((left, low, high))
    matrix = coo_array(np.array([row for row, _, _ in rows]))
    found = milp(
        -value,
        integrality=np.ones(value.size),
        bounds=Bounds(0, 1),
        constraints=LinearConstraint(matrix, [low for _, low, _ in rows], [h for _, _, h in rows]),
        options={"mip_rel_gap": 0},
    )
    if found.status == 2:
        return None
    assert found.status == 0, found.message
    on = found.x > 0.5
    return float(value[on].sum())
