"""Which homes may be insulated outside, and which options each may have.

A screen excludes a home with a reason in words, or leaves a caution for a person to settle. It
approves nothing: law differs by nation and the competent authority decides.
"""

import polars as pl

from pipeline.homes import first_year
from pipeline.reference import Reference
from pipeline.settings import Settings

_HEIGHT = pl.col("building_height_m")
_OPEN_FLUED = ["gas_back_boiler", "gas_room_heater", "solid_fuel_boiler", "solid_fuel_room_heater"]
_FLATS = pl.col("property_type").is_in(["flat", "maisonette"])


def screen(homes: pl.DataFrame, settings: Settings, reference: Reference) -> pl.DataFrame:
    """Add excluded (reason or null), cautions, needs_non_combustible and clearance of each home."""
    target = settings.works.target_u_w_m2k
    wall_loss = pl.col("u_existing_w_m2k") * pl.col("treated_wall_area_m2")
    excluded = (
        pl.when(pl.col("wall_insulation") == "external")
        .then(pl.lit("wall is insulated outside already"))
        .when(pl.col("u_existing_w_m2k") <= target)
        .then(pl.format("wall U-value is at or below the target of {} already", pl.lit(target)))
        .when(pl.col("treated_wall_area_m2") <= 0.0)
        .then(pl.lit("no wall area may be treated"))
        .when(pl.col("tenure").is_in(["leasehold", "private"]))
        .then(pl.lit("not the landlord's own home; it may join a street as infill"))
        .when(pl.col("heritage") == "listed")
        .then(pl.lit("listed building: refer to the conservation officer"))
        .when(pl.col("wall_construction") == "timber_frame")
        .then(pl.lit("timber frame: refer to a designer, moisture in the frame is a risk"))
        .when((pl.col("wall_construction") == "cavity") & (pl.col("wall_insulation") == "none"))
        .then(
            pl.lit("unfilled cavity: refer, air moving in the cavity bypasses insulation outside")
        )
        .when(pl.col("heat_loss_before_w_k") <= wall_loss + pl.col("bridging_heat_loss_w_k"))
        .then(pl.lit("measured heat loss is below that of its wall and junctions: check both"))
        .when(pl.col("heat_before_kwh_per_year") < settings.works.least_heat_kwh_per_year)
        .then(pl.lit("hardly any heat is needed: check heat loss, window and floor area"))
    )
    unknown_height = (_FLATS | (pl.col("storeys") > 3)) & _HEIGHT.is_null()
    limit = settings.works.non_combustible_from_height_m
    cautions = [
        pl.when(pl.col("heritage") == "conservation_area").then(
            pl.lit("conservation area: consent may be needed")
        ),
        pl.when(unknown_height).then(
            pl.lit("height of the building not known: only non-combustible insulation considered")
        ),
        pl.when(_HEIGHT >= limit).then(
            pl.lit("tall building: fire engineer and building control to confirm the whole system")
        ),
        pl.when(pl.col("_first_year") <= reference.constant("asbestos_until_year")).then(
            pl.lit("asbestos survey before walls, soffits or flues are disturbed")
        ),
        pl.when(pl.col("heating").is_in(_OPEN_FLUED)).then(
            pl.lit("flue or air supply in the wall: registered engineer to check")
        ),
        pl.when(pl.col("clearance_mm").is_not_null()).then(
            pl.lit("boundary or footway near: consent and fire spread to check")
        ),
        pl.when(pl.col("wall_construction").is_in(["system_built", "cob"])).then(
            pl.lit("structure and fixings: engineer to confirm")
        ),
        pl.when(
            pl.col("wall_construction").is_in(["stone_granite", "stone_sandstone", "cob"])
        ).then(pl.lit("moisture in a traditional wall: specialist to confirm")),
    ]
    return (
        homes.with_columns(_first_year=first_year(reference))
        .with_columns(
            excluded=excluded,
            cautions=pl.concat_str(cautions, separator="; ", ignore_nulls=True),
            needs_non_combustible=(_HEIGHT >= limit).fill_null(False) | unknown_height,
        )
        .drop("_first_year")
    )
