"""From a softened choice of years to one year for each lot, keeping the rules' left sides.

Lots that are split between years are settled one by one, the largest first; each takes the year
that brings the running sums nearest to the sums of the softened choice, so errors cancel instead
of adding up (error diffusion, here over all rules at once).
"""

import numpy as np

from pipeline.physics import Floats
from pipeline.programme.solver import plan
from pipeline.programme.solver.lots import NEVER, Lots, Picks, product
from pipeline.programme.solver.plan import Plan
from pipeline.programme.solver.prices import typical_prices
from pipeline.programme.solver.rules import Bools, Ints

_SPLIT = 1e-3
_DROPS = 300
_UNLIKELY = 1e-4
_STIFF = 30.0
"""Running errors of so many lots weigh as much as the value of a lot; less is more exact sums at
more loss."""
_MOST = 40_000
"""Most lots settled one by one; beyond it those nearest to a clear choice are drawn."""


def rounded(lots: Lots, picks: Picks, share: Floats, prices: Floats) -> Plan:
    """One year, or none, for each lot. share: [1 + years, lots], the softened choice."""
    unsure = 1.0 - share.max(axis=0)
    year = np.where(unsure > _SPLIT, _drawn(picks, share), share.argmax(axis=0) - 1)
    order = np.argsort(-unsure, kind="stable")[:_MOST]
    split = np.zeros(lots.size.size, bool)
    split[order[unsure[order] > _SPLIT]] = True
    if split.any():
        weight = prices + 5e-1 * typical_prices(lots)
        used, likely = _used(lots, picks, share, split, weight)
        sure = plan.of_years(lots, picks, np.where(split, -1, year))
        rest = (lots.limit - sure.left) * weight
        top = np.maximum(picks.worth.max(axis=0), 0.0)[split]
        loss = top - np.vstack([np.zeros(top.size), picks.worth[:, split]])
        mean = (np.where(np.isfinite(used), used, 0.0) * likely[:, :, None]).sum(axis=1)
        over = rest - mean.sum(axis=0)
        error = np.where(prices > 0.0, over, np.minimum(over, 0.0))
        year[split] = _settled(used, mean, loss.T, lots.size[split], error)
    return plan.of_years(lots, picks, year)


def _drawn(picks: Picks, share: Floats) -> Ints:
    """A year for each lot in proportion to its shares, by the golden-ratio sequence: no clumps."""
    draw = (0.5 + np.arange(share.shape[1]) * 0.6180339887498949) % 1.0
    year = (np.cumsum(share, axis=0)[:-1] <= draw).sum(axis=0) - 1
    barred = picks.worth[np.maximum(year, 0), np.arange(year.size)] < NEVER
    return np.where(barred, -1, year)


def _used(
    lots: Lots, picks: Picks, share: Floats, split: Bools, weight: Floats
) -> tuple[Floats, Floats]:
    """Left sides of the split lots, [lots, 1 + years, rules], in the unit of value, and shares."""
    number = np.flatnonzero(split)
    used = np.full((number.size, share.shape[0], weight.size), np.inf)
    used[share[0, split] > _UNLIKELY, 0] = 0.0
    for year in range(lots.problem.years):
        chosen = split & (picks.worth[year] > NEVER) & (share[1 + year] > _UNLIKELY)
        left = product(
            lots.left[:, :, year], lots.lot_amounts(year, picks.option[year], chosen)[1:]
        )
        used[chosen[number], 1 + year] = left.T * weight
    return used, share[:, split].T


def _settled(used: Floats, mean: Floats, loss: Floats, size: Ints, error: Floats) -> Ints:
    """Year of each split lot, -1 for none. loss: [lots, 1 + years], value short of the best.

    used: [lots, 1 + years, rules], infinite where not open; mean: [lots, rules], of the softened
    choice. error: [rules], what is left of the limits beyond the means, to be used up.
    """
    size_of = np.abs(np.where(np.isfinite(used), used, 0.0)).max(axis=(1, 2))
    stiff = _STIFF * float(size_of.mean())
    year = np.empty(size.size, np.int64)
    for lot in np.argsort(-size, kind="stable"):
        after = error + mean[lot] - used[lot]
        best = int((np.einsum("yj,yj->y", after, after) / stiff + loss[lot]).argmin())
        year[lot], error = best - 1, after[best]
    return year


def dropped(lots: Lots, draft: Plan, prices: Floats) -> Plan | None:
    """The draft less lots until every rule holds, None where that is not enough.

    The rule broken worst comes first; of the lots that weigh on it, those go that are worth
    least, net of the other rules, for what they weigh.
    """
    value, left = plan.by_lot(lots, draft)
    net = value - prices @ left
    keep, total = draft.year >= 0, draft.left.copy()
    for _ in range(_DROPS):
        over = total - lots.limit
        over = np.where(over > plan.tolerance(lots), over / lots.magnitude, 0.0)
        worst = int(over.argmax())
        if over[worst] <= 0.0:
            found = plan.without(lots, draft, ~keep)
            return found if plan.keeps_rules(lots, found) else None
        weighs = np.flatnonzero(keep & (left[worst] > 0.0))
        weighs = weighs[np.argsort(net[weighs] / left[worst, weighs], kind="stable")]
        enough = np.searchsorted(np.cumsum(left[worst, weighs]), total[worst] - lots.limit[worst])
        going = weighs[: enough + 1]
        if not going.size:
            return None
        keep[going] = False
        total -= left[:, going].sum(axis=1)
    return None
