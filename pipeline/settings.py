"""Everything a user may set, typed; unknown keys are refused; stored with every run."""

import datetime
from pathlib import Path
from typing import Annotated, Literal, get_args

from pydantic import Field, model_validator

from pipeline import toml_files
from pipeline.toml_files import Day, Group, NotNegative, Number, Positive, Share, Whole

FileName = Annotated[str, Field(pattern=r"^[^\x00-\x1f\x7f]*$")]
"""A path without characters that no name of a file may hold."""
Months = Annotated[tuple[Annotated[Whole, Field(ge=1, le=12)], ...], Field(min_length=1)]
Term = Literal["net_benefit", "expected_net_benefit", "carbon", "heat", "low_income_bills"]
Nation = Literal["england", "scotland", "wales", "northern_ireland"]
NATIONS = get_args(Nation)
Zone = Literal["sheltered", "moderate", "severe", "very_severe"]
ZONES = get_args(Zone)
"""Exposure zones to wind-driven rain, from the least."""


class Sources(Group):
    """Which source's value stands, column by column: names, strongest first; "list" is the list.

    measured: sources whose values count as measured, data grade A.
    """

    precedence: dict[str, tuple[str, ...]] = {}
    measured: tuple[str, ...] = ()


class Climate(Group):
    """Standard year. `temperature_shift_c` below zero is a colder year."""

    method: Literal["balance_point", "fixed_base"] = "balance_point"
    internal_temperature_c: Annotated[Number, Field(ge=10.0, le=25.0)] = 18.5
    fixed_base_c: Annotated[Number, Field(ge=5.0, le=25.0)] = 15.5
    temperature_shift_c: Annotated[Number, Field(ge=-5.0, le=5.0)] = 0.0
    heating_months: Months = (1, 2, 3, 4, 5, 10, 11, 12)


class Savings(Group):
    """Reductions from the modelled to the expected saving, each with its basis."""

    in_use_reduction: Share = 0.33
    in_use_basis: str = "in-use factor for solid wall insulation, from memory of the scheme rules"
    comfort_share: Share = 0.15
    comfort_basis: str = "share of the saving taken as warmth, from memory of the scheme rules"


class Prices(Group):
    """Unit rates: the price period of the reference table, or the user's own, in p/kWh."""

    period: str = "2026-07_09"
    unit_rates_p_per_kwh: dict[str, Annotated[Positive, Field(le=1000.0)]] = {}


class Cost(Group):
    """Rate book (a CSV the user owns; empty means the invented demo book) and the dates of works.

    price_date: day to whose prices rates are brought by the book's price index; empty means the
    newest price date in the book. lot_homes: homes treated together, for the book's lot discount.
    """

    rate_book: FileName = ""
    installation_date: Day = datetime.date(2027, 6, 1)
    price_date: Day | Literal[""] = ""
    lot_homes: Annotated[Whole, Field(ge=1)] = 1


class Appraisal(Group):
    """How the lifetime figures and the order of homes are reckoned.

    weights: where several objectives count together, pounds for one unit of each; the objective
    alone decides where there are none.
    """

    objective: Term = "net_benefit"
    weights: dict[Term, NotNegative] = {}
    first_year: Annotated[Whole, Field(ge=2025, le=2039)] = 2027
    guarantee_25_years: bool = True
    reporting_year: Literal[2025] = 2025
    carbon_value: Literal["low", "central", "high"] = "central"


class Details(Group):
    """How the junctions are built; the defaults are the poorer of the usual details."""

    reveal: Literal["bare", "reveal_20", "reveal_30"] = "reveal_20"
    base: Literal["stopped_at_dpc", "carried_below"] = "stopped_at_dpc"
    eaves: Literal["not_joined", "joined"] = "not_joined"
    neighbour: Literal["ended", "continued"] = "ended"


class Works(Group):
    """What may be chosen. Heights and classes follow local law: check with the authority.

    non_combustible_from_height_m: by nation, in place of nation_limits.csv; the law's own height
    holds where it is lower. finish_exposure_zone: the worst zone the finish is certified for.

    The thickest board is 150 mm unless set: beyond it sills, eaves, fixings and footways are
    seldom ready for the build-up (common practice). system_catalogue is a CSV the user owns;
    empty means the generic systems shipped. payback_most_years is the test of Approved Document L
    for works that are worth while; homes are told by it, not refused.
    """

    target_u_w_m2k: Annotated[Number, Field(gt=0.05, le=1.0)] = 0.30
    non_combustible_from_height_m: dict[Nation, Annotated[Positive, Field(le=1000.0)]] = {}
    finish_exposure_zone: Zone = "severe"
    system_catalogue: FileName = ""
    systems: tuple[str, ...] = ()
    payback_most_years: Annotated[Positive, Field(le=1000.0)] = 15.0
    thickness_most_mm: Annotated[Positive, Field(le=1000.0)] = 150.0
    least_heat_kwh_per_year: Positive = 100.0
    humidity_class: Annotated[Whole, Field(ge=1, le=4)] = 3


Conductivity = Annotated[Positive, Field(le=500.0)]
"""W/mK; no building material conducts more than copper does."""


class WallLayer(Group):
    """One layer of a wall: a material, or an air layer whose resistance the table gives.

    bridge_share of the area is another material of bridge_lambda_w_mk, such as mortar or battens.
    """

    name: str
    thickness_mm: Annotated[Positive, Field(le=5000.0)]
    lambda_w_mk: Conductivity | None = None
    air: Literal["still", "ventilated"] | None = None
    bridge_share: Share = 0.0
    bridge_lambda_w_mk: Conductivity | None = None

    @model_validator(mode="after")
    def _whole(self) -> "WallLayer":
        if (self.lambda_w_mk is None) == (self.air is None):
            raise ValueError(f"layer '{self.name}' needs lambda_w_mk, or air, and not both")
        if (self.bridge_share > 0.0) != (self.bridge_lambda_w_mk is not None):
            raise ValueError(
                f"layer '{self.name}' needs both bridge_share and bridge_lambda_w_mk, or neither"
            )
        return self


class WallBuildUp(Group):
    """A wall as it stands, from the inside out; layers outside ventilated air do not count."""

    layers: Annotated[tuple[WallLayer, ...], Field(min_length=1)]


class Claims(Group):
    """Where the ledger of claims lies: a file, from the store's folder on; empty: claims.sqlite."""

    ledger: FileName = ""


class Settings(Group):
    """One programme's settings. Every default can be replaced in a TOML file."""

    sources: Sources = Sources()
    climate: Climate = Climate()
    savings: Savings = Savings()
    prices: Prices = Prices()
    cost: Cost = Cost()
    appraisal: Appraisal = Appraisal()
    works: Works = Works()
    details: Details = Details()
    claims: Claims = Claims()
    walls: dict[str, WallBuildUp] = {}
    budget_gbp: Positive = 10_000_000.0


def read(path: Path | None) -> Settings:
    """Settings from a TOML file, or the defaults. Raises SettingsError naming key and value."""
    if path is None:
        return Settings()
    return build(toml_files.read(path, "Settings file"), str(path))


def build(content: dict[str, object], where: str) -> Settings:
    """Settings from a nested dictionary. Raises SettingsError naming the key at fault."""
    return toml_files.build(Settings, content, where)
