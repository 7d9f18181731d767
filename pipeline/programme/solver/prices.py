"""Prices on the rules that give the least upper bound on any allocation's value.

The bound at prices p >= 0 is p·limits plus the sum over lots of the best year's worth, or nothing
(Lagrangian relaxation). It is convex in p with corners; the best year is softened by a log-sum-exp
so that Newton's method applies, and hardened step by step. Every bound reported is a hard one.
Sources: Geoffrion 1974, Lagrangean relaxation for integer programming; Nesterov 2005, Smooth
minimization of non-smooth functions, Mathematical Programming 103.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import nnls

from pipeline.physics import Floats
from pipeline.programme.solver.lots import NEVER, Lots, Picks, gram, product

_HARDENING = (1.0, 0.3, 0.1, 0.03, 0.01, 0.003, 0.001, 0.0003)
_STEPS = 12
_SAMPLE = 8_000
_FEW = 5
_ENOUGH = 1e-6
_ENOUGH_SOFT = 1e-3
"""Gain, as a share of the bound, with which a step ends the search; more while it is soft."""
_SOFT = 1e-4
_FAINT = 1e-9


@dataclass(frozen=True)
class Bound:
    """prices: [rules], each >= 0. bound: no allocation that keeps the rules is worth more.

    soft_prices and temper [lots]: where the search ended and how soft the choice of year was there.
    missing: [rules, rules], curvature for each home that the softened bound lacks.
    """

    prices: Floats
    bound: float
    soft_prices: Floats
    temper: Floats
    missing: Floats | None


@dataclass(frozen=True)
class _Point:
    soft: float
    slope: Floats
    curve: Floats
    hard: float


def hard_bound(lots: Lots, prices: Floats, picks: Picks) -> float:
    """The upper bound at the prices."""
    return float(prices @ lots.limit + np.maximum(picks.worth.max(axis=0), 0.0).sum())


def search(lots: Lots, start: Floats | None = None) -> Bound:
    """The least bound found; for many homes the search begins on samples of the lots.

    start: prices near the answer, as from the same problem with another budget.
    """
    begin = None if start is None else Bound(start, np.inf, start, np.ones(0), None)
    hardening: tuple[float, ...] = _HARDENING if start is None else _HARDENING[3:]
    for homes in (_SAMPLE, 6 * _SAMPLE):
        if lots.home.size > 3 * homes:
            begin = least(sample(lots, homes), begin, hardening)
            hardening = _HARDENING[-2:]
    if lots.home.size > 2 * _SAMPLE:
        return least(lots, begin, _HARDENING[-1:], _FEW)
    return least(lots, begin, hardening)


def sample(lots: Lots, homes: int) -> Lots:
    """Every so-many-th lot as a problem of its own, its limits in proportion to its homes."""
    chosen = np.zeros(lots.size.size, bool)
    chosen[:: lots.home.size // homes] = True
    some = lots.part(chosen)
    some.limit = lots.limit * (some.home.size / lots.home.size)
    return some


def least(
    lots: Lots,
    begin: Bound | None = None,
    hardening: tuple[float, ...] = _HARDENING,
    steps: int = _STEPS,
) -> Bound:
    """Search for the prices of the least bound, from where another search ended or from nothing.

    The softened bound knows the curvature of lots that change year, but not of homes that change
    option; what it lacks is learnt from the slopes along the way (a symmetric rank-one update).
    """
    prices = np.zeros(lots.limit.size) if begin is None else begin.soft_prices
    best = Bound(prices, hard_bound(lots, prices, lots.picks(prices)), prices, np.ones(0), None)
    if not lots.home.size or not prices.size:
        return best
    scale = lots.scale
    missing = np.zeros((prices.size, prices.size))
    if begin is not None and begin.missing is not None:
        missing = begin.missing * lots.home.size
    for softness in hardening:
        temper: Floats = np.asarray(softness * scale * lots.size, dtype=np.float64)
        damping = 0.0
        point = _point(lots, prices, temper)
        for _ in range(steps):
            trial, gain = _step(prices, point, missing, damping, lots)
            if gain <= max(_ENOUGH, _ENOUGH_SOFT * softness) * abs(point.soft):
                break
            after = _point(lots, trial, temper)
            if after.hard < best.bound:
                best = replace(best, prices=trial, bound=after.hard)
            missing = _learnt(missing, point, after, trial - prices)
            if after.soft < point.soft - 1e-3 * gain:
                prices, point, damping = trial, after, damping / 4.0
            else:
                damping = 4.0 * damping + 0.5
                if damping > 1e3:
                    break
    return replace(best, soft_prices=prices, temper=temper, missing=missing / lots.home.size)


def _learnt(missing: Floats, point: _Point, after: _Point, move: Floats) -> Floats:
    """The missing curvature after the slopes at both ends of a move are known."""
    known = 0.5 * (point.curve + after.curve) + missing
    rest = after.slope - point.slope - known @ move
    along = float(rest @ move)
    if along <= 1e-6 * float(move @ known @ move):
        return missing * 0.8 if along < 0.0 else missing
    return missing + np.outer(rest, rest) / along


def likely(picks: Picks, temper: Floats) -> Floats:
    """[1 + years, lots], softened choice of no works (first) or of each year; sums to 1."""
    worth = np.concatenate([np.zeros((1, temper.size)), picks.worth / temper])
    np.subtract(worth, worth.max(axis=0), out=worth)
    np.exp(worth, out=worth)
    return np.asarray(worth / worth.sum(axis=0))


def _point(lots: Lots, prices: Floats, temper: Floats) -> _Point:
    """Softened bound with its slope and curvature in the prices; and the hard bound."""
    picks = lots.picks(prices)
    share = likely(picks, temper)
    top = np.maximum(picks.worth.max(axis=0), 0.0)
    first = np.where(picks.worth.max(axis=0) > 0.0, share[1:].max(axis=0), share[0])
    soft = prices @ lots.limit + top.sum() - (temper * np.log(first)).sum()
    slope = lots.limit.copy()
    curve = np.zeros((prices.size, prices.size))
    open_lots = share.max(axis=0) < 1.0 - _SOFT
    mean = np.zeros((prices.size, int(open_lots.sum())))
    for year in range(lots.problem.years):
        chosen = share[1 + year] > _FAINT
        chosen &= picks.worth[year] > NEVER
        used = product(
            lots.left[:, :, year], lots.lot_amounts(year, picks.option[year], chosen)[1:]
        )
        weight = share[1 + year, chosen]
        slope -= (used * weight).sum(axis=1)
        here = open_lots[chosen]
        used, weight = used[:, here], weight[here]
        curve += gram(used * (weight / temper[chosen][here]), used)
        mean[:, chosen[open_lots]] += used * weight
    rounding = 1e-12 * np.diag(np.diag(curve))  # more than the difference may lose of its digits
    curve += rounding - gram(mean / temper[open_lots], mean)
    return _Point(float(soft), slope, curve, hard_bound(lots, prices, picks))


def _step(
    prices: Floats, point: _Point, missing: Floats, damping: float, lots: Lots
) -> tuple[Floats, float]:
    """Newton step kept at prices >= 0, and the gain it promises.

    A rule without curvature still moves by no more than its price and a typical price.
    """
    floor = 0.2 * np.abs(point.slope) / (prices + typical_prices(lots))
    curve = (point.curve + missing) * (1.0 + damping)
    short = np.maximum(floor * (1.0 + damping) - np.diag(curve), 0.0)
    curve = curve + np.diag(short + 1e-9 * np.diag(curve) + 1e-300)
    unit = 1.0 / np.sqrt(np.diag(curve))
    root = np.linalg.cholesky(curve * unit * unit[:, None] + 1e-10 * np.eye(unit.size))
    aim = np.linalg.solve(root, -unit * (point.slope - curve @ prices))
    trial, _ = nnls(root.T, aim)
    trial = trial * unit
    move = trial - prices
    return trial, float(-(point.slope @ move) - 0.5 * move @ curve @ move)


def typical_prices(lots: Lots) -> Floats:
    """[rules], the price at which a rule takes all value when every home is treated."""
    return np.asarray(lots.scale * lots.home.size / lots.magnitude)
