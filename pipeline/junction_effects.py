"""What junctions do to a home's saving: lengths from the home, psi from the junction table."""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline import junction_catalogue
from pipeline.junction_catalogue import EDGE, PLACES, Effect
from pipeline.physics import Floats
from pipeline.reference import Reference
from pipeline.settings import Details

_WALL = "junction_wall"


def variants(details: Details) -> dict[str, str]:
    """The variant built at each junction under the settings."""
    openings = dict.fromkeys(("jamb", "head", "sill"), details.reveal)
    edges = {"base": details.base, "eaves": details.eaves, "neighbour": details.neighbour}
    return {**openings, **edges, "corner": "unbroken", EDGE: "ended"}


def effect(built: Mapping[str, str], options: pl.DataFrame) -> Effect:
    """Junctions of every wall of the table with each option; options: thickness_mm, lambda_w_mk."""
    return junction_catalogue.load().effect(
        built, options["thickness_mm"].to_numpy(), options["lambda_w_mk"].to_numpy()
    )


def with_wall(homes: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Add the wall of the junction table that stands for each home's; null where none does."""
    return homes.with_columns(junction_catalogue.wall_of(reference).alias(_WALL))


def walls(homes: pl.DataFrame, found: Effect) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Index of each home's wall in the effect, -1 where the table has none."""
    place = {name: i for i, name in enumerate(found.walls)}
    return homes[_WALL].replace_strict(place, default=-1, return_dtype=pl.Int64).to_numpy()


def lengths(homes: pl.DataFrame) -> Floats:
    """Junction lengths [m], shape [home, junction]."""
    return homes.select(f"{name}_length_m" for name in PLACES).to_numpy().astype(float)


def of_own_option(homes: pl.DataFrame, built: Mapping[str, str]) -> pl.DataFrame:
    """Reduction [W/K] and least temperature factor of each home with the option beside it.

    homes: with thickness_mm and lambda_w_mk, null where there is no option. Returns
    junction_heat_loss_reduction_w_k (0 where the table has no such wall; never more than the
    bridging loss the home's heat loss counts, else works would save what was never lost) and
    f_rsi_<junction>, null where a junction is absent.
    """
    pairs = homes.select("thickness_mm", "lambda_w_mk")
    distinct = pairs.drop_nulls().unique(maintain_order=True).with_row_index("pair")
    if distinct.height == 0:
        nothing = pl.repeat(None, homes.height, dtype=pl.Float64, eager=True)
        names = ("junction_heat_loss_reduction_w_k", *(f"f_rsi_{j}" for j in PLACES))
        return pl.DataFrame(dict.fromkeys(names, nothing))
    found = effect(built, distinct)
    pair = pairs.join(distinct, on=pairs.columns, how="left", maintain_order="left")["pair"]
    chosen = pair.is_not_null().to_numpy()
    option = pair.fill_null(0).to_numpy()
    wall, length = walls(homes, found), lengths(homes)
    known = chosen & (wall >= 0)
    saved = (length * found.psi_saved[wall, :, option]).sum(axis=1)
    most = homes["bridging_heat_loss_w_k"].to_numpy()
    reduction = np.where(known, np.minimum(saved, most), 0.0)
    factor = np.where(
        known[:, None] & (length > 0.0), found.f_rsi_heat_after[wall, :, option], np.nan
    )
    return pl.DataFrame(
        {
            "junction_heat_loss_reduction_w_k": np.where(chosen, reduction, np.nan),
            **{f"f_rsi_{name}": factor[:, j] for j, name in enumerate(PLACES)},
        }
    ).fill_nan(None)
