"""Fund files, verdicts with rule, version and reason code, and funds as an allocation problem."""

import copy
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline import toml_files
from pipeline.errors import SettingsError
from pipeline.programme import checker, funds, offers, reasons
from pipeline.programme.solver import allocate

DEMO = Path(__file__).parents[1] / "data_demo"
YEARS = (2027, 2028, 2029)
GOOD = {
    "home_id": "a",
    "epc_band": "E",
    "tenure": "social_rent",
    "u_after_w_m2k": 0.25,
    "lifetime_years": 36.0,
    "guarantee_years": 25.0,
    "works_begun": False,
    "funded_by": None,
}
SCHEMA = {
    "home_id": pl.String,
    "epc_band": pl.String,
    "tenure": pl.String,
    "u_after_w_m2k": pl.Float64,
    "lifetime_years": pl.Float64,
    "guarantee_years": pl.Float64,
    "works_begun": pl.Boolean,
    "funded_by": pl.String,
}


@pytest.fixture(scope="module")
def hearth() -> funds.Fund:
    return funds.read(DEMO / "fund_hearth.toml")


@pytest.fixture(scope="module")
def lantern() -> funds.Fund:
    return funds.read(DEMO / "fund_lantern.toml")


def homes(**change: object) -> pl.DataFrame:
    return pl.DataFrame([{**GOOD, **change}], schema=SCHEMA)


@pytest.mark.parametrize(
    ("change", "verdict", "code"),
    [
        ({}, "pass", "OK"),
        ({"epc_band": "C"}, "infill", "BAND"),
        ({"epc_band": None}, "unknown", "BAND_UNKNOWN"),
        ({"tenure": None}, "unknown", "TENURE_UNKNOWN"),
        ({"epc_band": None, "tenure": "private"}, "unknown", "BAND_UNKNOWN"),
        ({"tenure": "private"}, "infill", "TENURE"),
        ({"tenure": "private", "epc_band": "B"}, "infill", "TENURE"),
        ({"u_after_w_m2k": 0.31}, "exclude", "U_VALUE"),
        ({"u_after_w_m2k": None}, "unknown", "U_VALUE_UNKNOWN"),
        ({"lifetime_years": 12.0}, "exclude", "LIFETIME"),
        ({"guarantee_years": 10.0}, "exclude", "GUARANTEE"),
        ({"works_begun": True}, "exclude", "BEGUN"),
        ({"works_begun": None}, "unknown", "BEGUN_UNKNOWN"),
        ({"funded_by": "Lantern Grant"}, "exclude", "EARLIER"),
        ({"funded_by": "Another Fund"}, "pass", "OK"),
        ({"epc_band": "B", "works_begun": True}, "exclude", "BEGUN"),
    ],
)
def test_verdicts(hearth: funds.Fund, change: dict[str, object], verdict: str, code: str) -> None:
    row = funds.verdicts(homes(**change), hearth).row(0, named=True)
    assert (row["verdict"], row["reason_code"]) == (verdict, code)
    assert (row["fund"], row["version"]) == ("Hearth and Wall Fund", "demo-2")
    assert row["rule"]
    assert None not in row.values()


def test_without_infill_such_homes_are_refused(lantern: funds.Fund) -> None:
    row = funds.verdicts(homes(epc_band="D"), lantern).row(0, named=True)
    assert (row["verdict"], row["reason_code"]) == ("exclude", "BAND")
    row = funds.verdicts(homes(epc_band=None), lantern).row(0, named=True)
    assert (row["verdict"], row["reason_code"]) == ("unknown", "BAND_UNKNOWN")


def test_a_missing_column_is_named(hearth: funds.Fund) -> None:
    with pytest.raises(SettingsError, match=r"asks about epc_band, works_begun, which"):
        funds.verdicts(homes().drop("epc_band", "works_begun"), hearth)


def test_demo_funds_say_that_they_are_invented(hearth: funds.Fund, lantern: funds.Fund) -> None:
    for name, fund in (("hearth", hearth), ("lantern", lantern)):
        assert fund.invented
        text = (DEMO / f"fund_{name}.toml").read_text(encoding="utf-8")
        assert text.startswith("# INVENTED")


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"grant": {"share_of_cost": 1.4}}, r"grant\.share_of_cost = 1\.4"),
        ({"wishes": 3}, "wishes = 3: no key here"),
        ({"lots": {}}, r"lots = a table: no key here \(like lot"),
        ({"grant": {"share_of_cost": 60}}, r"share_of_cost = 60: .*0\.6 means 60 %"),
        ({"opens": "April 2027"}, "opens = 'April 2027': write a date as 2027-04-01"),
        ({"homes": {"tenures": ["council"]}}, r"'council'.*leasehold.*social_rent"),
        ({"closes": "2020-01-01"}, "is not after opens"),
        ({"budget_gbp": {"first": 5}}, r"budget_gbp\.first"),
        ({"budget_gbp": {"2031": 5}}, "2031 has a budget or capacity but the fund is not open"),
        ({"homes": {"epc_bands": ["H"]}}, r"homes\.epc_bands\.0 = 'H'"),
        ({"version": ""}, "version = ''"),
    ],
)
def test_a_fund_at_fault_is_refused(change: dict[str, object], message: str) -> None:
    content = tomllib.loads((DEMO / "fund_hearth.toml").read_text(encoding="utf-8"))
    with pytest.raises(SettingsError, match=message) as fault:
        toml_files.build(funds.Fund, {**copy.deepcopy(content), **change}, "fund.toml")
    assert "Mend these keys and run again." in str(fault.value)


def test_the_readme_lists_every_key_of_a_fund() -> None:
    readme = (DEMO.parent / "README.md").read_text(encoding="utf-8")
    block = next(b.split("```")[0] for b in readme.split("```toml") if "share_of_cost" in b)
    content = tomllib.loads(block)
    fund = toml_files.build(funds.Fund, content, "README.md")
    assert set(content) == set(funds.Fund.model_fields)
    for name in ("homes", "measure", "grant", "lot"):
        assert set(content[name]) == set(type(getattr(fund, name)).model_fields), name


def test_means_are_read_and_years_checked(tmp_path: Path) -> None:
    means = funds.read_means(DEMO / "landlord_means.toml")
    assert means.own_budget_gbp["2027"] == 1_600_000
    (tmp_path / "m.toml").write_text("[capacity_homes]\nsoon = 3\n")
    with pytest.raises(SettingsError, match=r"capacity_homes\.soon"):
        funds.read_means(tmp_path / "m.toml")


def test_a_file_at_fault_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="does not exist"):
        funds.read(tmp_path / "none.toml")
    (tmp_path / "odd.toml").write_text("= 3")
    with pytest.raises(SettingsError, match="not readable as TOML"):
        funds.read(tmp_path / "odd.toml")


def test_grants_are_a_share_up_to_a_limit(hearth: funds.Fund) -> None:
    cost = np.array([[10_000.0, 30_000.0, np.nan]])
    assert offers.grants(cost, hearth).tolist()[0][:2] == [5_000.0, 11_000.0]
    assert offers.open_years(hearth, (2026, *YEARS, 2030)).tolist() == [False, *[True] * 3, False]


def invented_offers(
    hearth: funds.Fund, lantern: funds.Fund, count: int
) -> tuple[np.ndarray, np.ndarray, offers.Homes, list[offers.Offer]]:
    """An invented estate with verdicts from both funds."""
    rng = np.random.default_rng(4)
    cost = rng.uniform(9_000.0, 24_000.0, (count, 1)) * np.array([[0.9, 1.0, 1.1]])
    value = rng.uniform(1_000.0, 6_000.0, (count, 1)) * np.array([[0.8, 1.0, 1.05]])
    frame = pl.DataFrame(
        {
            **{name: [GOOD[name]] * count for name in SCHEMA},
            "epc_band": rng.choice(list("CDEFG"), count).tolist(),
            "tenure": rng.choice(["social_rent", "private"], count, p=[0.9, 0.1]).tolist(),
        },
        schema=SCHEMA,
    )
    made = []
    for fund in (hearth, lantern):
        verdict = funds.verdicts(frame, fund)["verdict"]
        allowed = verdict.is_in(["pass", "infill"]).to_numpy()[:, None] & np.ones((1, 3), bool)
        made.append(offers.Offer(fund, allowed, (verdict == "infill").to_numpy()))
    facts = offers.Homes(
        lot=rng.integers(0, count // 8, count),
        low_income=rng.random(count) < 0.5,
        c_now=(frame["epc_band"] == "C").to_numpy(),
    )
    return cost, value, facts, made


def test_two_funds_become_one_problem(hearth: funds.Fund, lantern: funds.Fund) -> None:
    cost, value, facts, made = invented_offers(hearth, lantern, 700)
    means = funds.Means(
        own_budget_gbp={"2027": 1_800_000.0}, capacity_homes={"2027": 200.0, "2028": 300.0}
    )
    programme = offers.Programme(YEARS, (1.0, 0.97, 0.94), means)
    problem = offers.problem(cost, value, facts, made, programme)
    found = allocate(problem)
    findings = checker.check(problem, found.option, found.year)
    assert all(f.ok for f in findings), [f for f in findings if not f.ok]
    assert {(f.fund, f.version) for f in findings} == {
        ("", ""),
        ("Hearth and Wall Fund", "demo-2"),
        ("Lantern Grant", "demo-1"),
    }
    assert found.gap < 0.02
    of_hearth = int(((found.option >= 0) & (found.option // 3 == 0)).sum())
    priced = replace(found, prices=np.ones(len(problem.rules)))
    gain = {p.rule: p.gain for p in reasons.shadow_prices(problem, priced, "GBP")}
    assert gain["Hearth and Wall Fund: average grant"] == of_hearth
    assert gain["Hearth and Wall Fund: infill share"] == pytest.approx(0.01 * of_hearth)
    funder = found.option // 3
    assert {0, 1} <= set(funder[found.option >= 0].tolist())
    assert not (found.year[funder == 1] == 2).any()  # the window of the second fund is over
    spent = offers.grants(cost, lantern)
    of_lantern = np.flatnonzero((funder == 1) & (found.option >= 0))
    assert spent[of_lantern, found.option[of_lantern] % 3].sum() <= 1_200_000.0


def test_a_year_without_a_budget_is_refused(hearth: funds.Fund) -> None:
    names = {n: n for n in ("grant", "homes", "infill", "low_income", "c_now")}
    short = hearth.model_copy(update={"budget_gbp": {"2027": 1.0}})
    with pytest.raises(SettingsError, match="open in 2028, 2029 but its budget_gbp"):
        offers.limits(short, YEARS, names)
