"""The home as listed, its geometry, U-values, gains and heat loss today, as steps of the sheet."""

from typing import Any

import polars as pl

from pipeline import wall_build_ups
from pipeline.assess import Basis
from pipeline.explain.step import Row, Sheet, cited, one, show
from pipeline.homes import ELEMENTS
from pipeline.reference import MONTHS, Reference
from pipeline.stock.rules import FLATS
from pipeline.treated_walls import WALLS

Home = dict[str, Any]


def home_today(sheet: Sheet, home: Home, base: Basis) -> None:
    """From the stock row to the heat transfer coefficient before works."""
    reference = base.reference
    _listed(sheet, home)
    _geometry(sheet, home, reference)
    _wall_u(sheet, home, base)
    _element_u(sheet, home, reference)
    _internal_gains(sheet)
    _heat_loss(sheet, home)


def _listed(sheet: Sheet, home: Home) -> None:
    sheet.part("The home")
    graded = (
        ("property_type", "stock list"),
        ("built_form", home["built_form_source"]),
        ("floor_position", home["floor_position_source"]),
        ("age_band", "stock list: year or band; bands of SAP 2012 App. S Table S1"),
        ("nation", home["region_source"]),
        ("wall_construction", "stock list"),
        ("wall_insulation", home["wall_insulation_source"]),
        ("glazing", home["glazing_source"]),
        ("heating", home["heating_source"]),
    )
    for column, source in graded:
        if source != "not a flat":
            sheet.fact(column, str(home[column]), source)
    sheet.fact("Climate region", f"{home['region_id']:.0f}", home["region_source"])
    sheet.given("A_F", home["floor_area_m2"], "m2", "stock list", "floor_area_m2")
    sheet.given("n_s", home["storeys"], "", home["storeys_source"], "storeys")
    sheet.given(
        "s_t", home["treatable_share"], "", home["treatable_share_source"],
        "treatable_share",
    )  # fmt: skip


def _geometry(sheet: Sheet, home: Home, reference: Reference) -> None:
    sheet.part("Areas and volume")
    own = "own assumption: each storey a square"
    flat = home["property_type"] in FLATS
    dwelling = "flat" if flat else "house"
    form = one(
        reference, "exposed_perimeter_share", property_type=dwelling, built_form=home["built_form"]
    )
    sheet.constant("h", "storey_height")
    sheet.given("s_p", form["share"], "", cited(form), "Share of the perimeter exposed")
    sheet.found("A_s = A_F / n_s", "m2", own, "Area of a storey")
    sheet.found("P = 4 × √(A_s) × s_p", "m", own, "exposed_perimeter_m")
    _windows(sheet, home, reference, dwelling)
    sheet.constant("n_d", f"doors_{dwelling}", "Outside doors")
    sheet.constant("A_d", "door_area", "Area of a door")
    sheet.found("A_door = n_d × A_d", "m2", "doors as above", "door_area_m2")
    net, source = "max(P × h × n_s − A_win − A_door, 0)", str(home["wall_area_source"])
    listed_in_part = home["wall_parts_source"] == "stock list in part, else split by form"
    if source.startswith("estimated from ") and not listed_in_part:
        sheet.found(f"A_w = {net}", "m2", source, "wall_area_m2")
    else:
        sheet.given("A_w", home["wall_area_m2"], "m2", source, "wall_area_m2")
    _treated(sheet, home)
    for symbol, column in (("A_r", "roof_area_m2"), ("A_f", "ground_area_m2")):
        if home[column] > 0.0:
            sheet.found(f"{symbol} = A_s", "m2", own, column)
        else:
            sheet.given(symbol, 0.0, "m2", f"floor position {home['floor_position']}",
                        column)  # fmt: skip
    sheet.found("V = A_F × h", "m3", "floor area times storey height", "volume_m3")


def refused(home: Home) -> bool:
    """Whether some walls of the home may not be treated, so that areas decide and not a share."""
    return home["walls_refused"] not in (None, "none")


def _treated(sheet: Sheet, home: Home) -> None:
    """Treated and untreated area: by wall where some are refused, else by the share."""
    if not refused(home):
        share = "treatable share"
        sheet.found("A_t = A_w × s_t", "m2", share, "treated_wall_area_m2")
        sheet.found("A_u = A_w × (1 − s_t)", "m2", share, "untreated_wall_area_m2")
        return
    sheet.fact("walls_refused", home["walls_refused"].replace("_", " "), "stock list")
    for wall in WALLS:
        column, treated = f"{wall}_wall_area_m2", float(wall not in home["walls_refused"])
        sheet.given(f"A_{wall}", home[column], "m2", home["wall_parts_source"], column)
        sheet.given(f"t_{wall}", treated, "", "1: may be treated", f"Treated, {wall}")
    source = "the walls that are not refused"
    areas = " + ".join(f"t_{wall} × A_{wall}" for wall in WALLS)
    sheet.found(f"A_t = {areas}", "m2", source, "treated_wall_area_m2")
    rest = " + ".join(f"(1 − t_{wall}) × A_{wall}" for wall in WALLS)
    sheet.found(f"A_u = {rest}", "m2", "the walls refused", "untreated_wall_area_m2")


def _windows(sheet: Sheet, home: Home, reference: Reference, dwelling: str) -> None:
    source = str(home["window_area_source"])
    if not source.startswith("estimated from "):
        sheet.given("A_win", home["window_area_m2"], "m2", source, "window_area_m2")
        return
    row = one(reference, "window_area", dwelling=dwelling, band=home["age_band"])
    words = "Windows per floor area", "Windows besides"
    sheet.given("a_win", row["slope_m2_per_m2"], "m2/m2", cited(row), words[0])
    sheet.given("b_win", row["intercept_m2"], "m2", cited(row), words[1])
    sheet.found("A_win = a_win × A_F + b_win", "m2", cited(row), "window_area_m2")


def _wall_u(sheet: Sheet, home: Home, base: Basis) -> None:
    """U of the wall today: the list's, a build-up's, stone by thickness, or the table's."""
    sheet.part("U-values today")
    reference, name = base.reference, home["wall_build_up"]
    said, column = str(home["u_value_source"]), "u_existing_w_m2k"
    if name is not None and said == f"build-up {name}":
        found = wall_build_ups.layered(name, base.settings.walls[name], reference)
        method = "BS EN ISO 6946:2017, 6.7.2, combined method, layers of the settings"
        for layer, plain, share, bridge in found.layers:
            bridged = f", {share:.3g} of it {show(bridge)}" if share else ""
            sheet.fact(f"Layer: {layer}", f"{show(plain)}{bridged} m2K/W", "settings, walls")
        sheet.given("R_up", found.upper, "m2K/W", method, "Upper limit of the resistance")
        sheet.given("R_low", found.lower, "m2K/W", method, "Lower limit of the resistance")
        sheet.found("U_1 = 2 / (R_up + R_low)", "W/m2K", method, column)
    elif said.startswith("default: stone of"):
        thickness, source = wall_thickness(home, reference)
        sheet.given("t_w", thickness, "mm", source, "Wall thickness")
        sheet.constant("U_0", f"{home['wall_construction']}_u_at_zero", "Stone of no thickness")
        sheet.constant("u_t", "stone_u_per_mm", "Fall with thickness")
        sheet.found("U_1 = U_0 − u_t × t_w", "W/m2K", said, column)
    elif said.startswith("default: "):
        row = _default_u(home, reference)
        sheet.given("U_1", row["u_w_m2k"], "W/m2K", f"{said}; {cited(row)}", column)
    else:
        sheet.given("U_1", home[column], "W/m2K", said, column)


def wall_thickness(home: Home, reference: Reference) -> tuple[float, str]:
    """Thickness of the wall [mm] and its source: the list, construction and age, assumed."""
    if home["wall_thickness_mm"] is not None:
        return home["wall_thickness_mm"], "stock list"
    rows = reference.table("wall_thickness_by_age").filter(
        construction=home["wall_construction"], band=home["age_band"]
    )
    for row in rows.to_dicts():
        return row["thickness_mm"], cited(row)
    unknown = one(reference, "constants", name="wall_thickness_unknown")
    return unknown["value"] * 1000.0, cited(unknown)


def _default_u(home: Home, reference: Reference) -> Row:
    """The row of the table of default U-values; England's where the nation has none."""
    filled = (home["wall_construction"], home["wall_insulation"]) == ("cavity", "filled_cavity")
    added = home["wall_insulation"] in ("external", "internal")
    rows = reference.table("wall_u_by_age").filter(
        construction="filled_cavity" if filled else home["wall_construction"],
        insulation="added_50" if added else "none",
        band=home["age_band"],
    )
    by_nation = {row["nation"]: row for row in rows.to_dicts()}
    return by_nation.get(home["nation"]) or by_nation["england_wales"]


def _element_u(sheet: Sheet, home: Home, reference: Reference) -> None:
    """U of roof, floor, windows and doors, the y-value, the air changes and the solar aperture."""

    def by_age(quantity: str) -> tuple[float, str]:
        row = one(reference, "element_by_age", quantity=quantity, band=home["age_band"])
        return row["value"], cited(row)

    if home["roof_area_m2"] > 0.0:
        mm = home["loft_insulation_mm"]
        roof, source = by_age("roof_u_unknown")
        if mm is not None:
            loft = reference.table("roof_u_by_loft_insulation").filter(
                pl.col("loft_insulation_mm") <= mm
            )
            row = loft.sort("loft_insulation_mm").to_dicts()[-1]
            roof, source = row["u_w_m2k"], f"{mm:.0f} mm in the loft; {cited(row)}"
        sheet.given("U_r", roof, "W/m2K", source, "u_roof_w_m2k")
    if home["ground_area_m2"] > 0.0:
        _floor_u(sheet, home, reference, by_age("ground_floor_insulation_mm"))
    glazing = one(reference, "glazing", glazing=home["glazing"])
    sheet.given("U_g", glazing["u_w_m2k"], "W/m2K", cited(glazing), "Glazing with frame")
    sheet.constant("R_c", "curtain_resistance")
    sheet.found("U_win = 1 / (1 / U_g + R_c)", "W/m2K", "SAP 2012 s3.2", "u_window_w_m2k")
    door, source = by_age("u_door_w_m2k")
    sheet.given("U_d", door, "W/m2K", source, "u_door_w_m2k")
    bridging, source = by_age("bridging_y_w_m2k")
    sheet.given("y", bridging, "W/m2K", source, "bridging_y_w_m2k")
    air = one(reference, "air_change_rate", band=home["age_band"])
    sheet.given("n", air["air_changes_per_hour"], "1/h", cited(air), "air_changes_per_hour")
    sheet.given("g", glazing["solar_transmittance"], "", cited(glazing), "Transmittance")
    sheet.constant("F_i", "glazing_incidence_factor")
    sheet.constant("F_f", "frame_factor")
    sheet.constant("F_s", "shading_factor")
    sheet.found("A_sol = F_i × A_win × g × F_f × F_s", "m2", "SAP 2012 s6.1", "solar_aperture_m2")


def _floor_u(sheet: Sheet, home: Home, reference: Reference, insulation: tuple[float, str]) -> None:
    source = "BS EN ISO 13370:2017, slab on ground"
    thickness, from_where = wall_thickness(home, reference)
    sheet.given("t_f", thickness, "mm", from_where, "Wall thickness at the floor")
    sheet.given("d_f", insulation[0], "mm", insulation[1], "Insulation of the floor")
    sheet.constant("λ_f", "ground_insulation_conductivity")
    sheet.constant("λ_soil", "soil_conductivity")
    sheet.constant("R_sif", "surface_resistance_inside_floor")
    sheet.constant("R_se", "surface_resistance_outside")
    sheet.found("B = 2 × A_f / P", "m", source, "Characteristic dimension")
    sheet.found("d_t = t_f / 1000 + λ_soil × (d_f / 1000 / λ_f + R_sif + R_se)", "m", source,
                "Equivalent thickness")  # fmt: skip
    thin = "2 × λ_soil / (π × B + d_t) × ln(π × B / d_t + 1)"
    thick = "λ_soil / (0.457 × B + d_t)"
    formula = thin if sheet["d_t"] < sheet["B"] else thick
    sheet.found(f"U_f = {formula}", "W/m2K", source, "u_floor_w_m2k")


def _internal_gains(sheet: Sheet) -> None:
    sheet.part("Internal gains")
    source = "SAP 2012 Table 5 and Appendix L, yearly means (memory)"
    for symbol, name in (
        ("o_a", "occupants_a"), ("o_b", "occupants_b"), ("o_c", "occupants_c"),
        ("o_F", "occupants_area"), ("q_m", "metabolic_gain"), ("q_c", "cooking_gain_per_person"),
        ("q_e", "evaporation_loss_per_person"), ("q_f", "cooking_gain_fixed"),
        ("e_a", "appliance_energy_factor"), ("e_l", "lighting_energy_factor"),
        ("f_l", "lighting_gain_share"), ("m_e", "gains_exponent"),
    ):  # fmt: skip
        sheet.constant(symbol, name)
    sheet.found("x_F = max(A_F − o_F, 0)", "m2", source, "Floor area above the threshold")
    sheet.found("N_p = 1 + o_a × (1 − exp(−o_b × x_F²)) + o_c × x_F", "", "SAP 2012 Table 1b",
                "Occupants")  # fmt: skip
    sheet.found("E_e = (e_a + e_l × f_l) × (A_F × N_p)^m_e", "kWh/year", source,
                "Appliances and lights")  # fmt: skip
    sheet.found(
        "G_i = N_p × (q_m + q_c − q_e) + q_f + E_e × 1000 / 8760", "W", source,
        "internal_gains_w",
    )  # fmt: skip


def _heat_loss(sheet: Sheet, home: Home) -> None:
    sheet.part("Heat loss today")
    symbols = {"u_existing_w_m2k": "U_1", "u_roof_w_m2k": "U_r", "u_floor_w_m2k": "U_f"}
    symbols |= {"u_window_w_m2k": "U_win", "u_door_w_m2k": "U_d"}
    source = "BS EN ISO 13789"
    for u, area in ELEMENTS:
        if home[area] > 0.0:
            sheet.row("elements", area.removesuffix("_area_m2").replace("_", " "))
            sheet.given("U", sheet[symbols[u]], "W/m2K", "above", "U-value")
            sheet.given("A", home[area], "m2", "above", "Area")
            sheet.found("H_e = U × A", "W/K", source, "Loss through it")
    sheet.end()
    sheet.found("ΣUA = Σ(H_e)", "W/K", source, "Through all elements")
    sheet.found("ΣA = Σ(A)", "m2", source, "Exposed area")
    sheet.found("H_b = y × ΣA", "W/K", "SAP 2012 App. K", "bridging_heat_loss_w_k")
    sheet.constant("c_a", "air_heat_capacity")
    sheet.found("H_v = c_a × n × V", "W/K", source, "Ventilation loss")
    if home["measured_htc_w_k"] is None:
        sheet.found("H_1 = ΣUA + H_b + H_v", "W/K", source, "heat_loss_before_w_k")
    else:
        said = "measured for the whole home, stock list; replaces the sum of the three"
        value = home["heat_loss_before_w_k"]
        sheet.given("H_1", value, "W/K", said, "heat_loss_before_w_k")


def gains_by_month(
    sheet: Sheet, home: Home, reference: Reference, counted: tuple[int, ...]
) -> dict[int, float]:
    """Sun on the windows and gains [W] of each month of the heating season; months from 1."""
    sheet.part("Gains month by month")
    sheet.fact("Angles", "in degrees, cosines too", "SAP 2012 App. U")
    region = one(reference, "climate_solar", region_id=home["region_id"])
    sheet.given("φ", region["latitude_degN"], "deg", cited(region), "Latitude")
    faces = one(reference, "climate_solar_orientation_constants", orientation="E_W")
    for i in range(1, 10):
        sheet.given(f"k_{i}", faces[f"k{i}"], "", cited(faces), f"Constant {i}, east or west")
    method = "SAP 2012 App. U, U3.2, upright face: s = sin 45 deg"
    sheet.found("s = √(0.5)", "", method, "Sine of half the pitch")
    for letter, first, more in (("a", 1, ""), ("b", 4, ""), ("c", 7, " + 1")):
        formula = f"k_{first} × s³ + k_{first + 1} × s² + k_{first + 2} × s{more}"
        sheet.found(f"S_{letter} = {formula}", "", method, f"Factor {letter} of the face")
    tilt = {r["month"]: r for r in reference.table("climate_solar_declination").to_dicts()}
    gains = {}
    for number in counted:
        month = MONTHS[number - 1]
        sheet.row("sun and gains of each month", month)
        horizontal = region[f"{month}_W_m2_horizontal"]
        row = tilt[month]
        sheet.given("S_h", horizontal, "W/m2", cited(region), "Sun on the level")
        sheet.given("δ", row["declination_deg"], "deg", cited(row), "Declination")
        sheet.found("S = S_h × (S_a × cos(φ − δ)² + S_b × cos(φ − δ) + S_c)", "W/m2", method,
                    "Sun on an east or west face")  # fmt: skip
        gains[number] = sheet.found("G = G_i + A_sol × S", "W", "SAP 2012 s6", "Gains")
    sheet.end()
    return gains
