"""A fund's rules as data: who may have a grant, how much, and what its homes together must meet.

A fund is a TOML file. Each home gets a verdict from each fund, with the rule, the fund's version
and a reason code. `pipeline.programme.offers` turns funds into an allocation problem.
"""

import datetime
import tomllib
from dataclasses import dataclass
from difflib import get_close_matches
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Literal, TypeVar

import polars as pl
from pydantic import AfterValidator, BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.errors import SettingsError

Share = Annotated[float, Field(ge=0.0, le=1.0)]
Positive = Annotated[float, Field(gt=0.0)]
Year = Annotated[str, Field(pattern=r"^20\d\d$")]
ByYear = dict[Year, Annotated[float, Field(ge=0.0)]]
Band = Literal["A", "B", "C", "D", "E", "F", "G"]


class _Group(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _tenure(word: str) -> str:
    """The word, where it is a tenure of codes.csv."""
    table = pl.read_csv(str(files("pipeline.stock") / "codes.csv"), infer_schema=False)
    known = sorted(set(table.filter(column="tenure")["code"]))
    if word not in known:
        raise ValueError(f"no such tenure; write one of {', '.join(known)}")
    return word


class Homes(_Group):
    """Which homes may have a grant. An empty list asks nothing. Unknown is never taken as yes."""

    epc_bands: tuple[Band, ...] = ()
    tenures: tuple[Annotated[str, AfterValidator(_tenure)], ...] = ()
    works_begun_allowed: bool = False
    earlier_funds_barred: tuple[str, ...] = ()


class Measure(_Group):
    """What the works must reach."""

    u_after_at_most_w_m2k: Positive | None = None
    lifetime_at_least_years: Positive | None = None
    guarantee_at_least_years: Positive | None = None


class Grant(_Group):
    """Grant of a home: share of its cost up to a limit; averaged over the fund's homes at most."""

    share_of_cost: Share
    limit_per_home_gbp: Positive | None = None
    average_per_home_at_most_gbp: Positive | None = None


class Lot(_Group):
    """What the fund's homes together must meet."""

    street_lots: Literal["all_or_none", "none"] = "none"
    infill_share_at_most: Share = 0.0
    low_income_share_at_least: Share = 0.0
    c_or_better_now_share_at_most: Share | None = None
    homes_at_least: Annotated[int, Field(ge=0)] = 0


class Fund(_Group):
    """One fund. `budget_gbp` and `capacity_homes` are by programme year, as "2027"."""

    name: Annotated[str, Field(min_length=1)]
    version: Annotated[str, Field(min_length=1)]
    invented: bool
    source: Annotated[str, Field(min_length=1)]
    opens: datetime.date
    closes: datetime.date
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


class Means(_Group):
    """What the landlord has, by programme year, for all funds together; no limit where absent."""

    own_budget_gbp: ByYear = {}
    capacity_homes: ByYear = {}


Model = TypeVar("Model", Fund, Means)


def read(path: Path) -> Fund:
    """A fund from its TOML file. Raises SettingsError naming key and value."""
    return build(Fund, _toml(path), str(path))


def read_means(path: Path | None) -> Means:
    """The landlord's means from a TOML file; no limits where None. Raises as `read`."""
    return Means() if path is None else build(Means, _toml(path), str(path))


def _toml(path: Path) -> dict[str, object]:
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        raise SettingsError(f"Fund file {path} does not exist. Check the path.") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as fault:
        raise SettingsError(f"Fund file {path} is not readable as TOML: {fault}.") from None


def build(kind: type[Model], content: dict[str, object], where: str) -> Model:
    """A fund, or means, from a nested dictionary. Raises SettingsError naming the key at fault."""
    try:
        return kind.model_validate(content)
    except ValidationError as fault:
        lines = [_told(kind, e["loc"], e["input"], e["type"], e["msg"]) for e in fault.errors()]
        raise SettingsError(
            f"{where} cannot be used:\n" + "\n".join(lines) + "\nMend these keys and run again."
        ) from None


def _told(
    kind: type[BaseModel], loc: tuple[int | str, ...], found: object, fault: str, words: str
) -> str:
    """One key at fault, what was found there, and what to write."""
    key = ".".join(map(str, loc))
    words = words.removeprefix("Value error, ")
    if not loc:
        return f"  {words}"
    if fault == "missing":
        return f"  {key} is missing: add it."
    if fault == "extra_forbidden":
        return f"  {key} is no key here{_near(kind, loc)}."
    if fault.startswith("date"):
        words = "write a date as 2027-04-01"
    elif "share" in str(loc[-1]) and fault == "less_than_equal":
        words = "write a share from 0 to 1: 0.6 means 60 %"
    text = repr(found)
    return f"  {key} = {text if len(text) <= 60 else f'{text[:57]}...'}: {words}"


def _near(kind: type[BaseModel], loc: tuple[int | str, ...]) -> str:
    """The key most like one that the group does not know, as a hint; else the keys it knows."""
    group: type[BaseModel] = kind
    for name in loc[:-1]:
        inner = group.model_fields[str(name)].annotation
        if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
            return ""
        group = inner
    likely = get_close_matches(str(loc[-1]), list(group.model_fields), n=1)
    return (
        f": did you mean {likely[0]}" if likely else f": keys are {', '.join(group.model_fields)}"
    )


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
    order = [
        *((t, t.fails.fill_null(False), "exclude") for t in hard),
        *((t, t.fails.is_null(), "unknown") for t in hard),
        *((t, t.fails.fill_null(False), "infill") for t in soft),
        *((t, t.fails.is_null(), "unknown") for t in soft),
    ]
    if fund.lot.infill_share_at_most == 0.0:
        order = [(t, when, "exclude" if v == "infill" else v) for t, when, v in order]
    return homes.select(
        "home_id",
        fund=pl.lit(fund.name),
        version=pl.lit(fund.version),
        verdict=_first([(when, v) for _, when, v in order], "pass"),
        rule=_first([(when, t.rule) for t, when, _ in order], "all rules"),
        reason_code=_first(
            [(when, f"{t.code}_UNKNOWN" if v == "unknown" else t.code) for t, when, v in order],
            "OK",
        ),
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
