"""Time, value, bound, gap and peak memory of the allocation on invented stocks of growing size.

Run `python -m tests.benchmarks.allocation` for all sizes, or with names of some:
`budget-1m`, `rules-100k`, `rules-1m`. Each runs in a process of its own, so that its peak memory
is its own. Wall time means little on a busy machine, so processor time stands beside it.
"""

import multiprocessing
import resource
import sys
import time
from collections.abc import Callable

import numpy as np

from pipeline.programme import checker
from pipeline.programme.solver import allocate
from pipeline.programme.solver.rules import Problem
from tests import invented

Result = tuple[float, float, float, Callable[[], int]]
"""Value, bound, gap, and a count of the broken rules to call when the clock has stopped."""
_TARGETS = {
    "budget-1m": "at most 3 s, gap at most 1e-4",
    "rules-100k": "at most 5 s, gap at most 2e-3",
    "rules-1m": "at most 20 s, gap at most 1e-2",
}


def budget_only(homes: int, options: int) -> Callable[[], Result]:
    """One budget that pays for about a tenth of the homes."""
    rng = np.random.default_rng(1)
    area = rng.lognormal(4.4, 0.3, (homes, 1))
    thick = np.linspace(0.4, 1.6, options)[None]
    cost = area * (90.0 + 40.0 * thick + rng.normal(0.0, 12.0, (homes, options))) + 2_000.0
    need = area * rng.uniform(30.0, 120.0, (homes, 1))
    value = need * (1.0 - np.exp(-2.0 * thick)) * rng.normal(1.0, 0.05, (homes, options))
    value[rng.random((homes, options)) < 0.2] = np.nan
    budget = 0.1 * float(cost.min(axis=1).sum())

    return solved(invented.one_budget(cost, value, budget))


def all_rules(homes: int, options: int, years: int) -> Callable[[], Result]:
    """Every side rule on, with streets of about twelve homes and one home in five on its own."""
    return solved(invented.stock(homes, options, years, seed=0, lot_size=12.0))


def solved(problem: Problem) -> Callable[[], Result]:
    """The work to be timed."""

    def solve() -> Result:
        found = allocate(problem)

        def broken() -> int:
            return sum(not f.ok for f in checker.check(problem, found.option, found.year))

        return found.value, found.bound, found.gap, broken

    return solve


_CASES: dict[str, Callable[[], Callable[[], Result]]] = {
    "budget-1m": lambda: budget_only(1_000_000, 16),
    "rules-100k": lambda: all_rules(100_000, 16, 5),
    "rules-1m": lambda: all_rules(1_000_000, 16, 5),
}


def measure(name: str) -> None:
    """Run one case and print a line."""
    solve = _CASES[name]()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    wall, used = time.perf_counter(), time.process_time()
    value, bound, gap, broken = solve()
    wall, used = time.perf_counter() - wall, time.process_time() - used
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    print(
        f"{name:<11} {wall:6.2f} s wall {used:6.2f} s processor  value {value:.6g}"
        f"  bound {bound:.6g}  gap {gap:.2e}  rules broken {broken()}  peak {peak / 1e6:.2f} GB"
        f" ({before / 1e6:.2f} GB while the input was made)  target: {_TARGETS[name]}",
        flush=True,
    )


if __name__ == "__main__":
    for case in sys.argv[1:] or _CASES:
        child = multiprocessing.get_context("spawn").Process(target=measure, args=(case,))
        child.start()
        child.join()
        if child.exitcode:
            sys.exit(f"The case {case} failed; its message stands above.")
