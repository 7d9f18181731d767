"""From ranked homes and funds to an allocation problem: homes x options x funds x years."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import polars as pl

from pipeline import assess
from pipeline.appraisal import year_weights
from pipeline.assess import Basis
from pipeline.errors import ProgrammeError, SettingsError
from pipeline.identity import Another
from pipeline.options import screens
from pipeline.physics import Floats
from pipeline.programme import SUMMED, funds, objective, offers
from pipeline.programme.funds import Fund, Means
from pipeline.programme.solver.rules import Bools, Ints, Problem

_GUARANTEE_YEARS = 25.0
_KEPT = (
    "home_id", "lot", "tenure", "epc_band", "low_income", "works_begun", "funded_by", "cautions",
    "system", "thickness_mm", "u_after_w_m2k", "lifetime_years", *SUMMED,
)  # fmt: skip
ORDER = {"pass": 0, "infill": 1, "unknown": 2, "exclude": 3}
"""Verdicts from the nearest to a grant to the farthest."""


@dataclass(frozen=True)
class Asked:
    """The funds, in the order of their names however they were given, and the landlord's means.

    another: as `claims.preview` takes it.
    """

    funds: tuple[Fund, ...]
    means: Means
    another: Another = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Put the funds in order, so that the order of files decides nothing."""
        ordered = sorted(self.funds, key=lambda fund: (fund.name, fund.version))
        object.__setattr__(self, "funds", tuple(ordered))


@dataclass(frozen=True)
class Case:
    """An allocation problem and what its numbers stand for.

    works: one row for each home and option worth having, cheapest first within a home, with
    home (number), place (option) and worth. row: [homes, options], its row, -1 for none. verdicts:
    a frame for each fund, one row for each home. Option k of the problem is place
    k % options of fund k // options.
    """

    funds: tuple[Fund, ...]
    years: tuple[int, ...]
    works: pl.DataFrame
    row: Ints
    verdicts: tuple[pl.DataFrame, ...]
    problem: Problem

    @cached_property
    def homes(self) -> pl.DataFrame:
        """The homes in the order of their numbers, each with its cheapest option."""
        return self.works.filter(pl.col("place") == 0)

    @property
    def money_rules(self) -> list[str]:
        """Names of the rules that are budgets."""
        return [rule.name for rule in self.problem.rules if rule.kind == "money"]


def works(homes: pl.DataFrame, base: Basis) -> pl.DataFrame:
    """Every option worth having of every home that the screens leave in, with its worth.

    Costs are in whole pence from here on, so that what is published adds up.

    homes: with energy today, as `assess` takes them. Homes that are not the landlord's own are
    screened as though they were: a fund may take them as infill. Raises ProgrammeError where
    no home has an option.
    """
    listed = homes.with_columns(_listed=pl.col("tenure"), tenure=screens.as_own(pl.col("tenure")))
    stated = base.settings.appraisal
    batches = [
        batch.with_columns(tenure=pl.col("_listed"), cost_gbp=pl.col("cost_gbp").round(2)).select(
            *_KEPT, worth=objective.value(stated)
        )
        for batch in assess.efficient(listed, base)
    ]
    if not sum(batch.height for batch in batches):
        raise ProgrammeError(
            "No home of this run has an option that may be funded: see the reasons in ranking.csv."
        )
    guarantee = _GUARANTEE_YEARS if stated.guarantee_25_years else 0.0
    numbers = pl.col("home_id").rle_id().cast(pl.Int64)
    return (
        pl.concat(batches)
        .with_columns(
            home=numbers,
            works_begun=(pl.col("works_begun") == "yes").fill_null(False),
            guarantee_years=pl.lit(guarantee),
        )
        .with_columns(place=pl.int_range(pl.len()).over("home"))
    )


def build(options: pl.DataFrame, asked: Asked, base: Basis) -> Case:
    """The allocation problem of these options and funds.

    Raises SettingsError for two funds of one name, or a fund that lacks what its rules need.
    """
    several, means = asked.funds, asked.means
    names = [fund.name for fund in several]
    if twice := [name for name in names if names.count(name) > 1]:
        raise SettingsError(f"Two fund files say name = '{twice[0]}'. Name each fund once.")
    years = _years(several, means)
    home, place = options["home"].to_numpy(), options["place"].to_numpy()
    row = np.full((int(home.max()) + 1, int(place.max()) + 1), -1)
    row[home, place] = np.arange(options.height)
    cost, worth = (_spread(options[name], row) for name in ("cost_gbp", "worth"))
    decided = [funds.verdicts(options, fund) for fund in several]
    made = []
    for fund, verdict in zip(several, decided, strict=True):
        allowed = np.zeros(row.shape, np.bool_)
        allowed[home, place] = verdict["verdict"].is_in(["pass", "infill"]).to_numpy()
        infill = np.zeros(row.shape[0], np.bool_)
        infill[home[(verdict["verdict"] == "infill").to_numpy()]] = True
        made.append(offers.Offer(fund, _worth_having(allowed, worth), infill))
    first = options.filter(pl.col("place") == 0)
    lot = first["lot"].rank("dense").fill_null(0).cast(pl.Int64).to_numpy() - 1
    facts = offers.Homes(
        lot,
        (first["low_income"] == "yes").fill_null(False).to_numpy(),
        first["epc_band"].is_in(["A", "B", "C"]).fill_null(True).to_numpy(),
    )
    weights = tuple(year_weights(base.reference, len(years)).tolist())
    programme = offers.Programme(years, weights, means)
    problem = offers.problem(cost, worth, facts, made, programme)
    by_home = tuple(_by_home(options, verdict) for verdict in decided)
    return Case(several, years, options, row, by_home, problem)


def _years(several: Sequence[Fund], means: Means) -> tuple[int, ...]:
    named = [int(year) for year in (*means.own_budget_gbp, *means.capacity_homes)]
    opens = min(fund.opens.year for fund in several)
    closes = max(fund.closes.year for fund in several)
    outside = sorted(year for year in named if not opens <= year <= closes)
    if outside:
        raise SettingsError(
            f"The landlord's means name {outside[0]}, but the funds are open from {opens} to"
            f" {closes}. Give means for those years."
        )
    return tuple(range(opens, closes + 1))


def _spread(column: pl.Series, row: Ints) -> Floats:
    return np.where(row >= 0, column.to_numpy()[np.maximum(row, 0)], np.nan)


def _worth_having(allowed: Bools, worth: Floats) -> Bools:
    """The allowed options that no cheaper allowed option of the home equals in worth."""
    held = np.where(allowed, worth, -np.inf)
    before = np.maximum.accumulate(np.pad(held, ((0, 0), (1, 0)), constant_values=-np.inf), axis=1)
    return np.asarray(allowed & (held > before[:, :-1]))


def _by_home(options: pl.DataFrame, verdict: pl.DataFrame) -> pl.DataFrame:
    """The best verdict of each home over its options, with rule and code."""
    order = pl.col("verdict").replace_strict(ORDER, return_dtype=pl.Int64)
    return (
        verdict.with_columns(home=options["home"], order=order)
        .sort("home", "order", maintain_order=True)
        .unique("home", keep="first", maintain_order=True)
        .drop("home", "order")
    )
