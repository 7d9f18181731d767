"""From the demo's published run and invented funds to an allocation whose every figure adds up."""

import itertools
import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from typer.testing import CliRunner

from pipeline import assess, claims, funding
from pipeline import homes as stock_homes
from pipeline.cli import app
from pipeline.errors import ProgrammeError, SettingsError
from pipeline.funding import case, sensitivity
from pipeline.programme import funds, objective, offers
from pipeline.programme.solver import RulesClashError
from pipeline.published import Published, open_run
from pipeline.settings import Appraisal
from tests.conftest import Said, claimed_before

DEMO = Path(__file__).parents[1] / "data_demo"
FUNDS = tuple(funds.read(DEMO / f"fund_{name}.toml") for name in ("hearth", "lantern"))
ASKED = funding.Asked(FUNDS, funds.read_means(DEMO / "landlord_means.toml"))


@pytest.fixture(scope="module")
def run(demo_folder: Path) -> Published:
    return open_run(demo_folder / "demo.duckdb")


def few(run: Published, homes: int = 330) -> Published:
    """The first homes of the ranking and those of their streets that have none."""
    return replace(run, ranking=run.ranking.head(homes))


@pytest.fixture(scope="module")
def made(run: Published) -> funding.Funding:
    claimed = claimed_before(run.ranking["home_id"][0])
    return funding.fund(few(run), ASKED, claimed, samples=2)


def today(run: Published) -> pl.DataFrame:
    bare = run.ranking.drop(assess.ADDED, strict=False)
    return stock_homes.with_energy_today(bare, run.base.reference, run.base.settings)


def test_every_chosen_option_of_the_ranking_is_worth_having_with_the_same_figures(
    run: Published,
) -> None:
    options = pl.concat(assess.efficient(today(run), run.base))
    same = run.ranking.filter(pl.col("rank").is_not_null()).join(
        options, on=["home_id", "system", "thickness_mm"], how="left", suffix="_again"
    )
    for name in ("cost_gbp", "heat_saved_kwh_per_year", "net_present_value_gbp", "u_after_w_m2k"):
        assert same[name].equals(same[f"{name}_again"]), name
    per_home = options.partition_by("home_id", maintain_order=True)
    for part in per_home[::40]:
        assert part["cost_gbp"].is_sorted()
        assert part["heat_loss_reduction_w_k"].is_sorted()
        assert part["heat_loss_reduction_w_k"].n_unique() == part.height
        assert (part["u_after_w_m2k"] <= run.base.settings.works.target_u_w_m2k).all()


def test_no_option_is_better_than_those_worth_having(run: Published) -> None:
    """Each option of the catalogue on one home, one by one: none saves more for less."""
    home = today(run).head(1)
    kept = pl.concat(assess.efficient(home, run.base))
    prepared = assess.prepare(home, run.base)
    for option in run.base.options.iter_rows(named=True):
        beside = prepared.with_columns(pl.lit(option[name]).alias(name) for name in assess.CHOICE)
        one = assess.figures(beside.with_columns(reason=pl.lit(None, pl.String)), run.base)
        if one["u_after_w_m2k"][0] <= run.base.settings.works.target_u_w_m2k:
            no_dearer = kept.filter(pl.col("cost_gbp") <= one["cost_gbp"][0])
            most = no_dearer["heat_saved_kwh_per_year"].max()
            assert most >= one["heat_saved_kwh_per_year"][0] * (1 - 1e-12)


def test_the_files_tables_add_up(run: Published, made: funding.Funding) -> None:
    homes = made.homes
    assert homes["home_id"].to_list() == few(run).ranking["home_id"].to_list()
    funded = homes.filter(pl.col("funded") == "yes")
    assert funded.height > 40
    assert ((funded["grant_gbp"] + funded["own_gbp"] - funded["cost_gbp"]).abs() < 1e-6).all()
    assert made.account["totals"]["cost_gbp"] == pytest.approx(funded["cost_gbp"].sum())
    left = {rule["rule"]: rule["left"] for rule in made.account["rules"]}
    for (fund, year), part in funded.group_by("fund", "year"):
        assert left[f"{fund}: budget {year}"] == pytest.approx(part["grant_gbp"].sum())
    for (year,), part in funded.group_by("year"):
        assert left[f"own budget {year}"] == pytest.approx(part["own_gbp"].sum())
        assert left[f"contractor capacity {year}"] == part.height
    assert made.account["value"] == pytest.approx(funded["worth"].sum())
    assert all(rule["kept"] for rule in made.account["rules"])


def _pence(column: pl.Series) -> list[int]:
    """A column in whole pence. Fails where a figure has more than two decimals."""
    text = [repr(value) for value in column.drop_nulls()]
    assert all(len(value.partition(".")[2]) <= 2 for value in text), text[:5]
    return [round(100 * float(value)) for value in text]


def test_homes_lots_years_and_the_whole_add_up_to_the_penny(made: funding.Funding) -> None:
    homes, lots = made.homes, made.lots
    funded = homes.filter(pl.col("funded") == "yes")
    for name in ("cost_gbp", "grant_gbp", "own_gbp"):
        assert sum(_pence(lots[name])) == sum(_pence(funded[name]))
        for (year,), part in funded.group_by("year"):
            of_lots = lots.filter(pl.col("year") == year, pl.col("homes_funded") > 0)
            assert sum(_pence(of_lots[name])) == sum(_pence(part[name]))
    for row in zip(*(_pence(funded[f"{n}_gbp"]) for n in ("grant", "own", "cost")), strict=True):
        assert row[0] + row[1] == row[2]
    assert round(100 * made.account["totals"]["cost_gbp"]) == sum(_pence(funded["cost_gbp"]))
    infill = funded.filter(pl.col("infill") == "yes")
    assert sum(_pence(lots["infill_cost_gbp"])) == sum(_pence(infill["cost_gbp"]))
    assert lots["homes_funded"].sum() == funded.height
    assert lots["worth"].sum() == pytest.approx(made.account["value"])
    whole = lots.unique("lot")
    assert whole["homes"].sum() == homes.height
    _pence(made.frontier["budgets_gbp"])
    for rule in made.account["rules"]:
        if rule["kind"] == "money":
            assert _pence(pl.Series([rule["left"], rule["limit"], rule["slack"]]))


def test_no_grant_is_a_penny_over_its_limit() -> None:
    cost = np.array([[0.01, 0.03, 333.33, 15713.99, 15714.29, 99999.99]])
    for share in (0.5, 0.7, 1.0 / 3.0):
        grant = FUNDS[0].grant.model_copy(
            update={"share_of_cost": share, "limit_per_home_gbp": 11000.0}
        )
        found = offers.grants(cost, FUNDS[0].model_copy(update={"grant": grant}))
        assert (found <= np.minimum(share * cost, 11000.0) + 1e-9).all()
        assert (found > np.minimum(share * cost, 11000.0) - 0.01).all()
        _pence(pl.Series(found[0]))


def test_a_home_without_a_street_is_a_lot_by_itself(run: Published) -> None:
    bare = run.ranking.head(60).with_columns(
        lot=pl.when(pl.int_range(pl.len()) % 7 != 0).then("lot")
    )
    fund = FUNDS[1]
    told = funding.fund(
        replace(run, ranking=bare), funding.Asked((fund,), funds.Means()), claimed_before()
    )
    alone = told.homes.filter(pl.col("lot").is_null())
    assert alone.height == 9
    assert (alone["funded"] == "yes").any()
    named = {f"{home}, no street known" for home in alone["home_id"]}
    assert set(told.lots.filter(pl.col("lot").is_in(list(named)))["lot"]) == named
    assert sum(_pence(told.lots["cost_gbp"])) == sum(_pence(told.homes["cost_gbp"]))


def test_the_order_in_which_funds_are_named_decides_nothing(run: Published) -> None:
    third = FUNDS[1].model_copy(update={"name": "A third fund", "version": "x"})
    several = (*FUNDS, third)
    means = funds.read_means(DEMO / "landlord_means.toml")
    told = []
    orders = list(itertools.permutations(several))
    assert len({repr(funding.Asked(order, means).funds) for order in orders}) == 1
    for order in (orders[0], orders[-1]):
        made = funding.fund(few(run, 150), funding.Asked(order, means), claimed_before())
        told.append(
            (made.homes.write_csv(), made.lots.write_csv(), json.dumps(made.account, default=str))
        )
    assert len(set(told)) == 1


def test_every_home_has_a_reason(run: Published, made: funding.Funding) -> None:
    homes = made.homes
    assert homes["why"].null_count() == 0
    assert set(homes.filter(pl.col("funded") == "yes")["reason_code"]) == {"FUNDED"}
    first = homes.row(0, named=True)
    assert (first["funded"], first["reason_code"]) == ("no", "CLAIMED")
    assert "C0123" in first["why"]
    unknown = homes.filter(pl.col("reason_code") == "BAND_UNKNOWN")
    bands = run.ranking.filter(pl.col("home_id").is_in(unknown["home_id"].to_list()))
    assert bands.height
    assert bands["epc_band"].null_count() == bands.height
    assert "find out and it may qualify" in unknown["why"][0]
    assert set(unknown["rule_version"]) <= {"demo-2", "demo-1"}
    # one rule: no home whose band is not known is taken by a fund that asks for bands
    asks = [fund.name for fund in FUNDS if fund.homes.epc_bands]
    taken = homes.filter(pl.col("fund").is_in(asks))["home_id"].to_list()
    assert taken
    assert run.ranking.filter(pl.col("home_id").is_in(taken))["epc_band"].null_count() == 0


def test_whole_streets_in_one_year(made: funding.Funding) -> None:
    able = made.homes.filter(
        ~pl.col("reason_code").str.contains("UNKNOWN|NO_OPTION|CLAIMED|TENURE|BAND|U_VALUE")
        & pl.col("lot").is_not_null()
    )
    years = able.group_by("lot").agg(pl.col("year").n_unique(), pl.col("funded").n_unique())
    assert years["year"].max() == 1
    assert years["funded"].max() == 1


def test_the_frontier_and_what_a_tenth_moves(made: funding.Funding) -> None:
    points = made.frontier.drop_nulls("worth")
    assert points["bound"].is_sorted()
    assert (points["bound"] >= points["worth"]).all()
    assert made.account["gap"] == points.filter(pl.col("budget_factor") == 1.0)["gap"].item()
    moved = made.homes.filter(pl.col("budget_10_more").is_not_null())
    was = {"enters": "no", "leaves": "yes"}
    assert [was[verb] for verb in moved["budget_10_more"]] == moved["funded"].to_list()


def test_draws_are_a_latin_hypercube_and_repeat(run: Published) -> None:
    drawn = sensitivity.draws(run.base, 8)
    assert drawn == sensitivity.draws(run.base, 8)
    ranges = run.base.reference.table("assumption_ranges")
    for row in ranges.iter_rows(named=True):
        cells = [(d[row["assumption"]] - row["low"]) / (row["high"] - row["low"]) for d in drawn]
        assert sorted(int(8 * cell) for cell in cells) == list(range(8)), row["assumption"]


def test_moved_assumptions_move_what_they_should(run: Published) -> None:
    home = (
        today(run)
        .filter(pl.col("u_value_grade").is_in(["C", "D"]) & (pl.col("fuel") == "mains_gas"))
        .head(1)
    )
    still = {"temperature_shift": 0.0, "gas_price": 1.0, "cost": 1.0, "default_wall_u": 1.0,
             "in_use_reduction": run.base.settings.savings.in_use_reduction}  # fmt: skip

    def first(**change: float) -> dict[str, float]:
        moved, base = sensitivity.under(home, run.base, {**still, **change})
        return next(iter(assess.efficient(moved, base))).row(0, named=True)

    as_it_is = next(iter(assess.efficient(home, run.base))).row(0, named=True)
    assert first()["net_present_value_gbp"] == pytest.approx(as_it_is["net_present_value_gbp"])
    assert first(cost=1.2)["cost_gbp"] == pytest.approx(1.2 * as_it_is["cost_gbp"])
    dear = first(gas_price=1.5)["bill_saved_gbp_per_year"]
    assert dear == pytest.approx(1.5 * as_it_is["bill_saved_gbp_per_year"])
    name = "heat_saved_kwh_per_year"
    assert first(temperature_shift=-1.0)[name] > as_it_is[name]
    assert first(default_wall_u=1.2)[name] > as_it_is[name]
    saved = "expected_fuel_saved_kwh_per_year"
    assert first(in_use_reduction=0.5)[saved] <= as_it_is[saved]


def test_funded_share_is_of_all_draws(made: funding.Funding) -> None:
    not_offered = pl.col("reason_code").is_in(["CLAIMED", "ADDRESS_UNKNOWN"])
    shares = made.homes.filter(~not_offered)["funded_share"]
    assert set(shares) <= {0.0, 0.5, 1.0}
    assert shares.max() > 0.0
    assert len(made.account["draws"]["drawn"]) == 2


@pytest.mark.parametrize("stated", [
    Appraisal(), Appraisal(objective="carbon"), Appraisal(objective="low_income_bills"),
    Appraisal(weights={"net_benefit": 1.0, "carbon": 40.0, "low_income_bills": 0.5}),
])  # fmt: skip
def test_objectives_and_their_terms(run: Published, stated: Appraisal) -> None:
    ranked = run.ranking.filter(pl.col("rank").is_not_null()).with_columns(
        own=objective.value(stated), told=objective.terms(stated)
    )
    bills = ranked.select("bill_saved_pv_gbp", "low_income").iter_rows()
    plain = {
        "net_benefit": ranked["net_present_value_gbp"].to_numpy(),
        "carbon": ranked["co2_saved_lifetime_t"].to_numpy(),
        "low_income_bills": np.array([v if low == "yes" else 0.0 for v, low in bills]),
    }
    weights = dict(stated.weights) or {stated.objective: 1.0}
    by_hand = sum(weight * plain[term] for term, weight in weights.items())
    np.testing.assert_allclose(ranked["own"].to_numpy(), by_hand)
    for term in weights:
        assert objective.TERMS[term][0] in ranked["told"][0]


def test_infill_counts_whichever_option_is_refused(run: Published) -> None:
    """A home of band C joins as infill although its dearest option does not last long enough."""
    options = case.works(today(few(run)), run.base).with_columns(epc_band=pl.lit("C"))
    last = pl.col("place") == pl.col("place").max().over("home")
    short = options.with_columns(
        lifetime_years=pl.when(last & (pl.col("place") > 0)).then(1.0).otherwise("lifetime_years")
    )
    made = case.build(short, ASKED, run.base)
    allowed = ~np.isnan(made.problem.value[:, : made.row.shape[1]])
    counted = made.problem.quantities["Hearth and Wall Fund: infill"]
    counted = np.broadcast_to(counted, made.problem.value.shape)[:, : made.row.shape[1]]
    assert allowed.any(axis=1).sum() > 40
    assert (counted[allowed] == 1.0).all()


def test_refusals(run: Published) -> None:
    with pytest.raises(SettingsError, match="Two fund files say name = 'Hearth and Wall Fund'"):
        funding.fund(
            few(run, 40), funding.Asked((FUNDS[1], *FUNDS[:1] * 2), funds.Means()), claimed_before()
        )
    far = funds.Means(own_budget_gbp={"2031": 1.0})
    with pytest.raises(SettingsError, match="means name 2031, but the funds are open from 2027"):
        funding.fund(few(run, 40), funding.Asked(FUNDS, far), claimed_before())
    with pytest.raises(ProgrammeError, match="No home of this run has an option"):
        case.works(today(run).filter(pl.col("wall_insulation") == "external"), run.base)
    greedy = FUNDS[0].model_copy(
        update={"lot": FUNDS[0].lot.model_copy(update={"homes_at_least": 5_000})}
    )
    with pytest.raises(RulesClashError, match="least homes") as fault:
        funding.fund(few(run), funding.Asked((greedy,), funds.Means()), claimed_before())
    assert "Hearth and Wall Fund: least homes" in fault.value.rules


def test_a_clash_says_what_each_rule_asks_and_what_there_is_to_choose_from(run: Published) -> None:
    asking = tuple(
        fund.model_copy(update={"lot": fund.lot.model_copy(update={"homes_at_least": 20})})
        for fund in FUNDS
    )
    means = funds.Means(capacity_homes={"2027": 12, "2028": 12, "2029": 0})
    with pytest.raises(RulesClashError) as fault:
        funding.fund(few(run), funding.Asked(asking, means), claimed_before())
    said = str(fault.value)
    for words in (
        "'contractor capacity 2027' (at most 12 homes)",
        "'Hearth and Wall Fund: least homes' (at least 20 homes)",
        "and 'Lantern Grant: least homes' (at least 20 homes). Without one of them",
        "homes with an option Lantern Grant may take",
        "its EPC band is not known: find out and it may qualify (BAND_UNKNOWN)",
        "The homes of a street are taken in one year",
        "Relax one of them, or add homes that meet it.",
    ):
        assert words in said, said
    lot = FUNDS[0].lot.model_copy(update={"homes_at_least": 40, "low_income_share_at_least": 0.995})
    alone = funding.Asked((FUNDS[0].model_copy(update={"lot": lot}), FUNDS[1]), funds.Means())
    with pytest.raises(RulesClashError) as fault:
        funding.fund(few(run), alone, claimed_before())
    assert "low-income share' (at least 99.5 %)" in str(fault.value)
    assert "Lantern Grant" not in str(fault.value)  # none of its rules is at fault


def test_a_home_of_no_worth_is_told_so_and_not_that_others_are_better(run: Published) -> None:
    ranked = run.ranking.filter(pl.col("rank").is_not_null())
    mixed = replace(run, ranking=pl.concat([ranked.head(60), ranked.tail(60)]))
    asked = funding.Asked(FUNDS[1:], funds.Means())
    made = funding.fund(mixed, asked, claimed_before())
    assert (made.homes["funded"] == "yes").any()
    none = made.homes.filter(pl.col("reason_code") == "NO_WORTH")
    assert none.height
    assert none["why"].str.starts_with("Nothing that may be built there is worth").all()
    assert none["why"].str.contains(r": (-\d|0\.$)").all()
    others = made.homes.filter(pl.col("reason_code") == "RULE")["why"]
    assert not others.str.contains("worth -").any()


def test_an_allocation_that_funds_nobody_says_why_and_is_no_success(
    demo_folder: Path, tmp_path: Path, call: Callable[..., Said]
) -> None:
    fund, out = tmp_path / "fund.toml", tmp_path / "allocation"
    fund.write_text((DEMO / "fund_lantern.toml").read_text().replace("600_000", "6"))
    store = demo_folder / "demo.duckdb"
    said = call("allocate", "--store", store, "--fund", fund, "--out", out)
    assert said.code == 2
    assert "homes for" not in said.out
    homes = pl.read_csv(out / "allocation.csv")
    assert set(homes["funded"]) == {"no"}
    counts = homes["reason_code"].value_counts(sort=True).head(3)
    assert not {"RULE", "FUNDED"} & set(homes["reason_code"])
    assert f"No home of {homes.height:,} is funded: " in said.out
    for code, count in counts.iter_rows():
        assert f"({code}), {count:,} homes;" in said.out, said.out
    assert "Stopped: No home is funded. allocation.csv says why" in said.err
    claim = call("claim", "--store", store, "--homes", out / "allocation.csv", "--out", out)
    assert (claim.code, "names no home that is funded" in claim.err) == (2, True)


def test_the_command_writes_the_same_bytes_whatever_the_hash_seed(
    run: Published, demo_folder: Path, tmp_path: Path
) -> None:
    """Small: one fund without street lots, on few homes; two processes, two hash seeds."""
    script = (
        "import sys, json; from pathlib import Path; from dataclasses import replace;"
        "from pipeline import funding; from pipeline.programme import funds;"
        "from pipeline.published import open_run; from tests.conftest import Said, claimed_before;"
        "run = open_run(Path(sys.argv[1]));"
        "made = funding.fund(replace(run, ranking=run.ranking.head(60)),"
        " funding.Asked((funds.read(Path(sys.argv[2])),), funds.Means()), claimed_before());"
        "print(made.homes.write_csv(), made.lots.write_csv(), made.frontier.write_csv(),"
        " json.dumps(made.account))"
    )
    told = [
        subprocess.run(
            [sys.executable, "-c", script, demo_folder / "demo.duckdb", DEMO / "fund_lantern.toml"],
            env={"PYTHONHASHSEED": seed, "PATH": "", "PYTHONPATH": str(DEMO.parent)},
            check=True, capture_output=True,
        ).stdout
        for seed in ("1", "2")
    ]  # fmt: skip
    assert told[0] == told[1]
    assert b"FUNDED" in told[0]


def test_the_command(demo_folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    store, out = demo_folder / "demo.duckdb", tmp_path / "allocation"
    small = few(open_run(store), 120)
    monkeypatch.setattr("pipeline.cli.open_run", lambda path: small)
    home = small.ranking["home_id"][5]
    words = ["allocate", "--store", str(store), "--out", str(out), "--why", home]
    told = CliRunner().invoke(app, [*words, "--fund", str(DEMO / "fund_lantern.toml")])
    assert told.exit_code == 0, told.output
    for text in ("the gap is", "What the next pound buys", "Invented for the demo", home):
        assert text in told.output
    account = json.loads((out / "allocation.json").read_text())
    assert account["run_id"] == small.account["run_id"]
    assert account["funds"][0]["version"] == "demo-1"
    assert len(account["funds"][0]["rules_sha256"]) == 64
    assert (out / "frontier.png").read_bytes().startswith(b"\x89PNG")
    assert pl.read_csv(out / "allocation.csv").height == 120
    assert pl.read_csv(out / "lots.csv").height
    claimed = claims.claimed(store)
    assert claimed.height == 0  # allocating claims nothing
    unknown = CliRunner().invoke(
        app, [*words[:-1], "NOBODY", "--fund", str(DEMO / "fund_lantern.toml")]
    )
    assert isinstance(unknown.exception, ProgrammeError)
