"""A plan: the year of each lot and the option of each home, and how it stands with the rules."""

from dataclasses import dataclass

import numpy as np

from pipeline.physics import Floats
from pipeline.programme.solver.lots import NEVER, Lots, Picks, product
from pipeline.programme.solver.rules import Bools, Ints


@dataclass(frozen=True)
class Plan:
    """year: [lots], -1 for no works. option: [homes in the order of lots], -1 for no works.

    value and left [rules]: what the plan is worth and the signed left side of each rule.
    """

    year: Ints
    option: Ints
    value: float
    left: Floats


def tolerance(lots: Lots) -> Floats:
    """[rules], rounding allowed when a left side is compared with its limit."""
    return np.asarray(1e-9 * np.maximum(1.0, np.abs(lots.limit)))


def keeps_rules(lots: Lots, plan: Plan) -> bool:
    """Whether every rule holds, to rounding."""
    return bool((plan.left <= lots.limit + tolerance(lots)).all())


def nothing(lots: Lots) -> Plan:
    """The plan that treats no home."""
    none = np.full(lots.size.size, -1), np.full(lots.home.size, -1)
    return Plan(*none, 0.0, np.zeros(lots.limit.size))


def build(lots: Lots, year: Ints, option: Ints) -> Plan:
    """The plan of these years and options with its value and left sides added up."""
    value, left = 0.0, np.zeros(lots.limit.size)
    for t in range(lots.problem.years):
        at = lots.members(year == t)
        table = lots.amounts(t, option[at], at)
        value += float(table[0].sum())
        left += lots.left[:, :, t] @ table[1:].sum(axis=1)
    return Plan(year, option, value, left)


def by_lot(lots: Lots, whole: Plan) -> tuple[Floats, Floats]:
    """Value [lots] and left sides [rules, lots] of each lot in the plan; 0 without works."""
    value, left = np.zeros(lots.size.size), np.zeros((lots.limit.size, lots.size.size))
    for t in range(lots.problem.years):
        chosen = whole.year == t
        table = lots.lot_amounts(t, whole.option, chosen)
        value[chosen], left[:, chosen] = table[0], product(lots.left[:, :, t], table[1:])
    return value, left


def of_years(lots: Lots, picks: Picks, year: Ints) -> Plan:
    """The plan of these years in which every home takes its pick of the year."""
    spread = np.repeat(year, lots.size)
    option = picks.option[np.maximum(spread, 0), np.arange(spread.size)].astype(np.int64)
    return build(lots, year, np.where(spread >= 0, option, -1))


@dataclass(frozen=True)
class Columns:
    """Ways to treat lots: lot, year, value, left [rules, columns], and the picks they come from."""

    lot: Ints
    year: Ints
    source: Ints
    value: Floats
    left: Floats

    def take(self, keep: Ints | Bools) -> "Columns":
        """These columns only."""
        return Columns(
            self.lot[keep],
            self.year[keep],
            self.source[keep],
            self.value[keep],
            self.left[:, keep],
        )


def columns(lots: Lots, picks: Picks, source: int, within: float) -> Columns:
    """Each lot in each year with its homes' picks, where at most `within` a home below its best."""
    parts = []
    top = np.maximum(picks.worth.max(axis=0), 0.0) - within * lots.size
    for year in range(lots.problem.years):
        chosen = (picks.worth[year] > NEVER) & (picks.worth[year] >= top)
        lot = np.flatnonzero(chosen)
        table = lots.lot_amounts(year, picks.option[year], chosen)
        same = np.full(lot.size, year), np.full(lot.size, source)
        parts.append(Columns(lot, *same, table[0], product(lots.left[:, :, year], table[1:])))
    return merged(parts)


def merged(parts: list[Columns]) -> Columns:
    """All columns, the same way to treat a lot only once."""
    every = Columns(
        np.concatenate([p.lot for p in parts]),
        np.concatenate([p.year for p in parts]),
        np.concatenate([p.source for p in parts]),
        np.concatenate([p.value for p in parts]),
        np.concatenate([p.left for p in parts], axis=1),
    )
    key = np.round(np.vstack([every.lot, every.year, every.value, every.left]), 6)
    _, first = np.unique(key, axis=1, return_index=True)
    return every.take(np.sort(first))


def with_columns(lots: Lots, plan: Plan, ways: Columns, picks: list[Picks]) -> Plan:
    """The plan with these columns' lots treated their way; one column for a lot."""
    year, option = plan.year.copy(), plan.option.copy()
    year[ways.lot] = ways.year
    for lot, t, source in zip(ways.lot, ways.year, ways.source, strict=True):
        at = slice(lots.start[lot], lots.start[lot] + lots.size[lot])
        option[at] = picks[source].option[t, at]
    return build(lots, year, option)


def without(lots: Lots, plan: Plan, chosen: Bools) -> Plan:
    """The plan with no works in the chosen lots."""
    year = np.where(chosen, -1, plan.year)
    option = np.where(np.repeat(chosen, lots.size), -1, plan.option)
    return build(lots, year, option)


def restricted(lots: Lots, core: Lots, whole: Plan, chosen: Bools) -> Plan:
    """The part of a plan that concerns the chosen lots, as a plan of those lots alone."""
    return build(core, whole.year[chosen], whole.option[lots.members(chosen)])


def joined(lots: Lots, rest: Plan, chosen: Bools, found: Plan) -> Plan:
    """The rest of a plan together with a plan of the chosen lots."""
    year, option = rest.year.copy(), rest.option.copy()
    year[chosen] = found.year
    option[lots.members(chosen)] = found.option
    return build(lots, year, option)
