"""The problem arranged by street lot: what each lot is worth in each year at given rule prices.

At prices on the rules every home picks its best option by itself, a lot is the sum of its homes,
and a lot picks its best year by itself. Homes are kept in batches laid out option by option so
that a batch stays in the processor's cache.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from pipeline.physics import Floats
from pipeline.programme.solver.rules import Bools, Ints, Problem

Small = NDArray[np.int16]

_BATCH = 512
_PRODUCT = 100_000
_BARRED = -1e300
NEVER = -1e200
"""A lot worth less than this in a year cannot be treated in that year."""


@dataclass(frozen=True)
class Picks:
    """worth: [years, lots] at the prices, below NEVER where barred. option: [years, homes]."""

    worth: Floats
    option: Small


def product(left: Floats, right: Floats) -> Floats:
    """left @ right, in pieces so small that the linear algebra library keeps to one thread.

    Its threads wait for each other; on a busy machine small products get slower a hundredfold.
    """
    wide = max(1, _PRODUCT // max(1, left.size))
    if right.shape[1] <= wide:
        return np.asarray(left @ right)
    out = np.empty((left.shape[0], right.shape[1]))
    for first in range(0, right.shape[1], wide):
        np.matmul(left, right[:, first : first + wide], out=out[:, first : first + wide])
    return out


def gram(left: Floats, right: Floats) -> Floats:
    """left @ right.T for two wide arrays, in small pieces for the same reason."""
    deep = max(1, _PRODUCT // max(1, left.shape[0] * right.shape[0]))
    out = np.zeros((left.shape[0], right.shape[0]))
    for first in range(0, left.shape[1], deep):
        out += left[:, first : first + deep] @ right[:, first : first + deep].T
    return out


class Lots:
    """Eligible homes in the order of their lots. A home on its own is a lot of one.

    home: [eligible], index in the problem. start: [lots], first home of each lot in that order.
    left: [rules, quantities, years], signed weights; limit: [rules], signed: left side <= limit.
    """

    def __init__(self, problem: Problem, only: Bools | None = None) -> None:
        """Arrange the problem. only: [homes], keep just these homes, whole lots of them."""
        self.problem = problem
        eligible = ~np.isnan(problem.value).all(axis=1)
        home = np.flatnonzero(eligible if only is None else eligible & only)
        alone = problem.lots.max(initial=0) + 1 + np.arange(problem.homes)
        lot = np.where(problem.lots >= 0, problem.lots, alone)[home]
        order = np.argsort(lot, kind="stable")
        self.home: Ints = home[order]
        self.start: Ints = np.flatnonzero(np.diff(lot[order], prepend=-1))
        self.size: Ints = np.diff(self.start, append=home.size)
        self._split_quantities()
        self._weigh_rules()
        self._load()

    def _split_quantities(self) -> None:
        """Quantities per home and option, per home, and per option are kept apart."""
        tables = self.problem.quantities
        tall = {name: table.shape[0] > 1 for name, table in tables.items()}
        wide = {name: table.shape[1] > 1 for name, table in tables.items()}
        self.dense = [name for name in tables if tall[name] and wide[name]]
        by_home = [name for name in tables if tall[name] and not wide[name]]
        by_option = [name for name in tables if not tall[name]]
        self.names = self.dense + by_home + by_option
        self.of_home = np.array([tables[name][self.home, 0] for name in by_home])
        self.of_home = self.of_home.reshape(len(by_home), self.home.size)
        self.of_option = np.array(
            [np.broadcast_to(tables[name][0], (self.problem.options,)) for name in by_option]
        ).reshape(len(by_option), self.problem.options)

    def _weigh_rules(self) -> None:
        rules = self.problem.rules
        self.left = np.zeros((len(rules), len(self.names), self.problem.years))
        for j, rule in enumerate(rules):
            for name, weights in rule.terms.items():
                self.left[j, self.names.index(name)] = rule.sign * np.array(weights)
        self.limit = np.array([rule.sign * rule.limit for rule in rules])

    def _load(self) -> None:
        """Copy value and dense quantities into batches [1 + dense, options, homes of batch]."""
        value, tables = self.problem.value, self.problem.quantities
        self.batches: list[Floats] = []
        for first in range(0, self.home.size, _BATCH):
            home = self.home[first : first + _BATCH]
            batch = np.empty((1 + len(self.dense), value.shape[1], home.size))
            worth = value[home].T
            barred = np.isnan(worth)
            batch[0] = np.where(barred, _BARRED, worth)
            for q, name in enumerate(self.dense, start=1):
                batch[q] = np.where(barred, 0.0, tables[name][home].T)
            self.batches.append(batch)
        self.shut = np.where(self.problem.opened.T, 0.0, _BARRED)

    @cached_property
    def lot_of(self) -> Ints:
        """[eligible], number of the lot of each home in the order kept here."""
        return np.repeat(np.arange(self.size.size), self.size)

    @cached_property
    def scale(self) -> float:
        """Typical value of a home's best option; the unit of softness."""
        top = [np.maximum(batch[0].max(axis=0), 0.0).sum() for batch in self.batches]
        return float(sum(top)) / max(self.home.size, 1) or 1.0

    @cached_property
    def magnitude(self) -> Floats:
        """[rules], typical size of a left side, were every home treated; never 0."""
        sums = np.zeros(len(self.dense))
        for batch in self.batches:
            sums += np.abs(batch[1:]).sum(axis=(1, 2)) / batch.shape[1]
        by_home = np.abs(self.of_home).sum(axis=1)
        by_option = np.abs(self.of_option).mean(axis=1) * self.home.size
        total = np.concatenate([sums, by_home, by_option])
        size = np.abs(self.left).max(axis=2) @ total
        return np.where(size > 0.0, size, 1.0)

    def part(self, chosen: Bools) -> "Lots":
        """The chosen lots as a problem of their own, in the same order; limits as for all."""
        keep = np.zeros(self.problem.homes, bool)
        keep[self.home[self.members(chosen)]] = True
        return Lots(self.problem, keep)

    def _priced(self, prices: Floats) -> tuple[Floats, Floats, Floats]:
        """Weights of a batch [years, 1 + dense], and what is deducted at the prices besides.

        By option, [years, options], far below NEVER where it is shut; by home, [years, homes].
        """
        weight = -np.tensordot(prices, self.left, axes=1)
        dense = len(self.dense)
        flat = dense + len(self.of_home)
        front = np.vstack([self.problem.year_weight, weight[:dense]]).T
        by_option = self.shut + weight[flat:].T @ self.of_option
        return front, by_option, weight[dense:flat].T @ self.of_home

    def picks(self, prices: Floats) -> Picks:
        """Every home's best option in each year at the prices, and every lot's worth."""
        front, offset, side = self._priced(prices)
        best = np.empty((self.problem.years, self.home.size))
        option = np.empty((self.problem.years, self.home.size), np.int16)
        for n, batch in enumerate(self.batches):
            at = slice(n * _BATCH, n * _BATCH + batch.shape[2])
            best[:, at], option[:, at] = _best(batch, front, offset)
        best += side
        worth = np.add.reduceat(best, self.start, axis=1) if self.start.size else best
        return Picks(worth, option)

    def nets(self, prices: Floats) -> Floats:
        """[years, options, homes], worth of every choice at the prices; for few homes only."""
        front, offset, side = self._priced(prices)
        shape = (self.problem.years, self.problem.options, -1)
        parts = [
            product(front, batch.reshape(batch.shape[0], -1)).reshape(shape)
            for batch in self.batches
        ]
        return np.asarray(np.concatenate(parts, axis=2) + offset[:, :, None] + side[:, None, :])

    def amounts(self, year: int, option: Ints, at: Ints) -> Floats:
        """[1 + quantities, homes], value and quantities of homes `at` given options of a year.

        at: positions of homes in the order kept here, rising; option: one for each of them.
        """
        dense = np.empty((1 + len(self.dense), at.size))
        cut = np.searchsorted(at, np.arange(0, self.home.size + _BATCH, _BATCH))
        for n, batch in enumerate(self.batches):
            part = slice(cut[n], cut[n + 1])
            if part.stop > part.start:
                place = option[part] * batch.shape[2] + (at[part] - n * _BATCH)
                dense[:, part] = batch.reshape(batch.shape[0], -1).take(place, axis=1)
        dense[0] *= self.problem.year_weight[year]
        return np.concatenate([dense, self.of_home[:, at], self.of_option[:, option]])

    def members(self, chosen: Bools) -> Ints:
        """Positions of the homes of the chosen lots, [lots] -> rising."""
        return np.flatnonzero(np.repeat(chosen, self.size))

    def lot_amounts(self, year: int, option: Ints | Small, chosen: Bools) -> Floats:
        """[1 + quantities, chosen lots], value and quantities of lots treated in the year.

        option: of every home, in the order kept here.
        """
        at = self.members(chosen)
        if not at.size:
            return np.zeros((1 + len(self.names), 0))
        table = self.amounts(year, option[at].astype(np.int64), at)
        size = self.size[chosen]
        return np.add.reduceat(table, np.cumsum(size) - size, axis=1)


def _best(batch: Floats, front: Floats, offset: Floats) -> tuple[Floats, Small]:
    """Best worth and option in each year, [years, homes] each, of one batch."""
    depth, options, homes = batch.shape
    net = product(front, batch.reshape(depth, options * homes)).reshape(-1, options, homes)
    if offset.any():
        net += offset[:, :, None]
    best = net[:, 0].copy()
    option: Small = np.zeros((best.shape[0], homes), np.int16)
    for k in range(1, options):
        better = net[:, k] > best
        np.copyto(best, net[:, k], where=better)
        np.copyto(option, np.int16(k), where=better)
    return best, option
