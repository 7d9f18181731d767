"""Which walls of a home are treated: areas of front, rear and gable, and their junctions.

A home is taken as a square of each storey's area: one side to the front, one to the rear, the
others gables without openings or party walls (exposed_perimeter_share.csv).
"""

from functools import reduce
from operator import add

import polars as pl

from pipeline.reference import Reference
from pipeline.stock import casting

WALLS = casting.WALLS
STOCK_LIST = "stock list"
REFUSED = (pl.col("walls_refused") != "none").fill_null(False)
"""Whether the list names walls that may not be treated."""


def wall_parts(frame: pl.DataFrame, net: pl.Expr) -> pl.DataFrame:
    """Net area of front, rear and gable walls and of all: listed, else by form.

    Without a list each gable is a blank side of the square, front and rear share the rest and the
    openings. Parts listed in full add up to the wall area; in part, the rest is split by form.
    """
    listed = {wall: pl.col(f"{wall}_wall_area_m2") for wall in WALLS}
    given = {wall: area.fill_null(0.0) for wall, area in listed.items()}
    sides = pl.col("gable_sides")
    no_gable = listed["gable"].is_null() & (sides > 0.0)
    whole = listed["front"].is_not_null() & listed["rear"].is_not_null() & ~no_gable
    some = pl.any_horizontal(area.is_not_null() for area in listed.values())
    total = given["front"] + given["rear"] + given["gable"]
    known = pl.coalesce("wall_area_m2", net)
    frame = frame.with_columns(
        wall_area_source=pl.when(whole)
        .then(pl.lit("stock list: front, rear and gable walls"))
        .otherwise(source_of("wall_area_m2", "estimated from floor area, storeys and form")),
        wall_area_m2_known=pl.col("wall_area_m2_known") | whole,
        wall_parts_source=pl.when(whole)
        .then(pl.lit(STOCK_LIST))
        .when(some)
        .then(pl.lit("stock list in part, else split by form"))
        .otherwise(pl.lit("split by form")),
        wall_area_m2=pl.when(whole).then(total).otherwise(pl.max_horizontal(known, total)),
    )
    wall, openings = pl.col("wall_area_m2"), pl.col("window_area_m2") + pl.col("door_area_m2")
    blank = pl.min_horizontal((wall + openings) * sides / (sides + 2.0), wall)
    form = {"front": (wall - blank) * 0.5, "rear": (wall - blank) * 0.5, "gable": blank}
    lacking = [pl.when(listed[w].is_null()).then(form[w]).otherwise(0.0) for w in WALLS]
    left = (wall - total) / (lacking[0] + lacking[1] + lacking[2])
    return frame.with_columns(
        pl.coalesce(
            listed[w], pl.when(some & (form[w] > 0.0)).then(form[w] * left).otherwise(form[w])
        ).alias(f"{w}_wall_area_m2")
        for w in WALLS
    )


def treated(frame: pl.DataFrame) -> pl.DataFrame:
    """Treated and untreated area: of the walls not refused, else by the treatable share.

    Adds treated_<wall>, the share of each wall that is treated, for the junctions.
    """
    frame = frame.with_columns(
        pl.when(REFUSED)
        .then(1.0 - pl.col("walls_refused").str.contains(w).cast(pl.Float64))
        .otherwise("treatable_share")
        .alias(f"treated_{w}")
        for w in WALLS
    )
    areas = [(pl.col(f"{w}_wall_area_m2"), pl.col(f"treated_{w}")) for w in WALLS]
    treated = reduce(add, [wall * part for wall, part in areas])
    refused = reduce(add, [wall * (1.0 - part) for wall, part in areas])
    area, share = pl.col("wall_area_m2"), pl.col("treatable_share")
    names = [
        pl.when(part > 0.0, wall > 0.0).then(pl.lit(w))
        for w, (wall, part) in zip(WALLS, areas, strict=True)
    ]
    return frame.with_columns(
        treated_wall_area_m2=pl.when(REFUSED).then(treated).otherwise(area * share),
        untreated_wall_area_m2=pl.when(REFUSED).then(refused).otherwise(area * (1.0 - share)),
        treated_walls=pl.when(REFUSED)
        .then(pl.concat_str(names, separator=", ", ignore_nulls=True).replace("", "none"))
        .when(share < 1.0)
        .then(pl.format("{} % of the walls", (share * 100.0).round().cast(pl.Int64)))
        .otherwise(pl.lit("all")),
    ).with_columns(
        treatable_share=pl.when(REFUSED & (area > 0.0))
        .then(pl.col("treated_wall_area_m2") / area)
        .otherwise(share)
    )


def junction_lengths(frame: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Lengths of the treated walls' junctions [m]: the list's, else from form and openings.

    Openings, eaves and edges at a neighbour's wall lie half to the front and half to the rear;
    half of the corners join front and gable, half rear and gable. A corner with one wall refused
    is an edge at which the insulation ends.
    """
    c = reference.constant
    windows = pl.col("window_area_m2") * (1.0 / (c("window_width") * c("window_height")))
    doors = pl.col("door_area_m2") * (1.0 / c("door_area"))
    height = pl.col("storeys") * c("storey_height")
    side = (pl.col("floor_area_m2") / pl.col("storeys")).sqrt()
    front, rear, gable = (pl.col(f"treated_{wall}") for wall in WALLS)
    sides, share = pl.col("gable_sides"), pl.col("treatable_share")

    def part(walls: pl.Expr) -> pl.Expr:
        return pl.when(REFUSED).then(walls).otherwise(share)

    streets = part((front + rear) * 0.5)
    around = part((front + rear + gable * sides) / (sides + 2.0))
    corners = part((front * gable + rear * gable) * 0.5)
    ends = ((front - gable).abs() + (rear - gable).abs()) * 0.5
    estimates = {
        "jamb": 2.0 * (c("window_height") * windows + c("door_height") * doors) * streets,
        "head": (c("window_width") * windows + c("door_width") * doors) * streets,
        "sill": c("window_width") * windows * streets,
        "base": pl.when(pl.col("ground_area_m2") > 0.0).then("exposed_perimeter_m").otherwise(0.0)
        * around,
        "eaves": pl.when(pl.col("roof_area_m2") > 0.0).then(2.0 * side).otherwise(0.0) * streets,
        "neighbour": pl.col("neighbour_edges") * height * streets,
        "corner": pl.col("corners") * height * corners,
    }
    given = [pl.col(f"{name}_length_m").is_not_null() for name in estimates]
    return frame.with_columns(
        *(
            pl.coalesce(f"{name}_length_m", length).alias(f"{name}_length_m")
            for name, length in estimates.items()
        ),
        edge_length_m=pl.when(REFUSED).then(pl.col("corners") * height * ends).otherwise(0.0),
        junction_lengths_source=pl.when(pl.all_horizontal(given))
        .then(pl.lit(STOCK_LIST))
        .when(pl.any_horizontal(given))
        .then(pl.lit("stock list in part, else estimated from form, storeys and openings"))
        .otherwise(pl.lit("estimated from form, storeys and openings")),
    )


def source_of(column: str, otherwise: str) -> pl.Expr:
    """The list, where it gives the column, else the words of the estimate."""
    known = pl.col(column).is_not_null()
    return pl.when(known).then(pl.lit(STOCK_LIST)).otherwise(pl.lit(otherwise))
