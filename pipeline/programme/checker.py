"""Whether an allocation keeps every rule: each left side added up again, home by home.

Written apart from the solver: it shares only the statement of the problem, and adds exactly.
"""

import math
from dataclasses import dataclass

import numpy as np

from pipeline.programme.solver.rules import Ints, Problem, Rule


@dataclass(frozen=True)
class Finding:
    """One rule at one allocation. slack is what is left before the limit; below 0 it is broken."""

    rule: str
    sense: str
    left: float
    limit: float
    slack: float
    ok: bool
    fund: str = ""
    version: str = ""


def check(problem: Problem, option: Ints, year: Ints) -> list[Finding]:
    """Findings on every rule, then on allowed options, open years, and street lots.

    option, year: [homes], -1 where a home is not funded. A finding allows for the rounding of
    sums in floating point, one part in 1e9, and for nothing else.
    """
    findings = [_rule(problem, rule, option, year) for rule in problem.rules]
    return [*findings, *_choices(problem, option, year), _lots(problem, option, year)]


def value(problem: Problem, option: Ints, year: Ints) -> float:
    """Worth of the allocation, added exactly."""
    funded = np.flatnonzero(option >= 0)
    return math.fsum(problem.value[funded, option[funded]] * problem.year_weight[year[funded]])


def _rule(problem: Problem, rule: Rule, option: Ints, year: Ints) -> Finding:
    funded = np.flatnonzero(option >= 0)
    parts: list[float] = []
    for name, weights in rule.terms.items():
        table = problem.quantities[name]
        rows = funded if table.shape[0] > 1 else np.zeros_like(funded)
        columns = option[funded] if table.shape[1] > 1 else np.zeros_like(funded)
        parts.extend((table[rows, columns] * np.array(weights)[year[funded]]).tolist())
    left = math.fsum(parts)
    size = max(1.0, abs(rule.limit))
    slack = rule.limit - left if rule.sense == "at_most" else left - rule.limit
    ok = slack >= -1e-9 * size
    return Finding(rule.name, rule.sense, left, rule.limit, slack, ok, rule.fund, rule.version)


def _choices(problem: Problem, option: Ints, year: Ints) -> list[Finding]:
    """No home has an option it may not have, in a year that is shut, or half a choice."""
    funded = np.flatnonzero(option >= 0)
    whole = funded[year[funded] >= 0]
    barred = np.isnan(problem.value[funded, option[funded]]).sum()
    half = ((option >= 0) != (year >= 0)).sum()
    shut = (~problem.opened[option[whole], year[whole]]).sum()
    return [
        _none_of("options that are not allowed", int(barred)),
        _none_of("homes with an option but no year, or a year but no option", int(half)),
        _none_of("options in a year in which they may not start", int(shut)),
    ]


def _lots(problem: Problem, option: Ints, year: Ints) -> Finding:
    """Every home of a lot that may have an option is treated in one and the same year, or none."""
    in_lot = (problem.lots >= 0) & ~np.isnan(problem.value).all(axis=1)
    seen = np.where(option[in_lot] >= 0, year[in_lot], -1)
    pairs = np.unique(np.column_stack([problem.lots[in_lot], seen]), axis=0)
    _, years = np.unique(pairs[:, 0], return_counts=True)
    return _none_of("street lots treated in part", int((years > 1).sum()))


def _none_of(what: str, count: int) -> Finding:
    return Finding(what, "at_most", float(count), 0.0, -float(count), count == 0)
