"""One million rows by twenty columns, 8 % bad: read, checked, quarantined, stored; and a ratio.

    uv run python -m tests.benchmarks.validation [homes]

Prints peak memory of the whole load in a fresh process, and the time of the pandera validation
beside the same rules as plain polars expressions, taken in turn three times in one run. A ratio,
never an absolute time, is the figure that means something on a shared machine.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import polars as pl

from data_demo.generate import stock_list
from pipeline import stock
from pipeline.stock import Inputs, duplicates, faults, reading, rules, values
from pipeline.store import Builder

COLUMNS = [
    "Property Ref", "UPRN", "Address Line 1", "Post Code", "Estate", "Tenure", "Prop Type",
    "Built Form", "No of Storeys", "Age", "Floor Area", "Wall Type", "Wall Thk", "Ext Wall Area",
    "Treatable", "Wall U", "Windows m2", "Glazing", "Heating", "Gas kWh",
]  # fmt: skip


def make(path: Path, homes: int) -> None:
    """The demo stock in twenty columns, with faults added until 8 % of the rows are bad."""
    table = stock_list(homes, 2026).select(COLUMNS)
    chance = np.random.default_rng(8).random(homes)
    area = pl.when(pl.Series(chance) < 0.032).then(pl.lit("see file")).otherwise("Floor Area")
    table.with_columns(area.alias("Floor Area")).write_csv(path)


def load(path: Path, store: Path) -> None:
    """Read, check, quarantine and store one list; print the counts and the peak memory."""
    start = time.perf_counter()
    listed = stock.ingest(Inputs(path), {})
    store.unlink(missing_ok=True)
    with Builder.open(store, tables=("accepted", "quarantine", "faults")) as building:
        building.write("accepted", listed.accepted)
        building.write("quarantine", listed.quarantine)
        building.write("faults", listed.faults)
    peak = peak_gb()
    bad = listed.quarantine.height / listed.rows_read
    print(
        f"rows {listed.rows_read:,}, quarantined {bad:.1%}, peak memory {peak:.2f} GB,"
        f" {time.perf_counter() - start:.1f} s"
    )


def peak_gb() -> float:
    """Peak memory of this process. Not ru_maxrss, which holds that of the process it came from."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return float(status.split("VmHWM:")[1].split()[0]) * 1.024e-6


def compare(path: Path) -> None:
    """Seconds of the schema and of the same rules in plain polars, three times in turn."""
    raw = reading.read(path)
    typed = values.typed(raw).frame
    typed = duplicates.mark_clones(typed)
    checks = [(r.column, r.says, r.good) for r in rules.RULES]
    checks += [(c, "could not be read", ~pl.col(c + rules.UNREADABLE)) for c in raw.headings]
    ratios = []
    for _ in range(3):
        start = time.perf_counter()
        by_schema = faults.failures(typed)
        middle = time.perf_counter()
        plain = [
            typed.select(index=pl.int_range(pl.len(), dtype=pl.UInt32), good=good)
            .filter(~pl.col("good"))
            .select(pl.lit(column).alias("column"), pl.lit(says).alias("check"), "index")
            for column, says, good in checks
        ]
        found = pl.concat(plain)
        end = time.perf_counter()
        if by_schema.unique().height != found.unique().height:
            raise AssertionError("the two ways find different faults")
        ratios.append((middle - start) / (end - middle))
        print(
            f"schema {middle - start:.2f} s, plain polars {end - middle:.2f} s, faults"
            f" {found.height:,}, ratio {ratios[-1]:.2f}"
        )
    print(f"median ratio {sorted(ratios)[1]:.2f}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["load"]:
        load(Path(sys.argv[2]), Path(sys.argv[3]))
    else:
        count = int(sys.argv[1]) if sys.argv[1:] else 1_000_000
        with tempfile.TemporaryDirectory() as folder:
            source = Path(folder) / "list.csv"
            make(source, count)
            words = [sys.executable, "-m", "tests.benchmarks.validation", "load", str(source)]
            subprocess.run([*words, str(Path(folder) / "s.duckdb")], check=True)
            compare(source)
