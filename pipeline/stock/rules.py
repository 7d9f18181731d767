"""The rules a row of the stock list must keep, as one pandera schema over typed columns.

A rule is a polars expression that is true for a good row; null counts as good, so that a rule
speaks only of cells that hold something. Ranges are wide on purpose: they catch what cannot be,
not what is unusual. Bounds are common practice unless a rule says otherwise.
"""

from dataclasses import dataclass

import pandera.polars as pa
import polars as pl
from pandera.api.polars.types import PolarsData

from pipeline.columns import Column, by_role

UNREADABLE = "__unreadable"
DUPLICATE = "duplicate_of_row"
LATEST_YEAR = 2026


@dataclass(frozen=True)
class Rule:
    """One rule on one column: `good` holds for a row that keeps it; `says` tells the fault."""

    column: str
    good: pl.Expr
    says: str


def _between(column: str, low: float, high: float, unit: str = "") -> Rule:
    return Rule(
        column,
        pl.col(column).is_between(low, high),
        f"is outside {low:g} to {high:g} {unit}".strip(),
    )


_FLAT = pl.col("property_type").is_in(["flat", "maisonette"])
_STOREYS = pl.col("storeys").fill_null(pl.when(_FLAT).then(1.0).otherwise(2.0))
_PRESENT = "is missing"

RULES = (
    Rule("home_id", pl.col("home_id").is_not_null(), _PRESENT),
    Rule("property_type", pl.col("property_type").is_not_null(), _PRESENT),
    Rule("wall_construction", pl.col("wall_construction").is_not_null(), _PRESENT),
    Rule("floor_area_m2", pl.col("floor_area_m2").is_not_null(), _PRESENT),
    Rule(
        "construction_year",
        pl.col("construction_year").is_not_null() | pl.col("age_band").is_not_null(),
        _PRESENT,
    ),
    Rule("source_row", pl.col(DUPLICATE).is_null(), "is a second entry of a home"),
    Rule("uprn", pl.col("uprn").str.contains(r"^\d{1,12}$"), "is not a number of up to 12 digits"),
    Rule(
        "postcode",
        pl.col("postcode").str.contains(r"^[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}$"),
        "does not have the form of a postcode",
    ),
    _between("construction_year", 1500, LATEST_YEAR),
    Rule(
        "floor_area_m2",
        pl.col("floor_area_m2").is_between(pl.when(_FLAT).then(12.0).otherwise(20.0), 400.0),
        "is outside what a home of this type has (12 or 20 to 400 m2)",
    ),
    Rule(
        "wall_area_m2",
        pl.col("wall_area_m2").is_between(
            pl.col("floor_area_m2") * pl.when(_FLAT).then(0.1).otherwise(0.25),
            pl.col("floor_area_m2") * 4.0,
        ),
        "cannot belong to this floor area",
    ),
    Rule(
        "window_area_m2",
        pl.col("window_area_m2").is_between(1.0, pl.col("floor_area_m2") * 0.6),
        "cannot belong to this floor area",
    ),
    Rule(
        "floor_area_m2",
        pl.col("floor_area_m2") / _STOREYS >= 10.0,
        "leaves under 10 m2 to a storey",
    ),
    _between("storeys", 1, 5),
    _between("building_height_m", 2, 200, "m"),
    _between("wall_thickness_mm", 75, 1200, "mm"),
    _between("treatable_share", 0, 1),
    _between("u_existing_w_m2k", 0.1, 3.5, "W/m2K"),
    _between("loft_insulation_mm", 0, 600, "mm"),
    _between("metered_heating_kwh_per_year", 0, 100_000, "kWh"),
    _between("measured_htc_w_k", 20, 1500, "W/K"),
    _between("clearance_mm", 0, 100_000, "mm"),
)


def _check(rule: Rule) -> pa.Check:
    def holds(data: PolarsData) -> pl.LazyFrame:
        return data.lazyframe.select(rule.good)

    return pa.Check(holds, name=rule.says)


def _column(column: Column) -> pa.Column:
    rules = [rule for rule in RULES if rule.column == column.name]
    rules.append(Rule(column.name, ~pl.col(column.name + UNREADABLE), "could not be read"))
    return pa.Column(column.polars_dtype, [_check(rule) for rule in rules], nullable=True)


def schema() -> pa.DataFrameSchema:
    """The schema of a typed stock list; every failure it reports carries a row index."""
    columns = {column.name: _column(column) for column in by_role("stock")}
    own = [rule for rule in RULES if rule.column == "source_row"]
    columns["source_row"] = pa.Column(pl.UInt32, [_check(rule) for rule in own], nullable=False)
    return pa.DataFrameSchema(columns)
