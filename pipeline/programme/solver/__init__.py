"""The allocation: for each home one option in one year, or none, under every rule at once.

Method: prices on the rules give an upper bound and a choice for every lot; the choice is rounded
to one year for each lot, mended until every rule holds, and polished; where few enough choices
could still beat it, an exact solver takes them and the answer is proved. Value, bound and gap are
always returned, and nothing depends on time or chance: the same input gives the same allocation.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import ProgrammeError
from pipeline.physics import Floats
from pipeline.programme.solver import clashes, core, integers, knapsack, plan, prices, rounding
from pipeline.programme.solver.highs import Effort
from pipeline.programme.solver.integers import Answer
from pipeline.programme.solver.lots import Lots, Picks
from pipeline.programme.solver.plan import Plan
from pipeline.programme.solver.prices import Bound
from pipeline.programme.solver.rules import Ints, Problem, Rule

_CORES = (500, 2_000, 8_000)
"""Lots solved anew to mend the rounded choice; more when fewer do not suffice."""
_WIDE = 1.8e-3
"""A gap beyond which more lots are solved anew although fewer sufficed to keep the rules."""
_RELAX_LOTS = 1_500
_EXACT_CHOICES = 1_500
"""Most homes, and most choices that could beat the plan, for the exact step."""
_SMALL = 3_000
_GUESS = 0.02
_LEAST_OPEN = 200
_PROOF = 1e-12


class RulesClashError(ProgrammeError):
    """Rules that no allocation can keep together: `clash` is a smallest set, `rules` its names."""

    def __init__(self, clash: Sequence[Rule], offered: str = "") -> None:
        """Say which rules clash, or which one cannot be kept at its limit, and what to do.

        offered: what there is to choose from, in sentences.
        """
        self.clash, self.rules = tuple(clash), tuple(rule.name for rule in clash)
        asked = [f"'{rule.name}' ({rule.words})" for rule in clash]
        if len(asked) == 1:
            said, mend = f"No choice of homes keeps the rule {asked[0]}.", "Relax it"
        else:
            said = (
                f"No choice of homes keeps these rules together: {', '.join(asked[:-1])} and"
                f" {asked[-1]}. Without one of them the others can be kept."
            )
            mend = "Relax one of them"
        super().__init__(
            " ".join(filter(None, (said, offered, f"{mend}, or add homes that meet it.")))
        )


class NoPlanError(ProgrammeError):
    """No plan that keeps every rule was found, and none was proved impossible."""


@dataclass(frozen=True)
class Allocation:
    """option, year: [homes], -1 where a home is not funded. value: worth of the funded homes.

    bound: no allocation that keeps the rules is worth more. prices: [rules], what one unit of
    each rule's limit is worth at the bound, >= 0 (an at-least rule gains by a lower limit).
    """

    option: Ints
    year: Ints
    value: float
    bound: float
    prices: Floats

    @property
    def gap(self) -> float:
        """Share of the bound that the answer may fall short of the best; 0 is proved best."""
        return (self.bound - self.value) / abs(self.bound) if self.bound else 0.0

    @property
    def proved(self) -> bool:
        """Whether no allocation can be worth more."""
        return self.bound - self.value <= _PROOF * abs(self.bound)


def allocate(problem: Problem, nodes: int = 1_000, start: Floats | None = None) -> Allocation:
    """The best allocation found, its value and the proven bound.

    nodes: effort of the exact step on few homes, in branch-and-bound nodes. start: prices to
    begin from, as of the same problem with another budget.
    Raises RulesClashError naming a smallest set of rules that cannot be kept together, and
    NoPlanError where no plan was found though none was proved impossible.
    """
    if problem.homes * problem.options * problem.years > _SMALL and one_budget(problem):
        return _within_budget(problem)
    lots = Lots(problem)
    if any(rule.asks for rule in problem.rules):
        clash = clashes.smallest(problem)
        if clash:
            raise RulesClashError([problem.rules[j] for j in clash])
    if not lots.home.size:
        return _answer(lots, plan.nothing(lots), 0.0, np.zeros(len(problem.rules)))
    bound, picks = _tightened(lots, prices.search(lots, start))
    if lots.home.size * problem.options * problem.years <= _SMALL:
        small = _small(lots, bound, nodes)
        if small is not None:
            return _answer(lots, small.plan, small.plan.value, bound.prices)
    found = _first(lots, bound, picks)
    if found is None:
        raise NoPlanError(
            "No allocation that keeps every rule was found, though the rules do not clash in the"
            " linear programme. Relax the tightest share or least number of homes, and run again."
        )
    found = core.polished(lots, found, picks, bound.prices, bound.bound)
    found, best = _exact(lots, found, bound, nodes)
    return _answer(lots, found, best, bound.prices)


def one_budget(problem: Problem) -> bool:
    """Whether one limit on one quantity in one year is all that the problem asks."""
    only = problem.rules[0] if len(problem.rules) == 1 else None
    return (
        only is not None
        and (only.sense, len(only.terms), problem.years) == ("at_most", 1, 1)
        and only.limit >= 0.0
        and bool((problem.lots < 0).all() and problem.opened.all())
    )


def _within_budget(problem: Problem) -> Allocation:
    rule = problem.rules[0]
    ((name, (weight,)),) = rule.terms.items()
    cost = np.broadcast_to(problem.quantities[name] * weight, problem.value.shape)
    found = knapsack.solve(cost, problem.value * problem.year_weight, rule.limit)
    year = np.where(found.choice >= 0, 0, -1)
    return Allocation(found.choice, year, found.value, found.bound, np.array([found.price]))


def _tightened(lots: Lots, bound: Bound) -> tuple[Bound, Picks]:
    """The bound of the linear programme where that is small enough; picks at the soft prices."""
    if lots.size.size <= _RELAX_LOTS:
        tried = [lots.picks(bound.soft_prices)]
        relaxed, _ = core.relax(lots, bound.soft_prices, tried)
        if relaxed is not None and relaxed.fits:
            best = prices.hard_bound(lots, relaxed.prices, lots.picks(relaxed.prices))
            if best < bound.bound:
                bound = Bound(relaxed.prices, best, bound.soft_prices, bound.temper, bound.missing)
    return bound, lots.picks(bound.soft_prices)


def _first(lots: Lots, bound: Bound, picks: Picks) -> Plan | None:
    """A plan that keeps every rule: rounded and mended, or else thinned out; None if neither is."""
    share = prices.likely(picks, bound.temper)
    draft = rounding.rounded(lots, picks, share, bound.soft_prices)
    best: Plan | None = None
    for count in _CORES:
        found = core.mended(lots, draft, picks, bound.soft_prices, count)
        if found is not None and found.value >= (0.0 if best is None else best.value):
            best = found
        if best is not None and bound.bound - best.value <= _WIDE * abs(bound.bound):
            break
        if count >= lots.size.size or (best is not None and count > _CORES[0]):
            break
    if best is not None:
        return best
    none = plan.nothing(lots)
    less = rounding.dropped(lots, draft, bound.soft_prices)
    fits = [p for p in (less, none) if p is not None and plan.keeps_rules(lots, p)]
    return max(fits, key=lambda p: p.value, default=None)


def _small(lots: Lots, bound: Bound, nodes: int) -> Answer | None:
    """The proven best plan of few homes, None where the search did not end.

    Choices are opened up to a guessed loss; if the best of them is worth no less than the bound
    less that loss, no choice left out could better it. Else the loss is raised to what is needed.
    """
    loss = max(_GUESS * abs(bound.bound), integers.loss_of(lots, bound.prices, _LEAST_OPEN))
    start: Plan | None = None
    while True:
        answer = integers.best(
            lots, integers.within(lots, bound.prices, loss, start), Effort(nodes)
        )
        if answer is None and np.isfinite(loss):
            loss = np.inf
        elif answer is None or not answer.proved:
            return None
        elif bound.bound - loss <= answer.plan.value:
            return answer
        else:
            start = answer.plan
            loss = (bound.bound - start.value) * (1.0 + 1e-9) + 1e-9 * abs(bound.bound)


def _exact(lots: Lots, found: Plan, bound: Bound, nodes: int) -> tuple[Plan, float]:
    """The plan and bound after the choices that could beat the plan were solved in integers.

    Done only where few choices remain: otherwise plan and bound stay as they are.
    """
    gap = bound.bound - found.value
    if gap <= _PROOF * abs(bound.bound) or lots.home.size > _EXACT_CHOICES:
        return found, max(bound.bound, found.value)
    loss = gap * (1.0 + 1e-9) + 1e-9 * abs(bound.bound)
    some = integers.within(lots, bound.prices, loss, found)
    best = bound.bound
    if some.home.size + some.ways.sum() <= _EXACT_CHOICES:
        answer = integers.best(lots, some, Effort(nodes))
        if answer is not None:
            found = answer.plan if answer.plan.value > found.value else found
            best = found.value if answer.proved else min(best, answer.bound)
    return found, max(best, found.value)


def _answer(lots: Lots, found: Plan, bound: float, rule_prices: Floats) -> Allocation:
    """The plan in the order of the problem's homes."""
    option = np.full(lots.problem.homes, -1)
    year = np.full(lots.problem.homes, -1)
    option[lots.home] = found.option
    year[lots.home] = found.year[lots.lot_of] if lots.home.size else found.year
    return Allocation(option, year, found.value, max(bound, found.value), rule_prices)
