"""The ledger of claims: one place, whole after any end, and no home in it twice."""

import os
import shutil
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import claims, funding, identity, programme
from pipeline.claims import ledger as ledgers
from pipeline.claims.ledger import Ledger
from pipeline.errors import ClaimError, SettingsError
from pipeline.outputs import half_built
from pipeline.programme import funds
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import build
from pipeline.stock import Inputs
from tests.conftest import DEMO_STOCK, same

HOMES = 60
FUND = DEMO_STOCK.with_name("fund_lantern.toml")
FILES = ("claim.csv", "claim.xlsx", "claim.json")


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> Path:
    """A folder with a list of sixty homes of the demo and its store, with no claims."""
    folder = tmp_path_factory.mktemp("small")
    pl.read_csv(DEMO_STOCK, infer_schema=False).head(HOMES).write_csv(folder / "stock.csv")
    run(Inputs(folder / "stock.csv"), folder / "town.duckdb", folder, build({}, "test"))
    return folder


@pytest.fixture(scope="module")
def ranked(small) -> list[str]:
    """Keys of the homes that can be claimed, the best first."""
    ranking = open_run(small / "town.duckdb").ranking
    return ranking.filter(pl.col("rank").is_not_null()).sort("rank")["home_id"].to_list()


@pytest.fixture
def store(small, tmp_path) -> Path:
    (tmp_path / "town").mkdir()
    return Path(shutil.copy(small / "town.duckdb", tmp_path / "town" / "town.duckdb"))


def _homes(*rows: tuple[str | None, ...]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=dict.fromkeys(identity.NAMED, pl.String), orient="row")


def _put(ledger: Path, *rows: tuple[str | None, ...], claim: str = "C0") -> None:
    """Write a claim of some homes into a ledger, with empty files."""
    lines = _homes(*rows).with_columns(line=pl.int_range(1, pl.len() + 1).cast(pl.String))
    with Ledger(ledger, create=True) as opened:
        opened.add(claim, claims.MEASURE, lines, dict.fromkeys(FILES, b""), {})


# where the ledger is


def test_a_store_reached_by_a_link_has_the_same_ledger(store, ranked, tmp_path):
    first, second = ranked[:2]
    claims.export(store, [first], tmp_path / "c1")
    link = tmp_path / "elsewhere.duckdb"
    link.symlink_to(store)
    folder = tmp_path / "folder"
    folder.symlink_to(store.parent)
    for path in (link, folder / store.name):
        assert claims.ledger_path(path) == store.with_name("claims.sqlite")
        with pytest.raises(ClaimError, match="Claimed before"):
            claims.export(path, [first, second], tmp_path / "c2")


@pytest.mark.parametrize("name", ["claims.sqlite", "claims.duckdb"])
def test_a_ledger_beside_a_link_is_not_passed_over(store, ranked, tmp_path, name, call):
    """Earlier versions put it beside the link; claims in it stand."""
    link = tmp_path / "desk" / "town.duckdb"
    link.parent.mkdir()
    link.symlink_to(store)
    link.with_name(name).write_bytes(b"claims")
    for words in (
        ("claim", "--homes", ranked[0], "--out", tmp_path / "c"),
        ("quantities", "--out", tmp_path / "b"),
        ("allocate", "--fund", FUND, "--out", tmp_path / "a"),
        ("dashboard",),
    ):
        said = call(*words, "--store", link)
        assert (said.code, f"Two ledgers: the claims of this store belong in {store.parent}"
                in said.err) == (2, True)  # fmt: skip
    assert not store.with_name("claims.sqlite").exists()
    link.with_name(name).unlink()
    link.with_name(name).symlink_to(store.with_name("claims.sqlite"))
    claims.export(link, ranked[:1], tmp_path / "d")


def test_one_ledger_named_in_the_settings_serves_many_folders(small, ranked, tmp_path, call):
    ledger = tmp_path / "office" / "all.sqlite"
    own = build({"claims": {"ledger": str(ledger)}}, "test")
    stores = [tmp_path / name / "town.duckdb" for name in ("march", "june")]
    with pytest.raises(ClaimError, match="no such folder"):
        run(Inputs(small / "stock.csv"), stores[0], stores[0].parent, own)
    assert not stores[0].exists()
    ledger.parent.mkdir()
    for store in stores:
        run(Inputs(small / "stock.csv"), store, store.parent, own)
    ledger.parent.rename(tmp_path / "drive not connected")
    for words in _uses(stores[0], ranked[0], tmp_path):
        said = call(*words)
        assert (said.code, f"to lie in {ledger.parent}, and there is no" in said.err) == (2, True)
    assert not ledger.parent.exists()
    (tmp_path / "drive not connected").rename(ledger.parent)
    words = ("claim", "--store", stores[0], "--homes", ranked[0], "--out", tmp_path / "c1")
    said = call(*words)
    assert (said.code, f"There is no ledger of claims at {ledger}" in said.err) == (2, True)
    assert not ledger.exists()
    said = call(*words, "--first-claim")
    assert f"Ledger: {ledger}" in said.out
    assert "A new ledger was begun" in said.out
    words = ("claim", "--store", stores[0], "--homes", ranked[1], "--out", tmp_path / "c4")
    assert "A new ledger was begun" not in call(*words).out
    assert f'"ledger": "{ledger}"' in (tmp_path / "c1" / "claim.json").read_text()
    with pytest.raises(ClaimError, match="Claimed before"):
        claims.export(stores[1], ranked[:1], tmp_path / "c2")
    _put(stores[1].with_name("claims.sqlite"), ("T1", None, None, None))
    with pytest.raises(ClaimError, match="Two ledgers"):
        claims.export(stores[1], ranked[2:3], tmp_path / "c3")


def test_a_ledger_that_is_a_folder_or_a_link_to_nothing(store, ranked, tmp_path):
    """A link to a drive that is not connected must not begin an empty ledger."""
    place = store.with_name("claims.sqlite")
    place.symlink_to(tmp_path / "drive" / "claims.sqlite")
    for asked in (claims.claimed, lambda s: claims.export(s, ranked[:1], tmp_path / "c")):
        with pytest.raises(ClaimError, match="no such folder"):
            asked(store)
        (tmp_path / "drive").mkdir()
        with pytest.raises(
            ClaimError, match=r"is a link to .*drive/claims.sqlite, and there is no"
        ):
            asked(store)  # a mount point with no drive on it
        assert not list((tmp_path / "drive").iterdir())
        (tmp_path / "drive").rmdir()
    place.unlink()
    place.mkdir()
    for asked in (claims.claimed, lambda s: claims.export(s, ranked[:1], tmp_path / "c")):
        with pytest.raises(ClaimError, match="is no file, so no ledger"):
            asked(store)


@pytest.mark.parametrize("group", ["claims.ledger", "cost.rate_book", "works.system_catalogue"])
def test_a_name_no_file_can_have_is_refused_with_the_settings(group):
    section, key = group.split(".")
    with pytest.raises(SettingsError, match=key):
        build({section: {key: "a\0b"}}, "test")


def test_a_ledger_in_a_folder_that_is_a_file(small, tmp_path):
    (tmp_path / "file").write_text("")
    own = build({"claims": {"ledger": str(tmp_path / "file" / "claims.sqlite")}}, "test")
    other = tmp_path / "other" / "town.duckdb"
    with pytest.raises(ClaimError, match="no such folder"):
        run(Inputs(small / "stock.csv"), other, other.parent, own)


def _uses(store: Path, home: str, folder: Path) -> list[tuple[object, ...]]:
    """Every command that goes by what is claimed already."""
    return [
        ("claim", "--homes", home, "--store", store, "--out", folder / "used"),
        ("quantities", "--store", store, "--out", folder / "used"),
        ("allocate", "--fund", FUND, "--store", store, "--out", folder / "used"),
        ("whatif", "--sweep", "budget_gbp=1:2:1", "--store", store, "--out", folder / "used"),
        ("dashboard", "--store", store),
    ]


def _run(small: Path, store: Path, ledger: object = "") -> None:
    own = build({"claims": {"ledger": str(ledger)}}, "test")
    run(Inputs(small / "stock.csv"), store, store.parent, own)


def test_a_ledger_that_went_is_not_begun_anew(small, store, ranked, tmp_path, call):
    """The claim noted it in the folder; a run that saw it is enough in another folder too."""
    made = claims.export(store, ranked[:1], tmp_path / "c1")
    ledger, gone = claims.ledger_path(store), tmp_path / "gone.sqlite"
    ledger.rename(gone)
    again = ("run", small / "stock.csv", "--store", store, "--out", tmp_path / "o")
    before = store.read_bytes()
    for words in (*_uses(store, ranked[1], tmp_path), again):
        said = call(*words)
        assert said.code == 2
        assert f"tells of {made.claim_id}. No ledger is at {ledger}, and" in said.err
    assert same(store.read_bytes(), before)
    assert not (tmp_path / "used").exists()
    gone.rename(ledger)
    assert call(*again).code == 0
    (tmp_path / "sent").mkdir()
    sent = Path(shutil.copy(store, tmp_path / "sent"))
    store.parent.rename(tmp_path / "another machine")
    with pytest.raises(ClaimError, match=rf"{made.claim_id}\. No ledger is at .*sent/claims"):
        claims.export(sent, ranked[1:2], tmp_path / "c2")


def test_a_ledger_from_an_older_backup_is_told(store, ranked, tmp_path, call):
    """Also where as many claims were made with it since: it lacks one that was told as made."""
    claims.export(store, ranked[:1], tmp_path / "c1")
    ledger = claims.ledger_path(store)
    older = shutil.copy(ledger, tmp_path / "older.sqlite")
    made = claims.export(store, ranked[1:2], tmp_path / "c2")
    shutil.copy(older, ledger)
    with Ledger(ledger) as opened:
        opened._connection.execute("insert into claim values ('C9', '', '', x'', x'', x'')")
    for words in _uses(store, ranked[1], tmp_path):
        said = call(*words)
        assert said.code == 2
        assert f"tells of {made.claim_id}. The ledger {ledger} holds 2 claims" in said.err
    store.with_name(".programme-claims").write_text("torn")
    with pytest.raises(ClaimError, match="which tells which claims were made here, cannot be"):
        claims.claimed(store)
    store.with_name(".programme-claims").unlink()  # the way out that the message names
    claims.export(store, ranked[2:3], tmp_path / "c3")


@pytest.mark.parametrize("copied", [shutil.copy, os.link])
def test_a_copy_of_a_store_does_not_begin_a_second_ledger(small, ranked, tmp_path, copied):
    store = tmp_path / "town" / "town.duckdb"
    _run(small, store)
    (tmp_path / "desk").mkdir()
    copy = tmp_path / "desk" / "town.duckdb"
    copied(store, copy)
    claims.export(store, ranked[:1], tmp_path / "c1")
    with pytest.raises(ClaimError, match=f"Two ledgers.*there is {store.parent}/claims.sqlite"):
        claims.export(copy, ranked[:1], tmp_path / "c2")
    store.parent.rename(tmp_path / "moved")  # moved with its ledger, it goes on
    with pytest.raises(ClaimError, match="Claimed before"):
        claims.export(tmp_path / "moved" / "town.duckdb", ranked[:1], tmp_path / "c3")


def test_a_folder_copied_with_its_ledger_claims_no_further(small, store, ranked, tmp_path):
    claims.export(store, ranked[:1], tmp_path / "c1")
    copied = shutil.copytree(store.parent, tmp_path / "copied")
    told = f"copied/claims.sqlite is a copy: .*were kept in {store.parent}/claims.sqlite"
    with pytest.raises(ClaimError, match=told):
        claims.export(copied / "town.duckdb", ranked[1:2], tmp_path / "c2")
    with pytest.raises(ClaimError, match=told):
        _run(small, copied / "new.duckdb")
    claims.export(store, ranked[1:2], tmp_path / "c2")  # the first goes on
    store.with_name("claims.sqlite").unlink()  # the way out that the message names
    claims.export(copied / "town.duckdb", ranked[2:3], tmp_path / "c3")


def test_a_shared_ledger_of_another_day_is_known_in_every_folder(small, ranked, tmp_path):
    """Its own folder keeps a note too: a store that made no claim knows of those of others."""
    office = tmp_path / "office"
    office.mkdir()
    stores = [tmp_path / name / "town.duckdb" for name in ("north", "south")]
    for store in stores:
        _run(small, store, office / "all.sqlite")
    claims.export(stores[0], ranked[:1], tmp_path / "c1")
    older = shutil.copy(office / "all.sqlite", tmp_path / "older.sqlite")
    made = claims.export(stores[0], ranked[1:2], tmp_path / "c2")
    shutil.copy(older, office / "all.sqlite")
    with pytest.raises(ClaimError, match=f"office/.programme-claims tells of {made.claim_id}"):
        claims.export(stores[1], ranked[1:2], tmp_path / "c3")


def test_a_run_without_the_settings_before_does_not_drop_their_ledger(small, ranked, tmp_path):
    store, office = tmp_path / "town" / "town.duckdb", tmp_path / "office"
    office.mkdir()
    _run(small, store)
    _run(small, store, office / "all.sqlite")  # no claim was made yet, so it may change
    claims.export(store, ranked[:1], tmp_path / "c1")
    before = store.read_bytes()
    with pytest.raises(ClaimError, match=f"keeps its claims in {office}/all.sqlite.*Give --settin"):
        _run(small, store)
    with pytest.raises(ClaimError, match=r"\.programme-claims keeps its claims in"):
        _run(small, store.with_name("new.duckdb"))  # nor does a new store of the folder
    office.rename(tmp_path / "away")
    with pytest.raises(ClaimError, match=f"keeps its claims in {office}/all.sqlite"):
        _run(small, store)  # the drive is not connected
    assert same(store.read_bytes(), before)
    (tmp_path / "away").rename(office)
    (office / "all.sqlite").rename(store.with_name("claims.sqlite"))
    _run(small, store)  # the ledger was moved to where it now belongs
    with pytest.raises(ClaimError, match="Claimed before"):
        claims.export(store, ranked[:1], tmp_path / "c2")


def test_ledgers_with_names_of_their_own_are_found_by_what_they_hold(small, ranked, tmp_path, call):
    march, june = (tmp_path / "town" / f"{name}.duckdb" for name in ("march", "june"))
    _run(small, march, "march.sqlite")
    _other_program(march.with_name("bank.sqlite"))
    claims.export(march, ranked[:1], tmp_path / "c1")
    march.with_name(".programme-claims").unlink()
    with pytest.raises(ClaimError, match=r"Two ledgers: .*june\.sqlite, and .*march\.sqlite too"):
        _run(small, june, "june.sqlite")
    assert not june.exists()
    march.with_name("march.sqlite").rename(tmp_path / "m")
    _run(small, june, "june.sqlite")
    (tmp_path / "m").rename(march.with_name("march.sqlite"))
    for words in _uses(june, ranked[0], tmp_path):
        said = call(*words)
        assert (said.code, "Two ledgers" in said.err) == (2, True)
    os.link(march.with_name("march.sqlite"), march.with_name("hard.sqlite"))
    march.with_name("soft.sqlite").symlink_to("march.sqlite")
    claims.export(march, ranked[1:2], tmp_path / "c2")  # other names of the same ledger


def test_a_copy_beside_the_ledger_is_told_and_stops_nothing(small, store, ranked, tmp_path, call):
    claims.export(store, ranked[:1], tmp_path / "c1")
    ledger = claims.ledger_path(store)
    backup = Path(shutil.copy(ledger, ledger.with_name("claims-backup.duckdb")))
    claims.export(store, ranked[1:2], tmp_path / "c2")
    told = f"{ledger} is in use. Beside it lies a copy, {backup},"
    said = call("claim", "--store", store, "--homes", ranked[2], "--out", tmp_path / "c3")
    assert (said.code, said.out.count(told)) == (0, 1), said.err
    said = call("run", small / "stock.csv", "--store", store, "--out", tmp_path / "o")
    assert (said.code, said.out.count(told)) == (0, 1), said.err
    _put(backup, ("T1", None, None, None))  # somebody claimed in it: now it is a second ledger
    with pytest.raises(ClaimError, match=f"alone.*Only if .* move {backup} into another folder"):
        claims.ledger_path(store)
    shutil.copy(ledger, backup)
    _put(backup, ("T1", None, None, None), claim="C9")
    with pytest.raises(ClaimError, match=f"C9 besides.* move {ledger} into .*then {backup} to"):
        claims.ledger_path(store)
    ledger.rename(tmp_path / "older.sqlite")
    with pytest.raises(ClaimError, match=rf"There is none at.* move {backup} to {ledger}"):
        claims.ledger_path(store)
    _run(small, store, backup.name)  # as the message says: named in the settings
    assert claims.ledger_path(store) == backup
    backup.rename(ledger)
    _run(small, store)
    assert claims.claimed(store).height == 4


def test_claims_of_an_earlier_ledger_put_back_beside_a_later_one_are_not_passed_over(
    store, ranked, tmp_path
):
    claims.export(store, ranked[:1], tmp_path / "c1")
    _earlier(store.with_name("claims.duckdb"), ranked[1])
    with pytest.raises(ClaimError, match=r"Two ledgers: .*claims\.duckdb too.* C1 are in"):
        claims.export(store, ranked[1:2], tmp_path / "c2")


def test_a_ledger_copied_alone_knows_where_it_lay(small, store, ranked, tmp_path):
    """Its hidden notes stayed behind, and the store in the copy's folder is a new one."""
    claims.export(store, ranked[:1], tmp_path / "c1")
    (tmp_path / "desk").mkdir()
    shutil.copy(claims.ledger_path(store), tmp_path / "desk")
    with pytest.raises(ClaimError, match=f"desk/claims.sqlite is a copy: .*in {store.parent}/cla"):
        _run(small, tmp_path / "desk" / "town.duckdb")


@pytest.mark.parametrize("name", ["$HOME/claims.sqlite", "${OFFICE}/all.sqlite", "%TEMP%/c.sqlite"])
def test_a_variable_in_the_place_of_a_ledger_is_told(small, tmp_path, name):
    with pytest.raises(ClaimError, match="variables are not read"):
        _run(small, tmp_path / "town.duckdb", name)


# what the file is


def test_a_copy_made_right_after_holds_the_claim_in_one_file(store, ranked, tmp_path):
    claims.export(store, ranked[:1], tmp_path / "c")
    ledger = claims.ledger_path(store)
    there = [".programme-claims", "claims.sqlite", "town.duckdb"]
    assert sorted(p.name for p in ledger.parent.iterdir()) == there
    copy = Path(shutil.copy(ledger, tmp_path / "backup.sqlite"))
    with Ledger(copy) as opened:
        assert opened.homes()["home_id"].to_list() == ranked[:1]
    with closing(sqlite3.connect(copy)) as plain:
        assert plain.execute("pragma application_id").fetchone() == (0x5250434C,)
        assert plain.execute("pragma journal_mode").fetchone() == ("delete",)
        strict = plain.execute("select name, strict from pragma_table_list where schema = 'main'")
        assert {("claim", 1), ("line", 1)} <= set(strict)


def _other_program(path: Path) -> None:
    with closing(sqlite3.connect(path)) as other:
        other.execute("create table claim (claim_id)")


def _of_duckdb(path: Path) -> None:
    with duckdb.connect(str(path)) as other:
        other.execute("create table claim (claim_id text)")


def _shorter(path: Path) -> None:
    _put(path, ("T1", None, None, None))
    path.write_bytes(path.read_bytes()[:-4096])


def _scribbled(path: Path) -> None:
    _put(path, ("T1", None, None, None))
    content = bytearray(path.read_bytes())
    content[4096:4196] = b"\xff" * 100
    path.write_bytes(content)


def _emptied(path: Path) -> None:
    """Whole for SQLite, and without what a ledger holds."""
    _put(path, ("T1", None, None, None))
    with closing(sqlite3.connect(path)) as other:
        other.executescript("drop table line; drop table claim")


def _newer(path: Path) -> None:
    _put(path, ("T1", None, None, None))
    with closing(sqlite3.connect(path)) as other:
        other.execute("pragma user_version = 99")


STRANGE = {
    "is empty: 0 bytes": lambda path: path.write_bytes(b""),
    "begins with b'home,claim": lambda path: path.write_bytes(b"home,claim\nT1,C1\n" * 100),
    "is a database of another program": _other_program,
    "is of an earlier version's kind": _of_duckdb,
    "is cut short: ": _shorter,
    "is damaged": _scribbled,
    "is damaged (no such table": _emptied,
    "is a ledger of format 99": _newer,
}


@pytest.mark.parametrize("words", STRANGE)
def test_a_file_that_is_no_sound_ledger_has_its_own_words(store, ranked, tmp_path, call, words):
    ledger = store.with_name("claims.sqlite")
    STRANGE[words](ledger)
    content = ledger.read_bytes()
    for said in (
        call("claim", "--store", store, "--homes", ranked[0], "--out", tmp_path / "c"),
        call("claim", "--store", store, "--again", "C0", "--out", tmp_path / "c"),
        call("allocate", "--store", store, "--fund", FUND, "--out", tmp_path / "a"),
        call("quantities", "--store", store, "--out", tmp_path / "b"),
    ):
        assert said.code == 2, said.err
        assert words in said.err
        assert "Somebody else" not in said.err
    assert same(ledger.read_bytes(), content)
    assert not list(tmp_path.glob("c/*"))


def test_a_ledger_cut_or_overwritten_anywhere_is_told_in_words(tmp_path):
    """Torn at forty places, and forty bytes changed: read as it was, or refused in words."""
    whole = tmp_path / "whole.sqlite"
    _put(whole, *((f"T{n}", str(n), f"{n} Mill Road", "LS99 1AB") for n in range(1, 200)))
    with Ledger(whole) as opened:
        before = opened.homes()
    content, torn = whole.read_bytes(), tmp_path / "torn.sqlite"
    step, refused = len(content) // 40, 0
    for at in range(0, len(content), step):
        changed = bytearray(content)
        changed[at] ^= 0xFF
        for damaged in (content[:at], bytes(changed)):
            torn.write_bytes(damaged)
            said = _refusal(torn, before.height)
            assert "Somebody else" not in said
            refused += bool(said)
    assert refused > 40


def _refusal(ledger: Path, homes: int) -> str:
    """What is said of a ledger that cannot be read; empty where it holds so many homes."""
    try:
        with Ledger(ledger) as opened:
            found = opened.homes().height
    except ClaimError as fault:
        return str(fault)
    assert found == homes
    return ""


def test_claim_files_changed_in_the_ledger_are_not_given_out(store, ranked, tmp_path):
    made = claims.export(store, ranked[:1], tmp_path / "c")
    with closing(sqlite3.connect(claims.ledger_path(store))) as other:
        other.execute("update claim set csv = ?", [b"another"])
        other.commit()
    with pytest.raises(ClaimError, match="not those that were made"):
        claims.reissue(store, made.claim_id, tmp_path / "d")


# ledgers of earlier versions


def _earlier(path: Path, home: str, address: str = "") -> None:
    """A ledger as earlier versions made it; the addresses stand in the claims' CSV files."""
    lines = f"claim_id,line,home_id,uprn,address,postcode\nC1,1,{home},,{address},\n".encode()
    with duckdb.connect(str(path)) as old:
        old.execute("create table claim (claim_id text, measure text, made_at text, csv blob,"
                    " xlsx blob, json blob)")  # fmt: skip
        old.execute("insert into claim values ('C1', ?, '2026-01-01', ?, ''::blob, ''::blob)",
                    [claims.MEASURE, lines])  # fmt: skip


def test_claims_of_an_earlier_version_are_taken_over(store, ranked, tmp_path):
    _earlier(store.with_name("claims.duckdb"), ranked[0], "'=x")
    assert claims.claimed(store)["home_id"].to_list() == ranked[:1]
    assert claims.claimed(store)["address"].to_list() == ["=x"]
    with pytest.raises(ClaimError, match="Claimed before"):
        claims.export(store, ranked[:1], tmp_path / "c")


def test_claims_in_the_log_of_an_earlier_ledger_are_taken_over_too(store, ranked):
    """Its writer was killed, or the file copied while open: the claim stands in the log only."""
    older = store.with_name("claims.duckdb")
    _earlier(older, "T0")
    script = (
        "import duckdb, os, sys\n"
        "c = duckdb.connect(sys.argv[1])\n"
        "c.execute(\"update claim set csv = replace(decode(csv), 'T0', ?)::blob\", sys.argv[2:])\n"
        "os.kill(os.getpid(), 9)\n"
    )
    subprocess.run([sys.executable, "-c", script, older, ranked[0]], check=False)
    assert older.with_name("claims.duckdb.wal").stat().st_size
    assert claims.claimed(store)["home_id"].to_list() == ranked[:1]


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda path: path.write_bytes(b"torn"), "earlier version and cannot be read"),
        (lambda path: duckdb.connect(str(path)).close(), "Table with name claim does not exist"),
        (lambda path: _earlier(path, "T1,2,3,4,5,6,7,8"), "earlier version and cannot be read"),
    ],
    ids=["torn", "no tables", "lines of another kind"],
)
def test_an_earlier_ledger_that_cannot_be_read_begins_no_empty_one(store, call, spoil, words):
    spoil(store.with_name("claims.duckdb"))
    said = call("claim", "--store", store, "--again", "C1", "--out", store.parent / "c")
    assert (said.code, words in said.err) == (2, True), said.err
    assert not store.with_name("claims.sqlite").exists()


def test_an_earlier_ledger_that_is_open_is_waited_for_in_words(store, ranked, tmp_path):
    older = store.with_name("claims.duckdb")
    _earlier(older, ranked[0])
    script = "import duckdb, sys; c = duckdb.connect(sys.argv[1]); print(1, flush=True); input()"
    holder = subprocess.Popen(
        [sys.executable, "-c", script, older], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert holder.stdout
    holder.stdout.readline()
    with pytest.raises(ClaimError, match="Wait for them"):
        claims.export(store, ranked[1:2], tmp_path / "c")
    holder.communicate(b"\n")
    claims.export(store, ranked[1:2], tmp_path / "c")


# two at once, and killed ones


def test_two_at_once_wait_for_each_other_and_claim_once(store, ranked, tmp_path):
    """Both begin without a ledger, with the same homes."""
    homes = ranked[:4]
    script = (
        "import sys; from pathlib import Path; from pipeline import claims\n"
        "from pipeline.errors import ClaimError, SettingsError\n"
        "for number, home in enumerate(sys.argv[3].split(',')):\n"
        "    try:\n"
        "        claims.export(Path(sys.argv[1]), [home], Path(sys.argv[2]) / str(number))\n"
        "        print(home)\n"
        "    except ClaimError as fault:\n"
        "        if 'Claimed before' not in str(fault): raise\n"
    )
    running = [
        subprocess.Popen(
            [sys.executable, "-c", script, store, tmp_path / str(one), ",".join(homes)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for one in range(2)
    ]  # fmt: skip
    told = [process.communicate() for process in running]
    assert [process.returncode for process in running] == [0, 0], told
    made = [home for out, _ in told for home in out.split()]
    assert sorted(made) == sorted(homes)
    assert claims.claimed(store)["home_id"].to_list() == sorted(homes)


def test_a_ledger_in_use_is_waited_for_and_then_told(store, ranked, tmp_path, monkeypatch):
    claims.export(store, ranked[:1], tmp_path / "c1")
    monkeypatch.setattr(ledgers, "_PATIENCE_S", 0.2)
    with closing(sqlite3.connect(claims.ledger_path(store))) as holder:
        holder.execute("begin exclusive")
        with pytest.raises(ClaimError, match="Somebody else is claiming"):
            claims.export(store, ranked[1:2], tmp_path / "c2")
    assert not (tmp_path / "c2").exists()
    claims.export(store, ranked[1:2], tmp_path / "c2")


TORN = """
import os, sqlite3, sys
c = sqlite3.connect(sys.argv[1], isolation_level=None)
c.execute("pragma cache_size = 1")
c.execute("begin immediate")
c.execute("insert into claim values ('C9', 'external wall insulation', '', ?, ?, ?)",
          [os.urandom(200_000)] * 3)
c.execute("delete from line")
os.kill(os.getpid(), 9)
"""


@pytest.mark.parametrize("reads", [True, False], ids=["a reader next", "a writer next"])
def test_what_a_killed_writer_left_half_written_is_undone(store, ranked, tmp_path, reads):
    """With so small a cache its pages are in the file already, and the old ones in the journal."""
    claims.export(store, ranked[:1], tmp_path / "c1")
    ledger = claims.ledger_path(store)
    ended = subprocess.run([sys.executable, "-c", TORN, ledger], check=False)
    assert ended.returncode == -signal.SIGKILL
    journal = ledger.with_name("claims.sqlite-journal")
    assert journal.stat().st_size
    if reads:
        assert claims.claimed(store)["home_id"].to_list() == ranked[:1]
    with pytest.raises(ClaimError, match="Claimed before"):
        claims.export(store, ranked[:1], tmp_path / "c2")
    claims.export(store, ranked[1:2], tmp_path / "c2")
    assert claims.claimed(store)["home_id"].to_list() == sorted(ranked[:2])
    assert not journal.exists()


def _left(place: Path, content: bytes) -> Path:
    """A file under the name at which a process that runs no more would build another."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "getpid", lambda: 999999999)
        left = half_built(place)
    left.write_bytes(content)
    return left


def test_a_maker_killed_before_or_after_its_link_leaves_nothing_in_the_way(store, ranked, tmp_path):
    ledger = claims.ledger_path(store)
    left = _left(ledger, b"")
    assert claims.claimed(store).height == 0
    claims.export(store, ranked[:1], tmp_path / "c1")
    assert not left.exists()
    os.link(ledger, left)
    _left(ledger.with_name(".programme-claims"), b'{"lies": "torn')
    claims.export(store, ranked[1:2], tmp_path / "c2")
    assert not list(ledger.parent.glob("*programme-part"))
    assert claims.claimed(store).height == 2


def test_a_file_of_a_person_that_only_bears_such_a_name_stays(small, store, ranked, tmp_path, call):
    """Also one with claims of its own under the very name, such as a copy somebody put there."""
    claims.export(store, ranked[:1], tmp_path / "c1")
    ledger = claims.ledger_path(store)
    other = tmp_path / "other.sqlite"
    _put(other, ("T1", None, None, None))
    kept = [
        _left(ledger, other.read_bytes()),
        *(ledger.with_name(f".{name}.7.programme-part")
          for name in ("claims.sqlite", ".programme-claims", "ranking.csv")),
    ]  # fmt: skip
    for path in kept[1:]:
        path.write_bytes(b"a person's")
    claims.export(store, ranked[1:2], tmp_path / "c2")
    assert all(path.exists() for path in kept)
    words = ("run", small / "stock.csv", "--store", store, "--out", store.parent)
    assert call(*words).code == 0
    assert [path.read_bytes() for path in kept[1:]] == [b"a person's"] * 3


def test_a_ledger_in_a_folder_nobody_may_write_is_still_read(tmp_path, monkeypatch):
    """As root every folder may be written, so the system's refusal is put in its place."""
    ledger = tmp_path / "claims.sqlite"
    _put(ledger, ("T1", None, None, None))
    real = sqlite3.connect

    def guarded(database: str, **how: object) -> sqlite3.Connection:
        return real(database.replace("mode=rw", "mode=ro"), **how)

    monkeypatch.setattr(sqlite3, "connect", guarded)
    with Ledger(ledger) as opened:
        assert opened.homes().height == 1
    with pytest.raises(ClaimError, match="cannot be read or written"):
        _put(ledger, ("T2", None, None, None), claim="C1")


# which home is which


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("12 Mill Road, Tarnwick", "12 Mill Rd Tarnwick", True),
        ("12 Mill Road", "No. 12, MILL ROAD, LS99 1AB", True),
        ("Flat 2, 10 Mill Street", "flat 2 10 mill st.", True),
        ("Flat 2, 10 Mill Street", "10 Mill Street, Flat 02", True),
        ("Apartment 2, 10 Mill Street", "Flat 2, 10 Mill Street", True),
        ("10b Mill Street", "10 B Mill Street", True),
        ("Flat 2, 10 Mill Street", "Flat 3, 10 Mill Street", False),
        ("Flat 2, 10 Mill Street", "Flat 10, 2 Mill Street", False),
        ("Flat A, 10 Mill Street", "Flat B, 10 Mill Street", False),
        ("First floor flat, 10 Mill Street", "Ground floor flat, 10 Mill Street", False),
        ("10 Mill Street", "12 Mill Street", False),
        ("St John's Court 4", "4 St Johns Court", True),
        ("Rose Cottage, Mill Lane", "Elm Cottage, Mill Lane", False),
    ],
)
def test_addresses_by_their_words_and_numbers(one, other, same):
    """One home or not, as a postman would say (common practice); no likeness where they differ."""
    before = _homes(("A1", None, one, "LS99 1AB")).with_columns(claim_id=pl.lit("C0"))
    met = identity.met(_homes(("B7", None, other, "LS991AB")), before)
    assert met["way"].to_list() == [identity.ADDRESS] * same
    elsewhere = identity.met(_homes(("B7", None, other, "LS88 1AC")), before)
    assert identity.ADDRESS not in elsewhere["way"] or "LS99 1AB" in other


@pytest.mark.parametrize(
    ("one", "other", "way"),
    [
        ("12 Mill Road, Tarnwick", "12 Mill Road", [identity.OTHER_UPRN]),
        ("12 Mill Road", "12 Mil Raod", []),
        ("Rose Cottage, Mill Lane", "rose cottage, Mill Ln", [identity.OTHER_UPRN]),
    ],
)
def test_like_addresses_are_a_doubt_also_under_two_uprns_where_only_words_lack(one, other, way):
    like = [identity.LIKE_ADDRESS]
    for uprns, found in ((("", ""), like), (("1001", ""), like), (("1001", "1002"), way)):
        a, b = (uprn or None for uprn in uprns)
        met = identity.met(_homes(("B7", b, other, "LS99 1AB")), _homes(("A1", a, one, "LS99 1AB")))
        assert met["way"].to_list() == found
    twins = [("B7", "1001", one, "LS99 1AB"), ("A1", "1002", one, "LS99 1AB")]
    same = identity.met(_homes(twins[0]), _homes(twins[1]))["way"].to_list()
    assert same == [identity.OTHER_UPRN]


@pytest.mark.parametrize(
    ("one", "other", "alike"),
    [
        ("TH0001101", "th0001101", True),
        ("TH0001101", "TH-0001101", True),
        ("TH0001101", "TH 000 1101", True),
        ("TH0001101", "TH1101", True),
        ("0001101", "1101", True),
        ("1-23", "123", True),
        ("1-23", "12-3", False),
        ("1/01", "10/1", False),
        ("TH0001101", "TH0001102", False),
        ("TH0001101", "TX0001101", False),
        ("TH1101", "TH11010", False),
    ],
)
def test_keys_alike_but_unequal(one, other, alike):
    met = identity.met(_homes((other, None, None, None)), _homes((one, None, None, None)))
    assert met["way"].to_list() == [identity.LIKE_KEY] * alike
    far = ("1001", "1 Mill Road", "LS99 1AB"), ("1002", "7 Elm Road", "LS99 2AB")
    met = identity.met(_homes((other, *far[0])), _homes((one, *far[1])))
    assert met["way"].to_list() == [identity.LIKE_KEY] * alike  # whatever else the list says


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("100012345678", "100012345678.0", True),
        ("000012345", "12345678", False),
        ("0000123466", "123466", True),
        ("0", "0", False),
        ("999999999999", "999999999999", False),
        ("123456789", "123456789", False),
        ("TBC", "TBC", False),
    ],
)
def test_uprns_by_their_number(one, other, same):
    met = identity.met(_homes(("B7", other, None, None)), _homes(("A1", one, None, None)))
    assert met["way"].to_list() == [identity.UPRN] * same


def _rekeyed(small: Path, folder: Path, *others: pl.Expr) -> Path:
    """A store of the same list in which every home has another key."""
    listed = pl.read_csv(small / "stock.csv", infer_schema=False)
    key = pl.concat_str(pl.lit("N"), pl.col("Property Ref").str.reverse())
    listed.with_columns(key.alias("Property Ref"), *others).write_csv(folder / "again.csv")
    run(Inputs(folder / "again.csv"), folder / "town.duckdb", folder / "o", build({}, "test"))
    return folder / "town.duckdb"


NO_UPRN = pl.lit(None, pl.String).alias("UPRN")
ADDRESS_SHORT = pl.col("Address Line 1").str.replace(" TARNWICK", "")


def test_a_run_over_a_claimed_store_tells_what_is_left_out(small, store, ranked, tmp_path, call):
    claims.export(store, ranked[:3], tmp_path / "c")
    words = ("run", small / "stock.csv", "--store", store, "--out", tmp_path / "o")
    assert "Left out of the budget, claimed before: 3 homes." in call(*words).out
    claims.ledger_path(store).write_bytes(b"")
    before = store.read_bytes()
    said = call(*words)
    assert (said.code, "is empty: 0 bytes" in said.err) == (2, True)
    assert same(store.read_bytes(), before)  # told before anything is published


@pytest.mark.parametrize(
    ("others", "way"),
    [
        ([], identity.UPRN),
        ([pl.concat_str(pl.lit("00"), "UPRN").alias("UPRN"), ADDRESS_SHORT], identity.UPRN),
        ([NO_UPRN], identity.ADDRESS),
        ([NO_UPRN, ADDRESS_SHORT], identity.LIKE_ADDRESS),
    ],
    ids=["UPRN", "UPRN with zeros", "address", "address without its town"],
)
def test_homes_keyed_anew_are_neither_claimed_nor_funded_nor_bought_again(
    small, store, ranked, others, way
):
    claims.export(store, ranked, store.parent / "c1")
    again = _rekeyed(small, store.parent, *others)
    published = open_run(again)
    met = claims.met_before(published)
    taken = published.ranking.filter(pl.col("rank").is_not_null())["home_id"]
    assert set(met["home_id"]) >= set(taken)
    assert way in met["way"].to_list()
    with pytest.raises(ClaimError, match=r"Claimed before|Held"):
        claims.export(again, taken.to_list()[:1], store.parent / "c2")
    assert not programme.affordable(claims.still_open(published.ranking, met), 1e9).height
    asked = funding.Asked((funds.read(FUND),), funds.Means())
    told = funding.fund(published, asked, met).homes
    sure = set(met.filter(pl.col("way").is_in(identity.SURE))["home_id"])
    assert set(told.filter(reason_code="CLAIMED")["home_id"]) == sure
    held = told.filter(reason_code="LOOKS_CLAIMED")
    assert set(held["home_id"]) == set(met["home_id"]) - sure
    assert not set(told.filter(funded="yes")["home_id"]) & set(met["home_id"])


def test_the_budget_reaches_further_where_homes_are_claimed(store, ranked, tmp_path, call):
    """What a claimed home costs was spent: bill and totals take the next homes of the order."""
    before = open_run(store)
    budget = float(before.ranking.filter(rank=10)["cumulative_cost_gbp"].item())
    top = programme.affordable(before.ranking, budget)["home_id"].to_list()
    assert top == ranked[:10]
    claims.export(store, ranked[:3], tmp_path / "c")
    left = claims.still_open(before.ranking, claims.met_before(before))
    after = programme.affordable(left, budget)
    assert after["home_id"].to_list()[:7] == ranked[3:10]
    assert 10 < after.height + 3
    assert after["cumulative_cost_gbp"][-1] == pytest.approx(after["cost_gbp"].sum())
    assert after["cost_gbp"].sum() <= budget
    said = call("quantities", "--store", store, "--out", tmp_path / "b")
    assert "Left out of the budget, claimed before: 3 homes." in said.out
    billed = pl.read_csv(tmp_path / "b" / "bill_homes.csv")["home_id"].to_list()
    assert not set(billed) & set(ranked[:3])


def test_a_home_that_only_looks_like_one_is_held_until_somebody_says_why(
    store, ranked, tmp_path, call
):
    home = ranked[0]
    like = home.replace("TH0", "TH-")
    _put(claims.ledger_path(store), (like, None, None, None))
    words = ("claim", "--store", store, "--homes", home, "--out", tmp_path / "c")
    said = call(*words)
    assert said.code == 2
    assert "Held, as they look like homes claimed before" in said.err
    assert home in said.err
    assert like in said.err
    assert call(*words, "--another", f"{home}=no").code == 2
    assert call(*words, "--another", home).code == 2
    assert call(*words, "--another", f"{home}=seen by A. Reeve").code == 2
    assert call(*words, "--another", "TH9=TH8=seen by A. Reeve").code == 2
    elsewhere = call(*words, "--another", f"{home}=TH8=seen by A. Reeve")
    assert (elsewhere.code, like in elsewhere.err) == (2, True)  # a reason settles one pair
    allocated = ("allocate", "--store", store, "--fund", FUND, "--out", tmp_path / "a")
    assert "look like homes claimed before: 1 home" in call(*allocated).out
    why = f"{home}={like}=the flat above, seen by A. Reeve"
    assert "look like homes" not in call(*allocated, "--another", why).out
    assert "seen by A. Reeve" in (tmp_path / "a" / "allocation.json").read_text()
    said = call(*words, "--another", why)
    assert said.code == 0, said.err
    assert "seen by A. Reeve" in (tmp_path / "c" / "claim.json").read_text()
    with closing(sqlite3.connect(claims.ledger_path(store))) as plain:
        kept = plain.execute("select another from line where home_id = ?", [home]).fetchone()
    assert kept == (f"{like}: the flat above, seen by A. Reeve",)
    said = call(*words[:-1], tmp_path / "d", "--another", f"{home}={like}=seen by A. Reeve again")
    assert "Claimed before" in said.err


@pytest.mark.parametrize("same", ["uprn", "address"])
def test_no_reason_makes_two_homes_of_one_uprn_or_address(store, ranked, tmp_path, same, call):
    known = pl.col("uprn").is_not_null() & pl.col("home_id").is_in(ranked)
    row = open_run(store).ranking.filter(known).row(0, named=True)
    uprn, home = (row["uprn"] if same == "uprn" else None), row["home_id"]
    place = (row["address"], row["postcode"]) if same == "address" else (None, None)
    _put(claims.ledger_path(store), ("OTHER1", uprn, *place))
    said = call(
        "claim", "--store", store, "--homes", home, "--out", tmp_path / "c",
        "--another", f"{home}=OTHER1=seen by A. Reeve",
    )  # fmt: skip
    assert (said.code, "Claimed before, refused" in said.err) == (2, True)
    assert "OTHER1" in said.err


def test_within_one_claim_a_home_stands_once(store):
    run_ = open_run(store)
    first = run_.ranking.filter(pl.col("rank") == 1)
    key = first["home_id"][0]
    bare = {"uprn": pl.lit(None, pl.String), "address": pl.lit("999 Elsewhere Road")}
    for changed, ways_out in (({}, "stock list"), (bare, "--another")):
        twin = first.with_columns(home_id=pl.lit(key.replace("TH", "TH-")), **changed)
        both = replace(run_, ranking=pl.concat([run_.ranking, twin]))
        two = [key, twin["home_id"][0]]
        seen = {(two[1], two[0]): "the flat above, seen by A. Reeve"}
        with pytest.raises(ClaimError, match=f"one home is claimed once.*{ways_out}"):
            claims.preview(both, two)
        if changed:
            assert claims.preview(both, two, seen).manifest["another"] == identity.told(seen)
        else:
            with pytest.raises(ClaimError, match="one home is claimed once"):
                claims.preview(both, two, seen)


def test_two_rows_that_look_like_one_home_are_funded_once(small, ranked, tmp_path, call):
    """In a list that never knew a claim: the second in the order waits for somebody to look."""
    listed = pl.read_csv(small / "stock.csv", infer_schema=False)
    able = pl.col("Property Ref").is_in(ranked)
    placed = pl.col("Address Line 1").str.contains("^[0-9]+ .*, Tarnwick$")
    twin = listed.filter(able & placed).head(1)
    short = pl.col("Address Line 1").str.replace(", Tarnwick", "")
    again = twin.with_columns(NO_UPRN, short, pl.lit("NEW1").alias("Property Ref"))
    pl.concat([listed, again]).write_csv(tmp_path / "list.csv")
    store = tmp_path / "town.duckdb"
    run(Inputs(tmp_path / "list.csv"), store, tmp_path, build({}, "test"))
    both = [twin["Property Ref"].item(), "NEW1"]
    published = open_run(store)
    met = claims.met_before(published).filter(pl.col("home_id").is_in(both))
    assert (met.height, met["claim_id"].to_list()) == (1, [None])
    held = met["home_id"].item()
    asked = ("allocate", "--store", store, "--fund", FUND, "--out", tmp_path / "a")
    assert "as they look like a home further up in the order: 1 home" in call(*asked).out
    told = pl.read_csv(tmp_path / "a" / "allocation.csv").filter(home_id=held)
    assert (told["funded"].item(), told["reason_code"].item()) == ("no", "LOOKS_LISTED_TWICE")
    with pytest.raises(ClaimError, match="one home is claimed once"):
        claims.export(store, both, tmp_path / "c")
    seen = "=".join((*sorted(both, key=lambda home: home != held), "two homes, seen by A. Reeve"))
    assert "look like a home further up" not in call(*asked, "--another", seen).out
    words = ("claim", "--store", store, "--homes", ",".join(both), "--out", tmp_path / "c")
    assert call(*words, "--another", seen, "--first-claim").code == 0


@pytest.mark.parametrize("lacking", ["address", "postcode"])
def test_a_home_that_is_nowhere_is_not_claimed(store, ranked, lacking):
    """Without its place nobody could know it again under another key."""
    run_ = open_run(store)
    bare = run_.ranking.with_columns(pl.lit(None, pl.String).alias(lacking))
    with pytest.raises(ClaimError, match=f"Without an address and postcode: {ranked[0]}"):
        claims.preview(replace(run_, ranking=bare), ranked[:1])
