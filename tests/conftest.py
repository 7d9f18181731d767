"""Shared fixtures: the command line called in process, and one published demo run."""

from collections.abc import Callable
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import polars as pl
import pytest

from pipeline import cli, identity
from pipeline.published import Published, open_run
from pipeline.run import run
from pipeline.settings import Settings
from pipeline.stock import Inputs

DEMO_STOCK = Path(str(files("data_demo") / "stock.csv"))


@dataclass(frozen=True)
class Said:
    """What a command left: exit code and both streams, spaces folded."""

    code: int
    out: str
    err: str


@pytest.fixture
def call(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., Said]:
    """Run `programme ...` in this process."""

    def command(*words: object) -> Said:
        monkeypatch.setattr("sys.argv", ["programme", *map(str, words)])
        try:
            cli.main()
            code = 0
        except SystemExit as stop:
            code = int(stop.code or 0)
        told = capsys.readouterr()
        return Said(code, " ".join(told.out.split()), " ".join(told.err.split()))

    return command


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the demo stock run once: demo.duckdb, ranking.csv and the rest."""
    folder = tmp_path_factory.mktemp("demo")
    run(Inputs(DEMO_STOCK), folder / "demo.duckdb", folder, Settings())
    return folder


@pytest.fixture(scope="session")
def demo(demo_folder: Path) -> Published:
    """The published demo run, opened."""
    return open_run(demo_folder / "demo.duckdb")


def same(first: bytes, second: bytes) -> bool:
    """Equality of two files: pytest, asked for their difference, looks for it for hours."""
    return first == second


HEADINGS = "Property Ref,Address,Post Code,Prop Type,Age,Floor Area,Wall Type,Wall U"
GOOD_ROW = '{ref},"{n} Alder Row, Tarnwick",HX77 3AB,House,1934,85,Solid brick,'


def stock_text(*rows: str) -> str:
    """A small stock list: the headings and rows, or two good homes."""
    some = rows or (GOOD_ROW.format(ref="T1", n=1), GOOD_ROW.format(ref="T2", n=2))
    return "\n".join([HEADINGS, *some]) + "\n"


def claimed_before(*homes: str) -> pl.DataFrame:
    """Homes claimed before by their key, as `claims.met_before` tells them."""
    columns = {"home_id": homes, "other": homes}
    told = pl.DataFrame(columns, schema=dict.fromkeys(columns, pl.String))
    return told.with_columns(
        way=pl.lit(identity.KEY), claim_id=pl.lit("C0123"), made_at=pl.lit("2026-11-01T10:00:00")
    )
