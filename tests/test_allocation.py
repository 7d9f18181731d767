"""Every side rule at once, against an integer programme written apart, and a checker likewise."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.programme import checker, reasons, solver
from pipeline.programme.solver import allocate, rules
from pipeline.programme.solver.rules import Problem
from tests import invented, oracle

DATA = Path(__file__).parent / "published" / "data"
NODES = 1_000_000
GROUP = 8
INSTANCES = 208


def instance(number: int) -> Problem:
    """One of the random instances: 4 to 200 homes, one to three years, every side rule on."""
    n = number
    if n < 128:
        sizes = (4 + n % 11, 2 + n % 3, 1 + n % 3)
        return invented.stock(*sizes, seed=1000 + n, lot_size=1.6, ease=1.5)
    if n < 148:
        return invented.coarse(invented.stock(12 + n % 8, 3, 2, seed=1000 + n, lot_size=2.5))
    if n < 178:
        sizes = (20 + (n * 7) % 50, 2 + n % 3, 1)
        return invented.coarse(invented.stock(*sizes, seed=1000 + n, lot_size=2.5))
    size = 200 if n % 5 == 0 else 60 + (n * 37) % 141
    return invented.coarse(invented.stock(size, 3, 1, seed=1000 + n, lot_size=2.5))


def confirm(problem: Problem, found: solver.Allocation) -> None:
    """The checker finds nothing broken, and the value is what the choices add up to."""
    broken = [f for f in checker.check(problem, found.option, found.year) if not f.ok]
    assert not broken, broken
    exact = checker.value(problem, found.option, found.year)
    assert found.value == pytest.approx(exact, rel=1e-9, abs=1e-9)
    assert found.bound >= found.value


@pytest.mark.parametrize("group", range(INSTANCES // GROUP))
def test_equal_to_an_integer_programme(group: int) -> None:
    for number in range(group, INSTANCES, INSTANCES // GROUP):
        problem = instance(number)
        found = allocate(problem, nodes=NODES)
        confirm(problem, found)
        assert found.proved, number
        assert found.value == pytest.approx(oracle.best_value(problem), rel=1e-9, abs=1e-9), number


def test_most_instances_fund_some_homes_and_most_rules_bind_somewhere() -> None:
    """Guards the test above against instances in which nothing happens."""
    bound: set[str] = set()
    funded = 0
    for number in range(0, INSTANCES, 6):
        problem = instance(number)
        found = allocate(problem, nodes=NODES)
        funded += bool((found.option >= 0).any())
        bound |= {r.name for r, p in zip(problem.rules, found.prices, strict=True) if p > 0.0}
    assert funded >= 20
    assert {"grant budget, year 1", "own budget, year 1", "capacity, year 1"} <= bound
    assert {"average grant cap", "low-income share", "infill share", "band C share"} <= bound


@pytest.mark.parametrize("number", range(130, 208, 9))
def test_the_path_for_many_homes_on_few(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the exact step off, the bound is still above the optimum and the value below it."""
    monkeypatch.setattr(solver, "_SMALL", 0)
    monkeypatch.setattr(solver, "_EXACT_CHOICES", 0)
    problem = instance(number)
    best = oracle.best_value(problem)
    assert best is not None
    found = allocate(problem)
    confirm(problem, found)
    assert found.value <= best * (1 + 1e-9) + 1e-9
    assert found.bound >= best * (1 - 1e-9)
    assert found.gap < 0.25 or problem.homes < 60


def test_some_thousand_homes() -> None:
    problem = invented.stock(3_000, 6, 3, seed=5, lot_size=6.0)
    found = allocate(problem)
    confirm(problem, found)
    assert found.gap < 2e-3
    again = allocate(problem)
    assert found.option.tobytes() == again.option.tobytes()
    assert found.year.tobytes() == again.year.tobytes()
    assert (found.value, found.bound) == (again.value, again.bound)


def test_years_alike_in_every_way() -> None:
    """Lots are indifferent between years, so prices alone cannot tell them where to go."""
    problem = invented.stock(1_200, 4, 4, seed=8, lot_size=4.0)
    year = np.arange(4) // 4
    level = tuple(
        replace(
            rule,
            limit=float(np.mean([r.limit for r in problem.rules if r.name[:8] == rule.name[:8]])),
        )
        for rule in problem.rules
    )
    problem = replace(problem, rules=level, year_weight=np.ones(4) + year)
    found = allocate(problem)
    confirm(problem, found)
    assert found.gap < 1e-2


@pytest.mark.parametrize("number", [160, 190])
def test_where_mending_fails_lots_are_dropped(number: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(solver, "_SMALL", 0)
    monkeypatch.setattr(solver, "_EXACT_CHOICES", 0)
    monkeypatch.setattr(solver.core, "mended", lambda *_: None)
    monkeypatch.setattr(solver.core, "polished", lambda _, found, *__: found)
    problem = instance(number)
    found = allocate(problem)
    confirm(problem, found)
    assert found.value > 0.0


def several_budgets() -> list[tuple[float, Problem]]:
    """OR-Library mknap1, the first four: n items, m budgets, the optimum; profits; rows; limits.

    Source: Petersen 1967, as the file mknap1 of the OR-Library gives it.
    """
    numbers = iter(map(float, (DATA / "mknap1_first4.txt").read_text().split()))
    found = []
    for _ in range(int(next(numbers))):
        items, budgets, optimum = int(next(numbers)), int(next(numbers)), next(numbers)
        profit = np.array([next(numbers) for _ in range(items)])
        cost = np.array([[next(numbers) for _ in range(items)] for _ in range(budgets)])
        limit = [next(numbers) for _ in range(budgets)]
        tables = {f"cost {b}": cost[b][:, None] for b in range(budgets)}
        side = tuple(
            rules.Rule(f"budget {b}", "money", "at_most", {f"cost {b}": (1.0,)}, limit[b])
            for b in range(budgets)
        )
        found.append((optimum, Problem(profit[:, None], tables, side, np.full(items, -1))))
    return found


@pytest.mark.parametrize(("optimum", "problem"), several_budgets())
def test_published_knapsacks_with_several_budgets(optimum: float, problem: Problem) -> None:
    found = allocate(problem, nodes=NODES)
    assert found.value == pytest.approx(optimum, abs=1e-6)
    assert found.proved
    confirm(problem, found)


def asking(homes: int) -> Problem:
    """A stock that must fund many homes of which many are low-income, on little money."""
    problem = invented.stock(homes, 2, 2, seed=3, lot_size=2.0)
    most = float(problem.quantities["low_income"].sum())
    extra = (
        rules.at_least("least homes", "homes", "homes", 0.6 * homes, 2),
        rules.at_least("least low-income homes", "homes", "low_income", most + 1.0, 2),
    )
    return replace(problem, rules=(*problem.rules, *extra))


@pytest.mark.parametrize("homes", [30, 4_000])
def test_a_single_impossible_rule_is_named_alone(homes: int) -> None:
    with pytest.raises(solver.RulesClashError, match="least low-income homes") as fault:
        allocate(asking(homes))
    assert fault.value.rules == ("least low-income homes",)


@pytest.mark.parametrize("homes", [30, 4_000])
def test_the_smallest_clash_is_named(homes: int) -> None:
    """Capacity of both years is below the least homes; the budgets alone would clash in more."""
    problem = asking(homes)
    kept = tuple(r for r in problem.rules if r.name != "least low-income homes")
    level = tuple(
        replace(r, limit=0.2 * homes) if r.name.startswith("capacity") else r for r in kept
    )
    with pytest.raises(solver.RulesClashError) as fault:
        allocate(replace(problem, rules=level))
    names = set(fault.value.rules)
    assert "least homes" in names
    assert len(names) == 3
    for left_out in names:
        without = tuple(r for r in level if r.name in names - {left_out})
        assert allocate(replace(problem, rules=without)).value >= 0.0


def test_rules_that_can_be_kept_are_kept() -> None:
    problem = invented.stock(40, 3, 2, seed=21, lot_size=2.0, ease=1.5)
    least = rules.at_least("least homes", "homes", "homes", 8.0, 2)
    problem = invented.coarse(replace(problem, rules=(*problem.rules, least)))
    found = allocate(problem, nodes=NODES)
    confirm(problem, found)
    assert found.value == pytest.approx(oracle.best_value(problem), rel=1e-9)


def test_a_window_and_a_street_in_which_a_home_is_shut() -> None:
    value = np.array([[5.0, 9.0], [4.0, np.nan], [7.0, 8.0], [np.nan, np.nan]])
    quantities = {"cost": np.array([[1.0, 2.0]])}
    side = rules.each_year("budget", "money", "cost", [3.0, 2.0])
    opened = np.array([[False, True], [True, True]])
    problem = Problem(value, quantities, side, np.array([0, 0, -1, 0]), np.ones(2), opened)
    found = allocate(problem)
    confirm(problem, found)
    assert found.value == oracle.best_value(problem) == 17.0
    assert found.option[3] == -1  # no option at all, and so not part of its street's lot


def test_nothing_to_choose() -> None:
    none = np.full((3, 2), np.nan)
    problem = Problem(none, {"homes": np.ones((1, 1))}, (), np.full(3, -1))
    found = allocate(problem)
    assert found.option.tolist() == [-1, -1, -1]
    assert (found.value, found.bound, found.gap) == (0.0, 0.0, 0.0)
    asks = (rules.at_least("least homes", "homes", "homes", 1.0, 1),)
    with pytest.raises(solver.RulesClashError, match="least homes"):
        allocate(replace(problem, rules=asks))


def test_the_checker_sees_what_is_broken() -> None:
    problem = instance(130)
    found = allocate(problem, nodes=NODES)
    funded = np.flatnonzero(found.option >= 0)
    first = next(i for i in funded if (problem.lots == problem.lots[i]).sum() > 1)
    torn = found.option.copy(), found.year.copy()
    torn[0][first] = torn[1][first] = -1
    bad = {f.rule for f in checker.check(problem, *torn) if not f.ok}
    assert "street lots treated in part" in bad or problem.lots[first] < 0
    all_in = np.where(np.isnan(problem.value[:, 0]), -1, 0)
    year = np.where(all_in >= 0, 0, -1)
    bad = {f.rule for f in checker.check(problem, all_in, year) if not f.ok}
    assert {"grant budget, year 1", "capacity, year 1"} <= bad


@settings(max_examples=12, deadline=None)
@given(seed=st.integers(0, 10**6), homes=st.integers(1, 12), years=st.integers(1, 2))
def test_properties(seed: int, homes: int, years: int) -> None:
    problem = invented.stock(homes, 2, years, seed=seed, lot_size=1.6, ease=1.6)
    found, again = allocate(problem, nodes=NODES), allocate(problem, nodes=NODES)
    confirm(problem, found)
    assert found.option.tobytes() == again.option.tobytes()
    money = [r.name for r in problem.rules if r.kind == "money"]
    more = allocate(reasons.scaled(problem, money, 1.25), nodes=NODES)
    assert more.value >= found.value * (1 - 1e-9)
    order = np.random.default_rng(seed).permutation(homes)
    turned = replace(
        problem,
        value=problem.value[order],
        lots=problem.lots[order],
        quantities={
            name: table[order] if table.shape[0] > 1 else table
            for name, table in problem.quantities.items()
        },
    )
    assert allocate(turned, nodes=NODES).value == pytest.approx(found.value, rel=1e-9, abs=1e-9)


def test_what_the_next_pound_buys_and_why_not() -> None:
    problem = invented.stock(2_000, 4, 2, seed=13, lot_size=5.0)
    found = allocate(problem)
    steps = {p.rule: p for p in reasons.shadow_prices(problem, found, "kWh")}
    budget = steps["grant budget, year 1"]
    assert budget.price > 0.0
    assert "One pound more in 'grant budget, year 1' adds about" in budget.words
    more = allocate(reasons.scaled(problem, ["grant budget, year 1"], 1.05), start=found.prices)
    extra = 0.05 * next(r.limit for r in problem.rules if r.name == "grant budget, year 1")
    assert more.bound - found.bound <= budget.price * extra * (1 + 1e-6)
    assert more.bound - found.bound >= 0.5 * budget.price * extra
    why = reasons.why(problem, found)
    assert ((why.code == "FUNDED") == (found.option >= 0)).all()
    assert {"RULE", "STREET"} <= set(why.code.tolist())
    for home in np.flatnonzero(why.code == "RULE")[:200]:
        net, charges, worth = best_by_hand(problem, found.prices, int(home))
        assert why.value[home] == pytest.approx(worth, rel=1e-9)
        assert why.charge[home] == pytest.approx(worth - net, rel=1e-9, abs=1e-6)
        assert charges[problem.rules[why.rule[home]].name] == max(charges.values())
    with pytest.raises(ValueError, match="No rule is called wages"):
        reasons.scaled(problem, ["wages"], 1.1)


def best_by_hand(
    problem: Problem, prices: np.ndarray, home: int
) -> tuple[float, dict[str, float], float]:
    """Net worth, charges and worth of the home's best choice, one choice after another."""
    best: tuple[float, dict[str, float], float] = (-np.inf, {}, 0.0)
    for k in range(problem.options):
        for t in range(problem.years):
            worth = float(problem.value[home, k] * problem.year_weight[t])
            charges = {
                rule.name: float(price) * rule.sign * sum(
                    weights[t]
                    * float(np.broadcast_to(problem.quantities[name], problem.value.shape)[home, k])
                    for name, weights in rule.terms.items()
                )
                for rule, price in zip(problem.rules, prices, strict=True)
            }  # fmt: skip
            net = worth - sum(charges.values())
            if net > best[0]:
                best = (net, charges, worth)
    return best


def test_a_problem_that_does_not_fit_together_is_refused() -> None:
    value, lots, one = np.ones((2, 1)), np.array([-1, -1]), np.ones((1, 1))
    budget = rules.each_year("budget", "money", "cost", [1.0])
    with pytest.raises(ValueError, match="needs the quantity 'cost'"):
        Problem(value, {"homes": one}, budget, lots)
    with pytest.raises(ValueError, match="one number for each home"):
        Problem(value, {"cost": one}, budget, lots[:1])
    with pytest.raises(ValueError, match="missing for an allowed option"):
        Problem(value, {"cost": np.array([[1.0], [np.nan]])}, budget, lots)
    with pytest.raises(ValueError, match="Two rules are called"):
        Problem(value, {"cost": one}, budget + budget, lots)
    with pytest.raises(ValueError, match="one weight for each year"):
        Problem(value, {"cost": one}, budget, lots, np.ones(2))
