"""The wall after works, junctions, heat month by month and savings, as steps of the sheet."""

import numpy as np
import polars as pl

from pipeline import junction_catalogue, junction_effects
from pipeline.assess import Basis
from pipeline.explain.dwelling import Home, refused
from pipeline.explain.step import Row, Sheet, cited, one
from pipeline.options import catalogue
from pipeline.reference import MONTHS
from pipeline.stock.rules import FLATS


def wall_after(sheet: Sheet, home: Home, base: Basis) -> None:
    """U of the wall with the chosen option, and the fall of the plane wall's loss."""
    sheet.part("The wall after works")
    system = one(base.reference, "insulation_systems", system=home["system"])
    iso = "BS EN ISO 6946:2017"
    sheet.fact("system", system["system"], cited(system), printed=system["label"])
    sheet.given("d", home["thickness_mm"], "mm", "chosen: least cost per lifetime tonne",
                "thickness_mm")  # fmt: skip
    sheet.given("λ", system["lambda_design_w_mk"], "W/mK", cited(system), "Design conductivity")
    sheet.found("R = d / 1000 / λ", "m2K/W", iso, "Resistance of the insulation")
    sheet.constant("R_fin", "finish_resistance", "Resistance of the finish")
    _corrections(sheet, system, base)
    sheet.found("U_2 = 1 / (1 / U_1 + R + R_fin) + ΔU_f + ΔU_v", "W/m2K", iso, "u_after_w_m2k")
    sheet.given("U_t", base.settings.works.target_u_w_m2k, "W/m2K",
                "settings, works.target_u_w_m2k: U_2 may not pass it", "Target")  # fmt: skip
    stocked = base.options.filter(pl.col("system") == home["system"])["thickness_mm"]
    reach = [mm for mm in stocked if _u_with(sheet, mm) <= sheet["U_t"]]
    if reach:
        sheet.given("d_min", min(reach), "mm", "least in stock with which U_2 reaches U_t",
                    "least_thickness_mm")  # fmt: skip
    sheet.found(
        "ΔH_w = (U_1 − U_2) × A_t", "W/K", "BS EN ISO 13789",
        "plane_heat_loss_reduction_w_k",
    )  # fmt: skip


def _u_with(sheet: Sheet, thickness_mm: float) -> float:
    """U_2 as the sheet reckons it, with another thickness."""
    resistance = thickness_mm / 1000.0 / sheet["λ"]
    whole = 1.0 / sheet["U_1"] + resistance + sheet["R_fin"]
    voids = 0.0
    if "v_f" in sheet:
        pierced = sheet["v_0f"] + sheet["v_f"] / (thickness_mm / 1000.0)
        voids = pierced * (resistance / whole) ** 2
    return 1.0 / whole + sheet["ΔU_f"] + voids


def _corrections(sheet: Sheet, system: Row, base: Basis) -> None:
    """What fixings and air voids add to U: chi where declared, else Annex F."""
    annex = "BS EN ISO 6946:2017 Annex F"
    _, voids, pierced = catalogue.losses(system, base.reference)
    if system["chi_w_k"] is None:
        sheet.given("ΔU_f", 0.0, "W/m2K", "no χ declared: with the air voids", "Declared fixings")
    else:
        sheet.given("n_f", system["fixings_per_m2"], "1/m2", cited(system), "Fixings")
        sheet.given("χ", system["chi_w_k"], "W/K", cited(system), "Point loss of a fixing")
        sheet.found("ΔU_f = n_f × χ", "W/m2K", "BS EN ISO 10211", "Correction for fixings")
    if voids == pierced == 0.0:
        sheet.given("ΔU_v", 0.0, "W/m2K", "none by the system's level", "Air voids")
        return
    sheet.given("v_0f", voids, "W/m2K", f"{annex}, level; {cited(system)}", "Air voids by level")
    sheet.given("v_f", pierced, "Wm/m2K", f"{annex}, α λ A n; {cited(system)}", "Fixings by metal")
    sheet.found("R_tot = 1 / U_1 + R + R_fin", "m2K/W", annex, "Resistance with the insulation")
    sheet.found("ΔU_v = (v_0f + v_f / (d / 1000)) × (R / R_tot)²", "W/m2K", annex,
                "Air voids and fixings without χ")  # fmt: skip


def junctions(sheet: Sheet, home: Home, base: Basis) -> None:
    """Lengths, psi before and after, temperature factors, and the fall of the whole heat loss."""
    sheet.part("Junctions")
    wall = junction_effects.with_wall(pl.DataFrame([home]), base.reference)["junction_wall"][0]
    column = "junction_heat_loss_reduction_w_k"
    if wall is None:
        said = "the junction table has no such wall: junctions are left out"
        sheet.given("ΔH_j", 0.0, "W/K", said, column)
    else:
        _lengths(sheet, home, base)
        factors = _table(sheet, home, base, wall)
        sheet.found("ΣψL = Σ(H_ψ)", "W/K", "BS EN ISO 10211:2017", "Fall at all junctions")
        sheet.found("ΔH_j = min(ΣψL, H_b)", "W/K", "not above the bridging loss today: own rule",
                    column)  # fmt: skip
        if factors:
            _mould(sheet, factors, base)
    sheet.found("j_b = 0 − ΔH_j / ΔH_w", "", "own term", "junctions_take_back")
    sheet.found("ΔH = ΔH_w + ΔH_j", "W/K", "BS EN ISO 13789", "heat_loss_reduction_w_k")
    sheet.found("H_2 = H_1 − ΔH", "W/K", "BS EN ISO 13789", "Heat loss after works")


def _lengths(sheet: Sheet, home: Home, base: Basis) -> None:
    """Each length by its estimate, or as the list gives it; in doubt, by whether it meets it."""
    for symbol, name in (
        ("w_win", "window_width"), ("h_win", "window_height"), ("w_d", "door_width"),
        ("h_d", "door_height"),
    ):  # fmt: skip
        sheet.constant(symbol, name)
    flat = home["property_type"] in FLATS
    form = one(
        base.reference,
        "exposed_perimeter_share",
        property_type="flat" if flat else "house",
        built_form=home["built_form"],
    )
    sheet.given("n_e", form["neighbour_edges"], "", cited(form), "Edges at a neighbour")
    sheet.given("n_c", form["corners"], "", cited(form), "Outside corners")
    own = "own assumption: mean openings, square storeys"
    sheet.found("n_win = A_win / (w_win × h_win)", "", own, "Windows")
    shares = dict.fromkeys(("x_s", "x_a", "x_c"), "s_t")
    if refused(home):
        sheet.given("g_s", form["gable_sides"], "", cited(form), "Gable sides")
        both = "t_front × t_gable + t_rear × t_gable"
        shares = {
            "x_s": "(t_front + t_rear) / 2",
            "x_a": "(t_front + t_rear + t_gable × g_s) / (g_s + 2)",
            "x_c": f"({both}) / 2",
        }
        ends = f"(t_front + t_rear + 2 × t_gable − 2 × ({both})) / 2"
        sheet.found(f"x_e = {ends}", "", own, "Share of corners where insulation ends")
    words = ("front and rear", "all sides", "corners")
    for (symbol, formula), word in zip(shares.items(), words, strict=True):
        sheet.found(f"{symbol} = {formula}", "", "treated part", f"Treated, {word}")
    estimates = {
        "jamb": "2 × (h_win × n_win + h_d × n_d) × x_s",
        "head": "(w_win × n_win + w_d × n_d) × x_s",
        "sill": "w_win × n_win × x_s",
        "base": "P × x_a" if home["ground_area_m2"] > 0.0 else "0 × x_a",
        "eaves": "2 × √(A_s) × x_s" if home["roof_area_m2"] > 0.0 else "0 × x_s",
        "neighbour": "n_e × n_s × h × x_s",
        "corner": "n_c × n_s × h × x_c",
        "edge": "n_c × n_s × h × x_e" if refused(home) else "0 × s_t",
    }
    said = str(home["junction_lengths_source"])
    for name, formula in estimates.items():
        stored, column = home[f"{name}_length_m"], f"{name}_length_m"
        listed = name != "edge" and said.startswith("stock list")
        if not listed or ("in part" in said and sheet.meets(formula, stored)):
            sheet.found(f"L_{name} = {formula}", "m", own, column)
        else:
            sheet.given(f"L_{name}", stored, "m", "stock list", column)


def _table(sheet: Sheet, home: Home, base: Basis, wall: str) -> dict[str, float]:
    """psi and f_Rsi of every junction the home has, from the table solved in two dimensions.

    Returns f_Rsi after works by junction.
    """
    catalogue, iso = junction_catalogue.load(), "BS EN ISO 10211:2017"
    source = f"{iso}, own table, wall {wall.replace('_', ' ')}"
    size, conductivity = np.array([home["thickness_mm"]]), np.array([sheet["λ"]])
    factors = {}
    for name, variant in base.built.items():
        if home[f"{name}_length_m"] > 0.0:
            psi_today, _, factor_today = catalogue.before[wall, name]
            psi, _, factor = catalogue.after(wall, name, variant, size, conductivity)
            sheet.row(
                "psi and temperature factor of each junction",
                f"{name}, {variant.replace('_', ' ')}",
            )
            sheet.given("ψ_1", psi_today, "W/mK", source, "ψ today")
            sheet.given("ψ_2", float(psi[0]), "W/mK", source, "ψ after")
            sheet.given("L", home[f"{name}_length_m"], "m", "above", "Length")
            sheet.found("H_ψ = (ψ_1 − ψ_2) × L", "W/K", iso, "Fall of the loss")
            sheet.given("f_1", factor_today, "", source, "f_Rsi today")
            factors[name] = sheet.given("f_2", float(factor[0]), "", source, "f_Rsi after")
    sheet.end()
    return factors


def _mould(sheet: Sheet, factors: dict[str, float], base: Basis) -> None:
    """Where mould may grow. factors: f_Rsi after works of each junction the home has."""
    least = one(base.reference, "moisture_constants", name="f_rsi_least")
    sheet.given("f_least", least["value"], "", cited(least), "Least f_Rsi against mould")
    sheet.found("f_Rsi = lowest(f_2)", "", "inside resistance 0.13 m2K/W", "f_rsi_least")
    risky = ", ".join(name for name, factor in factors.items() if factor < least["value"])
    sheet.fact("mould_risk_at", risky or None, "junctions whose f_2 is below f_least",
               printed=risky or "none: every junction reaches the least")  # fmt: skip


def heat(sheet: Sheet, base: Basis, region: int, gains: dict[int, float], after: bool) -> None:
    """Balance point, degree-days and heat of each month, before and, where chosen, after works."""
    sheet.part("Degree-days and heat month by month")
    year, climate = base.year, base.settings.climate
    rows = one(base.reference, "climate_temperature_monthly", region_id=float(region))
    shifted = f", shifted by {climate.temperature_shift_c:g} K"
    source = cited(rows) + (shifted if climate.temperature_shift_c else "")
    tm41 = "CIBSE TM41:2006"
    sheet.constant("k", "hitchin_k")
    own_base = climate.method == "balance_point"
    if own_base:
        sheet.given("T_i", climate.internal_temperature_c, "degC", "settings", "Inside")
    else:
        sheet.given("T_f", climate.fixed_base_c, "degC", "settings", "Fixed base")
    sides = "12" if after else "1"
    for i, number in enumerate(year.months):
        sheet.row("degree-days and heat of each month", MONTHS[number - 1])
        sheet.given("N", float(year.days[i]), "day", "calendar", "Days")
        sheet.given("T_e", float(year.outside[region, i]), "degC", source, "Outside")
        if own_base:
            sheet.given("G", gains[number], "W", "above", "Gains")
        for side in sides:
            when = "before" if side == "1" else "after"
            point = f"T_i − G / H_{side}" if own_base else "T_f"
            sheet.found(f"T_b{side} = {point}", "degC", tm41, f"Balance point {when}")
            excess = f"(T_b{side} − T_e)"
            formula = f"N × {excess} / (1 − exp(−k × {excess}))"
            if sheet.value(excess) == 0.0:
                formula = "N / k"
            sheet.found(f"D_{side} = {formula}", "K·day", f"{tm41}, Hitchin",
                        f"Degree-days {when}")  # fmt: skip
            sheet.found(f"q_{side} = 0.024 × H_{side} × D_{side}", "kWh", tm41, f"Heat {when}")
    sheet.end()
    sheet.found("ΣD_1 = Σ(D_1)", "K·day", tm41, "degree_days_before_k_day")
    sheet.found("Q_1 = Σ(q_1)", "kWh/year", tm41, "heat_before_kwh_per_year")
    if after:
        sheet.found("ΣD_2 = Σ(D_2)", "K·day", tm41, "degree_days_after_k_day")
        sheet.found("Q_2 = Σ(q_2)", "kWh/year", tm41, "Heat demand after works")


def fuel_today(sheet: Sheet, home: Home, base: Basis) -> None:
    """Fuel for heating before works."""
    sheet.part("Fuel today")
    boilers = one(base.reference, "heating_systems", heating=home["heating"])
    sheet.fact("fuel", boilers["fuel"], cited(boilers))
    sheet.given("η", boilers["efficiency"], "", cited(boilers), "efficiency")
    sheet.found("F_1 = Q_1 / η", "kWh/year", "standard conditions",
                "fuel_before_kwh_per_year")  # fmt: skip


def savings(sheet: Sheet, home: Home, base: Basis) -> None:
    """Heat, fuel, CO2 on each basis and bills: modelled, then expected."""
    sheet.part("Savings a year")
    worth = base.worth.by_fuel.filter(fuel=home["fuel"]).to_dicts()[0]
    rating = one(base.reference, "fuel_factors", fuel=home["fuel"], metric="rating_sap10_2")
    year = base.settings.appraisal.reporting_year
    standard = "standard conditions"
    sheet.found("ΔQ = Q_1 − Q_2", "kWh/year", standard, "heat_saved_kwh_per_year")
    sheet.found("ΔF = ΔQ / η", "kWh/year", standard, "fuel_saved_kwh_per_year")
    sheet.given("c_r", worth["reporting_kg_per_kwh"], "kgCO2e/kWh",
                f"{worth['reporting_source']} ({worth['reporting_checked']})",
                f"Reporting factor of {year}")  # fmt: skip
    sheet.found("C_r = ΔF × c_r", "kgCO2e/year", "reporting basis", "co2_saved_kg_per_year")
    sheet.given("c_s", worth["rating_kg_per_kwh"], "kgCO2e/kWh", cited(rating), "Rating factor")
    sheet.found("C_s = ΔF × c_s", "kgCO2e/year", "rating basis: never added to the other",
                "co2_saved_rating_kg_per_year")  # fmt: skip
    sheet.given("p", worth["price_gbp_per_kwh"], "GBP/kWh",
                f"{worth['price_source']} ({worth['price_checked']}); no standing charge",
                "Unit rate")  # fmt: skip
    sheet.found("B_m = ΔF × p", "GBP/year", "unit rate only",
                "bill_saved_gbp_per_year")  # fmt: skip
    _expected(sheet, home, base)


def _expected(sheet: Sheet, home: Home, base: Basis) -> None:
    """What meters will likely show, beside the modelled saving."""
    chosen, metered = base.settings.savings, home["metered_heating_kwh_per_year"]
    sheet.given("r_c", chosen.comfort_share, "", f"settings: {chosen.comfort_basis}",
                "Taken as warmth")  # fmt: skip
    if metered is None:
        sheet.given("r_u", chosen.in_use_reduction, "", f"settings: {chosen.in_use_basis}",
                    "Lost in use")  # fmt: skip
        formula = "ΔF_e = min(ΔF × (1 − r_u) × (1 − r_c), F_1)"
        said = "no meter known: after the in-use reduction, not above present use"
    else:
        sheet.given("M", metered, "kWh/year", "stock list", "metered_heating_kwh_per_year")
        formula = "ΔF_e = min(ΔF / F_1 × M × (1 − r_c), M)"
        said = "modelled share of metered use, not above it"
    sheet.found(formula, "kWh/year", said, "expected_fuel_saved_kwh_per_year")
    sheet.found("e_m = ΔF_e / ΔF", "", "expected over modelled", "Expected over modelled")
    sheet.found("C_e = ΔF_e × c_r", "kgCO2e/year", "reporting basis",
                "expected_co2_saved_kg_per_year")  # fmt: skip
    sheet.found("B_e = ΔF_e × p", "GBP/year", "unit rate only",
                "expected_bill_saved_gbp_per_year")  # fmt: skip
    if home.get("saving_spread") is not None:
        sheet.fact("data_grade", home["data_grade"], "how far the saving can be trusted")
        sheet.given("v", home["saving_spread"], "", "relative standard deviation, by data grades",
                    "saving_spread")  # fmt: skip
