"""When each case of `screen_cases.csv` bites; in a screen the first in table order counts.

A condition that is null does not bite, so a cell left empty bites only where a case says so.
"""

import polars as pl

from pipeline.reference import Reference
from pipeline.settings import ZONES, Settings
from pipeline.stock.rules import FLATS

_OPEN_FLUED = ["gas_back_boiler", "gas_room_heater", "solid_fuel_boiler", "solid_fuel_room_heater"]
_STONE = ["stone_granite", "stone_sandstone"]
_WALL = pl.col("wall_construction")


def before(settings: Settings, reference: Reference) -> dict[str, pl.Expr]:
    """Cases that need no option, by name."""
    return {
        **_worth_it(settings),
        **_fire_and_place(settings, reference),
        **_fabric(),
        **_fixings_and_services(reference),
    }


def _worth_it(settings: Settings) -> dict[str, pl.Expr]:
    u, tenure = pl.col("u_existing_w_m2k"), pl.col("tenure")
    wall_loss = u * pl.col("treated_wall_area_m2")
    return {
        "insulated_outside": pl.col("wall_insulation") == "external",
        "u_at_target": u <= settings.works.target_u_w_m2k,
        "no_treatable_area": pl.col("treated_wall_area_m2") <= 0.0,
        "measured_loss_low": pl.col("heat_loss_before_w_k")
        <= wall_loss + pl.col("bridging_heat_loss_w_k"),
        "hardly_any_heat": pl.col("heat_before_kwh_per_year")
        < settings.works.least_heat_kwh_per_year,
        "not_landlords": tenure.is_in(["leasehold", "private"]),
        "tenure_unknown": tenure.is_null(),
    }


def _fire_and_place(settings: Settings, reference: Reference) -> dict[str, pl.Expr]:
    height, heritage = pl.col("building_height_m"), pl.col("heritage")
    may_be_tall = pl.col("property_type").is_in(FLATS) | (pl.col("storeys") > 3)
    steps = {zone: number for number, zone in enumerate(ZONES, start=1)}
    zone = pl.col("exposure_zone").replace_strict(steps, default=None, return_dtype=pl.Int64)
    finish = steps[settings.works.finish_exposure_zone]
    regions = dict(
        reference.table("exposure_by_region").select("region_id", "rain_zone_most").rows()
    )
    of_region = pl.col("region_id").replace_strict(regions, return_dtype=pl.Float64)
    return {
        "tall_by_law": height >= pl.col("law_from_m"),
        "tall": height >= pl.col("guidance_from_m"),
        "height_unknown": height.is_null() & may_be_tall,
        "listed": heritage == "listed",
        "conservation_area": heritage == "conservation_area",
        "stone_front": _WALL.is_in(_STONE),
        "heritage_unknown": heritage.is_null(),
        "exposure_beyond_finish": zone > finish,
        "exposure_unknown": zone.is_null() & (of_region > finish),
    }


def _fabric() -> dict[str, pl.Expr]:
    damp, condition = pl.col("damp"), pl.col("wall_condition")
    fill, frame = pl.col("wall_insulation"), pl.col("structural_frame")
    open_cavity = (_WALL == "cavity") & fill.is_in(["none", "internal"])
    said_to_be_none = (fill == "none") & (pl.col("wall_insulation_grade") != "D")
    return {
        "damp_rising": damp == "rising",
        "damp_penetrating": damp == "penetrating",
        "damp_of_unknown_kind": damp == "kind_not_known",
        "damp_condensation": damp == "condensation",
        "damp_unknown": damp.is_null(),
        "movement": condition == "structural_movement",
        "cracks": condition == "cracks",
        "spalling": condition == "spalling",
        "condition_unknown": condition.is_null(),
        "unfilled": open_cavity & said_to_be_none,
        "partly_filled": fill == "partly_filled_cavity",
        "filled": (_WALL == "filled_cavity") | (fill == "filled_cavity"),
        "fill_unknown": open_cavity,
        "timber": (_WALL == "timber_frame") | (frame == "timber"),
        "steel": frame == "steel",
        "concrete_or_system": (frame == "concrete") | _WALL.is_in(["system_built", "cob"]),
    }


def _fixings_and_services(reference: Reference) -> dict[str, pl.Expr]:
    fixings, asbestos = pl.col("fixings_for_wind_per_m2"), pl.col("asbestos")
    in_era = pl.col("_first_year") <= reference.constant("asbestos_until_year")
    services = pl.col("services_in_wall")
    return {
        "too_weak": fixings > reference.constant("fixings_most_per_m2"),
        "many_fixings": fixings > reference.constant("fixings_usual_per_m2"),
        "no_test": pl.col("pull_out_kn").is_null(),
        "inadequate": pl.col("ventilation") == "inadequate",
        "ventilation_unknown": pl.col("ventilation").is_null(),
        "asbestos_present": asbestos == "present",
        "asbestos_unknown": asbestos.is_null() & in_era,
        "open_flued": pl.col("heating").is_in(_OPEN_FLUED),
        "flue_or_meter": services == "yes",
        "services_unknown": services.is_null(),
    }


def after() -> dict[str, pl.Expr]:
    """Cases of the chosen option, by name."""
    clearance, build_up = pl.col("clearance_mm"), pl.col("build_up_mm")
    eaves, has_eaves = pl.col("eaves_overhang_mm"), pl.col("eaves_length_m") > 0.0
    return {
        "boundary_near": clearance - build_up < pl.col("boundary_within_mm"),
        "clearance_unknown": clearance.is_null(),
        "eaves_short": has_eaves & (eaves < build_up),
        "eaves_unknown": has_eaves & eaves.is_null(),
        "mould_risk": pl.col("mould_risk_at").is_not_null(),
        "junctions_not_in_table": pl.col("f_rsi_least").is_null(),
        "accumulates": pl.col("moisture_verdict") == "accumulates",
        "traditional_wall": _WALL.is_in([*_STONE, "cob"]),
        "moisture_not_calculated": pl.col("moisture_verdict").is_null(),
    }


def option() -> dict[str, pl.Expr]:
    """That no option is left, where no other screen excludes."""
    return {"no_option": pl.col("system").is_null()}
