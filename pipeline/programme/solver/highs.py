"""The one door to scipy's linear and integer programming (HiGHS). Deterministic: no time limits."""

import os
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import csr_array

from pipeline.physics import Floats

_ONE_AT_A_TIME = threading.Lock()
"""Held while standard output is turned away: the process has one, its threads are several."""


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
    with _quiet():
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


def linear(value: Floats, rows: csr_array, high: Floats, picks: csr_array) -> Linear | None:
    """Maximise value·x over x >= 0 with rows·x <= high and picks·x = 1; None if infeasible."""
    found = linprog(
        -value,
        A_ub=rows,
        b_ub=high,
        A_eq=picks if picks.shape[0] else None,
        b_eq=np.ones(picks.shape[0]) if picks.shape[0] else None,
        method="highs",
    )
    if found.status != 0:
        return None
    prices = np.maximum(-np.asarray(found.ineqlin.marginals), 0.0)
    return Linear(np.asarray(found.x), -float(found.fun), prices)


@contextmanager
def _quiet() -> Iterator[None]:
    """HiGHS prints a line of its own debugging past Python; keep it off standard output."""
    with _ONE_AT_A_TIME:
        sys.stdout.flush()
        kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 1)
            yield
        finally:
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)
