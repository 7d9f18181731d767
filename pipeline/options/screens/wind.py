"""Wind suction on each home's wall and the fixings that hold against it, for estimate only.

The wind of the region at an open site stands for the home's own; a designer reads the site's.
"""

import numpy as np
import polars as pl

from pipeline.physics import wind
from pipeline.reference import Reference
from pipeline.stock.rules import FLATS


def with_fixings(homes: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Add wind_suction_kn_m2, pull_out_needed_kn and fixings_for_wind_per_m2.

    pull_out_needed_kn: characteristic resistance that does with the usual number of fixings,
    rounded up to 0.01 kN. The last is null where no pull-out test is known.
    """
    c = reference.constant
    regions = reference.table("exposure_by_region").sort("region_id")
    speed = regions["wind_speed_m_s"].to_numpy()[homes["region_id"].to_numpy().astype(int)]
    top = pl.coalesce(
        pl.col("building_height_m") + c("storey_height"),
        pl.when(pl.col("property_type").is_in(FLATS))
        .then(c("wind_height_unknown"))
        .otherwise(pl.col("storeys") * c("storey_height")),
    )
    pressure = wind.peak_velocity_pressure(
        speed * (1.0 + c("wind_altitude_factor") * c("wind_altitude")),
        homes.select(top=top)["top"].to_numpy(),
        c("wind_roughness_length"),
        c("wind_height_least"),
        c("air_density"),
    )
    suction = pressure * c("wind_suction_coefficient") * 0.001
    factors = (c("wind_partial_factor"), c("anchor_partial_factor"))
    needed = wind.resistance_needed(suction, c("fixings_usual_per_m2"), *factors)
    known = homes.select(pl.col("pull_out_kn").clip(upper_bound=c("pull_out_most")))
    fixings = wind.fixings_needed(suction, known["pull_out_kn"].to_numpy(), *factors)
    return homes.with_columns(
        wind_suction_kn_m2=pl.Series(suction),
        pull_out_needed_kn=pl.Series(np.ceil(needed * 100.0 - 1e-9) / 100.0),
        fixings_for_wind_per_m2=pl.Series(fixings).fill_nan(None),
    )
