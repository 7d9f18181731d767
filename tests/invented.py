"""Invented allocation problems for tests and benchmarks: any size, seeded, all side rules on."""

from dataclasses import replace

import numpy as np

from pipeline.programme.solver import rules
from pipeline.programme.solver.rules import Problem


def stock(  # noqa: PLR0913
    homes: int, options: int, years: int, *, seed: int, lot_size: float = 4.0, ease: float = 1.0
) -> Problem:
    """A stock with every side rule on, tight enough that most of them bite.

    lot_size: homes in a street, about. ease: budgets and capacities times this; with few homes
    tight rules leave nothing to choose.

    Homes of a street are alike; grants are half the cost up to a limit; four homes in ten are
    low-income; one in eight is infill; options differ in cost, saving and band reached.
    """
    rng = np.random.default_rng(seed)
    lots = _lots(homes, lot_size, rng)
    street = rng.lognormal(0.0, 0.25, homes)[np.maximum(lots, 0)]
    area = (rng.lognormal(4.4, 0.2, homes) * np.where(lots >= 0, street, 1.0))[:, None]
    thick = np.linspace(0.4, 1.6, options)[None] if options > 1 else np.ones((1, 1))
    rate = 85.0 + 40.0 * thick + rng.normal(0.0, 8.0, (homes, options))
    cost = np.round(area * rate + 2_500.0, 2)
    need = rng.uniform(30.0, 120.0, (homes, 1))
    value = area * need * (1.0 - np.exp(-2.0 * thick)) * rng.normal(1.0, 0.03, (homes, options))
    value = np.where(rng.random((homes, options)) < 0.2, np.nan, value)
    grant = np.round(np.minimum(0.5 * cost, 9_000.0), 2)
    better = (rng.random((homes, 1)) < 0.35 + 0.35 * thick).astype(float)
    quantities = {
        "grant": grant,
        "own": cost - grant,
        "homes": np.ones((1, 1)),
        "low_income": (rng.random((homes, 1)) < 0.4).astype(float),
        "infill": (rng.random((homes, 1)) < 0.125).astype(float),
        "c_or_better": better,
    }
    funded = ease * 0.45 * homes * rng.uniform(0.6, 1.2)
    by_year = rng.dirichlet(np.full(years, 12.0))
    half = float(np.mean(grant))
    crews = np.ceil(rng.uniform(0.75, 1.2) * funded * by_year)
    side = (
        *rules.each_year("grant budget", "money", "grant", list(np.round(funded * half * by_year))),
        *rules.each_year(
            "own budget", "money", "own", list(np.round(1.15 * funded * half * by_year))
        ),
        *rules.each_year("capacity", "homes", "homes", list(crews)),
        rules.average_at_most("average grant cap", "grant", "homes", 0.97 * half, years),
        rules.share("low-income share", "at_least", ("low_income", "homes"), 0.45, years),
        rules.share("infill share", "at_most", ("infill", "homes"), 0.10 * ease, years),
        rules.share("band C share", "at_least", ("c_or_better", "homes"), 0.75, years),
    )
    return Problem(value, quantities, side, lots, 0.965 ** np.arange(years, dtype=float))


def one_budget(cost: np.ndarray, value: np.ndarray, budget: float) -> Problem:
    """One budget in one year, no lots."""
    side = rules.each_year("budget", "money", "cost", [budget])
    return Problem(value, {"cost": cost}, side, np.full(cost.shape[0], -1))


def coarse(problem: Problem) -> Problem:
    """The same problem with values in steps and money in quarters of a thousand pounds.

    An exact solver proves optima of such data far sooner; the rules bite as before.
    """
    money = {
        name: np.round(table / 250.0) * 250.0 if name in ("grant", "own") else table
        for name, table in problem.quantities.items()
    }
    weight = np.array([1.0, 0.95, 0.9])[: problem.years]
    value = np.round(problem.value / 400.0) * 20.0
    return replace(problem, value=value, year_weight=weight, quantities=money)


def _lots(homes: int, size: float, rng: np.random.Generator) -> rules.Ints:
    """Streets of about `size` homes, listed out of order, and one home in five on its own."""
    lot = rng.integers(0, max(1, round(homes / size)), homes)
    return np.where(rng.random(homes) < 0.2, -1, lot)
