"""Random homes, and their choice with every allowed option reckoned exactly."""

from unittest import mock

import numpy as np
import polars as pl

from pipeline import assess, homes
from pipeline.junction_catalogue import PLACES
from pipeline.physics import Floats, Mask, degree_days

from .published import drawn

CLASSES = ("needs_non_combustible", "tight", "junction_wall")


def draw(rng: np.random.Generator, count: int, base: assess.Basis) -> pl.DataFrame:
    """Homes ready for `assess.choose`: kinds from a drawn stock, every figure anew and wide."""
    kinds = 2000
    stock = drawn.stock(
        rng,
        kinds,
        building_height_m=rng.choice([5.0, 10.0, 18.0, 30.0], kinds),
        clearance_mm=[None if v > 250 else v for v in rng.uniform(40.0, 500.0, kinds).tolist()],
        heating=rng.choice(["gas_condensing_boiler", "electric_direct", "heat_network"], kinds),
    )
    described = homes.describe(stock, base.reference, base.settings)
    fit = assess.prepare(described, base).filter(pl.col("excluded").is_null())
    some = fit[rng.integers(0, fit.height, count)]
    wall, u = rng.uniform(5.0, 150.0, count), rng.uniform(0.4, 2.6, count)
    bridging = rng.uniform(0.0, 60.0, count)
    before = wall * u + bridging + rng.uniform(20.0, 300.0, count)
    figures = {
        "treated_wall_area_m2": wall,
        "u_existing_w_m2k": u,
        "bridging_heat_loss_w_k": bridging,
        "heat_loss_before_w_k": before,
        "internal_gains_w": rng.uniform(50.0, 900.0, count),
        "solar_aperture_m2": rng.uniform(0.5, 15.0, count),
    }
    longer = pl.Series(rng.uniform(0.2, 3.0, count))
    some = some.with_columns(
        **{name: pl.Series(values) for name, values in figures.items()},
        **{f"{name}_length_m": pl.col(f"{name}_length_m") * longer for name in PLACES},
        tight=pl.col("clearance_mm").is_not_null(),
    )
    demand = degree_days.heat_demand(before, homes.seasonal(base.year, some, before))
    return some.with_columns(heat_before_kwh_per_year=pl.Series(demand))


def ratios(
    some: pl.DataFrame, heat_loss: Floats, price: Floats, allowed: Mask, base: assess.Basis
) -> Floats:
    """What `assess._ratios` spares: every allowed option of every home, exactly."""
    saved = assess._saved(some, heat_loss, base)
    return np.divide(price, saved, out=np.full(price.shape, np.inf), where=allowed & (saved > 0.0))


def choose(some: pl.DataFrame, base: assess.Basis) -> pl.DataFrame:
    """`assess.choose` without bounds."""
    with mock.patch.object(assess, "_ratios", ratios):
        return assess.choose(some, base)
