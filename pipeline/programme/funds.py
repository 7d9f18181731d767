"""A fund's rules as data: who may have a grant, how much, and what its homes together must meet.

A fund is a TOML file. Each home gets a verdict from each fund, with the rule, the fund's version
and a reason code. `pipeline.programme.offers` turns funds into an allocation problem.
"""

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal

import polars as pl
from pydantic import AfterValidator, Field, model_validator

from pipeline import toml_files
from pipeline.errors import SettingsError
from pipeline.toml_files import Day, Group, NotNegative, Positive, Share, Whole

Year = Annotated[str, Field(pattern=r"^20\d\d$")]
ByYear = dict[Year, NotNegative]
Band = Literal["A", "B", "C", "D", "E", "F", "G"]


def _tenure(word: str) -> str:
    """The word, where it is a tenure of codes.csv."""
    table = pl.read_csv(str(files("pipeline.stock") / "codes.csv"), infer_schema=False)
    known = sorted(set(table.filter(column="tenure")["code"]))
    if word not in known:
        raise ValueError(f"no such tenure; write one of {', '.join(known)}")
    return word


class Homes(Group):
    """Which homes may have a grant. An empty list asks nothing. Unknown is never taken as yes."""

    epc_bands: tuple[Band, ...] = ()
    tenures: tuple[Annotated[str, AfterValidator(_tenure)], ...] = ()
    works_begun_allowed: bool = False
    earlier_funds_barred: tuple[str, ...] = ()


class Measure(Group):
    """What the works must reach."""

    u_after_at_most_w_m2k: Positive | None = None
    lifetime_at_least_years: Positive | None = None
    guarantee_at_least_years: Positive | None = None


class Grant(Group):
    """Grant of a home: share of its cost up to a limit; averaged over the fund's homes at most."""

    share_of_cost: Share
    limit_per_home_gbp: Positive | None = None
    average_per_home_at_most_gbp: Positive | None = None


class Lot(Group):
    """What the fund's homes together must meet."""

    street_lots: Literal["all_or_none", "none"] = "none"
    infill_share_at_most: Share = 0.0
    low_income_share_at_least: Share = 0.0
    c_or_better_now_share_at_most: Share | None = None
    homes_at_least: Whole = 0


class Fund(Group):
    """One fund. `budget_gbp` and `capacity_homes` are by programme year, as "2027"."""

    name: Annotated[str, Field(min_length=1)]
    version: Annotated[str, Field(min_length=1)]
    invented: bool
    source: Annotated[str, Field(min_length=1)]
    opens: Day
    closes: Day
    homes: Homes = Homes()
    measure: Measure = Measure()
    grant: Grant
    lot: Lot = Lot()
    budget_gbp: ByYear
    capacity_homes: ByYear = {}

    @model_validator(mode="after")
    def _dates(self) -> "Fund":
        if self.closes <= self.opens:
            raise ValueError(f"closes {self.closes} is not after opens {self.opens}")
        for year in (*self.budget_gbp, *self.capacity_homes):
            if not self.opens.year <= int(year) <= self.closes.year:
                raise ValueError(f"{year} has a budget or capacity but the fund is not open in it")
        return self


class Means(Group):
    """What the landlord has, by programme year, for all funds together; no limit where absent."""

    own_budget_gbp: ByYear = {}
    capacity_homes: ByYear = {}


def read(path: Path) -> Fund:
    """A fund from its TOML file. Raises SettingsError naming key and value."""
    return toml_files.build(Fund, toml_files.read(path, "Fund file"), str(path))


def read_means(path: Path | None) -> Means:
    """The landlord's means from a TOML file; no limits where None. Raises as `read`."""
    if path is None:
        return Means()
    return toml_files.build(Means, toml_files.read(path, "Means file"), str(path))


@dataclass(frozen=True)
class _Test:
    """A rule on a home: where `fails` is true it is refused, where null it is not known."""

    rule: str
    code: str
    fails: pl.Expr
    needs: str
    infill: bool = False
    """Whether a home that fails only such rules may join its street as infill."""


def verdicts(homes: pl.DataFrame, fund: Fund) -> pl.DataFrame:
    """Each home's verdict from the fund, in the order of the homes.

    homes: home_id, and the columns that the fund's rules ask about: epc_band, tenure,
    u_after_w_m2k, lifetime_years, guarantee_years, works_begun, funded_by.
    Returns home_id, fund, version, verdict (pass, infill, unknown, exclude), rule and reason_code
    of the first rule that decides; rule and code say `all rules` and `OK` where all are met.
    What is not known is never taken as yes, and not as no either: such a home is not offered, not
    even as infill, until it is found out.
    Raises SettingsError for a missing column.
    """
    tests = _tests(fund)
    missing = sorted({t.needs for t in tests} - set(homes.columns))
    if missing:
        raise SettingsError(
            f"Fund '{fund.name}' asks about {', '.join(missing)}, which the homes do not have."
            " Add the column, empty where not known, or take the rule out of the fund's file."
        )
    hard = [t for t in tests if not t.infill]
    soft = [t for t in tests if t.infill]
    joins = "infill" if fund.lot.infill_share_at_most > 0.0 else "exclude"
    order = [
        *((t.fails.fill_null(False), "exclude", t, t.code) for t in hard),
        *((t.fails.is_null(), "unknown", t, f"{t.code}_UNKNOWN") for t in (*hard, *soft)),
        *((t.fails.fill_null(False), joins, t, t.code) for t in soft),
    ]
    return homes.select(
        "home_id",
        fund=pl.lit(fund.name),
        version=pl.lit(fund.version),
        verdict=_first([(when, verdict) for when, verdict, _, _ in order], "pass"),
        rule=_first([(when, test.rule) for when, _, test, _ in order], "all rules"),
        reason_code=_first([(when, code) for when, _, _, code in order], "OK"),
    )


def _first(cases: list[tuple[pl.Expr, str]], otherwise: str) -> pl.Expr:
    """The word of the first case that holds."""
    words = [pl.when(when).then(pl.lit(word)) for when, word in cases]
    return pl.coalesce(*words, pl.lit(otherwise))


def _tests(fund: Fund) -> list[_Test]:
    """The fund's rules on a home, in the order in which a refusal is reported."""
    ask, reach = fund.homes, fund.measure
    tests: list[_Test] = []
    if not ask.works_begun_allowed:
        tests.append(_Test("start: works not begun", "BEGUN", pl.col("works_begun"), "works_begun"))
    if ask.earlier_funds_barred:
        earlier = pl.col("funded_by").is_in(ask.earlier_funds_barred).fill_null(False)
        tests.append(_Test("one funder: no earlier award", "EARLIER", earlier, "funded_by"))
    if reach.u_after_at_most_w_m2k is not None:
        tests.append(_more("u_after_w_m2k", reach.u_after_at_most_w_m2k, "U-value", "U_VALUE"))
    if reach.lifetime_at_least_years is not None:
        tests.append(_less("lifetime_years", reach.lifetime_at_least_years, "lifetime", "LIFETIME"))
    if reach.guarantee_at_least_years is not None:
        least = reach.guarantee_at_least_years
        tests.append(_less("guarantee_years", least, "guarantee", "GUARANTEE"))
    if ask.tenures:
        other = ~pl.col("tenure").is_in(ask.tenures)
        tests.append(_Test(f"tenure: {', '.join(ask.tenures)}", "TENURE", other, "tenure", True))
    if ask.epc_bands:
        rule = f"EPC band: {', '.join(ask.epc_bands)}"
        other = ~pl.col("epc_band").is_in(ask.epc_bands)
        tests.append(_Test(rule, "BAND", other, "epc_band", True))
    return tests


def _more(column: str, limit: float, label: str, code: str) -> _Test:
    return _Test(f"{label} after works at most {limit:g}", code, pl.col(column) > limit, column)


def _less(column: str, limit: float, label: str, code: str) -> _Test:
    return _Test(f"{label} at least {limit:g} years", code, pl.col(column) < limit, column)
