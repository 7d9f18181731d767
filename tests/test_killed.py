"""Commands killed at their writing, and many readers while snapshots are published.

KILLS=100 in the environment kills each command a hundred times; it takes about half an hour.
"""

import hashlib
import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest

from pipeline.outputs import RECORD
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Settings
from pipeline.stock import Inputs
from tests.conftest import DEMO_STOCK, GOOD_ROW, stock_text
from tests.killing import Killer, spread
from tests.test_ingest_sources import _fill as fill_workbook

KILLS = int(os.environ.get("KILLS", "5"))
READERS = 8
SNAPSHOTS = 20
FUND = (files("data_demo") / "fund_lantern.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def killer() -> Iterator[Killer]:
    with Killer() as started:
        yield started


@pytest.fixture(scope="module")
def town(killer: Killer, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two lists of twenty homes that share most, and the store of each."""
    folder = tmp_path_factory.mktemp("town")
    heading, *rows = DEMO_STOCK.read_text(encoding="utf-8").splitlines()[:23]
    some_get = FUND.replace("u_after_at_most_w_m2k = 0.28", "u_after_at_most_w_m2k = 0.30")
    (folder / "fund.toml").write_text(some_get.replace("at_least = 0.30", "at_least = 0.0"))
    (folder / "own.toml").write_text("[prices]\nunit_rates_p_per_kwh = { mains_gas = 9.5 }\n")
    for name, some, more in (("0", rows[:20], []), ("1", rows[2:], ["own.toml"])):
        (folder / f"{name}.csv").write_text("\n".join([heading, *some]) + "\n")
        words = ["run", folder / f"{name}.csv", "--store", folder / f"{name}.duckdb"]
        words += [word for own in more for word in ("--settings", folder / own)]
        assert killer.call(*words, "--out", folder / f"of {name}").code == 0
    return folder


def _words(command: str, town: Path, out: Path, state: str) -> list[object]:
    """A command whose files differ with the state, "0" or "1"."""
    store = town / f"{state}.duckdb"
    home = open_run(store).ranking.filter(pl.col("rank").is_not_null())["home_id"].sort()[5]
    other = town / f"{1 - int(state)}.duckdb"
    return {
        "run": ["run", town / f"{state}.csv", "--store", out / "s.duckdb", "--out", out],
        "quantities": ["quantities", "--store", store, "--out", out],
        "allocate": ["allocate", "--store", store, "--fund", town / "fund.toml", "--out", out],
        "options": ["options", home, "--store", store, "--out", out / "options.csv"],
        "sources": ["sources", "--store", store, "--out", out / "figures.csv"],
        "explain": ["explain", home, "--store", store, "--out", out],
        "whatif": ["whatif", "--store", store, "--sweep", "thickness_mm=40:80:40", "--out", out],
        "changes": ["changes", store, other, "--out", out / "changes.csv"],
    }[command]


def _content(out: Path) -> dict[str, object]:
    """What each file holds, by name: bytes, or what is the same in every run of one list."""
    found: dict[str, object] = {}
    for path in out.iterdir():
        if path.suffix == ".duckdb":
            found[path.name] = open_run(path).account["run_id"]
        elif path.name == "run.json":
            found[path.name] = json.loads(path.read_text())["run_id"]
        elif not path.name.startswith("."):
            found[path.name] = path.read_bytes()
    return found


def _assert_recorded(out: Path) -> None:
    """Every line of the record is whole, and every file in place is one it knows."""
    title, *lines = (out / RECORD).read_text().splitlines()
    assert title.startswith("#")
    assert all(re.fullmatch(r"[0-9a-f]{64}  [^/]+|# by [a-z]+", line) for line in lines)
    for path in out.iterdir():
        if not path.name.startswith("."):
            digest = hashlib.sha256(path.read_bytes()).hexdigest()
            assert f"{digest}  {path.name}" in lines, path.name


@pytest.mark.parametrize(
    "command",
    ["run", "quantities", "allocate", "options", "sources", "explain", "whatif", "changes"],
)
def test_kills_at_the_writing_leave_everything_whole(command, killer, town, tmp_path):
    out = tmp_path / "out"
    whole = []
    for state in "010":  # the third time counts the steps: by then every digest is recorded
        ended = killer.call(*_words(command, town, out, state))
        assert ended.code == 0, ended.err
        whole.append(_content(out))
    assert whole[0] == whole[2] != whole[1]
    steps = ended.steps
    assert steps > 20
    for number, step in enumerate(spread(steps, KILLS)):
        ended = killer.call(*_words(command, town, out, "01"[number % 2]), step=step)
        assert ended.killed, (step, steps, ended.err)
        found = _content(out)
        assert set(found) <= {*whole[0], *whole[1]}
        for name, content in found.items():
            assert content in (whole[0].get(name), whole[1].get(name)), (name, step)
        _assert_recorded(out)
    ended = killer.call(*_words(command, town, out, "1"))
    assert ended.code == 0, ended.err
    assert {**_content(out), **whole[1]} == _content(out)
    assert [p.name for p in out.iterdir() if p.name.startswith(".")] == [RECORD]


READER = """
import json, sys, time
from pathlib import Path
from pipeline.published import open_run
reads, seen, until = 0, set(), Path(sys.argv[2])
while not until.exists():
    run = open_run(Path(sys.argv[1]))
    seen.add((run.account["rows"]["read"], run.ranking.height, run.ranking["home_id"].n_unique()))
    reads += 1
    time.sleep(0.05)
print(json.dumps([reads, sorted(seen)]))
"""


def _list(path: Path, homes: int) -> Path:
    path.write_text(stock_text(*(GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(homes))))
    return path


@pytest.mark.timeout(900)
def test_eight_readers_see_whole_snapshots_while_twenty_are_published(tmp_path):
    store, stop = tmp_path / "s.duckdb", tmp_path / "stop"
    lists = [_list(tmp_path / f"{n}.csv", n) for n in (5, 50)]
    run(Inputs(lists[0]), store, tmp_path / "o", Settings())
    command = [sys.executable, "-c", READER, str(store), str(stop)]
    readers = [
        subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for _ in range(READERS)
    ]
    try:
        time.sleep(4)
        for number in range(SNAPSHOTS):
            run(Inputs(lists[number % 2]), store, tmp_path / "o", Settings())
            time.sleep(0.2)
    finally:
        stop.touch()
    for reader in readers:
        out, err = reader.communicate(timeout=120)
        assert (reader.returncode, err) == (0, "")
        reads, seen = json.loads(out)
        assert reads > 1
        assert {tuple(s) for s in seen} == {(5, 5, 5), (50, 50, 50)}


def test_kills_leave_the_dictionary_and_the_filled_workbook_whole(killer, tmp_path):
    """The dictionary holds what stood there or all answers; the workbook is not touched."""
    rows = [GOOD_ROW.format(ref=f"T{n}", n=n) for n in range(6)]
    rows.append("T9,9 Alder Row,HX77 3AB,House,1934,85,Clinker slab,")
    (tmp_path / "list.csv").write_text(stock_text(*rows))
    out, own, book = tmp_path / "out", tmp_path / "own.toml", tmp_path / "filled.xlsx"
    words = ["run", tmp_path / "list.csv", "--store", out / "s.duckdb", "--out", out]
    assert killer.call(*words).code == 0
    fill_workbook(out / "quarantine.xlsx", book, {}, {("Wall Type", "Clinker slab"): "Cob"})
    stood, filled = b'# mine\n[words.heating]\n"old thing" = "not known"\n', book.read_bytes()
    words += ["--mended", book, "--dictionary", own]
    after = set()
    for _ in range(2):  # the second counts the steps: by then every digest is recorded
        own.write_bytes(stood)
        ended = killer.call(*words)
        assert ended.code == 0, ended.err
        after.add(own.read_bytes())
    assert len(after) == 1
    assert b"clinker slab" in next(iter(after))
    for step in spread(ended.steps, KILLS):
        own.write_bytes(stood)
        ended = killer.call(*words, step=step)
        assert ended.killed, step
        assert own.read_bytes() in {stood, *after}
        assert book.read_bytes() == filled
        assert open_run(out / "s.duckdb").ranking.height == 7
    ended = killer.call(*words)
    assert ended.code == 0, ended.err
    assert own.read_bytes() in after
    assert "T9" in open_run(out / "s.duckdb").ranking["home_id"]
