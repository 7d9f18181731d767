"""From prices to a plan that keeps every rule: the lots that are sure stay, the rest are solved.

Lots whose best choice is clear at the prices are fixed. The core, the lots nearest to another
choice, goes to a linear programme with several ways to treat each lot; what that leaves split
goes, with its neighbours, to an integer programme.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csr_array

from pipeline.physics import Floats
from pipeline.programme.solver import highs, integers, plan
from pipeline.programme.solver.lots import Lots, Picks
from pipeline.programme.solver.plan import Columns, Plan
from pipeline.programme.solver.prices import typical_prices

_ROUNDS = 6
_SPREAD = (0.97, 1.03)
"""Prices are also tried a little lower and higher, for other options of the same lot."""
_SPLIT = 1e-6
_ENTRIES = (400, 1_600, 6_400)
"""Choices left open to the integer programme; more when it finds no plan."""
_BLOCK = 100
_BLOCKS = 4
_GOOD = 1e-3
"""A gap with which no more time is spent, save for exact proof on few homes."""
_FAR = 0.3
_FINE = 100.0
"""Fine for a limit exceeded, in the price at which a rule takes all value."""


@dataclass(frozen=True)
class Relaxed:
    """The linear programme of a core: columns, their shares [columns] and the rules' prices.

    fits: whether the limits hold; each may be exceeded at a fine while better ways are sought.
    """

    ways: Columns
    share: Floats
    prices: Floats
    value: float
    fits: bool


def margins(lots: Lots, picks: Picks) -> Floats:
    """[lots], value for each home between a lot's best choice and its next, no works included."""
    ranked = np.sort(np.vstack([np.zeros(lots.size.size), picks.worth]), axis=0)
    return np.asarray((ranked[-1] - ranked[-2]) / lots.size)


def mended(lots: Lots, start: Plan, picks: Picks, prices: Floats, count: int) -> Plan | None:
    """The plan with its `count` nearest lots chosen anew so that every rule holds; None if not.

    start: a plan that may break rules.
    """
    chosen = np.zeros(lots.size.size, bool)
    chosen[np.argsort(margins(lots, picks), kind="stable")[:count]] = True
    rest = plan.without(lots, start, chosen)
    core = lots.part(chosen)
    core.limit = lots.limit - rest.left
    found = solve(core, prices, 0.5 * _GOOD * abs(start.value))
    if found is None:
        return None
    whole = plan.joined(lots, rest, chosen, found)
    return whole if plan.keeps_rules(lots, whole) else None


def polished(lots: Lots, start: Plan, picks: Picks, prices: Floats, bound: float) -> Plan:
    """The plan bettered block by block: lots nearest to tipping, some at a time, in integers."""
    order = np.argsort(margins(lots, picks), kind="stable")
    for block in range(_BLOCKS):
        chosen = np.zeros(lots.size.size, bool)
        chosen[order[block * _BLOCK : (block + 1) * _BLOCK]] = True
        if not chosen.any() or bound - start.value <= _GOOD * abs(bound):
            break
        rest = plan.without(lots, start, chosen)
        core = lots.part(chosen)
        core.limit = lots.limit - rest.left
        here = plan.restricted(lots, core, start, chosen)
        found = integers.better(core, here, prices, _ENTRIES[0])
        if found is not None and found.plan.value > here.value:
            whole = plan.joined(lots, rest, chosen, found.plan)
            if plan.keeps_rules(lots, whole) and whole.value > start.value:
                start = whole
    return start


def solve(core: Lots, prices: Floats, enough: float) -> Plan | None:
    """The best plan found for the core's lots within its limits, None if none was found.

    enough: value short of the linear programme's with which no wider search is made.
    """
    tried = [core.picks(prices * factor) for factor in (1.0, *_SPREAD)]
    relaxed, tried = relax(core, prices, tried)
    if relaxed is None or not relaxed.fits:
        return None
    ways, share = relaxed.ways, relaxed.share
    whole = np.flatnonzero(share > 1.0 - _SPLIT)
    start = plan.with_columns(core, plan.nothing(core), ways.take(whole), tried)
    split = np.zeros(core.size.size, bool)
    split[ways.lot[(share > _SPLIT) & (share <= 1.0 - _SPLIT)]] = True
    best: Plan | None = None
    for entries in _ENTRIES:
        found = integers.better(core, start, relaxed.prices, entries, split)
        if found is not None and (best is None or found.plan.value > best.value):
            best = found.plan
        if best is not None and (entries > _ENTRIES[0] or relaxed.value - best.value <= enough):
            break
    return best


def relax(core: Lots, prices: Floats, tried: list[Picks]) -> tuple[Relaxed | None, list[Picks]]:
    """The core's linear programme; ways to treat lots are added at its own prices, some rounds."""
    far = _FAR * core.scale
    parts = [plan.columns(core, picks, n, far) for n, picks in enumerate(tried)]
    relaxed: Relaxed | None = None
    for _ in range(_ROUNDS):
        ways = plan.merged(parts)
        after = _linear(core, ways)
        if after is None:
            return relaxed, tried
        stale = relaxed is not None and after.value <= relaxed.value + 1e-6 * abs(relaxed.value)
        relaxed = after
        if stale:
            break
        tried = [*tried, core.picks(relaxed.prices)]
        parts = [ways, plan.columns(core, tried[-1], len(tried) - 1, far)]
    return relaxed, tried


def _linear(core: Lots, ways: Columns) -> Relaxed | None:
    """The linear programme over the columns, no works for each lot, and excess of each rule."""
    lots, count, rules = core.size.size, ways.lot.size, core.limit.size
    fine = _FINE * typical_prices(core)
    value = np.concatenate([ways.value, np.zeros(lots), -fine])
    rows = csr_array(np.hstack([ways.left, np.zeros((rules, lots)), -np.eye(rules)]))
    lot = np.concatenate([ways.lot, np.arange(lots)])
    place = np.arange(lot.size)
    picks = coo_array((np.ones(lot.size), (lot, place)), shape=(lots, value.size))
    found = highs.linear(value, rows, core.limit, picks.tocsr())
    if found is None:
        return None
    fits = bool((found.x[-rules:] * fine <= _SPLIT * core.scale).all()) if rules else True
    return Relaxed(ways, found.x[:count], found.prices, found.value, fits)
