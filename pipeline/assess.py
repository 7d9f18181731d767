"""Homes and options in, each home's best option with its savings, cost and lifetime worth out.

Homes are taken in batches. Within a batch bounds show which options could be a home's best; those
are reckoned exactly, and only the best of each home is kept. What-if uses the same functions with
another option or settings.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline import homes as stock_homes
from pipeline import junction_effects, moisture_cases
from pipeline.appraisal import Worth, worth
from pipeline.columns import by_role
from pipeline.junction_catalogue import PLACES, Effect
from pipeline.options import catalogue, costs, rates, screens
from pipeline.physics import Floats, Mask, Whole, convex, degree_days, dwelling, wall
from pipeline.reference import Reference
from pipeline.settings import Settings, Works

_BATCH = 8192
CHOICE = (
    "system", "thickness_mm", "lambda_w_mk", "r_insulation_m2k_w", "delta_u_w_m2k", "bypass_w_m2k",
)  # fmt: skip
"""Columns of an option that `choose` puts beside a home and `figures` needs."""
ADDED = tuple(column.name for column in by_role("result", "screen"))
"""Columns a ranking adds to a home; drop them to assess the home again."""


@dataclass(frozen=True)
class Basis:
    """Everything an assessment rests on besides the homes, worked out once per run.

    price: what each option costs per unit of every driver, [driver, option] GBP.
    """

    settings: Settings
    reference: Reference
    book: rates.RateBook
    options: pl.DataFrame
    price: Floats
    year: stock_homes.Season
    worth: Worth
    built: dict[str, str]
    junctions: Effect

    @property
    def pricing(self) -> costs.Pricing:
        """What prices rest on."""
        return costs.Pricing(self.reference, self.book, self.settings.cost, self.built)


def basis(reference: Reference, settings: Settings, book: rates.RateBook) -> Basis:
    """Options with their prices, climate and worth under the settings.

    Raises SettingsError for a rate that an allowed option needs and the book lacks.
    """
    table = catalogue.options(reference, settings)
    built = junction_effects.variants(settings.details)
    rates.check_items(book, reference)
    pricing = costs.Pricing(reference, book, settings.cost, built)
    return Basis(
        settings,
        reference,
        book,
        table,
        costs.per_driver(pricing, table),
        stock_homes.season(reference, settings),
        worth(reference, settings),
        built,
        junction_effects.effect(built, table),
    )


def today(ranking: pl.DataFrame, base: Basis) -> pl.DataFrame:
    """The homes of a ranking as they were before it, with energy today, to be assessed again."""
    bare = ranking.drop(ADDED, strict=False)
    return stock_homes.with_energy_today(bare, base.reference, base.settings)


def prepare(homes: pl.DataFrame, base: Basis) -> pl.DataFrame:
    """Screens, drivers of cost and junction wall beside each home, for `choose` and `figures`."""
    return (
        homes.pipe(screens.screen, base.settings, base.reference)
        .pipe(costs.with_drivers, base.pricing)
        .pipe(junction_effects.with_wall, base.reference)
    )


def assess(homes: pl.DataFrame, base: Basis) -> Iterator[pl.DataFrame]:
    """Yield batches of homes with their best option and its figures, in the order given.

    homes: as `pipeline.homes.describe` returns them. A home without an option has a reason.
    """
    for batch in homes.iter_slices(_BATCH):
        found = figures(choose(prepare(batch, base), base), base)
        yield screens.settle(found, base.settings, base.reference)


def choose(homes: pl.DataFrame, base: Basis) -> pl.DataFrame:
    """Each home's option that reaches the target U at least cost per tonne, or why there is none.

    Adds the columns CHOICE and reason.
    """
    chosen = np.full(homes.height, -1)
    lowest = np.full(homes.height, np.nan)
    table = base.options.with_row_index("option")
    for rows, may, psi_saved in _classes(homes, base):
        if may.size:
            chosen[rows], lowest[rows] = _best(homes[rows], may, psi_saved, base)
    target = base.settings.works.target_u_w_m2k
    found = pl.Series("option", chosen)
    reach = pl.Series(lowest).fill_nan(None).round(3).cast(pl.String)
    short = pl.format(
        "no allowed thickness reaches {}: the least U-value is {}", pl.lit(target), reach
    )
    no_option = pl.lit("no option is allowed by the settings, the height or the clearance")
    taken_back = pl.when(pl.Series(lowest) <= target).then(
        pl.lit("junctions take back what the wall saves: better details are needed")
    )
    why = pl.coalesce(taken_back, short, no_option)
    return (
        homes.with_columns(found)
        .join(
            table.select(pl.col("option").cast(pl.Int64), *CHOICE),
            on="option",
            how="left",
            maintain_order="left",
        )
        .with_columns(
            reason=pl.coalesce(
                "excluded",
                pl.when(pl.col("option") < 0).then(why),
            )
        )
        .drop("option")
    )


def bars(works: Works) -> dict[str, pl.Expr]:
    """Why the option beside a home may not be had, in words, and when; null is no bar.

    The row: an option's build_up_mm and non_combustible, with `figures`.
    """
    target = works.target_u_w_m2k
    return {
        "combustible: not at this height": pl.col("needs_non_combustible")
        & ~pl.col("non_combustible"),
        "no room for its build-up": pl.col("build_up_mm") > pl.col("clearance_mm"),
        f"misses the target of {target:g} W/m2K": pl.col("u_after_w_m2k") > target,
    }


def efficient(homes: pl.DataFrame, base: Basis) -> Iterator[pl.DataFrame]:
    """Yield batches of homes beside every option worth having, one row for each, with figures.

    homes: as `assess` takes them; a home that is excluded or has no option has no row. Worth
    having is an option that reaches the target U and that no other beats in cost and in fall of
    the heat loss. Rows of a home follow each other, cheapest first.
    """
    choices = base.options.select(CHOICE)
    for batch in homes.iter_slices(_BATCH // 4):
        members = prepare(batch, base).filter(pl.col("excluded").is_null())
        cost, reduction = costs.of_homes(members, base.price), _reductions(members, base)
        order = np.argsort(cost, axis=1, kind="stable")
        rising = np.take_along_axis(reduction, order, axis=1)
        before = np.maximum.accumulate(np.pad(rising, ((0, 0), (1, 0)))[:, :-1], axis=1)
        home, place = np.nonzero(rising > before)
        beside = pl.concat([members[home], choices[order[home, place]]], how="horizontal")
        worked = figures(beside.with_columns(reason=pl.lit(None, pl.String)), base)
        saving = worked.filter(pl.col("heat_saved_kwh_per_year") > 0.0)
        yield screens.settle(saving, base.settings, base.reference)


def _reductions(homes: pl.DataFrame, base: Basis) -> Floats:
    """Fall of the heat loss [home, option] W/K; 0 for an option that is not allowed."""
    found = np.zeros((homes.height, base.options.height))
    for rows, may, psi_saved in _classes(homes, base):
        after, fits, reduction = _works(homes[rows], may, psi_saved, base)
        allowed = fits & (after <= base.settings.works.target_u_w_m2k)
        found[np.ix_(rows, may)] = np.where(allowed, reduction, 0.0)
    return found


def _classes(homes: pl.DataFrame, base: Basis) -> Iterator[tuple[Whole, Whole, Floats]]:
    """Homes no screen excludes, by the rule on combustible systems and by junction wall.

    Yields the rows of the homes, the options that rule allows them by index, and what the wall's
    junctions save with those [junction, option] W/mK.
    """
    tall = homes["needs_non_combustible"].to_numpy()
    wall_index = junction_effects.walls(homes, base.junctions)
    excluded = homes["excluded"].is_not_null().to_numpy()
    non_combustible = base.options["non_combustible"].to_numpy()
    for index in np.unique(wall_index):
        psi_saved = base.junctions.psi_saved[index] * float(index >= 0)
        for may_burn in (True, False):
            rows = np.flatnonzero((wall_index == index) & (tall != may_burn) & ~excluded)
            if rows.size:
                may = np.flatnonzero(non_combustible | may_burn)
                yield rows, may, psi_saved[:, may]


def _works(
    homes: pl.DataFrame, may: Whole, psi_saved: Floats, base: Basis
) -> tuple[Floats, Mask, Floats]:
    """U after [W/m2K], whether the clearance has room, and fall of the heat loss [W/K].

    homes, may and psi_saved as `_classes` yields them; each result [home, option].
    """
    u_existing, area, bridging = (
        homes[name].to_numpy()[:, None]
        for name in ("u_existing_w_m2k", "treated_wall_area_m2", "bridging_heat_loss_w_k")
    )
    r, delta_u, bypass, build_up = (
        base.options[name].to_numpy()[None, may]
        for name in ("r_insulation_m2k_w", "delta_u_w_m2k", "bypass_w_m2k", "build_up_mm")
    )
    finish = base.reference.constant("finish_resistance")
    after = np.asarray(wall.u_after(u_existing, r, finish, delta_u, bypass))
    fits = build_up <= homes["clearance_mm"].fill_null(np.inf).to_numpy()[:, None]
    plane = dwelling.heat_loss_reduction(u_existing, after, area)
    junctions = junction_effects.lengths(homes) @ psi_saved
    return after, fits, np.asarray(plane + np.minimum(junctions, bridging))


def _best(homes: pl.DataFrame, may: Whole, psi_saved: Floats, base: Basis) -> tuple[Whole, Floats]:
    """Index of the best option of each home (-1 where none reaches) and the least U of any."""
    after, fits, reduction = _works(homes, may, psi_saved, base)
    heat_loss = homes["heat_loss_before_w_k"].to_numpy()[:, None] - reduction
    allowed = fits & (after <= base.settings.works.target_u_w_m2k)
    price = costs.of_homes(homes, base.price[:, may])
    ratio = _ratios(homes, heat_loss, price, allowed, base)
    index = may[ratio.argmin(axis=1)]
    least_u = np.where(fits.any(axis=1), np.where(fits, after, np.inf).min(axis=1), np.nan)
    return np.where(np.isfinite(ratio).any(axis=1), index, -1), least_u


def _ratios(
    homes: pl.DataFrame, heat_loss: Floats, price: Floats, allowed: Mask, base: Basis
) -> Floats:
    """Price per kWh saved in a year [home, option] where it may be the home's least, else inf.

    What is given is exact. Left out are options not allowed, options that save nothing, and
    options whose price over the most they could save is above another's over the least.
    """
    least, most = _saved_between(homes, heat_loss, allowed, base)
    pessimistic = np.divide(
        price, least, out=np.full(price.shape, np.inf), where=allowed & (least > 0.0)
    )
    may = allowed & (most > 0.0) & (price <= pessimistic.min(axis=1, keepdims=True) * most)
    home, option = np.nonzero(may)
    saved = _saved(homes.select(_HEAT_NUMBERS)[home], heat_loss[home, option], base)
    ratio = np.full(price.shape, np.inf)
    ratio[home, option] = np.divide(
        price[home, option], saved, out=np.full(saved.shape, np.inf), where=saved > 0.0
    )
    return ratio


_HEAT_NUMBERS = (
    "region_id", "solar_aperture_m2", "internal_gains_w", "heat_before_kwh_per_year",
)  # fmt: skip
_NODES = 0.5 - 0.5 * np.cos(np.linspace(0.0, np.pi, 4))
"""Where a home's heat demand is reckoned, of the way from its least heat loss to its most."""
_ROUNDING = 1e-9
"""Share of the heat demand by which bounds are widened, ten thousand times what rounding does."""


def _saved_between(
    homes: pl.DataFrame, heat_loss: Floats, allowed: Mask, base: Basis
) -> tuple[Floats, Floats]:
    """The least and the most heat that each allowed option could save [home, option] kWh/year.

    Heat demand is convex in the heat loss H [W/K]: a month's is H f(T_i - G/H - T_o) with f convex
    (Hitchin's degree-days), the perspective of a convex function in G (Boyd and Vandenberghe,
    Convex Optimization, 2004, section 3.2.6); with a fixed base it is a straight line.
    """
    low = heat_loss.min(axis=1, where=allowed, initial=heat_loss.max())
    high = heat_loss.max(axis=1, where=allowed, initial=heat_loss.min())
    width = np.maximum(high - low, 1e-6 * low)
    nodes = low[:, None] + width[:, None] * _NODES
    at_nodes = _saved(homes, nodes, base)
    slack = _ROUNDING * homes["heat_before_kwh_per_year"].to_numpy()[:, None]
    least, most = convex.bounds(nodes, -at_nodes, heat_loss)
    return -most - slack, -least + slack


def _saved(homes: pl.DataFrame, heat_loss: Floats, base: Basis) -> Floats:
    """Heat saved where a home's heat loss falls to heat_loss, [home] or [home, ...] kWh/year."""
    before = homes["heat_before_kwh_per_year"].to_numpy()
    days = stock_homes.seasonal(base.year, homes, heat_loss)
    demand = degree_days.heat_demand(heat_loss, days)
    return np.asarray(before.reshape(-1, *(1,) * (heat_loss.ndim - 1)) - demand)


def figures(homes: pl.DataFrame, base: Basis) -> pl.DataFrame:
    """Savings, cost and lifetime worth of the option beside each home; null where there is none.

    homes: prepared, with the columns CHOICE.
    """
    finish = base.reference.constant("finish_resistance")
    frame = homes.with_columns(
        u_after_w_m2k=wall.u_after(
            pl.col("u_existing_w_m2k"),
            pl.col("r_insulation_m2k_w"),
            finish,
            pl.col("delta_u_w_m2k"),
            pl.col("bypass_w_m2k"),
        )
    ).with_columns(
        plane_heat_loss_reduction_w_k=dwelling.heat_loss_reduction(
            pl.col("u_existing_w_m2k"), pl.col("u_after_w_m2k"), pl.col("treated_wall_area_m2")
        )
    )
    frame = frame.pipe(_junctions, base)
    heat = {
        name: _heat(frame, frame[column], base)
        for name, column in (("after", "heat_loss_reduction_w_k"), ("bare", "_bare_reduction"))
    }
    days, after = heat["after"]
    frame = frame.with_columns(
        degree_days_after_k_day=days,
        heat_saved_kwh_per_year=pl.col("heat_before_kwh_per_year") - after,
        reveals_worth_kwh_per_year=heat["bare"][1] - after,
    ).drop("_bare_reduction")
    frame = frame.pipe(_moisture, base).join(
        base.worth.by_fuel, on="fuel", how="left", maintain_order="left"
    )
    frame = frame.with_columns(least_thickness_mm=_least_thickness(frame, base))
    return frame.pipe(_savings, base).pipe(costs.with_cost, base.pricing).pipe(_lifetime, base)


def _least_thickness(frame: pl.DataFrame, base: Basis) -> pl.Series:
    """Least stocked thickness of each home's system that reaches the target U [mm], else null."""
    finish = base.reference.constant("finish_resistance")
    target = base.settings.works.target_u_w_m2k
    found = np.full(frame.height, np.nan)
    for spec in catalogue.systems_table(base.reference, base.settings).iter_rows(named=True):
        mine = (frame["system"] == spec["system"]).fill_null(False).to_numpy()
        stocked = base.options.filter(pl.col("system") == spec["system"])["thickness_mm"].sort()
        least = wall.least_thickness(
            1.0 / frame["u_existing_w_m2k"].to_numpy()[mine] + finish,
            target,
            spec["lambda_design_w_mk"],
            catalogue.losses(spec, base.reference),
        )
        steps = np.append(stocked.to_numpy(), np.nan)
        place = np.searchsorted(steps[:-1], 1000.0 * np.nan_to_num(least, nan=np.inf) - 1e-9)
        found[mine] = steps[place]
    return pl.Series(found).fill_nan(None)


def _heat(frame: pl.DataFrame, reduction: pl.Series, base: Basis) -> tuple[pl.Series, pl.Series]:
    """Degree-days and heat demand of the year after a reduction of the heat loss."""
    after = (frame["heat_loss_before_w_k"] - reduction).to_numpy()
    days = stock_homes.seasonal(base.year, frame, after)
    heat = degree_days.heat_demand(after, days)
    return pl.Series(days).fill_nan(None), pl.Series(heat).fill_nan(None)


def _junctions(frame: pl.DataFrame, base: Basis) -> pl.DataFrame:
    """Junctions' part of the reduction, with bare reveals too, and where mould may grow."""
    own = junction_effects.of_own_option(frame, base.built)
    bare_reveals = {**base.built, **dict.fromkeys(("jamb", "head", "sill"), "bare")}
    bare = junction_effects.of_own_option(frame, bare_reveals)
    plane = pl.col("plane_heat_loss_reduction_w_k")
    junction = pl.col("junction_heat_loss_reduction_w_k")
    least = moisture_cases.constant(base.reference, "f_rsi_least")
    cold = [pl.when(pl.col(f"f_rsi_{name}") < least).then(pl.lit(name)) for name in PLACES]
    factors = [f"f_rsi_{name}" for name in PLACES]
    return (
        frame.hstack(own)
        .with_columns(
            heat_loss_reduction_w_k=plane + junction,
            junctions_take_back=-junction / plane,
            _bare_reduction=plane + bare["junction_heat_loss_reduction_w_k"],
            f_rsi_least=pl.min_horizontal(factors),
            mould_risk_at=pl.concat_str(cold, separator=", ", ignore_nulls=True).replace("", None),
        )
        .drop(factors)
    )


def _moisture(frame: pl.DataFrame, base: Basis) -> pl.DataFrame:
    """Verdict on condensation inside the wall."""
    humidity = base.settings.works.humidity_class
    keys = moisture_cases.distinct(frame, humidity)
    shift = base.settings.climate.temperature_shift_c
    table = moisture_cases.cases(keys, base.reference, shift)
    return moisture_cases.join(frame, table, humidity)


def _savings(frame: pl.DataFrame, base: Basis) -> pl.DataFrame:
    """Modelled and expected savings, apart (MODEL: expected never above what the home uses)."""
    chosen = base.settings.savings
    kept = 1.0 - chosen.comfort_share
    metered = pl.col("metered_heating_kwh_per_year")
    share = pl.col("fuel_saved_kwh_per_year") / pl.col("fuel_before_kwh_per_year")
    unmetered = pl.col("fuel_saved_kwh_per_year") * (1.0 - chosen.in_use_reduction) * kept
    now = pl.coalesce(metered, "fuel_before_kwh_per_year")
    expected = pl.min_horizontal(pl.coalesce(share * metered * kept, unmetered), now)
    return (
        frame.with_columns(
            fuel_saved_kwh_per_year=pl.col("heat_saved_kwh_per_year") / pl.col("efficiency")
        )
        .with_columns(
            expected_fuel_saved_kwh_per_year=pl.when(
                pl.col("fuel_saved_kwh_per_year").is_not_null()
            ).then(expected)
        )
        .with_columns(
            pl.col("fuel_saved_kwh_per_year", "expected_fuel_saved_kwh_per_year")
            .mul(pl.col("reporting_kg_per_kwh"))
            .name.replace("fuel_saved_kwh", "co2_saved_kg"),
            pl.col("fuel_saved_kwh_per_year", "expected_fuel_saved_kwh_per_year")
            .mul(pl.col("price_gbp_per_kwh"))
            .name.replace("fuel_saved_kwh", "bill_saved_gbp"),
            co2_saved_rating_kg_per_year=pl.col("fuel_saved_kwh_per_year")
            * pl.col("rating_kg_per_kwh"),
        )
    )


def _lifetime(frame: pl.DataFrame, base: Basis) -> pl.DataFrame:
    fuel, cost = pl.col("fuel_saved_kwh_per_year"), pl.col("cost_gbp")
    years = float(base.worth.lifetime_years)
    tonnes = fuel * pl.col("lifetime_t_per_kwh")
    return frame.with_columns(
        lifetime_years=pl.when(cost.is_not_null()).then(years),
        co2_saved_lifetime_t=tonnes,
        cost_per_lifetime_tonne_gbp=cost / tonnes,
        cost_per_lifetime_kwh_gbp=cost / (fuel * years),
        bill_saved_pv_gbp=pl.col("bill_saved_gbp_per_year") * base.worth.annuity,
        carbon_value_pv_gbp=fuel * pl.col("carbon_pv_gbp_per_kwh"),
        simple_payback_years=cost / pl.col("bill_saved_gbp_per_year"),
    ).with_columns(
        net_present_value_gbp=pl.col("bill_saved_pv_gbp") + pl.col("carbon_value_pv_gbp") - cost,
        expected_net_present_value_gbp=pl.col("expected_bill_saved_gbp_per_year")
        * base.worth.annuity
        + pl.col("expected_fuel_saved_kwh_per_year") * pl.col("carbon_pv_gbp_per_kwh")
        - cost,
    )
