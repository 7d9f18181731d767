"""One home's calculation as a hand calculation: every step with formula, values, unit, source.

The steps are reckoned here with plain floats from the home's stored inputs, through the same
relations as the run; the last column of `check` says how far they are from the stored figures.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl

from pipeline import junction_catalogue, junction_effects, wall_build_ups
from pipeline.assess import Basis
from pipeline.homes import ELEMENTS
from pipeline.options import catalogue
from pipeline.physics import degree_days, dwelling, wall
from pipeline.reference import MONTHS
from pipeline.treated_walls import WALLS

CAUTION = (
    "A screening calculation. It approves nothing: fire, damp, structure, asbestos, electricity"
    " and work at height need a survey and licensed people under local codes."
)


@dataclass(frozen=True)
class Step:
    """One line of the sheet. `column` names the stored figure the value must match, if any."""

    part: str
    what: str
    formula: str
    working: str
    value: float
    unit: str
    source: str
    column: str = ""


def sheet(home: dict[str, Any], base: Basis) -> list[Step]:
    """Steps for one ranking row; those after the heat loss only where an option was chosen."""
    steps = [*_heat_loss(home, base), *_energy(home, base, after=False)]
    if home["system"] is not None:
        steps += [*_after(home, base), *_energy(home, base, after=True)]
        steps += [*_savings(home, base), *_money(home, base), *_lifetime(home, base)]
    return steps


def furthest(home: dict[str, Any], steps: list[Step]) -> float:
    """Largest relative distance between a step and the stored figure it must match."""
    pairs = [(step.value, home[step.column]) for step in steps if step.column]
    return float(max(abs(a - b) / max(abs(b), 1e-12) for a, b in pairs))


def show(value: float) -> str:
    """A figure as the sheet prints it: seven significant digits."""
    return f"{value:.7g}"


def _heat_loss(home: dict[str, Any], base: Basis) -> list[Step]:
    part, constant = "Heat loss today", base.reference.constant
    steps = [*_wall_today(home, base), *_treated_walls(home)]
    if home["measured_htc_w_k"] is not None:
        value = home["heat_loss_before_w_k"]
        said = "measured for the whole home; replaces the sum of elements"
        return [*steps, Step(part, "Heat transfer coefficient", "H", said, value, "W/K",
                             home["heat_loss_source"], "heat_loss_before_w_k")]  # fmt: skip
    total, exposed = 0.0, 0.0
    for u, area in ELEMENTS:
        product = home[u] * home[area]
        total, exposed = total + product, exposed + home[area]
        if home[area] > 0:
            name = area.removesuffix("_m2").replace("_", " ")
            steps.append(
                Step(part, f"Loss through {name}", "U A",
                     f"{show(home[u])} x {show(home[area])}", product, "W/K", "BS EN ISO 13789")
            )  # fmt: skip
    bridging = home["bridging_y_w_m2k"] * exposed
    air = dwelling.ventilation_heat_loss(
        home["air_changes_per_hour"], home["volume_m3"], constant("air_heat_capacity")
    )
    steps += [
        Step(part, "Thermal bridging", "y ΣA",
             f"{show(home['bridging_y_w_m2k'])} x {show(exposed)}", bridging, "W/K",
             "SAP 2012 App. S Table S13 (memory)"),
        Step(part, "Ventilation", "0.33 n V",
             f"{show(constant('air_heat_capacity'))} x {show(home['air_changes_per_hour'])}"
             f" x {show(home['volume_m3'])}", air, "W/K", "heat capacity of air; n own assumption"),
        Step(part, "Heat transfer coefficient", "H = ΣUA + yΣA + 0.33nV",
             f"{show(total)} + {show(bridging)} + {show(air)}", total + bridging + air, "W/K",
             "BS EN ISO 13789", "heat_loss_before_w_k"),
    ]  # fmt: skip
    return steps


def _wall_today(home: dict[str, Any], base: Basis) -> list[Step]:
    """U of the wall: as the list or a default gives it, or by the layers of its build-up."""
    part, source, name = "Heat loss today", home["u_value_source"], home["wall_build_up"]
    if name is None or source != f"build-up {name}":
        u = home["u_existing_w_m2k"]
        return [Step(part, "U of the wall today", "U", source, u, "W/m2K", source)]
    found = wall_build_ups.layered(name, base.settings.walls[name], base.reference)
    layers = ", ".join(
        f"{layer} {show(plain)}" + (f" ({share:.3g} of it {show(bridge)})" if share else "")
        for layer, plain, share, bridge in found.layers
    )
    limits = f"R_si {found.r_inside:g}, {layers}, R_se {found.r_outside:g}"
    standard = "BS EN ISO 6946:2017, 6.7.2, combined method"
    return [
        Step(part, "Upper limit of the wall's resistance", "1/Σ(f_k/R_k), paths k", limits,
             found.upper, "m2K/W", standard),
        Step(part, "Lower limit of the wall's resistance", "Σ_j 1/Σ(f_k/R_jk), layers j", limits,
             found.lower, "m2K/W", standard),
        Step(part, "U of the wall today", "2/(R_upper + R_lower)",
             f"2/({show(found.upper)} + {show(found.lower)})", found.u_value, "W/m2K", source,
             "u_existing_w_m2k"),
    ]  # fmt: skip


def _treated_walls(home: dict[str, Any]) -> list[Step]:
    """Area of the walls that may be treated, where some may not."""
    if home["walls_refused"] in (None, "none"):
        return []
    areas = [home[f"{w}_wall_area_m2"] for w in WALLS if w not in home["walls_refused"]]
    refused = home["walls_refused"].replace("_", " and ")
    return [
        Step("Heat loss today", f"Treated walls, {refused} refused", "ΣA of the others",
             " + ".join(show(area) for area in areas) or "0", sum(areas, 0.0), "m2",
             home["wall_parts_source"], "treated_wall_area_m2")
    ]  # fmt: skip


def _energy(home: dict[str, Any], base: Basis, after: bool) -> list[Step]:
    year, climate = base.year, base.settings.climate
    part = "Heat demand after works" if after else "Heat demand today"
    loss = home["heat_loss_before_w_k"] - (home["heat_loss_reduction_w_k"] if after else 0.0)
    region, steps, total = int(home["region_id"]), [], 0.0
    for i, month in enumerate(year.months):
        outside = float(year.outside[region, i])
        gains = home["internal_gains_w"] + home["solar_aperture_m2"] * float(
            year.irradiance[region, i]
        )
        base_c = climate.fixed_base_c
        if climate.method == "balance_point":
            base_c = float(
                degree_days.balance_point(climate.internal_temperature_c, np.array(gains), loss)
            )
        days = float(degree_days.hitchin(np.array(base_c - outside), year.days[i], year.hitchin_k))
        total += days
        steps.append(
            Step(part, f"Degree-days {MONTHS[month - 1]}",
                 "T_b = T_i - G/H; DD = N x/(1-exp(-k x)), x = T_b - T_e",
                 f"G = {show(gains)} W, T_b = {show(base_c)} degC, T_e = {show(outside)} degC,"
                 f" N = {year.days[i]:.0f}, k = {year.hitchin_k:g}",
                 days, "K·day", "CIBSE TM41:2006; climate SAP 2012 App. U (memory)")
        )  # fmt: skip
    side = "after" if after else "before"
    heat = degree_days.heat_demand(loss, total)
    steps += [
        Step(part, "Degree-days of the year", "ΣDD", f"{len(year.months)} months", total, "K·day",
             "CIBSE TM41:2006", f"degree_days_{side}_k_day"),
        Step(part, "Heat demand", "Q = 0.024 H ΣDD", f"0.024 x {show(loss)} x {show(total)}", heat,
             "kWh/year", "CIBSE TM41:2006", "" if after else "heat_before_kwh_per_year"),
    ]  # fmt: skip
    return steps


def _after(home: dict[str, Any], base: Basis) -> list[Step]:
    part, finish = "The wall after works", base.reference.constant("finish_resistance")
    system = base.reference.table("insulation_systems").filter(pl.col("system") == home["system"])
    spec = system.to_dicts()[0]
    resistance = wall.layer_resistance(home["thickness_mm"] * 0.001, spec["lambda_design_w_mk"])
    fixings, corrections = _corrections(home, base, spec, resistance)
    after = wall.u_after(home["u_existing_w_m2k"], resistance, finish, fixings)
    fall = dwelling.heat_loss_reduction(
        home["u_existing_w_m2k"], after, home["treated_wall_area_m2"]
    )
    junctions, gained = _junctions(home, base)
    mark = f"({spec['checked']})"
    return [
        Step(part, f"Resistance of {spec['label']}", "R = d/λ",
             f"{home['thickness_mm'] / 1000:g} / {spec['lambda_design_w_mk']:g}", resistance,
             "m2K/W", f"BS EN ISO 6946:2017; λ generic {mark}"),
        *corrections,
        Step(part, "U of the wall after", "U' = 1/(1/U + R + R_finish) + ΔU",
             f"1/(1/{show(home['u_existing_w_m2k'])} + {show(resistance)} + {show(finish)})"
             f" + {show(fixings)}", after, "W/m2K", "BS EN ISO 6946:2017", "u_after_w_m2k"),
        Step(part, "Fall through the plane wall", "(U - U') A",
             f"({show(home['u_existing_w_m2k'])} - {show(after)})"
             f" x {show(home['treated_wall_area_m2'])}", fall, "W/K", "BS EN ISO 13789",
             "plane_heat_loss_reduction_w_k"),
        _least(home, base, spec),
        *junctions,
        Step(part, "At all junctions, not above the bridging loss today",
             "min(Σ(ψ - ψ') L, y ΣA)", f"min(sum above, {show(home['bridging_heat_loss_w_k'])})",
             gained, "W/K", "BS EN ISO 10211; cap own rule", "junction_heat_loss_reduction_w_k"),
        Step(part, "Fall of the heat transfer coefficient", "ΔH = (U - U') A + junctions",
             f"{show(fall)} + {show(gained)}", fall + gained, "W/K", "BS EN ISO 13789",
             "heat_loss_reduction_w_k"),
    ]  # fmt: skip


def _corrections(
    home: dict[str, Any], base: Basis, spec: dict[str, Any], resistance: float
) -> tuple[float, list[Step]]:
    """What fixings and air voids add to U, and the steps that say so."""
    part, mark = "The wall after works", f"({spec['checked']})"
    total, voids, pierced = catalogue.losses(spec, base.reference)
    steps = []
    if spec["chi_w_k"] is not None:
        steps.append(
            Step(part, "Fixings", "ΔU = n χ", f"{spec['fixings_per_m2']:g} x {spec['chi_w_k']:g}",
                 total, "W/m2K", f"BS EN ISO 10211 route; χ generic {mark}")
        )  # fmt: skip
    bypass = voids + pierced / (home["thickness_mm"] * 0.001)
    if bypass > 0.0:
        finish = base.reference.constant("finish_resistance")
        r_total = 1.0 / home["u_existing_w_m2k"] + resistance + finish
        added = wall.bypass_correction(bypass, resistance, r_total)
        total += added
        steps.append(
            Step(part, "Fixings without declared χ, and air voids",
                 "ΔU = (ΔU'' + α λ_f A_f n / d) (R/R_T)²",
                 f"({show(voids)} + {show(pierced)} / {home['thickness_mm'] / 1000:g})"
                 f" x ({show(resistance)} / {show(r_total)})²",
                 added, "W/m2K", f"BS EN ISO 6946:2017 Annex F {mark}")
        )  # fmt: skip
    return total, steps


def _least(home: dict[str, Any], base: Basis, spec: dict[str, Any]) -> Step:
    """The least thickness that reaches the target, rounded up to a stocked one."""
    target = base.settings.works.target_u_w_m2k
    rest = 1.0 / home["u_existing_w_m2k"] + base.reference.constant("finish_resistance")
    least = wall.least_thickness(
        rest, target, spec["lambda_design_w_mk"], catalogue.losses(spec, base.reference)
    )
    return Step("The wall after works", f"Least stocked thickness for U = {target:g}",
                "U'(d) = target", f"{show(1000.0 * float(least))} mm, rounded up to stock",
                home["least_thickness_mm"], "mm", "BS EN ISO 6946:2017")  # fmt: skip


def _junctions(home: dict[str, Any], base: Basis) -> tuple[list[Step], float]:
    """Each junction's part of the fall, and their sum; nothing where the table has no such wall."""
    row = junction_effects.with_wall(pl.DataFrame([home]), base.reference)
    wall_name, spec = row["junction_wall"][0], base.reference.table("insulation_systems")
    if wall_name is None:
        return [], 0.0
    lam = spec.filter(pl.col("system") == home["system"])["lambda_design_w_mk"].to_numpy()
    table, thickness = junction_catalogue.load(), np.array([home["thickness_mm"]])
    steps, total = [], 0.0
    for name, variant in base.built.items():
        length = home[f"{name}_length_m"]
        before = table.before[wall_name, name][0]
        after = float(table.after(wall_name, name, variant, thickness, lam)[0][0])
        total += (before - after) * length
        if length > 0.0:
            steps.append(
                Step("The wall after works", f"At the {name}, {variant.replace('_', ' ')}",
                     "(ψ - ψ') L", f"({show(before)} - {show(after)}) x {show(length)}",
                     (before - after) * length, "W/K",
                     f"BS EN ISO 10211, own table, wall {wall_name}")
            )  # fmt: skip
    return steps, min(total, home["bridging_heat_loss_w_k"])


def _cited(rows: pl.DataFrame) -> str:
    """Source and mark of one reference row."""
    return f"{rows['source'][0]} ({rows['checked'][0]})"


def _fuel_worth(home: dict[str, Any], base: Basis) -> dict[str, Any]:
    return base.worth.by_fuel.filter(pl.col("fuel") == home["fuel"]).to_dicts()[0]


def _savings(home: dict[str, Any], base: Basis) -> list[Step]:
    part, worth, chosen = "Savings", _fuel_worth(home, base), base.settings.savings
    after = degree_days.heat_demand(
        home["heat_loss_before_w_k"] - home["heat_loss_reduction_w_k"],
        home["degree_days_after_k_day"],
    )
    heat = home["heat_before_kwh_per_year"] - after
    fuel = heat / home["efficiency"]
    metered, kept = home["metered_heating_kwh_per_year"], 1.0 - chosen.comfort_share
    if metered is None:
        expected = fuel * (1.0 - chosen.in_use_reduction) * kept
        formula, working = (
            "F (1 - in-use) (1 - comfort)",
            (f"{show(fuel)} x (1 - {chosen.in_use_reduction:g}) x (1 - {chosen.comfort_share:g})"),
        )
        now = home["fuel_before_kwh_per_year"]
    else:
        expected = fuel / home["fuel_before_kwh_per_year"] * metered * kept
        formula, working = (
            "F / F_before x metered x (1 - comfort)",
            (
                f"{show(fuel)} / {show(home['fuel_before_kwh_per_year'])} x {show(metered)}"
                f" x (1 - {chosen.comfort_share:g})"
            ),
        )
        now = metered
    factor, price = worth["reporting_kg_per_kwh"], worth["price_gbp_per_kwh"]
    boilers = base.reference.table("heating_systems").filter(pl.col("heating") == home["heating"])
    return [
        Step(part, "Heat saved, modelled", "Q - Q'",
             f"{show(home['heat_before_kwh_per_year'])} - {show(after)}", heat, "kWh/year",
             "standard conditions", "heat_saved_kwh_per_year"),
        Step(part, "Fuel saved, modelled", "F = ΔQ/η", f"{show(heat)} / {home['efficiency']:g}",
             fuel, "kWh/year", _cited(boilers), "fuel_saved_kwh_per_year"),
        Step(part, "CO2 saved, modelled", "F f", f"{show(fuel)} x {factor:g}", fuel * factor,
             "kgCO2e/year", f"{worth['reporting_source']} ({worth['reporting_checked']})",
             "co2_saved_kg_per_year"),
        Step(part, "Bill saved, modelled", "F p", f"{show(fuel)} x {price:g}", fuel * price,
             "GBP/year", f"{worth['price_source']} ({worth['price_checked']})",
             "bill_saved_gbp_per_year"),
        Step(part, "Fuel saved, expected", formula, working, min(expected, now), "kWh/year",
             f"{chosen.in_use_basis}; {chosen.comfort_basis}", "expected_fuel_saved_kwh_per_year"),
    ]  # fmt: skip


def _money(home: dict[str, Any], base: Basis) -> list[Step]:
    part, book, terms = "Cost", base.book, base.terms
    area, thickness = home["treated_wall_area_m2"], home["thickness_mm"]
    fixed = book.rate("system_fixed", home["system"])
    more = book.rate("system_per_10mm", home["system"])
    works = area * (fixed + more * thickness / 10.0 + home["access_gbp_m2"]) + home["enabling_gbp"]
    price = (works * terms.uplift + terms.on_costs_gbp) * terms.vat
    source = f"rate book {book.name}: {book.source('system_fixed', home['system'])}"
    return [
        Step(part, "Works", "A (r_0 + r_1 d/10 + access) + enabling",
             f"{show(area)} x ({fixed:g} + {more:g} x {thickness:g}/10"
             f" + {home['access_gbp_m2']:g}) + {home['enabling_gbp']:g}", works, "GBP", source,
             "works_gbp"),
        Step(part, "Price", "(works x prelims and contingency + on-costs) x VAT",
             f"({show(works)} x {show(terms.uplift)} + {terms.on_costs_gbp:g}) x {terms.vat:g}",
             price, "GBP", f"{source}; VAT: {book.source(terms.vat_item)}", "cost_gbp"),
    ]  # fmt: skip


def _lifetime(home: dict[str, Any], base: Basis) -> list[Step]:
    part, worth, years = "Over the lifetime", _fuel_worth(home, base), base.worth.lifetime_years
    fuel, cost = home["fuel_saved_kwh_per_year"], home["cost_gbp"]
    tonnes = fuel * worth["lifetime_t_per_kwh"]
    bills = home["bill_saved_gbp_per_year"] * base.worth.annuity
    carbon = fuel * worth["carbon_pv_gbp_per_kwh"]
    return [
        Step(part, "Lifetime CO2 saved", "F Σf_y",
             f"{show(fuel)} x {show(worth['lifetime_t_per_kwh'])}, {years} years", tonnes,
             "tCO2e", "appraisal factors: DESNZ long-run marginal for electricity, last year held;"
             " table fuel_factors for other fuels", "co2_saved_lifetime_t"),
        Step(part, "Cost per lifetime tonne", "cost / tonnes", f"{show(cost)} / {show(tonnes)}",
             cost / tonnes, "GBP/tCO2e", "own definition: bills not deducted",
             "cost_per_lifetime_tonne_gbp"),
        Step(part, "Bills saved, present value", "bill x annuity",
             f"{show(home['bill_saved_gbp_per_year'])} x {show(base.worth.annuity)}", bills, "GBP",
             "HM Treasury Green Book, 3.5 % to year 30, then 3.0 %", "bill_saved_pv_gbp"),
        Step(part, "Carbon value, present value", "F Σ f_y v_y D_y",
             f"{show(fuel)} x {show(worth['carbon_pv_gbp_per_kwh'])}", carbon, "GBP",
             "DESNZ carbon values, 2025 prices", "carbon_value_pv_gbp"),
        Step(part, "Net present value", "bills + carbon - cost",
             f"{show(bills)} + {show(carbon)} - {show(cost)}", bills + carbon - cost, "GBP",
             "own definition: retail bills and carbon value, Green Book discount rates",
             "net_present_value_gbp"),
    ]  # fmt: skip
