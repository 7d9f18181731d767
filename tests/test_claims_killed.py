"""Claims killed at their writing: ledger and files whole, no claim lost, no home claimed twice.

KILLS=100 in the environment kills each a hundred times; it takes about ten minutes.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path

import polars as pl
import pytest

from pipeline import claims
from pipeline.claims.ledger import Ledger
from pipeline.errors import ClaimError
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Settings
from pipeline.stock import Inputs
from tests.conftest import DEMO_STOCK, same
from tests.killing import Ended, Killer, spread

KILLS = int(os.environ.get("KILLS", "5"))
STEPS = ("pipeline.claims", "pipeline.claims.ledger", "pipeline.claims.files",
         "pipeline.claims.place", "pipeline.outputs")  # fmt: skip
WINDOWS = {"the first claim": "pipeline.claims.ledger:_create",
           "a later claim": "pipeline.claims.ledger:Ledger.add"}  # fmt: skip


@pytest.fixture(scope="module", params=WINDOWS)
def killer(request: pytest.FixtureRequest) -> Iterator[tuple[str, Killer]]:
    with Killer(WINDOWS[request.param], STEPS) as started:
        yield request.param, started


@pytest.fixture(scope="module")
def town(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a store of forty homes and a ledger in which one is claimed."""
    folder = tmp_path_factory.mktemp("town") / "at first"
    folder.mkdir()
    pl.read_csv(DEMO_STOCK, infer_schema=False).head(40).write_csv(folder / "list.csv")
    run(Inputs(folder / "list.csv"), folder / "town.duckdb", folder / "files", Settings())
    claims.export(folder / "town.duckdb", _homes(folder)[:1], folder / "c0")
    return folder.rename(folder.with_name("moved"))  # a copy beside the first would be refused


def _homes(town: Path) -> list[str]:
    ranking = open_run(town / "town.duckdb").ranking
    return ranking.filter(pl.col("rank").is_not_null()).sort("rank")["home_id"].to_list()


def _claim(killer: Killer, place: Path, homes: list[str], out: str, step: int = 0) -> Ended:
    words = ("--store", place / "town.duckdb", "--homes", ",".join(homes), "--out", place / out)
    return killer.call("claim", *words, "--first-claim", step=step)


def _held(place: Path) -> dict[str, list[str]]:
    """Homes by claim, as the ledger holds them now."""
    if not (place / "claims.sqlite").exists():
        return {}
    with Ledger(place / "claims.sqlite") as opened:
        held = opened.homes()
    assert held["home_id"].is_unique().all()
    by_claim = held.group_by("claim_id").agg(pl.col("home_id").sort())
    return dict(by_claim.iter_rows())


def _place(town: Path, folder: Path, with_ledger: bool) -> Path:
    folder.mkdir()
    there = ("town.duckdb", "claims.sqlite", ".programme-claims")
    for name in there if with_ledger else there[:1]:
        shutil.copy(town / name, folder / name)
    return folder


def test_a_claim_killed_anywhere_stands_whole_or_not_at_all(killer, town, tmp_path):
    window, child = killer
    known, *homes = _homes(town)[:5]
    wanted, other = sorted(homes[:3]), homes[3]
    begun = [[known]] if window == "a later claim" else []
    whole = _claim(child, _place(town, tmp_path / "whole", bool(begun)), wanted, "c")
    assert whole.code == 0, whole.err
    stood = 0
    for step in spread(whole.steps, KILLS):
        place = _place(town, tmp_path / str(step), bool(begun))
        store = place / "town.duckdb"
        ended = _claim(child, place, wanted, "c", step)
        assert ended.killed, (step, whole.steps, ended.err)
        if step % 2:  # else a writer is the first to meet what was left
            assert sorted(_held(place).values()) in (sorted(begun), sorted([*begun, wanted]))
        claims.export(store, [other], place / "d")
        stands = wanted in _held(place).values()
        assert sorted(_held(place).values()) == sorted([*begun, [other], *[wanted] * stands])
        with pytest.raises(ClaimError, match="Claimed before") if stands else nullcontext():
            claims.export(store, wanted, place / "e")
        _assert_whole(place, wanted, stands)
        stood += stands
        assert {p.name for p in place.iterdir() if p.is_file()} == {
            "claims.sqlite", ".programme-claims", store.name,
        }  # fmt: skip
    assert 0 < stood < KILLS


def _assert_whole(place: Path, wanted: list[str], stands: bool) -> None:
    """Files the killed claim left are those of the ledger; all can be written again."""
    (claim_id,) = (claim for claim, homes in _held(place).items() if homes == wanted)
    claims.reissue(place / "town.duckdb", claim_id, place / "again")
    left = [p for p in place.glob("c/*") if not p.name.startswith(".")]
    assert not left or stands
    for path in left:
        assert same(path.read_bytes(), (place / "again" / path.name).read_bytes())
