"""All options of one home side by side, and two of them apart by name.

`chosen` is the option of the run: least cost per lifetime tonne. `greatest_net_present_value` is
another question's answer, and often a thicker board. Both are of those that may be had.
"""

from typing import Any

import numpy as np
import polars as pl

from pipeline import assess, homes
from pipeline.assess import Basis
from pipeline.columns import dictionary
from pipeline.physics import degree_days, optimum

SHOWN = (
    "system_label", "thickness_mm", "u_after_w_m2k", "fuel_saved_kwh_per_year",
    "expected_fuel_saved_kwh_per_year", "bill_saved_gbp_per_year", "cost_gbp", "cost_low_gbp",
    "cost_high_gbp", "simple_payback_years", "cost_per_lifetime_tonne_gbp",
    "net_present_value_gbp", "pays_back_in_time", "verdict",
)  # fmt: skip
CHOSEN, ALLOWED = "chosen", "may be had"
CHOSEN_FOR, GREATEST_FOR = "least cost per lifetime tonne", "greatest net present value"
"""What sets apart the options of `chosen` and of `greatest_net_present_value`, in words."""


def options(home: dict[str, Any], base: Basis) -> pl.DataFrame:
    """One row per system and stocked thickness with the home's figures, in the catalogue's order.

    home: a row of the ranking, ranked or not. Beside the columns of a ranking: system_label,
    build_up_mm, pays_back_in_time (modelled simple payback within works.payback_most_years) and
    verdict: why the option is out, else whether it is the one chosen or may be had.
    """
    prepared = _prepared(home, base)
    every = base.options.select(*assess.CHOICE, "system_label", "build_up_mm", "non_combustible")
    beside = prepared.join(every, how="cross", maintain_order="left_right")
    found = assess.figures(beside.with_columns(reason=pl.lit(None, pl.String)), base)
    works = base.settings.works
    chosen = pl.lit(home["system"], pl.String), pl.lit(home["thickness_mm"], pl.Float64)
    same = (pl.col("system") == chosen[0]) & (pl.col("thickness_mm") == chosen[1])
    verdict = pl.coalesce(
        pl.format("home is out: {}", "excluded"),
        *(pl.when(bites).then(pl.lit(why)) for why, bites in assess.bars(works).items()),
        pl.when(pl.col("heat_saved_kwh_per_year") <= 0.0).then(pl.lit("saves nothing")),
        pl.when(same).then(pl.lit(CHOSEN)),
        pl.lit(ALLOWED),
    )
    return found.with_columns(
        verdict=verdict,
        pays_back_in_time=pl.col("simple_payback_years") <= works.payback_most_years,
    )


def may_be_had(compared: pl.DataFrame) -> pl.DataFrame:
    """The options of `options` that nothing bars, the chosen one among them."""
    return compared.filter(pl.col("verdict").is_in([CHOSEN, ALLOWED]))


def chosen(compared: pl.DataFrame) -> pl.DataFrame:
    """The one row of `options` that the run chose for the home, for CHOSEN_FOR; or none."""
    return compared.filter(pl.col("verdict") == CHOSEN)


def greatest_net_present_value(compared: pl.DataFrame) -> pl.DataFrame:
    """The one row of `options` of GREATEST_FOR among those that may be had; or none."""
    worth = pl.col("net_present_value_gbp")
    return may_be_had(compared).sort(worth, descending=True, maintain_order=True).head(1)


def _prepared(home: dict[str, Any], base: Basis) -> pl.DataFrame:
    schema = {name: type_ for name, type_ in _schema(home).items() if name not in assess.ADDED}
    bare = pl.DataFrame([{name: home[name] for name in schema}], schema=schema)
    return assess.prepare(homes.with_energy_today(bare, base.reference, base.settings), base)


def _schema(home: dict[str, Any]) -> dict[str, Any]:
    """Types of a ranking row whose empty cells would otherwise have none."""
    known = {column.name: column.polars_dtype for column in dictionary().values()}
    return {name: known.get(name, pl.DataFrame([{name: home[name]}]).schema[name]) for name in home}


_OPTIMA = {
    "system_label": pl.String, "optimum_mm": pl.Float64, "stocked_mm": pl.Float64,
    "u_after_w_m2k": pl.Float64, "net_present_value_gbp": pl.Float64,
}  # fmt: skip


def optima(compared: pl.DataFrame, base: Basis) -> pl.DataFrame:
    """For each system that may be had the thickness of greatest net present value.

    compared: as `options` returns it. Columns: system_label, optimum_mm (closed form, plane wall
    without junctions and fixings, the worth of a kWh at the margin of the last option),
    stocked_mm (greatest net present value of those stocked that may be had, reckoned in full) and
    its net_present_value_gbp and u_after_w_m2k. optimum_mm is null where fewer than two
    thicknesses are stocked.
    """
    finish = base.reference.constant("finish_resistance")
    rows = []
    for part in compared.partition_by("system", maintain_order=True):
        most = greatest_net_present_value(part)
        if not most.height:
            continue
        best = most.row(0, named=True)
        thin, thick = part.row(0, named=True), part.row(-1, named=True)
        step = (thick["thickness_mm"] - thin["thickness_mm"]) * 0.001
        optimum_m = None
        if step > 0.0:
            optimum_m = float(
                optimum.thickness(
                    _worth_of_u(best, base),
                    1.0 / best["u_existing_w_m2k"] + finish,
                    best["lambda_w_mk"],
                    (thick["cost_gbp"] - thin["cost_gbp"]) / step,
                )
            )
        rows.append(
            {
                "system_label": best["system_label"],
                "optimum_mm": None if optimum_m is None else optimum_m * 1000.0,
                "stocked_mm": best["thickness_mm"],
                "u_after_w_m2k": best["u_after_w_m2k"],
                "net_present_value_gbp": best["net_present_value_gbp"],
            }
        )
    return pl.DataFrame(rows, schema=_OPTIMA)


def _worth_of_u(row: dict[str, Any], base: Basis) -> float:
    """Present value of one W/m2K less over the treated wall [GBP], at the margin of this option.

    The year's heat falls faster than in proportion to the heat loss, as the balance point moves:
    the slope of demand is taken over one W/K on either side.
    """
    after = row["heat_loss_before_w_k"] - row["heat_loss_reduction_w_k"]
    loss = np.array([[after - 1.0, after + 1.0]])
    days = homes.seasonal(base.year, pl.DataFrame([row]), loss)
    heat = degree_days.heat_demand(loss, days)[0]
    per_w_k = float(heat[1] - heat[0]) / 2.0
    fuel = per_w_k / row["efficiency"]
    worth = row["price_gbp_per_kwh"] * base.worth.annuity + row["carbon_pv_gbp_per_kwh"]
    return float(fuel * worth * row["treated_wall_area_m2"])
