"""The rules a row of the stock list must keep, as one pandera schema over typed columns.

A rule is a polars expression that is true for a good row; null counts as good, so that a rule
speaks only of cells that hold something. Bounds are wide on purpose and common practice unless a
rule says otherwise: what cannot be goes to quarantine, what is unusual gets a warning.
"""

import datetime
from dataclasses import dataclass
from functools import cache
from typing import Literal

import pandera.polars as pa
import polars as pl
from pandera.api.polars.types import PolarsData

from pipeline import reference
from pipeline.columns import Column, by_role, dictionary
from pipeline.stock.headings import ESSENTIAL

Severity = Literal["reject", "quarantine", "warn"]
UNREADABLE = "__unreadable"
UNREAD = "could not be read"
TOTAL = "is a total, not a home"
LATEST_YEAR = 2026
STALE_AFTER_YEARS = 5
COMMON_STOREYS = {"house": 2.0, "bungalow": 1.0, "flat": 1.0, "maisonette": 2.0}
"""Storeys of a home whose list does not say (common practice)."""
BAND_FIRST_YEARS = {
    row["band"]: row["first_year"] or 1850.0
    for row in reference.load().table("age_bands").iter_rows(named=True)
    if row["nation"] == "england_wales"
}
MAY_BE_UNREADABLE = frozenset(
    {
        *("built_form", "floor_position", "storeys", "glazing", "loft_insulation_mm", "heating"),
        *("epc_band", "low_income", "survey_date", "metered_heating_kwh_per_year"),
        *("wall_thickness_mm", "window_area_m2", "jamb_length_m", "head_length_m"),
        *("sill_length_m", "base_length_m", "eaves_length_m", "neighbour_length_m"),
        "corner_length_m",
    }
)
"""Columns that have a graded default or only inform: a cell that cannot be read there counts as
not known, with a warning. Everywhere else it keeps the row out, safety and eligibility first."""
MOST_AT_FAULT = 0.5
"""A list in which a rule of severity `reject` fails for more than this share is refused whole."""


@dataclass(frozen=True)
class Rule:
    """One rule on one column: `good` holds for a row that keeps it; `says` tells the fault.

    severity: `quarantine` keeps the row out; `warn` lets it in with a warning; `reject` is
    quarantine, and refuses the whole list where over half of the rows fail.
    """

    column: str
    good: pl.Expr
    says: str
    severity: Severity = "quarantine"


def _between(column: str, low: float, high: float, unit: str = "") -> Rule:
    return Rule(
        column,
        pl.col(column).is_between(low, high),
        f"is outside {low:g} to {high:g} {unit}".strip(),
    )


_FLAT = pl.col("property_type").is_in(["flat", "maisonette"])
_STOREYS = pl.col("storeys").fill_null(
    pl.col("property_type").replace_strict(COMMON_STOREYS, default=2.0, return_dtype=pl.Float64)
)
_U = pl.col("u_existing_w_m2k")
_FIRST_YEAR = pl.col("age_band").replace_strict(
    BAND_FIRST_YEARS, default=None, return_dtype=pl.Float64
)
_YEAR = pl.coalesce("construction_year", _FIRST_YEAR)
_SQUARE_WALLS = (
    10.0 * (pl.col("floor_area_m2") * _STOREYS).sqrt()
    * pl.col("built_form").replace_strict(
        {"detached": 1.0, "semi_detached": 0.75, "end_terrace": 0.75, "mid_terrace": 0.5},
        default=None, return_dtype=pl.Float64,
    )
)  # fmt: skip
_PRESENT = "is missing"

RULES = (
    Rule("home_id", pl.col("home_id").is_not_null(), _PRESENT, "reject"),
    Rule("property_type", pl.col("property_type").is_not_null(), _PRESENT, "reject"),
    Rule("wall_construction", pl.col("wall_construction").is_not_null(), _PRESENT, "reject"),
    Rule("floor_area_m2", pl.col("floor_area_m2").is_not_null(), _PRESENT, "reject"),
    Rule(
        "construction_year",
        pl.col("construction_year").is_not_null() | pl.col("age_band").is_not_null(),
        _PRESENT,
        "reject",
    ),
    Rule(
        "home_id",
        ~pl.col("home_id").str.contains(r"(?i)^(grand |sub ?)?(total|sum|count|average)s?\b"),
        TOTAL,
    ),
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
        "wall_area_m2",
        (pl.col("wall_area_m2") / _SQUARE_WALLS).is_between(0.4, 2.2),
        "is unusual for the floor area, storeys and built form",
        "warn",
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
    Rule(
        "construction_year",
        ~(pl.col("wall_construction").is_in(["solid_brick", "cob"]) & (_YEAR > 1966)),
        "is late for a solid wall: check age and construction",
        "warn",
    ),
    Rule(
        "construction_year",
        ~(pl.col("wall_construction").is_in(["cavity", "filled_cavity"]) & (_YEAR < 1900)),
        "is early for a cavity wall: check age and construction",
        "warn",
    ),
    Rule(
        "u_existing_w_m2k",
        ~(pl.col("wall_construction").is_in(["solid_brick", "stone_granite", "stone_sandstone"])
          & (pl.col("wall_insulation").fill_null("none") == "none") & (_U < 0.7)),
        "is low for an uninsulated solid wall",
        "warn",
    ),
    Rule(
        "u_existing_w_m2k",
        ~((pl.col("wall_construction") == "filled_cavity") & (_U > 1.2)),
        "is high for a filled cavity",
        "warn",
    ),
    Rule(
        "property_type",
        ~((pl.col("property_type") == "flat") & pl.col("block_ref").is_null()),
        "has no block: its height and shared walls cannot be followed",
        "warn",
    ),
    Rule(
        "survey_date",
        pl.col("survey_date").is_between(
            pl.lit(datetime.date(LATEST_YEAR - STALE_AFTER_YEARS, 1, 1)),
            pl.lit(datetime.date(LATEST_YEAR, 12, 31)),
        ),
        f"is over {STALE_AFTER_YEARS} years back or in the future: treat the record as stale",
        "warn",
    ),
    Rule("source_row", pl.col("cloned_rows").is_null(), "is one of a run of equal records", "warn"),
)  # fmt: skip


def severity_of(column: str, says: str) -> Severity:
    """Severity of a rule by the column and words a failure reports."""
    if says == UNREAD and column in MAY_BE_UNREADABLE:
        return "warn"
    found = [r.severity for r in RULES if (r.column, r.says) == (column, says)]
    return found[0] if found else "quarantine"


def _check(rule: Rule) -> pa.Check:
    def holds(data: PolarsData) -> pl.LazyFrame:
        return data.lazyframe.select(rule.good)

    return pa.Check(holds, name=rule.says)


def _column(column: Column) -> pa.Column:
    rules = [rule for rule in RULES if rule.column == column.name]
    rules.append(Rule(column.name, ~pl.col(column.name + UNREADABLE), UNREAD))
    return pa.Column(column.polars_dtype, [_check(rule) for rule in rules], nullable=True)


@cache
def schema(present: frozenset[str]) -> pa.DataFrameSchema:
    """The schema of a typed stock list; every failure it reports carries a row index.

    present: columns that hold anything. A column that holds nothing can only lack what it must
    have, so of the others only the essential ones are checked.
    """
    checked = [c for c in by_role("stock") if c.name in present or c.name in ESSENTIAL]
    columns = {column.name: _column(column) for column in checked}
    own = [rule for rule in RULES if rule.column == "source_row"]
    columns["source_row"] = pa.Column(pl.UInt32, [_check(rule) for rule in own], nullable=False)
    return pa.DataFrameSchema(columns)


ORDER = {name: i for i, name in enumerate([*(c.name for c in by_role("stock")), "source_row"])}
"""Place of each column in the dictionary, in which faults of a row are told."""


def label(column: str) -> str:
    """Plain label of the column a rule speaks of."""
    return "Row" if column == "source_row" else dictionary()[column].label
