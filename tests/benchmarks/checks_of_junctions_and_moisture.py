"""`programme demo` with junctions and moisture beside the same without, in turn in one run.

    uv run python -m tests.benchmarks.checks_of_junctions_and_moisture [times]

Each demo is a fresh process, so that start and reading of tables count. Prints the medians of the
wall clock and of processor seconds, and their ratios. "Without" puts stages that add zeros and
nulls in the place of the two; the tool itself has no such switch.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from unittest import mock

import numpy as np
import polars as pl

from pipeline import assess, cli, junction_effects
from pipeline.columns import by_role
from pipeline.junction_catalogue import PLACES, Effect
from pipeline.reference import Reference


def _no_effect(_: Mapping[str, str], options: pl.DataFrame) -> Effect:
    before, after = np.zeros((1, len(PLACES))), np.zeros((1, len(PLACES), options.height))
    return Effect(("none",), PLACES, before, after, before, after, before, after)


def _no_wall(homes: pl.DataFrame, _: Reference) -> pl.DataFrame:
    return homes.with_columns(junction_wall=pl.lit(None, pl.String))


def _no_junctions(frame: pl.DataFrame, _: assess.Basis) -> pl.DataFrame:
    plane = pl.col("plane_heat_loss_reduction_w_k")
    return frame.with_columns(
        junction_heat_loss_reduction_w_k=plane * 0.0,
        junctions_take_back=plane * 0.0,
        heat_loss_reduction_w_k=plane,
        _bare_reduction=plane,
        f_rsi_least=pl.lit(None, pl.Float64),
        mould_risk_at=pl.lit(None, pl.String),
    )


def _no_moisture(frame: pl.DataFrame, _: assess.Basis) -> pl.DataFrame:
    return frame.with_columns(
        pl.lit(None, column.polars_dtype).alias(column.name)
        for column in by_role("result")
        if column.name.startswith("moisture_")
    )


def demo(folder: str, checks: str) -> None:
    """One demo, in this process."""
    sys.argv = ["programme", "demo", "--out", folder]
    if checks == "with":
        cli.main()
        return
    with (
        mock.patch.object(junction_effects, "effect", _no_effect),
        mock.patch.object(junction_effects, "with_wall", _no_wall),
        mock.patch.object(assess, "_junctions", _no_junctions),
        mock.patch.object(assess, "_moisture", _no_moisture),
    ):
        cli.main()


def main(times: int) -> None:
    """Run both in turn and print medians and ratios."""
    seconds: dict[str, list[tuple[float, float]]] = {"with": [], "without": []}
    for _ in range(times):
        for checks, found in seconds.items():
            with tempfile.TemporaryDirectory() as folder:
                start, before = time.perf_counter(), os.times()
                words = [sys.executable, "-m", __spec__.name, "demo", folder, checks]
                subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
                after = os.times()
            used = sum(after[2:4]) - sum(before[2:4])
            found.append((time.perf_counter() - start, used))
    for place, clock in enumerate(("wall clock", "processor")):
        mid = {name: statistics.median(t[place] for t in found) for name, found in seconds.items()}
        print(
            f"{clock}: with {mid['with']:.2f} s, without {mid['without']:.2f} s, ratio"
            f" {mid['with'] / mid['without']:.2f}"
        )


if __name__ == "__main__":
    if sys.argv[1:2] == ["demo"]:
        demo(*sys.argv[2:])
    else:
        main(int(sys.argv[1]) if sys.argv[1:] else 7)
