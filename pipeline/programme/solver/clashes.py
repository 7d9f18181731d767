"""Which rules cannot be kept together: a smallest set of them.

A set of rules is possible when some allocation keeps all of them. A smallest impossible set is
found by hitting sets: take the fewest rules that meet every correction set known so far; if they
are impossible they are the answer, else grow them as far as they stay possible, and what is left
over is a new correction set. With many homes possibility is judged by linear programming over
whole-stock choices, on a sample of the lots where there are very many, and the final set is
certified on all homes.
Source of the method: Ignatiev, Previti, Liffiton and Marques-Silva 2015, Smallest MUS extraction
with minimal hitting set dualization, CP 2015.
"""

from dataclasses import replace

import numpy as np
from scipy.sparse import csr_array

from pipeline.physics import Floats
from pipeline.programme.solver import highs, integers
from pipeline.programme.solver.lots import NEVER, Lots
from pipeline.programme.solver.prices import sample
from pipeline.programme.solver.rules import Problem

_EXACT_CHOICES = 4_000
_EFFORT = highs.Effort(nodes=20_000)
_ROUNDS = 80
_SAMPLE = 20_000
_TOLERANCE = 1e-9


def smallest(problem: Problem) -> tuple[int, ...]:
    """Numbers of a smallest set of rules that clash; empty when all rules can be kept."""
    worthless = np.where(np.isnan(problem.value), np.nan, 0.0)
    judge = _Judge(Lots(replace(problem, value=worthless)))
    every = frozenset(range(len(problem.rules)))
    if judge.possible(every):
        return ()
    quick = judge.sampled()
    found = _smallest(quick, every)
    if judge is not quick and judge.possible(found):
        found = _smallest(judge, every)  # the sample was misleading
    return tuple(sorted(found))


def _smallest(judge: "_Judge", every: frozenset[int]) -> frozenset[int]:
    if judge.possible(every):
        return every
    corrections: list[frozenset[int]] = []
    while True:
        trial = _hitting(corrections, len(every))
        if not judge.possible(trial):
            return trial
        for rule in sorted(every - trial):
            if judge.possible(trial | {rule}):
                trial |= {rule}
        corrections.append(every - trial)


def _hitting(sets: list[frozenset[int]], rules: int) -> frozenset[int]:
    """The fewest rules that meet every set; the first in order where there are several."""
    if not sets:
        return frozenset()
    rows = csr_array(np.array([[float(j in one) for j in range(rules)] for one in sets]))
    worth = np.asarray(-1.0 - 1e-6 * np.arange(rules), dtype=np.float64)
    found = highs.integer(worth, rows, np.ones(len(sets)), np.full(len(sets), np.inf), _EFFORT)
    if found.x is None:
        raise RuntimeError("No set of rules meets all correction sets; this is a fault.")
    return frozenset(int(j) for j in np.flatnonzero(found.x > 0.5))


class _Judge:
    """Says whether some allocation keeps a set of rules. Choices once made serve all sets."""

    def __init__(self, lots: Lots) -> None:
        self.lots = lots
        self.scale = lots.magnitude
        self.known: dict[frozenset[int], bool] = {}
        self.left = np.zeros((lots.limit.size, 1))  # the choice of no works at all

    def sampled(self) -> "_Judge":
        """A judge of a sample of the lots, or this one where the lots are few enough."""
        few = self.lots.home.size <= 2 * _SAMPLE
        return self if few else _Judge(sample(self.lots, _SAMPLE))

    def possible(self, rules: frozenset[int]) -> bool:
        """Whether all of the rules can be kept together."""
        if not any(self.lots.limit[j] < 0.0 for j in rules):
            return True
        for known, answer in self.known.items():
            if (answer and rules <= known) or (not answer and known <= rules):
                return answer
        few = self.lots.home.size * self.lots.problem.options * self.lots.problem.years
        answer = self._linear(rules) and (few > _EXACT_CHOICES or self._exact(rules))
        self.known[rules] = answer
        return answer

    def _exact(self, rules: frozenset[int]) -> bool:
        """By integer programming; possible where the search does not end."""
        return integers.possible(self.lots, sorted(rules), _EFFORT)

    def _linear(self, rules: frozenset[int]) -> bool:
        """Least total excess over the limits by mixing whole-stock choices, more at each price."""
        keep = np.array(sorted(rules))
        limit = self.lots.limit[keep] / self.scale[keep]
        for _ in range(_ROUNDS):
            excess, prices = _mix(self.left[keep] / self.scale[keep, None], limit)
            if excess <= _TOLERANCE:
                return True
            full = np.zeros(self.lots.limit.size)
            full[keep] = prices / self.scale[keep]
            picks = self.lots.picks(full)
            best = np.maximum(picks.worth.max(axis=0, initial=0.0), 0.0).sum()
            if full @ self.lots.limit + best < -_TOLERANCE:
                return False  # at these prices every allocation exceeds the limits
            self.left = np.column_stack([self.left, self._used(picks.worth, full)])
        return True

    def _used(self, worth: Floats, full: Floats) -> Floats:
        year = np.where(worth.max(axis=0) > 0.0, worth.argmax(axis=0), -1)
        picks = self.lots.picks(full)
        left = np.zeros(full.size)
        for t in range(self.lots.problem.years):
            chosen = (year == t) & (worth[t] > NEVER)
            left += self.lots.left[:, :, t] @ self.lots.lot_amounts(t, picks.option[t], chosen)[
                1:
            ].sum(1)
        return left


def _mix(left: Floats, limit: Floats) -> tuple[float, Floats]:
    """Least sum of excesses of a mix of the columns over the limits, and the rules' prices."""
    rules, count = left.shape
    rows = csr_array(np.hstack([left, -np.eye(rules)]))
    value = np.concatenate([np.zeros(count), -np.ones(rules)])
    once = csr_array(np.concatenate([np.ones(count), np.zeros(rules)])[None])
    found = highs.linear(value, rows, limit, once)
    if found is None:
        raise RuntimeError("The excess over the limits has no least value; this is a fault.")
    return -found.value, found.prices
