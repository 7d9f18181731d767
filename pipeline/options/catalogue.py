"""The option table: every insulation system in every stocked thickness."""

from typing import Any

import polars as pl

from pipeline.errors import ReferenceTableError, SettingsError
from pipeline.options.rates import RateBook
from pipeline.physics import wall
from pipeline.reference import Reference
from pipeline.settings import Settings


def options(reference: Reference, settings: Settings, book: RateBook) -> pl.DataFrame:
    """One row per system and stocked thickness the settings allow.

    Columns: system, system_label, thickness_mm, r_insulation_m2k_w, delta_u_w_m2k (fixings of
    declared chi), bypass_w_m2k (other fixings and air voids), build_up_mm, non_combustible,
    rate_gbp_m2. Raises SettingsError for an unknown system.
    """
    systems = systems_table(reference, settings)
    stocked = systems.with_columns(
        pl.col("thicknesses_mm").str.split(" ").cast(pl.List(pl.Float64)).alias("thickness_mm")
    ).explode("thickness_mm")
    limited = stocked.filter(pl.col("thickness_mm") <= settings.works.thickness_most_mm)
    return priced(limited, reference, book)


def systems_table(reference: Reference, settings: Settings) -> pl.DataFrame:
    """The systems the settings allow; all where they name none."""
    systems = reference.table("insulation_systems")
    wanted = settings.works.systems or tuple(systems["system"])
    unknown = sorted(set(wanted) - set(systems["system"]))
    if unknown:
        raise SettingsError(
            f"works.systems names no known system: {', '.join(unknown)}. Known:"
            f" {', '.join(systems['system'])}."
        )
    return systems.filter(pl.col("system").is_in(wanted))


def priced(systems: pl.DataFrame, reference: Reference, book: RateBook) -> pl.DataFrame:
    """Add resistance, fixing correction, build-up and rate to rows of system and thickness_mm."""
    thickness = pl.col("thickness_mm") * 0.001
    rates = [
        book.rate("system_fixed", row["system"])
        + book.rate("system_per_10mm", row["system"]) * row["thickness_mm"] / 10.0
        for row in systems.iter_rows(named=True)
    ]
    found = [losses(row, reference) for row in systems.iter_rows(named=True)]
    declared, voids, pierced = (
        pl.Series([loss[part] for loss in found], dtype=pl.Float64) for part in range(3)
    )
    return systems.select(
        "system",
        pl.col("label").alias("system_label"),
        "thickness_mm",
        lambda_w_mk=pl.col("lambda_design_w_mk"),
        r_insulation_m2k_w=wall.layer_resistance(thickness, pl.col("lambda_design_w_mk")),
        delta_u_w_m2k=declared,
        bypass_w_m2k=voids + pierced / thickness,
        build_up_mm=pl.col("thickness_mm") + reference.constant("finish_thickness") * 1000.0,
        non_combustible=pl.col("non_combustible") == "yes",
        rate_gbp_m2=pl.Series(rates, dtype=pl.Float64),
    )


def losses(system: dict[str, Any], reference: Reference) -> tuple[float, float, float]:
    """What a system loses past its insulation, as `wall.least_thickness` takes it.

    n chi where the system declares chi, else its fixings by conductivity and cross-section; and
    dU'' of its level of air voids. Raises ReferenceTableError for a system that gives neither.
    """
    levels = reference.table("air_voids")
    level = levels.filter(pl.col("level") == pl.lit(system["air_voids"], pl.Float64))[
        "delta_u_w_m2k"
    ]
    if level.len() != 1:
        raise ReferenceTableError(
            f"System {system['system']}: air_voids is {system['air_voids']}. Give 0, 1 or 2, the"
            " levels of air_voids.csv."
        )
    number, chi = system["fixings_per_m2"], system["chi_w_k"]
    if chi is not None:
        return number * chi, float(level[0]), 0.0
    conductivity, section = system["fixing_lambda_w_mk"], system["fixing_section_mm2"]
    if conductivity is None or section is None:
        raise ReferenceTableError(
            f"System {system['system']} gives neither chi_w_k nor fixing_lambda_w_mk with"
            " fixing_section_mm2. Give the chi its maker declares, or both figures of the fixing."
        )
    alpha = reference.constant("fixing_alpha")
    pierced = wall.fixing_bypass(conductivity, section * 1e-6, number, alpha)
    return 0.0, float(level[0]), pierced
