"""One budget: at most one option per home, most value, with a proven upper bound.

Method: the upper convex hull of each home's options, all increments in the order of value per
pound (the linear relaxation, so also the bound), the left-over spent by single swaps, and then the
few options that could still beat the answer handed to an exact solver.
Source of the relaxation: Sinha and Zoltners 1979, The multiple-choice knapsack problem,
Operations Research 27(3).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from pipeline.physics import Floats
from pipeline.programme import highs

Ints = NDArray[np.int64]
_CHUNK = 4096
_SWAPS = 8
_BARRED = -1e300
_CORE = 400
"""Most options handed to the exact solver; beyond it the answer stays as found, with its gap."""
_EFFORT = highs.Effort(nodes=2_000)


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

    @property
    def gap(self) -> float:
        """Share of the bound that the answer may fall short of the best, 0 if it is the best."""
        return (self.bound - self.value) / self.bound if self.bound > 0.0 else 0.0


@dataclass(frozen=True)
class Frontier:
    """Corners of the curve of most value against budget; between corners it is straight."""

    budget: Floats
    value: Floats
    price: Floats


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
    budget: >= 0, in the unit of cost. Raises ValueError for a negative cost or budget.
    """
    if budget < 0.0:
        raise ValueError(f"The budget is {budget}: give a budget of 0 or more.")
    return solve_from(steps(cost, value), cost, value, budget)


def solve_from(hulls: Steps, cost: Floats, value: Floats, budget: float) -> Funded:
    """As `solve`, with the hulls worked out before: one set of hulls serves many budgets."""
    spent = np.cumsum(hulls.cost)
    stop = int(np.searchsorted(spent, budget, side="right"))
    choice = hulls.base.copy()
    choice[hulls.home[:stop]] = hulls.option[:stop]  # in order, so the last step of a home stays
    rest = stop < hulls.cost.size
    price = float(hulls.value[stop] / hulls.cost[stop]) if rest else 0.0
    while (spend := _total(cost, choice)) > budget and stop > 0:  # rounding of the running sum
        stop -= 1
        choice = hulls.base.copy()
        choice[hulls.home[:stop]] = hulls.option[:stop]
    bound = _total(value, choice) + price * (budget - spend)
    choice = _spend_rest(cost, value, choice, budget - spend) if rest else choice
    found = _funded(cost, value, choice, price, bound)
    return _exact(cost, value, budget, found) if found.gap > 0.0 else found


def _funded(cost: Floats, value: Floats, choice: Ints, price: float, bound: float) -> Funded:
    worth = _total(value, choice)
    return Funded(choice, worth, _total(cost, choice), max(bound, worth), price)


def frontier(hulls: Steps, points: int = 200) -> Frontier:
    """The curve of most value against budget at no more than `points` of its corners."""
    budget = np.concatenate([[0.0], np.cumsum(hulls.cost)])
    worth = np.concatenate([[0.0], np.cumsum(hulls.value)])
    at = np.searchsorted(budget, np.linspace(0.0, budget[-1], points))
    at = np.unique(np.minimum(at, budget.size - 1))
    slope = np.append(hulls.value / hulls.cost, 0.0)
    return Frontier(budget[at], worth[at], slope[at])


def steps(cost: Floats, value: Floats) -> Steps:
    """Every home's upper convex hull as increments, in the order of value per pound."""
    homes = cost.shape[0]
    if cost.shape != value.shape:
        raise ValueError(f"cost is {cost.shape} but value is {value.shape}: make them alike.")
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


def _exact(cost: Floats, value: Floats, budget: float, found: Funded) -> Funded:
    """Better the choice among the options that the bound leaves open, or prove it the best.

    A home given an option that falls short of its best by more than the gap, at the price of the
    budget, cannot be part of a better answer; so few homes stay open.
    """
    homes, options = _open_options(cost, value, found.price, found.bound - found.value)
    if homes.size > _CORE:
        return found
    core, row = np.unique(homes, return_inverse=True)
    sure = _sure(cost, value, found.price, core)
    at = np.maximum(options, 0)
    dear = np.where(options >= 0, cost[homes, at], 0.0)
    gain = np.where(options >= 0, value[homes, at], 0.0)
    rest = budget - _total(cost, sure)
    column = np.arange(homes.size)
    rows = csr_array(
        (
            np.concatenate([np.ones(homes.size), dear]),
            (
                np.concatenate([row, np.full(homes.size, core.size)]),
                np.concatenate([column, column]),
            ),
        ),
        shape=(core.size + 1, homes.size),
    )
    one = np.ones(core.size)
    answer = highs.integer(gain, rows, np.append(one, -np.inf), np.append(one, rest), _EFFORT)
    if answer.x is None:
        return found
    on = answer.x > 0.5
    trial = sure.copy()
    trial[homes[on]] = options[on]
    if _total(cost, trial) > budget:  # within the solver's tolerance, not within the budget
        return replace(found, bound=min(found.bound, answer.bound + _total(value, sure)))
    choice = trial if _total(value, trial) > found.value else found.choice
    best = 0.0 if answer.proved else min(found.bound, answer.bound + _total(value, sure))
    return _funded(cost, value, choice, found.price, best)


def _open_options(cost: Floats, value: Floats, price: float, gap: float) -> tuple[Ints, Ints]:
    """Home and option (-1 for none) of all pairs within the gap, of homes with two or more."""
    homes: list[Ints] = []
    options: list[Ints] = []
    margin = gap * (1.0 + 1e-9) + 1e-9
    for part in _chunks(cost.shape[0]):
        net = _net(cost[part], value[part], price)
        close = net.max(axis=1, keepdims=True) - net <= margin
        home, option = np.nonzero(close & (close.sum(axis=1, keepdims=True) > 1))
        homes.append(home + part.start)
        options.append(option - 1)
    return np.concatenate(homes), np.concatenate(options)


def _net(cost: Floats, value: Floats, price: float) -> Floats:
    """Value less the price of the cost, [homes, 1 + options]; the first column is no option."""
    net = np.where(np.isnan(value), -np.inf, value - price * np.where(np.isnan(value), 0.0, cost))
    return np.concatenate([np.zeros((cost.shape[0], 1)), net], axis=1)


def _sure(cost: Floats, value: Floats, price: float, core: Ints) -> Ints:
    """The choice of every home outside the core: its best at the price; -1 within the core."""
    sure = np.empty(cost.shape[0], np.int64)
    for part in _chunks(cost.shape[0]):
        sure[part] = _net(cost[part], value[part], price).argmax(axis=1) - 1
    sure[core] = -1
    return sure
