"""Taking off: from a home's geometry to the quantity of every item of the bill.

Drivers are the numbers a home is measured by (net area, lengths, counts). An item's quantity is a
sum over drivers of the home's number times a quantity per unit that depends on the option alone,
so that quantities and prices of all options are matrix products.
"""

from collections.abc import Mapping

import numpy as np
import polars as pl

from pipeline.errors import ReferenceTableError
from pipeline.physics import Floats
from pipeline.reference import Reference
from pipeline.stock.rules import FLATS

SECTIONS = ("insulation", "render", "details", "access", "enabling", "on_costs")
"""Parts of the bill, in order; all but the last are works."""
_COUNTED = (
    "flue", "meter_box", "downpipe", "gully", "soil_pipe", "dish", "light", "tap", "cable", "vent",
    "canopy", "gate",
)  # fmt: skip
_LENGTHS = ("base", "eaves", "corner", "jamb", "head", "sill", "neighbour")
DRIVERS = (
    "home", "net_area", *_LENGTHS, "rail", "windows", "doors", "scaffold_1", "scaffold_2",
    "scaffold_3", "elevations", *_COUNTED,
)  # fmt: skip


def drivers(homes: pl.DataFrame, reference: Reference) -> Floats:
    """Numbers each home is measured by, shape [home, driver]: m2, m or a count.

    Openings are counted from the lengths of their sills and heads; estimated ones are not whole
    numbers. Where the insulation ends at a wall left bare it ends as at a neighbour's. Doorways
    break the base rail only where the home stands on the ground.
    """
    c = reference.constant
    counts = reference.table("enabling_counts")
    windows = pl.col("sill_length_m") * (1.0 / c("window_width"))
    doors = (pl.col("head_length_m") - pl.col("sill_length_m")).clip(0.0) * (1.0 / c("door_width"))
    openings = windows * (c("window_width") * c("window_height")) + doors * (
        c("door_width") * c("door_height")
    )
    face = pl.col("treated_wall_area_m2") + openings
    side = (pl.col("floor_area_m2") / pl.col("storeys")).sqrt()
    height = pl.col("building_height_m")
    upstairs = pl.col("property_type").is_in(FLATS) & pl.col("floor_position").is_in(["mid", "top"])
    three = (
        (pl.col("storeys") > 2)
        | (height > c("scaffold_two_storeys_up_to")).fill_null(False)
        | (upstairs & height.is_null())
    )
    band = pl.when(three).then(3).when(pl.col("storeys") > 1).then(2).otherwise(1)
    expressions = {
        "home": pl.lit(1.0),
        "net_area": pl.col("treated_wall_area_m2"),
        **{name: pl.col(f"{name}_length_m") for name in _LENGTHS},
        "neighbour": pl.col("neighbour_length_m") + pl.col("edge_length_m"),
        "rail": (pl.col("base_length_m") - doors * c("door_width")).clip(0.0),
        "windows": windows,
        "doors": doors,
        **{f"scaffold_{n}": pl.when(band == n).then(face).otherwise(0.0) for n in (1, 2, 3)},
        "elevations": pl.col("exposed_perimeter_m") / side * pl.col("treatable_share"),
        **{
            name: pl.col("property_type").replace_strict(
                counts["property_type"], counts[name], return_dtype=pl.Float64
            )
            for name in _COUNTED
        },
    }
    measured = homes.select(expressions[name].alias(name) for name in DRIVERS)
    return np.ascontiguousarray(measured.to_numpy().astype(float))


def items(reference: Reference, built: Mapping[str, str]) -> pl.DataFrame:
    """The items of the bill that the details built call for, in the order of the bill.

    built: variant of each junction, as `junction_effects.variants` gives it.
    """
    details = {f"{name}={variant}" for name, variant in built.items()}
    details |= {f"reveal={built['jamb']}"}
    table = reference.table("bill_items").filter(pl.col("waste").is_not_null())
    if unknown := set(table["section"]) - set(SECTIONS):
        raise ReferenceTableError(f"bill_items.csv names unknown sections: {sorted(unknown)}.")
    wanted = [
        not only or bool(details & set(only.split("|")))
        for only in table["only_with"].fill_null("")
    ]
    return table.filter(pl.Series(wanted, dtype=pl.Boolean))


def per_driver(bill: pl.DataFrame, options: pl.DataFrame, reference: Reference) -> Floats:
    """Net quantity of each item per unit of each driver with each option.

    bill: as `items` returns it; options: rows of system and thickness_mm. Shape
    [item, driver, option], in the item's unit.
    """
    systems = options.join(
        reference.table("insulation_systems"), on="system", how="left", maintain_order="left"
    )
    thickness = options["thickness_mm"].to_numpy()
    place = {name: i for i, name in enumerate(bill["item"])}
    driver = {name: i for i, name in enumerate(DRIVERS)}
    out = np.zeros((bill.height, len(DRIVERS), options.height))
    for row in reference.table("take_off").iter_rows(named=True):
        if row["driver"] not in driver:
            raise ReferenceTableError(f"take_off.csv names no known driver: {row['driver']}.")
        if row["item"] in place:
            quantity = row["per"] + row["per_mm"] * thickness
            times = systems[row["times"]].to_numpy() if row["times"] else 1.0
            out[place[row["item"]], driver[row["driver"]]] += quantity * times
    return out
