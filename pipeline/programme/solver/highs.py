"""The one door to scipy's linear and integer programming (HiGHS). Deterministic: no time limits."""

from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_array

from pipeline.physics import Floats


@dataclass(frozen=True)
class Integer:
    """Answer of `integer`: x [columns] of 0 and 1, or None; bound no answer can pass."""

    x: Floats | None
    bound: float
    proved: bool
    infeasible: bool


@dataclass(frozen=True)
class Linear:
    """Answer of `linear`: x [columns], value, and prices [rows] of the upper limits, >= 0."""

    x: Floats
    value: float
    prices: Floats


@dataclass(frozen=True)
class Effort:
    """nodes: most branch-and-bound nodes; a count, not a time, so that the answer repeats.

    gap: relative gap that is good enough; at 0 an answer is proved within an absolute 1e-6.
    """

    nodes: int
    gap: float = 0.0


def integer(value: Floats, rows: csr_array, low: Floats, high: Floats, effort: Effort) -> Integer:
    """Maximise value·x over x in {0, 1} with low <= rows·x <= high."""
    if not value.size:
        fits = bool(np.all(low <= 0.0) and np.all(high >= 0.0))
        return Integer(np.zeros(0) if fits else None, 0.0, fits, not fits)
    found = milp(
        -value,
        integrality=np.ones(value.size),
        bounds=Bounds(0.0, 1.0),
        constraints=LinearConstraint(rows, low, high),
        options={"mip_rel_gap": effort.gap, "node_limit": effort.nodes},
    )
    x = None if found.x is None else np.round(found.x)
    best = found.mip_dual_bound
    bound = np.inf if best is None or not np.isfinite(best) else -float(best)
    return Integer(x, bound, found.status == 0 and effort.gap == 0.0, found.status == 2)


def linear(
    value: Floats, rows: csr_array, high: Floats, picks: csr_array, most: Floats
) -> Linear | None:
    """Maximise value·x over x >= 0 with rows·x <= high and picks·x = 1; None if infeasible.

    most: upper bound of each x, inf where there is none.
    """
    found = linprog(
        -value,
        A_ub=rows,
        b_ub=high,
        A_eq=picks if picks.shape[0] else None,
        b_eq=np.ones(picks.shape[0]) if picks.shape[0] else None,
        bounds=np.stack([np.zeros(value.size), most], axis=1),
        method="highs",
    )
    if found.status != 0:
        return None
    prices = np.maximum(-np.asarray(found.ineqlin.marginals), 0.0)
    return Linear(np.asarray(found.x), -float(found.fun), prices)
