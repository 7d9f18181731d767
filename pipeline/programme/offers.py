"""From funds and assessed homes to an allocation problem: who may have which option from whom.

The options of the problem are the works options once for each fund, so a home that is funded has
one option from one fund: no cost is paid twice.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import SettingsError
from pipeline.physics import Floats
from pipeline.programme.funds import Fund, Means
from pipeline.programme.solver import rules
from pipeline.programme.solver.rules import Bools, Ints, Problem, Rule


@dataclass(frozen=True)
class Homes:
    """What the rules look at besides cost and value; [homes] each. Unknown never helps a home.

    lot: number of the home's street or block, -1 for none. low_income: known to be. c_now: band C
    or better now, or not known.
    """

    lot: Ints
    low_income: Bools
    c_now: Bools


@dataclass(frozen=True)
class Offer:
    """A fund with its verdicts. allowed: [homes, options]; infill: [homes], only as infill."""

    fund: Fund
    allowed: Bools
    infill: Bools


@dataclass(frozen=True)
class Programme:
    """Years of the programme, the weight of a saving that starts in each, and what there is."""

    years: tuple[int, ...]
    year_weight: tuple[float, ...]
    means: Means


def problem(
    cost: Floats, value: Floats, homes: Homes, offers: Sequence[Offer], programme: Programme
) -> Problem:
    """The allocation problem of these homes and funds.

    cost: [homes, options] in GBP; value: [homes, options] of the objective, NaN where there is
    no such option. Option j of the problem is works option j % options from fund j // options.
    Raises SettingsError for a fund that lacks what its rules need.
    """
    side: list[Rule] = list(_means(programme))
    quantities: dict[str, Floats] = {"homes": np.ones((1, 1))}
    own: list[Floats] = []
    for place, offer in enumerate(offers):
        share = grants(cost, offer.fund)
        own.append(np.round(cost - share, 2))
        names = _quantities(quantities, offer, homes, share, (place, len(offers)))
        side.extend(limits(offer.fund, programme.years, names))
    quantities["own"] = np.concatenate(own, axis=1)
    worth = [np.where(offer.allowed, value, np.nan) for offer in offers]
    whole = any(offer.fund.lot.street_lots == "all_or_none" for offer in offers)
    lots = homes.lot if whole else np.full(homes.lot.size, -1)
    windows = [np.tile(open_years(o.fund, programme.years), (cost.shape[1], 1)) for o in offers]
    return Problem(
        np.concatenate(worth, axis=1),
        _known(quantities),
        tuple(side),
        lots,
        np.asarray(programme.year_weight, dtype=np.float64),
        np.concatenate(windows),
    )


def grants(cost: Floats, fund: Fund) -> Floats:
    """Grant for each cost: the fund's share, up to its limit per home. The rest is co-funding.

    Whole pence, a part of a penny left off: no grant is over its share or its limit.
    """
    most = fund.grant.limit_per_home_gbp
    grant = np.minimum(fund.grant.share_of_cost * cost, np.inf if most is None else most)
    return np.asarray(np.floor(grant * 100.0 + 1e-6) / 100.0)


def open_years(fund: Fund, years: Sequence[int]) -> Bools:
    """[years], whether works may start in the year: the fund's window has a day in it."""
    return np.array([fund.opens.year <= year <= fund.closes.year for year in years], dtype=bool)


def _means(programme: Programme) -> tuple[Rule, ...]:
    """The landlord's own budget and the contractors' capacity, over all funds."""
    money = [programme.means.own_budget_gbp.get(str(y)) for y in programme.years]
    homes = [programme.means.capacity_homes.get(str(y)) for y in programme.years]
    return (
        *rules.each_year("own budget", "money", "own", money, programme.years),
        *rules.each_year("contractor capacity", "homes", "homes", homes, programme.years),
    )


def _quantities(
    quantities: dict[str, Floats], offer: Offer, homes: Homes, share: Floats, at: tuple[int, int]
) -> dict[str, str]:
    """Add the fund's own quantities; returns their names by what they count."""
    options = share.shape[1]
    counts = {
        "grant": share,
        "homes": np.ones((1, options)),
        "infill": np.asarray(offer.infill, dtype=np.float64)[:, None],
        "low_income": np.asarray(homes.low_income, dtype=np.float64)[:, None],
        "c_now": np.asarray(homes.c_now, dtype=np.float64)[:, None],
    }
    names: dict[str, str] = {}
    for what, table in counts.items():
        names[what] = f"{offer.fund.name}: {what}"
        quantities[names[what]] = _placed(table, options, at)
    return names


def _placed(table: Floats, options: int, at: tuple[int, int]) -> Floats:
    """The table in the columns of its fund, 0 in those of other funds."""
    place, funds = at
    if funds == 1:
        return table
    wide = np.zeros((table.shape[0], funds * options))
    wide[:, place * options : (place + 1) * options] = table
    return wide


def _known(quantities: dict[str, Floats]) -> dict[str, Floats]:
    """Costs of options that do not exist may be missing; such options are not allowed anyway."""
    return {name: np.nan_to_num(table, nan=0.0) for name, table in quantities.items()}


def limits(fund: Fund, years: tuple[int, ...], names: dict[str, str]) -> tuple[Rule, ...]:
    """The fund's rules on its homes together.

    names: the problem's quantities of this fund: grant, homes, infill, low_income and c_now. A
    year in which the fund is open must have a budget, 0 for none.
    """
    name, n = fund.name, len(years)
    open_in = open_years(fund, years)
    absent = [str(y) for y, is_open in zip(years, open_in, strict=True) if is_open]
    absent = [y for y in absent if y not in fund.budget_gbp]
    if absent:
        raise SettingsError(
            f"Fund '{name}' is open in {', '.join(absent)} but its budget_gbp has no such year."
            " Give an amount, 0 for none."
        )
    budget = [fund.budget_gbp.get(str(y)) for y in years]
    capacity = [fund.capacity_homes.get(str(y)) for y in years]
    found = [
        *rules.each_year(f"{name}: budget", "money", names["grant"], budget, years),
        *rules.each_year(f"{name}: capacity", "homes", names["homes"], capacity, years),
        *_shares(fund, names, n),
    ]
    cap = fund.grant.average_per_home_at_most_gbp
    if cap is not None:
        title = f"{name}: average grant"
        found.append(rules.average_at_most(title, names["grant"], names["homes"], cap, n))
    if fund.lot.homes_at_least:
        least = float(fund.lot.homes_at_least)
        found.append(rules.at_least(f"{name}: least homes", "homes", names["homes"], least, n))
    return tuple(rules.of_fund(rule, name, fund.version) for rule in found)


def _shares(fund: Fund, names: dict[str, str], years: int) -> list[Rule]:
    """Shares of the fund's homes: infill, low income, and band C or better now."""
    lot = fund.lot
    asked: list[tuple[str, rules.Sense, str, float | None]] = [
        ("infill share", "at_most", "infill", lot.infill_share_at_most),
        ("low-income share", "at_least", "low_income", lot.low_income_share_at_least or None),
        ("C or better now", "at_most", "c_now", lot.c_or_better_now_share_at_most),
    ]
    return [
        rules.share(f"{fund.name}: {title}", sense, (names[part], names["homes"]), limit, years)
        for title, sense, part, limit in asked
        if limit is not None
    ]
