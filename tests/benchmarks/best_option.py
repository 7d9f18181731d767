"""One million random homes: the bounded choice beside every allowed option reckoned exactly.

    uv run python -m tests.benchmarks.best_option [homes]

Stops where any home's choice differs. Prints, by fire class and whether a clearance is known,
homes, options allowed and options reckoned exactly per home, and the ratio of the two times, taken
in turn in one run.
"""

import sys
import time
from collections import defaultdict
from unittest import mock

import numpy as np
import polars as pl

from pipeline import assess, reference
from pipeline.options import rates
from pipeline.physics import Floats, Mask
from pipeline.settings import Settings
from tests import every_option

_BATCH = 20_000


def main(homes: int) -> None:
    """Compare batch by batch and print the table."""
    settings = Settings()
    base = assess.basis(reference.load(), settings, rates.read(settings.cost))
    rng = np.random.default_rng(1_000_000)
    seen: dict[tuple[bool, bool], np.ndarray] = defaultdict(lambda: np.zeros(6))
    for _ in range(homes // _BATCH):
        drawn = every_option.draw(rng, _BATCH, base)
        for (fire, tight), some in drawn.group_by("needs_non_combustible", "tight"):
            seen[bool(fire), bool(tight)] += _compare(some, base)
    seconds = sum(row[4:] for row in seen.values())
    print(f"{homes:,} homes, {base.options.height} options, no choice differs")
    print("non-combustible | clearance | homes | with an option | allowed | exact | time ratio")
    for (fire, tight), (count, able, allowed, exact, quick, slow) in sorted(seen.items()):
        print(
            f"{fire!s:>15} | {tight!s:>9} | {count:,.0f} | {able:,.0f} | {allowed / able:.2f}"
            f" | {exact / able:.3f} | {quick / slow:.2f}"
        )
    print(f"all: time ratio {seconds[0] / seconds[1]:.2f}")


def _compare(some: pl.DataFrame, base: assess.Basis) -> np.ndarray:
    """Homes, those with an option, options allowed and reckoned, seconds bounded and full."""
    counts = np.zeros(2)
    bounded_ratios = assess._ratios

    def counted(
        homes: pl.DataFrame, heat_loss: Floats, price: Floats, allowed: Mask, base: assess.Basis
    ) -> Floats:
        found = bounded_ratios(homes, heat_loss, price, allowed, base)
        counts[:] += allowed.sum(), np.isfinite(found).sum()
        return found

    with mock.patch.object(assess, "_ratios", counted):
        assess.choose(some, base)
    start = time.process_time()
    bounded = assess.choose(some, base)
    middle = time.process_time()
    full = every_option.choose(some, base)
    end = time.process_time()
    if not bounded.equals(full):
        raise AssertionError("bounds change the choice of a home")
    able = full["system"].count()
    return np.array([some.height, able, *counts, middle - start, end - middle])


if __name__ == "__main__":
    main(int(sys.argv[1]) if sys.argv[1:] else 1_000_000)
