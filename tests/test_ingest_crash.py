"""Loads killed at random moments, and many readers while snapshots are published."""

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import polars as pl
import pytest

from data_demo.generate import write_csv
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Settings
from pipeline.stock import Inputs
from tests.conftest import GOOD_ROW, stock_text

KILLS = 20
READERS = 8
SNAPSHOTS = 20


def _list(path: Path, homes: int) -> Path:
    path.write_text(stock_text(*(GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(homes))))
    return path


def test_twenty_kills_leave_the_snapshot_before_each(tmp_path):
    store, small, large = tmp_path / "s.duckdb", _list(tmp_path / "s.csv", 7), tmp_path / "l.csv"
    write_csv(large, 1200, 5)
    run(Inputs(small), store, tmp_path / "o", Settings())
    whole = time.perf_counter()
    command = [sys.executable, "-c", "from pipeline.cli import main; main()", "run", str(large)]
    command += ["--store", str(store), "--out", str(tmp_path / "o")]
    subprocess.run(command, check=True, capture_output=True)
    whole = time.perf_counter() - whole
    run(Inputs(small), store, tmp_path / "o", Settings())
    chance, killed = random.Random(20), 0
    while killed < KILLS:
        with subprocess.Popen(
            command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as child:
            time.sleep(chance.uniform(0.25, 1.0) * whole)
            os.kill(child.pid, signal.SIGKILL)
        height = open_run(store).ranking.height
        if child.returncode == -signal.SIGKILL and height == 7:
            killed += 1
        else:
            assert height > 1000  # it had published before the kill: start over from the small one
            run(Inputs(small), store, tmp_path / "o", Settings())
    run(Inputs(large), store, tmp_path / "o", Settings())
    assert open_run(store).ranking.height > 1000


READER = """
import json, sys, time
from pathlib import Path
from pipeline.published import open_run
reads, seen, until = 0, set(), Path(sys.argv[2])
while not until.exists():
    run = open_run(Path(sys.argv[1]))
    seen.add((run.account["rows"]["read"], run.ranking.height, run.ranking["home_id"].n_unique()))
    reads += 1
print(json.dumps([reads, sorted(seen)]))
"""


def test_eight_readers_see_whole_snapshots_while_twenty_are_published(tmp_path):
    store, stop = tmp_path / "s.duckdb", tmp_path / "stop"
    lists = [_list(tmp_path / f"{n}.csv", n) for n in (5, 50)]
    run(Inputs(lists[0]), store, tmp_path / "o", Settings())
    command = [sys.executable, "-c", READER, str(store), str(stop)]
    readers = [
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for _ in range(READERS)
    ]
    time.sleep(4)
    for number in range(SNAPSHOTS):
        run(Inputs(lists[number % 2]), store, tmp_path / "o", Settings())
        time.sleep(0.2)
    stop.touch()
    for reader in readers:
        out, err = reader.communicate(timeout=120)
        assert (reader.returncode, err) == (0, "")
        reads, seen = json.loads(out)
        assert reads > 1
        assert {tuple(s) for s in seen} == {(5, 5, 5), (50, 50, 50)}


@pytest.mark.parametrize("left", [".s.duckdb.1.building", ".s.duckdb.1.building.wal"])
def test_what_a_killed_load_left_lying_harms_nobody(tmp_path, left):
    (tmp_path / left).write_bytes(b"half")
    run(Inputs(_list(tmp_path / "a.csv", 3)), tmp_path / "s.duckdb", tmp_path / "o", Settings())
    assert open_run(tmp_path / "s.duckdb").ranking.height == 3
    assert pl.read_csv(tmp_path / "o" / "ranking.csv").height == 3
