"""The option table: every insulation system in every stocked thickness."""

import numpy as np
import polars as pl

from pipeline.errors import SettingsError
from pipeline.options.rates import RateBook
from pipeline.physics import Floats, wall
from pipeline.reference import Reference
from pipeline.settings import Settings


def options(reference: Reference, settings: Settings, book: RateBook) -> pl.DataFrame:
    """One row per system and stocked thickness the settings allow.

    Columns: system, system_label, thickness_mm, r_insulation_m2k_w, delta_u_w_m2k (fixings),
    build_up_mm, non_combustible, rate_gbp_m2. Raises SettingsError for an unknown system.
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
    return systems.select(
        "system",
        pl.col("label").alias("system_label"),
        "thickness_mm",
        lambda_w_mk=pl.col("lambda_design_w_mk"),
        r_insulation_m2k_w=wall.layer_resistance(thickness, pl.col("lambda_design_w_mk")),
        delta_u_w_m2k=pl.col("fixings_per_m2") * pl.col("chi_w_k"),
        build_up_mm=pl.col("thickness_mm") + reference.constant("finish_thickness") * 1000.0,
        non_combustible=pl.col("non_combustible") == "yes",
        rate_gbp_m2=pl.Series(rates, dtype=pl.Float64),
    )


def undominated(table: pl.DataFrame, psi_saved: Floats, thickness_matters: bool) -> pl.DataFrame:
    """Drop each option that another beats or equals in all that a home's choice depends on.

    That is rate, resistance, fixing loss and the heat saved per metre of every junction:
    psi_saved [junction, option] W/mK of the homes' wall, no rows where no junction counts. A
    dropped option can be best for no home of that wall: the other one saves at least as much and
    costs no more. Where the build-up is limited, thickness counts too. Of equal options the first
    in table order stays.
    """
    worth = ["rate_gbp_m2", "delta_u_w_m2k"] + (["build_up_mm"] if thickness_matters else [])
    values = table.select(*worth, -pl.col("r_insulation_m2k_w")).to_numpy()
    values = np.hstack([values, -psi_saved.T])
    no_worse = (values[:, None, :] <= values[None, :, :]).all(axis=2)
    equal = no_worse & no_worse.T
    earlier = np.tri(len(values), k=-1, dtype=bool).T
    beaten = (no_worse & (~equal | earlier)).any(axis=0)
    return table.filter(pl.Series(~beaten, dtype=pl.Boolean))
