"""What a command may write over: never an input, a ledger or a file that is not the tool's own."""

import os
import re
import resource
import shlex
import shutil
import sqlite3
import stat
import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from importlib.resources import files
from pathlib import Path
from typing import Any

import duckdb
import matplotlib.font_manager  # noqa: F401  it may write its cache before a limit is set
import polars as pl
import pytest

from pipeline import claims, outputs, stock
from pipeline.claims.ledger import Ledger
from pipeline.errors import OutputError, StoreError
from pipeline.outputs import RECORD, half_built, writing
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Settings
from pipeline.stock import Inputs
from pipeline.store import Builder
from tests.conftest import Said, stock_text

Call = Callable[..., Said]
DATA = files("data_demo")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a list, all that a run may read, two stores, their files and a ledger."""
    folder = tmp_path_factory.mktemp("made") / "at first"
    folder.mkdir()
    (folder / "stock.csv").write_text(stock_text())
    (folder / "survey.csv").write_text("Property Ref,Wall U\nT1,1.6\n")
    (folder / "map.toml").write_text('home_id = "Property Ref"\n')
    for name in ("rate_book.csv", "system_catalogue.csv", "fund_lantern.toml"):
        (folder / name).write_bytes((DATA / name).read_bytes())
    fund = (folder / "fund_lantern.toml").read_text()
    for asked in ('["E", "F", "G"]', '["social_rent"]'):
        fund = fund.replace(asked, "[]")  # the list tells neither
    (folder / "fund_lantern.toml").write_text(fund.replace("at_least = 0.30", "at_least = 0.0"))
    (folder / "own.toml").write_text(
        f'[cost]\nrate_book = "{folder}/rate_book.csv"\n'
        f'[works]\nsystem_catalogue = "{folder}/system_catalogue.csv"\n'
    )
    for name in ("town", "later"):
        out = folder / f"{name} files"
        run(Inputs(folder / "stock.csv"), folder / f"{name}.duckdb", out, Settings())
    claims.export(folder / "town.duckdb", ["T1"], folder / "claim")
    (folder / "notes.csv").write_text("a person's notes\n")
    return folder.rename(folder.with_name("moved"))  # a copy of a store beside the first is refused


@pytest.fixture
def town(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A copy of that folder to work in, as the current one."""
    folder = tmp_path / "town"
    shutil.copytree(made, folder)
    text = (folder / "own.toml").read_text().replace(str(made.with_name("at first")), str(folder))
    (folder / "own.toml").write_text(text)
    with sqlite3.connect(folder / "other.sqlite") as connection:
        connection.execute("create table anything (x)")
    connection.close()
    os.symlink("claims.sqlite", folder / "linked.duckdb")
    os.link(folder / "claims.sqlite", folder / "hard.duckdb")
    os.link(folder / "stock.csv", folder / "hard.csv")
    os.symlink("nowhere", folder / "nowhere")
    os.mkfifo(folder / "pipe")
    _make_device(folder / "device")
    monkeypatch.chdir(folder)
    return folder


def _make_device(path: Path) -> None:
    """A null device of our own: a command that failed this test would replace the machine's."""
    try:
        os.mknod(path, stat.S_IFCHR | 0o600, os.makedev(1, 3))
    except PermissionError:
        os.mkfifo(path)


def _everything(folder: Path) -> dict[str, bytes | str]:
    """The content of every file under a folder, and where its links lead."""
    return {
        str(path.relative_to(folder)): os.readlink(path) if path.is_symlink() else path.read_bytes()
        for path in folder.rglob("*")
        if path.is_symlink() or path.is_file()
    }


RUN = "run stock.csv --out new"
FROM = "--store town.duckdb"
LEDGER, OURS, THEIRS = "ledger of claims", "of this command", "was not written by this tool"
STORE = "is the store town.duckdb of this command"
REFUSED = {
    f"{RUN} --store claims.sqlite": LEDGER,
    f"{RUN} --store claims.duckdb": LEDGER,
    f"{RUN} --store Claims.DuckDB": LEDGER,
    f"{RUN} --store new/claims.sqlite": LEDGER,
    f"{RUN} --store new/claims.sqlite-wal": LEDGER,
    f"{RUN} --store linked.duckdb": LEDGER,
    f"{RUN} --store hard.duckdb": LEDGER,
    f"{RUN} --store claim/../claims.sqlite": LEDGER,
    f"{RUN} --store stock.csv": "is the stock list of this command",
    f"{RUN} --store STOCK.csv": OURS,
    f"{RUN} --store hard.csv": OURS,
    f"{RUN} --store survey.csv --with survey=survey.csv": "is the source 'survey' of this command",
    f"{RUN} --store map.toml --columns map.toml": "is the map of headings of this command",
    f"{RUN} --store own.toml --settings own.toml": "is the settings of this command",
    f"{RUN} --store rate_book.csv --settings own.toml": "is the rate book of this command",
    f"{RUN} --store system_catalogue.csv --settings own.toml": "is the catalogue of systems",
    "run stock.csv --store x/s.duckdb --out x/claims.sqlite": LEDGER,
    "run stock.csv --store x/s.duckdb --out x/Claims.DuckDB/more": LEDGER,
    f"{RUN} --store {'x' * 220}": "too long a name",
    f"{RUN} --store notes.csv": "holds something else than a store",
    f"{RUN} --store other.sqlite": "is a database",
    f"{RUN} --store claim": "is a folder",
    f"{RUN} --store pipe": "is a device, a pipe",
    f"{RUN} --store nowhere": "a link to itself",
    f"{RUN} --store device": "is a device, a pipe",
    "run stock.csv --out n.duckdb --store n.duckdb": "one within the other",
    f"{RUN} --store new/ranking.csv": "ends in .duckdb",
    f"{RUN} --store new/quarantine-2.xlsx": "ends in .duckdb",
    f"{RUN} --store stock.csv/s.duckdb": "stock.csv is no folder",
    "run stock.csv --store s.duckdb --out stock.csv": "stock.csv is no folder",
    "run stock.csv --store s.duckdb --out /dev/full": "/dev/full is no folder",
    "run 'town files/ranking.csv' --store s.duckdb --out 'town files'": OURS,
    "run stock.csv --store s.duckdb --out 'town files' --mended 'town files/run.json'": OURS,
    f"options T1 {FROM} --out town.duckdb": STORE,
    f"options T1 {FROM} --out later.duckdb": "is a database",
    f"options T1 {FROM} --out claims.sqlite": LEDGER,
    f"options T1 {FROM} --out hard.duckdb": OURS,
    f"options T1 {FROM} --out stock.csv": THEIRS,
    f"options T1 {FROM} --out claim": "is a folder",
    f"options T1 {FROM} --out .": "is a folder",
    f"options T1 {FROM} --out device": "is a device, a pipe",
    f"options T1 {FROM} --out {RECORD}": "this tool keeps for itself",
    f"options T1 {FROM} --out .a.7.programme-part": "this tool keeps for itself",
    f"options T1 {FROM} --out 'a\nb.csv'": "cannot be printed",
    "sources --out claims.sqlite": LEDGER,
    "sources --out linked.duckdb": LEDGER,
    "sources --out hard.duckdb": "is a database",
    "sources --out other.sqlite": "is a database",
    "sources --out town.duckdb": "is a database",
    f"sources {FROM} --out town.duckdb": STORE,
    "changes town.duckdb later.duckdb --out town.duckdb": STORE,
    "changes town.duckdb later.duckdb --out later.duckdb": OURS,
    "changes town.duckdb later.duckdb --out claims.sqlite": LEDGER,
    "changes town.duckdb later.duckdb --out notes.csv": THEIRS,
    f"explain T1 {FROM} --out town.duckdb": "town.duckdb is no folder",
    f"whatif --sweep thickness_mm=40:80:40 {FROM} --out notes.csv": "notes.csv is no folder",
    f"quantities {FROM} --out stock.csv": "stock.csv is no folder",
    f"allocate --fund fund_lantern.toml {FROM} --out pipe": "pipe is no folder",
    f"claim --homes T2 {FROM} --out notes.csv": "notes.csv is no folder",
    "demo --out stock.csv": "stock.csv is no folder",
}


@pytest.mark.parametrize("line", REFUSED)
def test_what_must_stay_stays_and_is_told(line: str, town: Path, call: Call) -> None:
    before = _everything(town)
    said = call(*shlex.split(line))
    assert (said.code, said.err.count("Stopped")) == (2, 1), said.err
    assert REFUSED[line] in said.err
    assert _everything(town) == before


STANDING = {
    "run stock.csv --store s.duckdb --out o": "ranking.csv screens.csv quarantine.csv run.json",
    f"explain T1 {FROM} --out o": "T1.md T1.pdf T1.png",
    f"whatif --sweep thickness_mm=40:80:40 {FROM} --out o": "whatif.csv whatif.png",
    f"quantities {FROM} --out o": "bill.csv bill_lots.csv bill_homes.csv bill_packs.csv bill.xlsx",
    f"allocate --fund fund_lantern.toml {FROM} --out o": (
        "allocation.csv lots.csv frontier.csv frontier.png allocation.json"
    ),
    f"options T1 {FROM} --out o/options.csv": "options.csv",
    f"sources {FROM} --out o/figures.csv": "figures.csv",
    "changes town.duckdb later.duckdb --out o/changes.csv": "changes.csv",
}


@pytest.mark.parametrize("line", STANDING)
def test_its_own_files_are_replaced_and_what_a_person_changed_is_not(
    line: str, town: Path, call: Call
) -> None:
    """A file a person made first, the command twice, then each of its files changed in turn."""
    words, names = line.split(), STANDING[line].split()
    (town / "o").mkdir()
    (town / "o" / names[0]).write_text("a person's")
    said = call(*words)
    assert (said.code, THEIRS in said.err) == (2, True), said.err
    (town / "o" / names[0]).unlink()
    assert [call(*words).code for _ in range(2)] == [0, 0]
    assert {p.name for p in (town / "o").iterdir()} >= {*names, RECORD}
    for name in names:
        place = town / "o" / name
        own = place.read_bytes()
        place.write_bytes(own + b"\n")
        before = _everything(town)
        said = call(*words)
        assert (said.code, f"{name} was changed since this tool wrote it" in said.err) == (2, True)
        assert _everything(town) == before
        place.write_bytes(own)


def test_the_inputs_of_the_other_commands_are_known_too(town: Path, call: Call) -> None:
    """Files that the tool wrote itself, so that no record could save them, given as inputs."""
    assert call(*f"quantities {FROM} --out o".split()).code == 0
    assert call(*f"allocate --fund fund_lantern.toml {FROM} --out o".split()).code == 0
    before = _everything(town)
    said = call(*f"quantities {FROM} --homes o/bill_homes.csv --out o".split())
    assert (said.code, "is the list of homes of this command" in said.err) == (2, True)
    said = call(*f"allocate --fund o/allocation.json {FROM} --out o".split())
    assert said.code == 2
    (town / "o" / "lots.csv").write_bytes((town / "fund_lantern.toml").read_bytes())
    said = call(*f"allocate --fund o/lots.csv {FROM} --out o".split())
    assert (said.code, "is the fund o/lots.csv of this command" in said.err) == (2, True)
    (town / "o" / "lots.csv").write_bytes(bytes(before["o/lots.csv"]))  # type: ignore[arg-type]
    assert _everything(town) == before


def test_a_store_moved_elsewhere_is_known_by_what_it_holds(town: Path, call: Call) -> None:
    for name in ("town.duckdb", "old.duckdb"):
        (town / "elsewhere").mkdir(exist_ok=True)
        shutil.copy(town / "later.duckdb", town / "elsewhere" / name)
    with duckdb.connect(str(town / "elsewhere" / "old.duckdb")) as connection:
        connection.execute("update run set format = 1")
        connection.execute("drop table corrections")
    for name in ("town.duckdb", "old.duckdb"):
        assert call(*f"{RUN} --store elsewhere/{name}".split()).code == 0
        assert open_run(town / "elsewhere" / name).ranking.height == 2


def test_a_store_in_which_somebody_keeps_more_is_not_replaced(town: Path, call: Call) -> None:
    with duckdb.connect(str(town / "town.duckdb")) as connection:
        connection.execute("create table visits (home_id text)")
    with duckdb.connect(str(town / "bare.duckdb")) as connection:
        connection.execute("create table run (x integer)")
    (town / "torn.duckdb").write_bytes((town / "later.duckdb").read_bytes()[:9000])
    before = _everything(town)
    for name, words in (
        ("town", "tables no store has (visits)"),
        ("bare", "no store of this tool"),
        ("torn", "could not be opened"),
    ):
        said = call(*f"{RUN} --store {name}.duckdb".split())
        assert (said.code, words in said.err) == (2, True), said.err
    assert _everything(town) == before


def test_a_ledger_bears_one_of_the_names_nothing_else_may_have() -> None:
    assert {claims.LEDGER, claims.OLDER} <= set(outputs.LEDGER_NAMES)


def test_a_file_behind_a_link_is_written_where_the_link_leads(town: Path, call: Call) -> None:
    (town / "disk").mkdir()
    os.symlink("disk/far.csv", town / "near.csv")
    for _ in range(2):
        assert call("sources", "--out", "near.csv").code == 0
    assert (town / "near.csv").is_symlink()
    assert (town / "disk" / "far.csv").stat().st_size > 1000


def test_what_a_person_saves_meanwhile_is_not_written_over(
    town: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = stock.ingest

    def slow(*given: object) -> stock.Stock:
        (town / "town files" / "screens.csv").write_text("saved meanwhile")
        return real(*given)  # type: ignore[arg-type]

    monkeypatch.setattr(stock, "ingest", slow)
    before = _everything(town)
    with pytest.raises(OutputError, match=r"screens\.csv was changed since"):
        run(Inputs(town / "stock.csv"), town / "s.duckdb", town / "town files", Settings())
    assert _everything(town) == before | {"town files/screens.csv": b"saved meanwhile"}


def test_a_claim_frozen_without_files_says_how_to_get_them(
    town: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = Ledger.add

    def slow(*given: Any) -> None:
        real(*given)
        (town / "o").mkdir(exist_ok=True)
        (town / "o" / "claim.json").write_text("saved meanwhile")

    monkeypatch.setattr(Ledger, "add", slow)
    said = call("claim", "--homes", "T2", "--store", "town.duckdb", "--out", "o", "--first-claim")
    claim = re.search(r"--again (C\w+)\.", said.err)
    assert (said.code, claim is not None) == (2, True), said.err
    assert (town / "o" / "claim.json").read_text() == "saved meanwhile"
    words = ["claim", "--again", claim[1] if claim else "", "--store", "town.duckdb", "--out", "p"]
    assert call(*words).code == 0
    assert len(list((town / "p").glob("claim.*"))) == 3


def test_what_another_command_wrote_is_not_replaced(town: Path, call: Call) -> None:
    """A run's own ranking and workbook are not the place for a list of changes."""
    before = _everything(town)
    for words in (
        "changes town.duckdb later.duckdb --out 'town files/ranking.csv'",
        "sources --out 'town files/quarantine.xlsx'",
        "options T1 --store town.duckdb --out claim/claim.csv",
    ):
        said = call(*shlex.split(words))
        assert (said.code, "was written by `programme " in said.err) == (2, True), said.err
    assert _everything(town) == before
    for words in ("sources --out x.csv", "sources --out x.csv"):
        assert call(*words.split()).code == 0
    assert "by `programme sources`" in call("changes", *["town.duckdb"] * 2, "--out", "x.csv").err
    record = town / "town files" / RECORD
    lines = record.read_text().splitlines(keepends=True)
    record.write_text("".join(line for line in lines if not line.startswith("# by")))
    words = "changes town.duckdb later.duckdb --out 'town files/ranking.csv'"
    assert call(*shlex.split(words)).code == 0  # earlier versions kept no command


def test_two_commands_at_once_keep_one_record(tmp_path: Path) -> None:
    a, b = tmp_path / "a.csv", tmp_path / "b.csv"
    with writing("run", [a], {}) as one, writing("run", [b], {}) as other:
        one.add(a, b"a")
        other.add(b, b"b")
    (tmp_path / RECORD).write_bytes((tmp_path / RECORD).read_bytes() + b"00ff  torn")
    for content in (b"c", b"d"):
        with writing("run", [a, b], {}) as again:
            again.add(a, content)
            again.add(b, content)
    checked = subprocess.run(
        ["sha256sum", "--check", RECORD], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert checked.stdout.count("a.csv: OK") == checked.stdout.count("b.csv: OK") == 1


def test_a_disk_that_fills_in_the_record_leaves_the_record_as_it_was(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"

    def write(content: bytes) -> None:
        with writing("run", [path], {}) as built:
            built.add(path, content)

    write(b"a")
    before = _everything(tmp_path)
    with _most_bytes(len(before[RECORD]) + 30), pytest.raises(OutputError, match="could not be"):
        write(b"b")
    assert _everything(tmp_path) == before
    write(b"b")


WRITERS = (
    "run stock.csv --store {0}/s.duckdb --out {0}/o",
    "demo --out {0}/o",
    "explain T1 --store town.duckdb --out {0}/o",
    "options T1 --store town.duckdb --out {0}/options.csv",
    "sources --out {0}/figures.csv",
    "changes town.duckdb later.duckdb --out {0}/changes.csv",
    "whatif --sweep thickness_mm=40:80:40 --store town.duckdb --out {0}/o",
    "quantities --store town.duckdb --out {0}/o",
    "allocate --fund fund_lantern.toml --store town.duckdb --out {0}/o",
    "claim --homes T2 --store town.duckdb --out {0}/o",
)


@contextmanager
def _most_bytes(most: int) -> Iterator[None]:
    """No file may grow longer, as on a full disk; EFBIG stands for ENOSPC."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.parametrize("line", WRITERS)
def test_a_full_disk_is_one_message_and_changes_nothing(line: str, town: Path, call: Call) -> None:
    before = _everything(town)
    with _most_bytes(20):
        said = call(*line.format("full").split())
    assert (said.code, said.err.count("Stopped")) == (2, 1), said.err
    assert "could not be written" in said.err
    assert _everything(town) == before


@pytest.mark.parametrize("most", [5_000, 300_000, 1_200_000])
def test_a_disk_that_fills_while_the_store_grows(most: int, town: Path, call: Call) -> None:
    before = _everything(town)
    with _most_bytes(most):
        said = call("run", "stock.csv", "--store", "town.duckdb", "--out", "town files")
    assert (said.code, "could not be written" in said.err) == (2, True), said.err
    assert _everything(town) == before


def test_a_disk_that_fills_with_what_duckdb_spills(tmp_path: Path) -> None:
    def spill(store: Path) -> None:
        with (
            writing("run", [], {}, store) as built,
            Builder.open(built.building(store)) as building,
        ):
            building._connection.execute("set memory_limit = '60MB'; set threads = 1")
            with _most_bytes(1 << 20):
                building._connection.execute(
                    "create table t as select hash(range) as h from range(4000000) order by h"
                )

    with pytest.raises(StoreError, match=r"could not be written .*programme-part\.tmp/"):
        spill(tmp_path / "s.duckdb")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("line", WRITERS)
def test_an_unwritable_place_is_one_message(line: str, town: Path, call: Call) -> None:
    """Nobody can make a folder or a file in /proc, not even root."""
    before = _everything(town)
    said = call(*line.format("/proc/sys").split())
    assert (said.code, said.err.count("Stopped")) == (2, 1), said.err
    assert "written" in said.err
    assert _everything(town) == before


def test_a_full_terminal_is_one_message(
    town: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    with suppress(OSError), open("/dev/full", "w") as full:  # what closing it cannot write
        for words in (["sources"], ["headings", "stock.csv"]):
            with monkeypatch.context() as patch:
                patch.setattr("sys.stdout", full)
                said = call(*words)
            assert (said.code, said.err.count("Stopped")) == (2, 1), said.err


def test_leftovers_of_the_killed_go_and_those_of_the_running_stay(
    town: Path, call: Call, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Process numbers: one too great for any process, this one's own, and the parent's."""
    left, kept = [], []
    for folder in (town, town / "town files"):
        for number, names in ((999999999, left), (os.getpid(), left), (os.getppid(), kept)):
            with monkeypatch.context() as patch:
                patch.setattr(os, "getpid", lambda number=number: number)
                built = str(half_built(folder / "any name"))
            for ending in ("", ".wal"):
                names.append(Path(built + ending))
                names[-1].write_bytes(b"half")
            names.append(Path(f"{built}.tmp"))
            names[-1].mkdir()
            (names[-1] / "spilled").write_bytes(b"more")
    for name in (".mine.building", ".ranking.csv.999999999.programme-part"):
        kept.append(town / name)
        kept[-1].write_bytes(b"a person's")
    assert call("run", "stock.csv", "--store", "s.duckdb", "--out", "town files").code == 0
    assert [p.exists() for p in left] == [False] * len(left)
    assert [p.exists() for p in kept] == [True] * len(kept)
    assert pl.read_csv(town / "town files" / "ranking.csv").height == 2
