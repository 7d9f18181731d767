"""What the next pound buys, which homes a budget moves, and why a home is not funded; as data."""

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.physics import Floats
from pipeline.programme.solver import Allocation
from pipeline.programme.solver.rules import Ints, Problem, Rule

Code = Literal["FUNDED", "NOT_OFFERED", "NO_OPEN_YEAR", "RULE", "NO_WORTH", "STREET", "LEFT_OVER"]
"""NOT_OFFERED: no option is allowed. RULE: worth less than what it takes of the rules. NO_WORTH:
nothing is worth what it costs. STREET: it would pay by itself, its street does not. LEFT_OVER: it
would pay, but too little is left."""


@dataclass(frozen=True)
class ShadowPrice:
    """price: value of one unit of the rule's limit. gain: value of the step that `words` names."""

    rule: str
    price: float
    gain: float
    words: str


@dataclass(frozen=True)
class Why:
    """Why homes are or are not funded; [homes] each.

    code: see `Code`. value: of the best option and year at the rules' prices, NaN where there is
    none; charge: what that choice takes of all rules; rule: number of the rule it takes most of,
    -1 where none has a price.
    """

    code: NDArray[np.str_]
    value: Floats
    charge: Floats
    rule: Ints


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
    whole = 0.0
    for name in (name for name, weights in rule.terms.items() if min(weights) < 0.0):
        table = np.broadcast_to(problem.quantities[name], problem.value.shape)
        whole += float(table[funded, found.option[funded]].sum())
    if rule.kind == "average":
        return whole, f"One pound more on average in '{rule.name}'"
    return 0.01 * whole, f"One percentage point {_looser(rule)} in '{rule.name}'"


def _looser(rule: Rule) -> str:
    return "more" if rule.sense == "at_most" else "less"


def why(problem: Problem, found: Allocation) -> Why:
    """Why each home is or is not funded, from the rules' prices; where none is, from its worth."""
    prices = found.prices if (found.option >= 0).any() else np.zeros_like(found.prices)
    net, at, year = _best(problem, prices)
    with_option = ~np.isnan(problem.value).all(axis=1)
    row, could = np.arange(problem.homes), np.isfinite(net).any(axis=0)
    chosen = np.where(could, at[year, row], 0)
    value = np.where(could, problem.value[row, chosen] * problem.year_weight[year], np.nan)
    charges = _charges(problem, prices, chosen, year)
    dearest = charges.argmax(axis=0) if problem.rules else np.full(problem.homes, -1)
    dearest = np.where(charges.max(axis=0, initial=0.0) > 0.0, dearest, -1)
    alone = problem.lots.max(initial=-1) + 1 + row
    _, lot = np.unique(np.where(problem.lots >= 0, problem.lots, alone), return_inverse=True)
    street = np.zeros((problem.years, lot.max(initial=-1) + 1))
    for t in range(problem.years):
        np.add.at(street[t], lot[with_option], net[t, with_option])
    code: dict[Code, Any] = {
        "FUNDED": found.option >= 0,
        "NOT_OFFERED": ~with_option,
        "NO_OPEN_YEAR": ~could,
        "LEFT_OVER": street.max(axis=0)[lot] > 0.0,
        "STREET": net.max(axis=0) > 0.0,
        "NO_WORTH": value <= 0.0,
    }
    words = np.select(list(code.values()), list(code), "RULE")
    return Why(words, value, value - net[year, row], dearest)


def _best(problem: Problem, prices: Floats) -> tuple[Floats, Ints, Ints]:
    """Net worth [years, homes] of each home's best option, that option, and its best year."""
    net = np.empty((problem.years, problem.homes))
    at = np.empty((problem.years, problem.homes), np.int64)
    for t in range(problem.years):
        worth = problem.value * problem.year_weight[t]
        for price, rule in zip(prices, problem.rules, strict=True):
            for name, weights in rule.terms.items():
                if price * weights[t]:
                    worth -= price * rule.sign * weights[t] * problem.quantities[name]
        worth = np.where(np.isnan(worth) | ~problem.opened[:, t], -np.inf, worth)
        at[t] = worth.argmax(axis=1)
        net[t] = worth.max(axis=1)
    return net, at, net.argmax(axis=0)


def _charges(problem: Problem, prices: Floats, option: Ints, year: Ints) -> Floats:
    """What each home's choice takes of each rule at the prices, [rules, homes]."""
    charges = np.zeros((len(problem.rules), problem.homes))
    row = np.arange(problem.homes)
    for j, rule in enumerate(problem.rules):
        for name, weights in rule.terms.items():
            table = np.broadcast_to(problem.quantities[name], problem.value.shape)
            charges[j] += prices[j] * rule.sign * table[row, option] * np.array(weights)[year]
    return charges


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
