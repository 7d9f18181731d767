"""The ledger of claims: one place, whole after any end, and no home in it twice."""

import shutil
import sqlite3
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline import claims, funding, identity
from pipeline.claims.ledger import Ledger
from pipeline.errors import ClaimError
from pipeline.programme import funds
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import build
from pipeline.stock import Inputs
from tests.conftest import DEMO_STOCK

HOMES = 60


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> Path:
    """A store of sixty homes of the demo, with no claims."""
    folder = tmp_path_factory.mktemp("small")
    pl.read_csv(DEMO_STOCK, infer_schema=False).head(HOMES).write_csv(folder / "stock.csv")
    run(Inputs(folder / "stock.csv"), folder / "town.duckdb", folder, build({}, "test"))
    return folder


@pytest.fixture
def store(small, tmp_path) -> Path:
    (tmp_path / "town").mkdir()
    return Path(shutil.copy(small / "town.duckdb", tmp_path / "town" / "town.duckdb"))


def _homes(store: Path) -> list[str]:
    ranking = open_run(store).ranking
    return ranking.filter(pl.col("rank").is_not_null()).sort("rank")["home_id"].to_list()


def _rekeyed(small: Path, folder: Path, change: pl.Expr, *others: pl.Expr) -> Path:
    """A store of the same list with other keys."""
    folder.mkdir(exist_ok=True)
    listed = pl.read_csv(small / "stock.csv", infer_schema=False)
    listed.with_columns(change.alias("Property Ref"), *others).write_csv(folder / "again.csv")
    run(Inputs(folder / "again.csv"), folder / "town.duckdb", folder / "o", build({}, "test"))
    return folder / "town.duckdb"


def test_a_store_reached_by_a_link_has_the_same_ledger(store, tmp_path):
    first, second = _homes(store)[:2]
    claims.export(store, [first], tmp_path / "c1")
    link = tmp_path / "elsewhere.duckdb"
    link.symlink_to(store)
    folder = tmp_path / "folder"
    folder.symlink_to(store.parent)
    for path in (link, folder / store.name):
        assert claims.ledger_path(path) == store.with_name("claims.sqlite")
        with pytest.raises(ClaimError, match="Claimed before"):
            claims.export(path, [first, second], tmp_path / "c2")


def test_one_ledger_named_in_the_settings_serves_many_folders(small, tmp_path):
    ledger = tmp_path / "office" / "all.sqlite"
    own = build({"claims": {"ledger": str(ledger)}}, "test")
    stores = [tmp_path / name / "town.duckdb" for name in ("march", "june")]
    for store in stores:
        run(Inputs(small / "stock.csv"), store, store.parent, own)
    home = _homes(stores[0])[0]
    made = claims.export(stores[0], [home], tmp_path / "c1")
    assert made.manifest["ledger"] == str(ledger)
    assert f'"ledger": "{ledger}"' in (tmp_path / "c1" / "claim.json").read_text()
    with pytest.raises(ClaimError, match="Claimed before"):
        claims.export(stores[1], [home], tmp_path / "c2")
    shutil.copy(ledger, stores[1].with_name("claims.sqlite"))
    with pytest.raises(ClaimError, match="Two ledgers"):
        claims.export(stores[1], _homes(stores[1])[1:2], tmp_path / "c3")


def test_a_copy_made_right_after_holds_the_claim_in_one_file(store, tmp_path):
    home = _homes(store)[0]
    claims.export(store, [home], tmp_path / "c")
    ledger = claims.ledger_path(store)
    assert sorted(p.name for p in ledger.parent.iterdir()) == ["claims.sqlite", "town.duckdb"]
    copy = shutil.copy(ledger, tmp_path / "backup.sqlite")
    with Ledger(Path(copy), read_only=True) as opened:
        assert opened.homes()["home_id"].to_list() == [home]


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "is not a claims ledger"),
        (b"home,claim\n", "damaged|not a claims ledger"),
        (b"SQLite format 3\0" + b"\0" * 4000, "damaged|not a claims ledger"),
    ],
    ids=["empty", "text", "head only"],
)
def test_a_file_that_is_no_ledger_is_told_as_such(store, tmp_path, call, content, words):
    claims.ledger_path(store).write_bytes(content)
    home = _homes(store)[0]
    for opened in (
        lambda: claims.export(store, [home], tmp_path / "c"),
        lambda: claims.claimed(store),
    ):
        with pytest.raises(ClaimError, match=words) as told:
            opened()
        assert "Somebody else" not in str(told.value)
    said = call("claim", "--store", store, "--homes", home, "--out", tmp_path / "d")
    assert said.code == 2
    assert claims.ledger_path(store).read_bytes() == content


def test_a_ledger_torn_or_of_another_program_is_refused(store, tmp_path):
    first, second = _homes(store)[:2]
    claims.export(store, [first], tmp_path / "c1")
    ledger = claims.ledger_path(store)
    whole = ledger.read_bytes()
    ledger.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ClaimError, match="damaged"):
        claims.export(store, [second], tmp_path / "c2")
    ledger.unlink()
    with sqlite3.connect(ledger) as other:
        other.execute("create table claim (claim_id)")
    with pytest.raises(ClaimError, match="is not a claims ledger"):
        claims.export(store, [second], tmp_path / "c3")
    ledger.write_bytes(whole)
    with sqlite3.connect(ledger) as other:
        other.execute("pragma user_version = 99")
    with pytest.raises(ClaimError, match="version 99"):
        claims.export(store, [second], tmp_path / "c4")


def test_claims_of_an_earlier_version_are_taken_over(store, tmp_path):
    """The earlier ledger: a DuckDB file of two tables, whose CSV files hold the addresses."""
    home = open_run(store).ranking.filter(pl.col("rank") == 1).row(0, named=True)
    lines = f"claim_id,line,home_id,uprn,address,postcode\nC1,1,{home['home_id']},,'=x,\n".encode()
    with duckdb.connect(str(store.with_name("claims.duckdb"))) as old:
        old.execute("create table claim (claim_id text, measure text, made_at text, csv blob,"
                    " xlsx blob, json blob)")  # fmt: skip
        old.execute("insert into claim values ('C1', ?, '2026-01-01', ?, ''::blob, ''::blob)",
                    [claims.MEASURE, lines])  # fmt: skip
    assert claims.claimed(store)["home_id"].to_list() == [home["home_id"]]
    assert claims.claimed(store)["address"].to_list() == ["=x"]
    with pytest.raises(ClaimError, match="Claimed before"):
        claims.export(store, [home["home_id"]], tmp_path / "c")
    store.with_name("claims.sqlite").unlink()
    store.with_name("claims.duckdb").write_bytes(b"torn")
    with pytest.raises(ClaimError, match="earlier version and cannot be read"):
        claims.export(store, [home["home_id"]], tmp_path / "c")


REKEYED = {
    "lower case": pl.col("Property Ref").str.to_lowercase(),
    "a hyphen": pl.col("Property Ref").str.replace("TH", "TH-"),
    "lost zeros": pl.col("Property Ref").str.replace("TH0+", "TH"),
    "another key": pl.concat_str(pl.lit("N"), "Property Ref"),
}


@pytest.mark.parametrize("change", REKEYED.values(), ids=REKEYED)
@pytest.mark.parametrize("bare", [False, True], ids=["with UPRN", "without UPRN"])
def test_a_home_keyed_anew_is_not_claimed_again(small, store, tmp_path, change, bare):
    homes = _homes(store)
    claims.export(store, homes, tmp_path / "c1")
    gone = [pl.lit(None, pl.String).alias("UPRN")] if bare else []
    again = _rekeyed(small, store.parent, change, *gone)
    with pytest.raises(ClaimError, match=r"Claimed before|Held"):
        claims.export(again, _homes(again)[:1], tmp_path / "c2")
    published = open_run(again)
    met = claims.met_before(published)
    assert set(met["home_id"]) >= set(_homes(again))
    fund = funds.read(DEMO_STOCK.with_name("fund_lantern.toml"))
    told = funding.fund(published, funding.Asked((fund,), funds.Means()), met).homes
    assert set(told.filter(reason_code="CLAIMED")["home_id"]) == set(met["home_id"])
    assert not set(told.filter(funded="yes")["home_id"]) & set(met["home_id"])


def test_a_home_that_only_looks_like_one_is_held_until_somebody_says_why(store, tmp_path, call):
    ledger = claims.ledger_path(store)
    home = _homes(store)[0]
    like = pl.DataFrame(
        {"line": ["1"], "home_id": [home.replace("TH0", "TH-")], "uprn": [None], "address": [None],
         "postcode": [None]},
        schema_overrides=dict.fromkeys(identity.NAMED, pl.String),
    )  # fmt: skip
    made = dict.fromkeys(("claim.csv", "claim.xlsx", "claim.json"), b"")
    with Ledger(ledger) as opened:
        opened.add("C0", claims.MEASURE, like, made, {})
    words = ("claim", "--store", store, "--homes", home, "--out", tmp_path / "c")
    said = call(*words)
    assert said.code == 2
    assert "Held, as they look like homes claimed before" in said.err
    assert call(*words, "--another", f"{home}=no").code == 2
    assert call(*words, "--another", "TH9=seen by A. Reeve").code == 2
    said = call(*words, "--another", f"{home}=the flat above, seen by A. Reeve")
    assert said.code == 0, said.err
    assert "seen by A. Reeve" in (tmp_path / "c" / "claim.json").read_text()
    said = call(*words[:-1], tmp_path / "d", "--another", f"{home}=seen by A. Reeve again")
    assert "Claimed before" in said.err


def test_two_at_once_wait_for_each_other_and_claim_once(store, tmp_path):
    homes = _homes(store)[:8]
    script = (
        "import sys; from pathlib import Path; from pipeline import claims\n"
        "from pipeline.errors import ClaimError\n"
        "for number, home in enumerate(sys.argv[3].split(',')):\n"
        "    try: claims.export(Path(sys.argv[1]), [home], Path(sys.argv[2]) / str(number))\n"
        "    except ClaimError as fault: assert 'Claimed before' in str(fault), fault\n"
        "    else: print(home)\n"
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


def test_a_ledger_in_use_is_waited_for_and_then_told(store, tmp_path, monkeypatch):
    first, second = _homes(store)[:2]
    claims.export(store, [first], tmp_path / "c1")
    monkeypatch.setattr("pipeline.claims.ledger._PATIENCE_S", 0.2)
    holder = sqlite3.connect(claims.ledger_path(store))
    holder.execute("begin exclusive")
    try:
        with pytest.raises(ClaimError, match="Somebody else is claiming"):
            claims.export(store, [second], tmp_path / "c2")
    finally:
        holder.close()
    assert not list((tmp_path / "c2").iterdir())


def test_a_ledger_that_may_not_be_written(store, tmp_path):
    home = _homes(store)[0]
    blocked = tmp_path / "file"
    blocked.write_text("")
    other = tmp_path / "other" / "town.duckdb"
    own = build({"claims": {"ledger": str(blocked / "claims.sqlite")}}, "test")
    run(Inputs(DEMO_STOCK), other, other.parent, own)
    with pytest.raises(ClaimError, match="cannot be opened"):
        claims.export(other, [home], tmp_path / "c")


def test_within_one_claim_a_home_stands_once(store):
    run_ = open_run(store)
    first = run_.ranking.filter(pl.col("rank") == 1)
    key = first["home_id"][0]
    twin = first.with_columns(
        home_id=pl.lit(key.replace("TH", "TH-")), uprn=pl.lit(None, pl.String)
    )
    both = replace(run_, ranking=pl.concat([run_.ranking, twin]))
    with pytest.raises(ClaimError, match="one home is claimed once"):
        claims.preview(both, [key, twin["home_id"][0]])
    seen = {twin["home_id"][0]: "the flat above, seen by A. Reeve"}
    assert claims.preview(both, [key, twin["home_id"][0]], seen).manifest["another"] == seen


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("12 Mill Road, Tarnwick", "12 Mill Rd Tarnwick", True),
        ("Flat 2, 10 Mill Street", "flat 2 10 mill st.", True),
        ("Flat 2, 10 Mill Street", "Flat 3, 10 Mill Street", False),
        ("Flat 2, 10 Mill Street", "Flat 10, 2 Mill Street", False),
        ("St John's Court 4", "4 St Johns Court", True),
    ],
)
def test_addresses_by_their_words_and_numbers(one, other, same):
    """One home or not, as a postman would say (common practice)."""
    frame = pl.DataFrame({"address": [one, other], "postcode": "LS99 1AB"})
    key = frame.select(identity.address_key()).to_series()
    assert (key[0] == key[1]) == same
