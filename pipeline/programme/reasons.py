"""What the next pound buys, which homes a budget moves, and why a home is not funded; as data."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pipeline.physics import Floats
from pipeline.programme.solver import Allocation, allocate
from pipeline.programme.solver.rules import Ints, Problem, Rule

Code = Literal["not_eligible", "no_open_year", "rule", "street", "left_over"]


@dataclass(frozen=True)
class ShadowPrice:
    """price: value of one unit of the rule's limit. gain: value of the step that `words` names."""

    rule: str
    price: float
    gain: float
    words: str


@dataclass(frozen=True)
class WhyNot:
    """Why a home is not funded.

    value: of its best option and year at the rules' prices; net: that value less what it takes
    of the rules; charges: what it takes of each rule, dearest first; rule: the dearest.
    """

    home: int
    code: Code
    option: int
    year: int
    value: float
    net: float
    rule: str
    charges: tuple[tuple[str, float], ...]
    words: str


@dataclass(frozen=True)
class Move:
    """The allocation with some limits changed by a factor, and the homes that it moves."""

    factor: float
    allocation: Allocation
    enter: Ints
    leave: Ints
    change: Ints
    """Homes funded before and after, with another option or in another year."""


@dataclass(frozen=True)
class Point:
    """One point of the frontier: all limits together, the value found, and the proven bound."""

    factor: float
    limit: float
    value: float
    bound: float


def shadow_prices(problem: Problem, found: Allocation, unit: str) -> list[ShadowPrice]:
    """What a small step of each rule buys, by the linear relaxation. unit: of the objective."""
    funded = np.flatnonzero(found.option >= 0)
    prices: list[ShadowPrice] = []
    for rule, price in zip(problem.rules, found.prices, strict=True):
        step, what = _step(problem, found, funded, rule)
        gain = float(price) * step
        words = f"{what} adds about {gain:,.2f} {unit}."
        if price <= 0.0:
            words = f"'{rule.name}' does not bind: a looser limit adds nothing."
        prices.append(ShadowPrice(rule.name, float(price), gain, words))
    return prices


def _step(problem: Problem, found: Allocation, funded: Ints, rule: Rule) -> tuple[float, str]:
    """A natural step of the rule, in units of its limit, and its words."""
    if rule.kind == "money":
        return 1.0, f"One pound more in '{rule.name}'"
    if rule.kind == "homes":
        return 1.0, f"One home {'more' if rule.sense == 'at_most' else 'fewer'} in '{rule.name}'"
    if rule.kind == "average":
        return float(funded.size), f"One pound more on average in '{rule.name}'"
    if rule.kind == "share":
        whole = 0.0
        for name in (name for name, weights in rule.terms.items() if min(weights) < 0.0):
            table = np.broadcast_to(problem.quantities[name], problem.value.shape)
            whole += float(table[funded, found.option[funded]].sum())
        return 0.01 * whole, f"One percentage point {_looser(rule)} in '{rule.name}'"
    return 1.0, f"One unit {_looser(rule)} in '{rule.name}'"


def _looser(rule: Rule) -> str:
    return "more" if rule.sense == "at_most" else "less"


def why_not(problem: Problem, found: Allocation, home: int) -> WhyNot:
    """Why the home is not funded. Raises ValueError for a home that is."""
    if found.option[home] >= 0:
        raise ValueError(f"Home {home} is funded, in year {found.year[home]}: ask about another.")
    if np.isnan(problem.value[home]).all():
        return _unpriced(home, "not_eligible", "No option is allowed for this home.")
    charges, net = _charges(problem, found.prices, home)
    if not np.isfinite(net).any():
        return _unpriced(home, "no_open_year", "No option of this home may start in any year.")
    option, year = (int(at) for at in np.unravel_index(int(net.argmax()), net.shape))
    best = float(net[option, year])
    worth = float(problem.value[home, option] * problem.year_weight[year])
    taken = zip(problem.rules, charges[:, option, year], strict=True)
    dear = sorted(((rule.name, float(c)) for rule, c in taken), key=lambda pair: -pair[1])
    rule = dear[0][0] if dear else ""
    code, words = _verdict(best, _street_net(problem, found.prices, home), worth, rule)
    return WhyNot(home, code, option, year, worth, best, rule, tuple(dear), words)


def _verdict(best: float, street: float, worth: float, rule: str) -> tuple[Code, str]:
    """Code and words from the net worth of the home and of its street in its best year."""
    if street > 0.0:
        less = f"what is left of the limits is too little, first of '{rule}'"
        return "left_over", f"At the rules' prices it would pay, but {less}."
    if best > 0.0:
        return "street", "By itself it would pay, but its street as a whole does not."
    return "rule", f"Its {worth:,.0f} is less than what it takes of the rules, most of '{rule}'."


def _unpriced(home: int, code: Code, words: str) -> WhyNot:
    return WhyNot(home, code, -1, -1, 0.0, 0.0, "", (), words)


def _charges(problem: Problem, prices: Floats, home: int) -> tuple[Floats, Floats]:
    """What each choice takes of each rule, [rules, options, years], and its net worth."""
    options, years = problem.options, problem.years
    charges = np.zeros((len(problem.rules), options, years))
    for j, rule in enumerate(problem.rules):
        for name, weights in rule.terms.items():
            table = problem.quantities[name]
            row = table[home if table.shape[0] > 1 else 0]
            part = np.broadcast_to(row, (options,))[:, None] * np.array(weights)
            charges[j] += prices[j] * rule.sign * part
    net = problem.value[home][:, None] * problem.year_weight - charges.sum(axis=0)
    net = np.where(np.isnan(net) | ~problem.opened, -np.inf, net)
    return charges, net


def _street_net(problem: Problem, prices: Floats, home: int) -> float:
    """Net worth in its best year of the home's street, or of the home if it has none."""
    alone = problem.lots[home] < 0
    homes = np.array([home]) if alone else np.flatnonzero(problem.lots == problem.lots[home])
    homes = homes[~np.isnan(problem.value[homes]).all(axis=1)]
    return float(sum(_charges(problem, prices, int(i))[1].max(axis=0) for i in homes).max())


def scaled(problem: Problem, names: Collection[str], factor: float) -> Problem:
    """The problem with the limits of the named rules multiplied by the factor."""
    unknown = set(names) - {rule.name for rule in problem.rules}
    if unknown:
        raise ValueError(
            f"No rule is called {', '.join(sorted(unknown))}. Known:"
            f" {', '.join(rule.name for rule in problem.rules)}."
        )
    limits = tuple(
        replace(rule, limit=rule.limit * factor) if rule.name in names else rule
        for rule in problem.rules
    )
    return replace(problem, rules=limits)


def moved(problem: Problem, found: Allocation, names: Collection[str], factor: float) -> Move:
    """Which homes enter and leave when the named limits (as the budgets) change by a factor."""
    after = allocate(scaled(problem, names, factor), start=found.prices)
    was, now = found.option >= 0, after.option >= 0
    other = (found.option != after.option) | (found.year != after.year)
    return Move(
        factor,
        after,
        np.flatnonzero(now & ~was),
        np.flatnonzero(was & ~now),
        np.flatnonzero(was & now & other),
    )


def frontier(
    problem: Problem, found: Allocation, names: Collection[str], factors: Sequence[float]
) -> list[Point]:
    """Value and bound with the named limits multiplied by each factor, for a picture."""
    limit = sum(rule.limit for rule in problem.rules if rule.name in names)
    points: list[Point] = []
    start = found.prices
    for factor in factors:
        at = allocate(scaled(problem, names, factor), start=start)
        points.append(Point(factor, factor * limit, at.value, at.bound))
        start = at.prices
    return points
