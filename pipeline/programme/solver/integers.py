"""The choices that could still matter, solved in integers: exact when all that could are open.

A choice (home, option, year) falls short of its lot's best, at the prices, by its loss. By
Lagrangian duality no plan that uses it is worth more than the bound less the loss, so a choice
whose loss exceeds bound less best known value can be left out without missing a better plan.
"""

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array, csr_array

from pipeline.physics import Floats
from pipeline.programme.solver import highs, plan
from pipeline.programme.solver.highs import Effort
from pipeline.programme.solver.lots import NEVER, Lots
from pipeline.programme.solver.plan import Plan
from pipeline.programme.solver.rules import Bools, Ints

_TIGHTEN = 3
_SOME = Effort(nodes=100, gap=2e-4)
"""Effort of one search among some choices; a plan is wanted, not a proof."""


@dataclass(frozen=True)
class Answer:
    """plan: the best plan found; bound: no plan of the open choices is worth more."""

    plan: Plan
    bound: float
    proved: bool


@dataclass(frozen=True)
class Open:
    """What the integer programme may choose.

    base: [years, homes], option of each home when its lot is treated in the year. ways:
    [years, lots], years open to a lot. none: [lots], whether no works is open.
    home, option, year: [swaps], other options of homes than the base.
    """

    base: Ints
    ways: Bools
    none: Bools
    home: Ints
    option: Ints
    year: Ints


def losses(lots: Lots, prices: Floats, start: Plan | None) -> tuple[Ints, Floats, Floats, Floats]:
    """Base options, and the loss of each lot's year, of its no works, and of each home's option.

    start: a plan whose options are the base where it treats a home; the best at the prices else.
    Shapes: base [years, homes]; [years, lots]; [lots]; [years, options, homes].
    """
    nets = lots.nets(prices)
    base = nets.argmax(axis=1)
    if start is not None:
        treated = np.flatnonzero(start.option >= 0)
        base[start.year[lots.lot_of[treated]], treated] = start.option[treated]
    best = nets.max(axis=1)
    worth = np.add.reduceat(best, lots.start, axis=1)
    top = np.maximum(worth.max(axis=0), 0.0)
    year_loss = np.where(worth > NEVER, top - worth, np.inf)
    option_loss = np.where(nets > NEVER, best[:, None] - nets, np.inf)
    option_loss += year_loss[:, None, lots.lot_of]
    return base, year_loss, top, option_loss


def within(lots: Lots, prices: Floats, loss: float, start: Plan | None = None) -> Open:
    """All choices whose loss is no more than `loss`; those of `start` too."""
    base, year_loss, none_loss, option_loss = losses(lots, prices, start)
    ways = (year_loss <= loss) & np.isfinite(year_loss)
    return _opened(lots, base, (ways, none_loss <= loss, option_loss <= loss), option_loss, start)


def _opened(
    lots: Lots,
    base: Ints,
    keep: tuple[Bools, Bools, Bools],
    option_loss: Floats,
    start: Plan | None,
) -> Open:
    """The ways, no works and options to keep, with those of `start`, without what cannot be."""
    ways, none, options = keep
    if start is not None:
        treated = np.flatnonzero(start.year >= 0)
        ways[start.year[treated], treated] = True
        none = none | (start.year < 0)
    options = options & np.isfinite(option_loss) & ways[:, None, lots.lot_of]
    np.put_along_axis(options, base[:, None], False, axis=1)
    year, option, home = np.nonzero(options)
    return Open(base, ways, none, home, option, year)


def loss_of(lots: Lots, prices: Floats, entries: int) -> float:
    """The loss up to which so many choices are open; infinite where there are no more."""
    _, year_loss, none_loss, option_loss = losses(lots, prices, None)
    every = np.concatenate([year_loss.ravel(), none_loss, option_loss.ravel()])
    every = every[(every > 0.0) & np.isfinite(every)]
    return float(np.partition(every, entries)[entries]) if every.size > entries else np.inf


def better(
    lots: Lots, start: Plan, prices: Floats, entries: int, free: Bools | None = None
) -> Answer | None:
    """The best plan when only the `entries` choices of least loss are open; None if none found.

    start: plan to begin from, which may break rules or leave lots out; its choices stay open.
    free: [lots] that must be open to any of their years and to no works.
    """
    base, year_loss, none_loss, option_loss = losses(lots, prices, start)
    treated = np.flatnonzero(start.year >= 0)
    known, known_none = year_loss.copy(), np.where(start.year < 0, np.inf, none_loss)
    known[start.year[treated], treated] = np.inf
    swaps = option_loss.copy()
    np.put_along_axis(swaps, base[:, None], np.inf, axis=1)
    # lot by lot, so that a cut among equals leaves some lots wholly open
    every = np.concatenate([known.T.ravel(), known_none, swaps.transpose(2, 0, 1).ravel()])
    pick = np.zeros(every.size, bool)
    pick[np.argsort(every, kind="stable")[:entries]] = True
    pick &= np.isfinite(every)
    cut = known.size, known.size + known_none.size
    ways = pick[: cut[0]].reshape(known.T.shape).T.copy()
    none = pick[cut[0] : cut[1]]
    if free is not None:
        ways[:, free] |= np.isfinite(year_loss[:, free])
        none = none | free
    years, options, homes = swaps.shape
    some = pick[cut[1] :].reshape(homes, years, options).transpose(1, 2, 0)
    return best(lots, _opened(lots, base, (ways, none, some), option_loss, start), _SOME)


def best(lots: Lots, some: Open, effort: Effort) -> Answer | None:
    """The best plan of the open choices that keeps every rule, None if none was found."""
    lot_year, lot = np.nonzero(some.ways)
    table = np.concatenate([_way_amounts(lots, some, lot_year), _swaps(lots, some)], axis=1)
    left = table[1:]
    rows, low, high = _structure(lots, some, lot_year, lot)
    limit, bound = lots.limit.copy(), np.inf
    for _ in range(_TIGHTEN):
        all_rows = csr_array(np.vstack([left, rows])) if left.size else csr_array(rows)
        floor = np.concatenate([np.full(limit.size, -np.inf), low])
        found = highs.integer(table[0], all_rows, floor, np.concatenate([limit, high]), effort)
        if found.x is None:
            return None
        answer = _read(lots, some, lot_year, lot, found.x > 0.5)
        over = answer.left - lots.limit
        bound = found.bound if np.isinf(bound) else bound  # of the limits as they are
        if plan.keeps_rules(lots, answer):
            return Answer(answer, bound, found.proved and bool((limit == lots.limit).all()))
        limit = np.where(over > 0.0, limit - 2.0 * over, limit)  # the solver's own tolerance
    return None


def possible(lots: Lots, rules: list[int], effort: Effort) -> bool:
    """Whether some plan keeps these rules; True where the search ends without an answer."""
    some = within(lots, np.zeros(lots.limit.size), np.inf)
    lot_year, lot = np.nonzero(some.ways)
    table = np.concatenate([_way_amounts(lots, some, lot_year), _swaps(lots, some)], axis=1)
    rows, low, high = _structure(lots, some, lot_year, lot)
    left = table[1:][rules]
    floor = np.concatenate([np.full(len(rules), -np.inf), low])
    ceiling = np.concatenate([lots.limit[rules], high])
    all_rows = csr_array(np.vstack([left, rows]))
    return not highs.integer(table[0], all_rows, floor, ceiling, effort).infeasible


def _way_amounts(lots: Lots, some: Open, year: Ints) -> Floats:
    """[1 + rules, ways], value and left sides of each lot in each open year, base options."""
    out = np.zeros((1 + lots.limit.size, year.size))
    for t in range(lots.problem.years):
        here = year == t
        table = lots.lot_amounts(t, some.base[t], some.ways[t])
        out[0, here], out[1:, here] = table[0], lots.left[:, :, t] @ table[1:]
    return out


def _swaps(lots: Lots, some: Open) -> Floats:
    """[1 + rules, swaps], what each swap of a home's option adds."""
    out = np.zeros((1 + lots.limit.size, some.home.size))
    for t in range(lots.problem.years):
        here = np.flatnonzero(some.year == t)
        here = here[np.argsort(some.home[here], kind="stable")]
        if here.size:
            at = some.home[here]
            change = lots.amounts(t, some.option[here], at) - lots.amounts(t, some.base[t, at], at)
            out[0, here], out[1:, here] = change[0], lots.left[:, :, t] @ change[1:]
    return out


def _structure(lots: Lots, some: Open, year: Ints, lot: Ints) -> tuple[Floats, Floats, Floats]:
    """Rows that tie the columns: one year for a lot; one swap for a home, in its lot's year."""
    ways, swaps = lot.size, some.home.size
    number = np.full(some.ways.shape, -1)
    number[year, lot] = np.arange(ways)
    pair, row = np.unique(some.home * some.ways.shape[0] + some.year, return_inverse=True)
    home, t = pair // some.ways.shape[0], pair % some.ways.shape[0]
    lots_of = np.unique(lot)
    row_of = np.searchsorted(lots_of, lot)
    size = lots_of.size + pair.size
    entries = np.ones(ways + swaps + pair.size)
    entries[ways + swaps :] = -1.0
    at_row = np.concatenate([row_of, lots_of.size + row, lots_of.size + np.arange(pair.size)])
    at_column = np.concatenate(
        [np.arange(ways), ways + np.arange(swaps), number[t, lots.lot_of[home]]]
    )
    rows = coo_array((entries, (at_row, at_column)), shape=(size, ways + swaps)).toarray()
    low = np.full(size, -np.inf)
    low[: lots_of.size] = np.where(some.none[lots_of], 0.0, 1.0)
    high = np.concatenate([np.ones(lots_of.size), np.zeros(pair.size)])
    return rows, low, high


def _read(lots: Lots, some: Open, way_year: Ints, way_lot: Ints, on: Bools) -> Plan:
    """The plan that the columns stand for."""
    ways = way_lot.size
    year = np.full(lots.size.size, -1)
    year[way_lot[on[:ways]]] = way_year[on[:ways]]
    spread = year[lots.lot_of]
    option = np.where(spread >= 0, some.base[np.maximum(spread, 0), np.arange(spread.size)], -1)
    swap = on[ways:]
    option[some.home[swap]] = some.option[swap]
    return plan.build(lots, year, option)
