"""Claims: frozen, reconciled, never twice."""

import csv
import hashlib
import json
from decimal import Decimal
from pathlib import Path

import fastexcel
import polars as pl
import pytest

from dashboard import data
from pipeline import claims
from pipeline.claims import files
from pipeline.errors import ClaimError
from pipeline.published import open_run
from pipeline.run import run
from pipeline.settings import Settings, build
from pipeline.stock import Inputs
from tests.conftest import DEMO_STOCK, same


@pytest.fixture
def store(demo_folder, tmp_path) -> Path:
    """A copy of the demo store with no claims yet."""
    path = tmp_path / "town.duckdb"
    path.write_bytes((demo_folder / "demo.duckdb").read_bytes())
    return path


def _top(demo, count: int) -> list[str]:
    return demo.ranking.filter(pl.col("rank") <= count)["home_id"].to_list()


def test_lines_reconcile_with_ranking_and_totals(store, demo, tmp_path):
    homes = _top(demo, 40)
    claim = claims.export(store, homes, tmp_path / "c")
    with (tmp_path / "c" / "claim.csv").open(encoding="utf-8") as file:
        lines = list(csv.DictReader(file))
    ranked = {row["home_id"]: row for row in demo.ranking.iter_rows(named=True)}
    assert sorted(homes) == [line["home_id"] for line in lines]
    for line in lines:
        for name, decimals in files.LINE.items():
            if decimals is not None:
                exact = ranked[line["home_id"]][name]
                if exact is None:
                    assert line[name] == ""
                    continue
                assert abs(float(line[name]) - exact) <= 0.5 * 10**-decimals + 1e-9
    for name in files.TOTALLED:
        assert Decimal(claim.totals[name]) == sum(Decimal(line[name]) for line in lines)
    assert float(claim.totals["fuel_saved_kwh_per_year"]) > float(
        claim.totals["expected_fuel_saved_kwh_per_year"]
    )


def test_the_workbook_holds_the_same_lines_and_totals(store, demo, tmp_path):
    claim = claims.export(store, _top(demo, 5), tmp_path / "c")
    book = fastexcel.read_excel(tmp_path / "c" / "claim.xlsx")
    assert book.sheet_names == ["Lines", "Totals", "Inputs", "Method and factors", "Trace"]
    lines = book.load_sheet("Lines", dtypes="string").to_polars()
    assert lines.height == 6
    cost = next(c for c in lines.columns if c.startswith("Cost"))
    assert Decimal(lines[cost][-1]).quantize(Decimal("0.01")) == Decimal(claim.totals["cost_gbp"])
    trace = dict(book.load_sheet("Trace", header_row=None).to_polars().iter_rows())
    assert trace["claim_id"] == claim.claim_id
    assert trace["run_id"] == demo.account["run_id"]
    assert trace["stock_list_sha256"] == hashlib.sha256(DEMO_STOCK.read_bytes()).hexdigest()


def test_the_manifest_carries_digests_method_and_sources(store, demo, tmp_path):
    claims.export(store, _top(demo, 60), tmp_path / "c")
    manifest = json.loads((tmp_path / "c" / "claim.json").read_text(encoding="utf-8"))
    for name, digest in manifest["sha256"].items():
        assert hashlib.sha256((tmp_path / "c" / name).read_bytes()).hexdigest() == digest
    assert manifest["account"]["ranking_sha256"] == demo.account["ranking_sha256"]
    factors = {row["name"]: row for row in manifest["method"]}
    assert float(factors["mains gas, reporting factor"]["value"]) == 0.18296
    assert factors["mains gas, reporting factor"]["checked"] == "seen"
    assert all(row["source"] and row["checked"] for row in manifest["method"])


def test_a_home_claimed_before_is_refused_by_name(store, demo, tmp_path):
    first, second, third = _top(demo, 3)
    made = claims.export(store, [first, second], tmp_path / "c1")
    with pytest.raises(ClaimError, match=f"refused: {second} \\(claim {made.claim_id}"):
        claims.export(store, [second, third], tmp_path / "c2")
    assert not (tmp_path / "c2").exists()
    assert claims.claimed(store)["home_id"].to_list() == sorted([first, second])
    claims.export(store, [third], tmp_path / "c3")


def test_a_home_claimed_from_one_store_is_refused_from_another_of_the_folder(store, demo, tmp_path):
    home = _top(demo, 1)
    claims.export(store, home, tmp_path / "c1")
    later = store.with_name("later.duckdb")
    later.write_bytes(store.read_bytes())
    with pytest.raises(ClaimError, match="Claimed before"):
        claims.export(later, home, tmp_path / "c2")


def test_the_ledger_outlives_a_new_run(store, demo, tmp_path):
    home = _top(demo, 1)
    claims.export(store, home, tmp_path / "c1")
    run(Inputs(DEMO_STOCK), store, tmp_path / "again", build({"budget_gbp": 5e6}, "test"))
    with pytest.raises(ClaimError, match="Claimed before"):
        claims.export(store, home, tmp_path / "c2")


def test_a_uprn_claimed_under_another_key_is_refused(store, demo, tmp_path):
    row = demo.ranking.filter(pl.col("uprn").is_not_null(), pl.col("rank").is_not_null()).row(
        0, named=True
    )
    claims.export(store, [row["home_id"]], tmp_path / "c1")
    renamed = pl.read_csv(DEMO_STOCK, infer_schema=False).with_columns(
        pl.concat_str(pl.lit("N"), "Property Ref").alias("Property Ref")
    )
    renamed.write_csv(tmp_path / "renamed.csv")
    run(Inputs(tmp_path / "renamed.csv"), store, tmp_path / "again", Settings())
    with pytest.raises(ClaimError, match=f"refused: N{row['home_id']}"):
        claims.export(store, ["N" + row["home_id"]], tmp_path / "c2")


def test_written_again_gives_the_same_bytes(store, demo, tmp_path):
    claim = claims.export(store, _top(demo, 12), tmp_path / "c1")
    run(Inputs(DEMO_STOCK), store, tmp_path / "again", build({"budget_gbp": 5e6}, "test"))
    claims.reissue(store, claim.claim_id, tmp_path / "c2")
    for name in ("claim.csv", "claim.xlsx", "claim.json"):
        assert same((tmp_path / "c1" / name).read_bytes(), (tmp_path / "c2" / name).read_bytes())


def test_a_claim_is_never_written_over(store, demo, tmp_path):
    first, second = _top(demo, 2)
    claims.export(store, [first], tmp_path / "c")
    with pytest.raises(ClaimError, match="never written over"):
        claims.export(store, [second], tmp_path / "c")
    assert claims.claimed(store)["home_id"].to_list() == [first]


def test_homes_that_cannot_be_claimed_are_named(store, demo, tmp_path, call):
    unranked = demo.ranking.filter(pl.col("reason").is_not_null())["home_id"][0]
    ranked = _top(demo, 1)[0]
    asked = ("claim", "--store", store, "--out", tmp_path / "c")
    for homes, words in (
        ("NOPE1", "Not in this store: NOPE1"),
        (unranked, f"no option to claim or measure: {unranked} ("),
        (f"{ranked},{ranked}", f"Named more than once: {ranked}"),
        (" , ", "names no home"),
    ):
        said = call(*asked, "--homes", homes, "--first-claim")
        assert (said.code, words in said.err) == (2, True), said.err
    said = call("claim", "--store", store, "--again", "C0", "--out", tmp_path / "c")
    assert (said.code, "No claim was made" in said.err) == (2, True)
    said = call("claim", "--store", store, "--out", tmp_path / "c")
    assert (said.code, "--homes, or one earlier claim" in said.err) == (2, True)


def test_homes_from_a_file(store, demo, tmp_path, call):
    homes = _top(demo, 2)
    (tmp_path / "batch.csv").write_text("home_id,note\n" + "".join(f'"{h}",x\n' for h in homes))
    said = call(
        "claim", "--store", store, "--homes", tmp_path / "batch.csv", "--out", tmp_path / "c",
        "--first-claim",
    )  # fmt: skip
    assert said.code == 0
    assert claims.claimed(store)["home_id"].to_list() == sorted(homes)


def _listed(folder: Path, text: str) -> str:
    """A file of homes with such text."""
    path = folder / "list.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


@pytest.mark.parametrize(
    ("text", "homes"),
    [
        ('"1,001"\n2\n', ["1,001", "2"]),
        ("\ufeffHOME_ID\r\n1\r\n\r\n2,,\r\n", ["1", "2"]),
        ('line,home_id,note\n1,A,"x, y"\n2,"B,1",\n3,\'=C,\n', ["A", "B,1", "=C"]),
        ('"A""1"\n', ['A"1']),
    ],
)
def test_a_list_of_homes_is_read_as_csv(tmp_path, text, homes):
    named = claims.read_home_list(_listed(tmp_path, text), tmp_path / "no.duckdb")
    assert named == (homes, 0, None)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1\n1,001\n", "line 2: it is not sure which cell"),
        ("home_id\n1,001\n", "line 2: it is not sure which cell"),
        ("A,B,C\n", "line 1: it is not sure which cell"),
        ("note,home_id\nx\n", "line 2: it is not sure which cell"),
        ('"A\nB\n', "Check its quotes"),
        ("home_id,funded\nA,no\n", "names no home that is funded"),
        ("home_id,system,thickness_mm\nA,eps,\n", "line 2: A has no system or no thickness"),
        ("home_id,system,thickness_mm\nA,eps,thick\n", "thickness_mm 'thick' is no number"),
        ("home_id,thickness_mm\nA,90\n", "says thickness_mm of its homes, but not system"),
        ("home_id,cost_gbp\nA,9\n", "says cost_gbp of its homes, but not system and thickness_mm"),
        ("home_id,run_id,note\nA,9,\n", "says run_id of its homes"),
        ("home_id,system,system,thickness_mm\nA,x,y,90\n", "has two columns system"),
        ("\n\n", "names no home"),
    ],
)
def test_a_list_of_homes_that_can_be_read_in_two_ways_is_refused(tmp_path, text, words):
    with pytest.raises(ClaimError, match=words):
        claims.read_home_list(_listed(tmp_path, text), tmp_path / "no.duckdb")


def test_a_key_that_is_a_file_too_is_told(store, demo, tmp_path, call, monkeypatch):
    home, other = _top(demo, 2)
    monkeypatch.chdir(tmp_path)
    Path(home).write_text(other)
    words = ("claim", "--store", store, "--out", tmp_path / "c", "--homes")
    said = call(*words, home)
    told = f"is the key of a home, and a file here has that name. Write --homes ./{home} for"
    assert (said.code, told in said.err) == (2, True)
    assert call(*words, f"{home},", "--first-claim").code == 0
    assert claims.claimed(store)["home_id"].to_list() == [home]
    assert call(*words[:-2], tmp_path / "d", "--homes", f"./{home}").code == 0
    assert claims.claimed(store)["home_id"].to_list() == sorted([home, other])


def test_another_claim_than_the_one_looked_at_is_not_frozen(store, demo, tmp_path, monkeypatch):
    """The store is replaced between the look and the press."""
    monkeypatch.setattr("sys.argv", ["app.py", str(store)])
    home = _top(demo, 1)
    seen = claims.preview(open_run(store), home)
    assert seen.begins
    run(Inputs(DEMO_STOCK), store, tmp_path / "again", build({"budget_gbp": 5e6}, "test"))
    with pytest.raises(
        ClaimError, match=f"replaced since you looked: you saw claim {seen.claim_id}"
    ):
        data.freeze(store, seen.claim_id, home, tmp_path / "c")
    assert not claims.claimed(store).height
    assert not (tmp_path / "c").exists()
    now = claims.preview(open_run(store), home).claim_id
    assert not data.freeze(store, now, home, tmp_path / "c").stood_before
    assert data.freeze(store, now, home, tmp_path / "c").stood_before
