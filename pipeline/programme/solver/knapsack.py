"""One budget and nothing else: at most one option per home, most value, a proven upper bound.

Method: the upper convex hull of each home's options, all increments in the order of value per
pound (the linear relaxation, so also the bound), and the left-over spent by single swaps.
Source of the relaxation: Sinha and Zoltners 1979, The multiple-choice knapsack problem,
Operations Research 27(3).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from pipeline.physics import Floats
from pipeline.programme.solver.rules import Ints

_CHUNK = 4096
_SWAPS = 8
_BARRED = -1e300


@dataclass(frozen=True)
class Funded:
    """choice: option of each home, -1 for none. bound: no choice within the budget is worth more.

    price: value that one more pound buys, by the linear relaxation.
    """

    choice: Ints
    value: float
    spend: float
    bound: float
    price: float


@dataclass(frozen=True)
class Steps:
    """Increments along the homes' hulls, best value per pound first; ties by home.

    base: option of each home that costs nothing and has most value, -1 for none.
    """

    home: Ints
    option: Ints
    cost: Floats
    value: Floats
    base: Ints


def solve(cost: Floats, value: Floats, budget: float) -> Funded:
    """Choose options for most value within the budget.

    cost: [homes, options], >= 0; value: [homes, options], NaN where the option is not allowed.
    budget: >= 0, in the unit of cost. Raises ValueError for a negative cost.
    """
    hulls = steps(cost, value)
    stop = int(np.searchsorted(np.cumsum(hulls.cost), budget, side="right"))
    rest = stop < hulls.cost.size
    price = float(hulls.value[stop] / hulls.cost[stop]) if rest else 0.0
    choice = _taken(hulls, stop)
    while (spend := _total(cost, choice)) > budget and stop > 0:  # rounding of the running sum
        stop -= 1
        choice = _taken(hulls, stop)
    bound = _total(value, choice) + price * (budget - spend)
    choice = _spend_rest(cost, value, choice, budget - spend) if rest else choice
    worth = _total(value, choice)
    return Funded(choice, worth, _total(cost, choice), max(bound, worth), price)


def _taken(hulls: Steps, stop: int) -> Ints:
    choice = hulls.base.copy()
    choice[hulls.home[:stop]] = hulls.option[:stop]  # in order, so the last step of a home stays
    return choice


def steps(cost: Floats, value: Floats) -> Steps:
    """Every home's upper convex hull as increments, in the order of value per pound."""
    homes = cost.shape[0]
    parts = [_hulls(cost[part], value[part], part.start) for part in _chunks(homes)]
    base = np.concatenate([p.base for p in parts]) if parts else np.zeros(0, np.int64)
    home, option, dear, worth = (
        np.concatenate([getattr(p, name) for p in parts] or [np.zeros(0, kind)])
        for name, kind in (("home", int), ("option", int), ("cost", float), ("value", float))
    )
    fall = -(worth / dear)
    order = np.argsort(fall)
    if (fall[order[1:]] == fall[order[:-1]]).any():
        order = np.argsort(fall, kind="stable")  # ties in the order of homes and of their steps
    return Steps(home[order], option[order], dear[order], worth[order], base)


def _hulls(cost: Floats, value: Floats, first: int) -> Steps:
    """Hulls of a batch of homes: from each corner the option of steepest rise is the next.

    Every home of the batch takes its step at once; a home without a rise drops out.
    """
    barred = np.isnan(value.T)
    dear, worth = np.where(barred, np.inf, cost.T), np.where(barred, _BARRED, value.T)
    if dear.size and not dear.min() >= 0.0:
        raise ValueError("A cost is below 0 or missing. Costs must be 0 or more.")
    free = np.where(dear == 0.0, worth, _BARRED)
    base = np.where(free.max(axis=0) > 0.0, free.argmax(axis=0), -1)
    here = np.maximum(free.max(axis=0), 0.0)
    at, home = np.zeros_like(here), np.arange(cost.shape[0])
    found: list[tuple[Ints, Ints, Floats, Floats]] = []
    while home.size:
        more, gain = dear - at, worth - here
        rise = gain / np.where(more > 0.0, more, np.inf)  # no step back: its rise is 0
        best = rise.argmax(axis=0)
        column = np.arange(home.size)
        keep = rise[best, column] > 0.0
        best, column, home = best[keep], column[keep], home[keep]
        found.append((home + first, best, more[best, column], gain[best, column]))
        dear, worth = dear[:, keep], worth[:, keep]
        column = np.arange(home.size)
        at, here = dear[best, column], worth[best, column]
    parts = [np.concatenate(part) for part in zip(*found, strict=True)]
    if not parts:
        parts = [np.zeros(0, int), np.zeros(0, int), np.zeros(0), np.zeros(0)]
    return Steps(parts[0], parts[1], parts[2], parts[3], base)


def _total(table: Floats, choice: Ints) -> float:
    """Sum of the chosen entries, correctly rounded so that the order of homes does not matter."""
    taken = np.flatnonzero(choice >= 0)
    return math.fsum(table[taken, choice[taken]])


def _chosen(table: Floats, choice: Ints) -> Floats:
    return np.where(choice >= 0, table[np.arange(choice.size), choice], 0.0)


def _chunks(homes: int) -> Iterator[slice]:
    return (slice(a, a + _CHUNK) for a in range(0, homes, _CHUNK))


def _spend_rest(cost: Floats, value: Floats, choice: Ints, rest: float) -> Ints:
    """Spend what is left: again and again the one swap of most value that still fits."""
    choice = choice.copy()
    for _ in range(_SWAPS):
        best, home, option = 0.0, -1, -1
        for part in _chunks(choice.size):
            more = cost[part] - _chosen(cost[part], choice[part])[:, None]
            gain = value[part] - _chosen(value[part], choice[part])[:, None]
            gain = np.where((more <= rest) & ~np.isnan(gain), gain, 0.0)
            top = int(gain.argmax())
            if gain.flat[top] > best:
                best = float(gain.flat[top])
                home, option = part.start + top // cost.shape[1], top % cost.shape[1]
        if home < 0:
            break
        before = cost[home, choice[home]] if choice[home] >= 0 else 0.0
        rest -= float(cost[home, option] - before)
        choice[home] = option
    return choice
