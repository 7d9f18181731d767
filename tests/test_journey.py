"""From a list as sent to the last export: what is allocated is what is billed and claimed.

Every sum is taken here from the files that the commands wrote, in decimal arithmetic.
"""

import csv
import json
import shutil
from collections import defaultdict
from decimal import Decimal
from pathlib import Path

import polars as pl
import pytest

from pipeline import claims, scenarios
from pipeline.errors import ClaimError
from pipeline.explain import show
from pipeline.published import open_run
from tests.conftest import DEMO_STOCK

HERE = Path(__file__).parent
FUND = """
name = "Plain Fund"
version = "1"
invented = true
source = "invented for a test"
opens = 2027-04-01
closes = 2029-03-31
budget_gbp = { 2027 = 150000, 2028 = 60000, 2029 = 0 }
homes = { epc_bands = ["D", "E", "F", "G"], tenures = ["social_rent"] }
measure = { u_after_at_most_w_m2k = 0.30 }
grant = { share_of_cost = 0.5, limit_per_home_gbp = 9000 }
lot = { street_lots = "all_or_none", infill_share_at_most = 0.2 }
"""
OPTION = ("home_id", "system", "thickness_mm")


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8-sig", newline="") as file:
        return list(csv.DictReader(file))


def pounds(table: list[dict[str, str]], name: str) -> Decimal:
    return sum((Decimal(row[name]) for row in table), Decimal(0))


def by_lot(table: list[dict[str, str]], lot: str, money: str) -> dict[str, Decimal]:
    sums: dict[str, Decimal] = defaultdict(Decimal)
    for row in table:
        sums[row[lot]] += Decimal(row[money])
    return dict(sums)


@pytest.fixture(params=["a list by others", "the demo"])
def journey(request, demo_folder, tmp_path, call):
    """A folder with a store and the files of an allocation made from it."""
    folder, store = tmp_path, tmp_path / "town.duckdb"
    if request.param == "the demo":
        shutil.copy(demo_folder / "demo.duckdb", store)
        funds = sorted(DEMO_STOCK.parent.glob("fund_*.toml"))
        assert len(funds) > 1
    else:
        listed = HERE / "lists" / "later" / "county_mixed" / "list.xlsx"
        assert call("run", listed, "--store", store, "--out", folder / "run").code == 0
        (folder / "fund.toml").write_text(FUND)
        funds = [folder / "fund.toml"]
    named = [word for fund in funds for word in ("--fund", fund)]
    told = call("allocate", "--store", store, *named, "--out", folder / "allocation")
    assert told.code == 0, told.err
    return folder


def test_homes_options_and_money_are_the_same_in_every_export(journey, call):
    store, listed = journey / "town.duckdb", journey / "allocation" / "allocation.csv"
    every = rows(listed)
    funded = [row for row in every if row["funded"] == "yes"]
    ranked = {row["home_id"]: row for row in open_run(store).ranking.iter_rows(named=True)}
    assert any(row["infill"] == "yes" for row in funded)
    for command in ("quantities", "claim"):
        words = (command, "--store", store, "--homes", listed, "--out", journey / command)
        said = call(*words, *(["--first-claim"] if command == "claim" else []))
        assert said.code == 0, said.err
        assert "as the list names them" in said.out
        assert f"not funded: {len(every) - len(funded):,} homes" in said.out
    claim = rows(journey / "claim" / "claim.csv")
    billed = rows(journey / "quantities" / "bill_homes.csv")

    def options(table):
        return sorted((row["home_id"], row["system"], float(row["thickness_mm"])) for row in table)

    assert options(funded) == options(claim) == options(billed)
    costs = {row["home_id"]: Decimal(row["cost_gbp"]) for row in funded}
    assert {row["home_id"]: Decimal(row["cost_gbp"]) for row in claim} == costs
    assert {row["home_id"]: Decimal(row["priced_alone_gbp"]) for row in billed} == costs
    for row in funded:
        assert Decimal(row["grant_gbp"]) + Decimal(row["own_gbp"]) == Decimal(row["cost_gbp"])
    saved = {row["home_id"]: float(row["fuel_saved_kwh_per_year"]) for row in funded}
    for row in claim:
        assert float(row["fuel_saved_kwh_per_year"]) == pytest.approx(
            saved[row["home_id"]], abs=0.051
        )
    manifest = json.loads((journey / "claim" / "claim.json").read_text(encoding="utf-8"))
    account = json.loads((journey / "allocation" / "allocation.json").read_text(encoding="utf-8"))
    total = pounds(funded, "cost_gbp")
    assert Decimal(manifest["totals"]["cost_gbp"]) == total
    assert Decimal(str(account["totals"]["cost_gbp"])) == total
    assert manifest["options"] == claims.AS_NAMED
    assert manifest["account"]["run_id"] == account["run_id"] == funded[0]["run_id"]

    option = {key: (row["system"], row["thickness_mm"]) for key, row in ranked.items()}
    other = next(
        row
        for row in funded
        if (row["system"], float(row["thickness_mm"])) != option[row["home_id"]]
    )
    sheet = call("explain", other["home_id"], "--store", store, "--homes", listed,
                 "--out", journey / "sheets")  # fmt: skip
    assert sheet.code == 0, sheet.err
    told = (journey / "sheets" / f"{other['home_id']}.md").read_text(encoding="utf-8")
    assert "as allocation.csv names it" in told
    assert "in the assessment with this option too" in told
    assert f"{other['system'].replace('_', ' ')}" in told
    (cost,) = (row["cost_gbp"] for row in claim if row["home_id"] == other["home_id"])
    assert show(float(Decimal(cost))) in told.replace(",", "")
    left = next(row["home_id"] for row in every if row["funded"] == "no")
    refused = call("explain", left, "--store", store, "--homes", listed)
    assert (refused.code, f"does not name {left}, or says that" in refused.err) == (2, True)

    lots = rows(journey / "allocation" / "lots.csv")
    assert pounds(lots, "cost_gbp") == total
    for row in billed:
        row["lot"] = row["street_lot"] if row["street_lot"] != row["home_id"] else ""
    in_streets = {lot: sum for lot, sum in by_lot(billed, "lot", "priced_alone_gbp").items() if lot}
    assert in_streets == {lot: sum for lot, sum in by_lot(funded, "lot", "cost_gbp").items() if lot}
    lots_billed = rows(journey / "quantities" / "bill_lots.csv")
    assert pounds(lots_billed, "total_gbp") == pounds(billed, "total_gbp")

    again = call("claim", "--store", store, "--homes", listed, "--out", journey / "again")
    assert (again.code, "Claimed before, refused" in again.err) == (2, True), again.err
    assert not (journey / "again").exists()


def test_options_of_the_ranking_named_one_by_one_give_the_ranking(demo):
    ranked = demo.ranking.filter(pl.col("rank").is_not_null())
    named = ranked.select(*OPTION, infill=pl.lit(value=False))
    assert scenarios.with_options(demo.ranking, demo.base, named).equals(ranked)


def _list(folder: Path, home: dict[str, object], **said: object) -> Path:
    row = {**{name: home[name] for name in OPTION}, **said}
    path = folder / "mine.csv"
    pl.DataFrame([row]).write_csv(path)
    return path


def test_a_home_that_is_held_or_screened_out_gets_no_option_by_being_named(demo):
    """Neither infill nor an option named sets aside what the screens found."""
    out = demo.ranking.filter(pl.col("reason").is_not_null() & (pl.col("tenure") == "social_rent"))
    out = out.unique("reason", keep="first", maintain_order=True)
    some = demo.ranking.row(0, named=True)
    assert out.height > 3
    for infill in (True, False):
        named = out.select(
            "home_id", system=pl.lit(some["system"]), thickness_mm=pl.lit(some["thickness_mm"]),
            cost_gbp=pl.lit(None, pl.Float64), infill=pl.lit(infill),
            run_id=pl.lit(None, pl.String),
        )  # fmt: skip
        with pytest.raises(ClaimError, match="These homes have no option") as fault:
            claims.works(demo, named)
        assert all(home in str(fault.value) for home in out["home_id"].head(10).sort())


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ({"system": "straw"}, "This run has no such option: {home} (straw"),
        ({"thickness_mm": 123.0}, "has no such option: {home} ({system} 123 mm)"),
        ({"run_id": "another"}, "made from run another"),
        ({"cost_gbp": 1.0}, "{home}: the list says 1.00 GBP, and this run reckons"),
        ({"thickness_mm": 20.0}, "{home} (misses the target of 0.3 W/m2K)"),
    ],
)
def test_an_option_that_is_not_this_runs_is_refused(demo, tmp_path, said, words):
    home = demo.ranking.row(0, named=True)
    named = claims.read_home_list(str(_list(tmp_path, home, **said)), demo.path)
    with pytest.raises(ClaimError) as fault:
        claims.works(demo, named.wanted)
    assert words.format(home=home["home_id"], system=home["system"]) in str(fault.value)
