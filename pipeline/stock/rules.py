"""The rules a row of the stock list must keep, as one pandera schema over typed columns.

A rule is a polars expression that is true for a good row; null counts as good, so that a rule
speaks only of cells that hold something. Bounds stand in stock_limits.csv, wide on purpose: what
cannot be goes to quarantine, what is unusual gets a warning.
"""

import datetime
from dataclasses import dataclass
from functools import cache
from typing import Literal

import pandera.polars as pa
import polars as pl
from pandera.api.polars.types import PolarsData

from pipeline import reference
from pipeline.columns import by_role, dictionary
from pipeline.stock.casting import WALLS
from pipeline.stock.headings import ESSENTIAL

Severity = Literal["reject", "quarantine", "warn"]
UNREADABLE = "__unreadable"
UNREAD = "could not be read"
ONLY_U = "is not known, only the U-value of the wall"
"""What a wall is built of decides its screens and its price, so the home is held."""
_TABLES = reference.load()
_LIMITS = {row["name"]: row for row in _TABLES.table("stock_limits").iter_rows(named=True)}
FLATS = ("flat", "maisonette")
COMMON_STOREYS = {
    row["property_type"]: float(row["filled_with"])
    for row in _TABLES.table("stock_defaults").iter_rows(named=True)
    if row["column"] == "storeys"
}
"""Storeys of a home whose list does not say."""
BAND_FIRST_YEARS = {
    row["band"]: row["first_year"] or 1850.0
    for row in _TABLES.table("age_bands").iter_rows(named=True)
    if row["nation"] == "england_wales"
}
ONLY_INFORMS = frozenset(
    {
        *(
            "status",
            "epc_band",
            "low_income",
            "survey_date",
            "metered_heating_kwh_per_year",
            "exposure_zone",
        ),
        *("damp", "wall_condition", "structural_frame", "pull_out_kn", "ventilation", "asbestos"),
        *("services_in_wall", "eaves_overhang_mm", "exposure_zone"),
    }
)
"""Columns that only inform or are screened as not surveyed: no default stands for what was said."""
MOST_AT_FAULT: float = _LIMITS["rows_at_fault"]["high"]
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


def _low(name: str) -> float:
    return float(_LIMITS[name]["low"])


def _high(name: str) -> float:
    return float(_LIMITS[name]["high"])


def _between(column: str) -> Rule:
    low, high, unit = _low(column), _high(column), _LIMITS[column]["unit"]
    said = "" if unit in ("no", "year", "fraction") else f" {unit}"
    return Rule(
        column, pl.col(column).is_between(low, high), f"is outside {low:g} to {high:g}{said}"
    )


def _of_type(name: str) -> pl.Expr:
    """Lower limit of a name that has its own for flats."""
    return pl.when(_FLAT).then(_low(f"{name}_of_a_flat")).otherwise(_low(name))


_FLAT = pl.col("property_type").is_in(FLATS)
_COMMON = pl.col("property_type").replace_strict(
    COMMON_STOREYS, default=2.0, return_dtype=pl.Float64
)
OF_ITS_BLOCK = _FLAT & (pl.col("storeys") > _COMMON)
"""Whether the storeys said of a flat are those of its block: a flat has one, a maisonette two."""
_STOREYS = pl.when(OF_ITS_BLOCK).then(_COMMON).otherwise(pl.col("storeys").fill_null(_COMMON))
_U = pl.col("u_existing_w_m2k")
_FIRST_YEAR = pl.col("age_band").replace_strict(
    BAND_FIRST_YEARS, default=None, return_dtype=pl.Float64
)
_YEAR = pl.coalesce("construction_year", _FIRST_YEAR)
_SQUARE_WALLS = (
    _low("square_plan_wall") * (pl.col("floor_area_m2") * _STOREYS).sqrt()
    * pl.col("built_form").replace_strict(
        {
            row["built_form"]: row["share"]
            for row in _TABLES.table("exposed_perimeter_share").iter_rows(named=True)
            if row["property_type"] == "house"
        },
        default=None, return_dtype=pl.Float64,
    )
)  # fmt: skip
_PARTS = (
    pl.col("front_wall_area_m2") + pl.col("rear_wall_area_m2")
    + pl.when(pl.col("built_form") == "mid_terrace")
    .then(pl.col("gable_wall_area_m2").fill_null(0.0))
    .otherwise("gable_wall_area_m2")
)  # fmt: skip
_WALL = pl.col("wall_construction")
_KNOWN_U = _U.is_between(_low("u_existing_w_m2k"), _high("u_existing_w_m2k")).fill_null(False)
_PRESENT = "is missing"
_SMALLEST, _LARGEST = _low("floor_area_m2"), _high("floor_area_m2")
_STALE_YEARS = int(_high("survey_age_years"))
_LATEST_YEAR = int(_high("construction_year"))

RULES = (
    Rule("home_id", pl.col("home_id").is_not_null(), _PRESENT, "reject"),
    Rule("property_type", pl.col("property_type").is_not_null(), _PRESENT, "reject"),
    Rule("wall_construction", _WALL.is_not_null() | _KNOWN_U, _PRESENT, "reject"),
    Rule("wall_construction", _WALL.is_not_null() | ~_KNOWN_U, ONLY_U, "warn"),
    Rule("floor_area_m2", pl.col("floor_area_m2").is_not_null(), _PRESENT, "reject"),
    Rule(
        "construction_year",
        pl.col("construction_year").is_not_null() | pl.col("age_band").is_not_null(),
        _PRESENT,
        "reject",
    ),
    Rule("status", pl.col("status") != "gone", "says that it is no longer the landlord's"),
    Rule("status", pl.col("status") != "no_home", "says that it is no dwelling"),
    Rule("uprn", pl.col("uprn").str.contains(r"^\d{1,12}$"), "is not a number of up to 12 digits"),
    Rule(
        "postcode",
        pl.col("postcode").str.contains(r"^[A-Z]{1,2}\d[A-Z\d]? \d[A-Z]{2}$"),
        "does not have the form of a postcode",
    ),
    _between("construction_year"),
    Rule(
        "floor_area_m2",
        pl.col("floor_area_m2").is_between(_of_type("floor_area_m2"), _LARGEST),
        f"is outside what homes have ({_SMALLEST:g} to {_LARGEST:g} m2; flats from"
        f" {_low('floor_area_m2_of_a_flat'):g})",
    ),
    Rule(
        "wall_area_m2",
        pl.col("wall_area_m2").is_between(
            pl.col("floor_area_m2") * _of_type("wall_over_floor_area"),
            pl.col("floor_area_m2") * _high("wall_over_floor_area"),
        ),
        "cannot belong to this floor area",
    ),
    Rule(
        "wall_area_m2",
        (pl.col("wall_area_m2") / _SQUARE_WALLS).is_between(
            _low("wall_over_square_plan"), _high("wall_over_square_plan")
        ),
        "is unusual for the floor area, storeys and built form",
        "warn",
    ),
    Rule(
        "window_area_m2",
        pl.col("window_area_m2").is_between(
            _low("window_area_m2"), pl.col("floor_area_m2") * _high("window_over_floor_area")
        ),
        "cannot belong to this floor area",
    ),
    Rule(
        "floor_area_m2",
        pl.col("floor_area_m2") / _STOREYS >= _low("floor_area_m2_of_a_storey"),
        f"leaves under {_low('floor_area_m2_of_a_storey'):g} m2 to a storey",
    ),
    Rule(
        "storeys",
        OF_ITS_BLOCK | pl.col("storeys").is_between(_low("storeys"), _high("storeys")),
        f"is outside {_low('storeys'):g} to {_high('storeys'):g}",
    ),
    Rule("storeys", ~OF_ITS_BLOCK, "is taken for that of its block, not of the flat", "warn"),
    _between("building_height_m"),
    _between("wall_thickness_mm"),
    *(_between(f"{wall}_wall_area_m2") for wall in WALLS),
    Rule(
        "wall_area_m2",
        ((_PARTS / pl.col("wall_area_m2")) - 1.0).abs() <= _high("wall_parts_apart"),
        "differs by over a tenth from its front, rear and gable walls, whose sum counts",
        "warn",
    ),
    *(_between(column.name) for column in by_role("stock") if column.name.endswith("_length_m")),
    _between("treatable_share"),
    _between("u_existing_w_m2k"),
    _between("loft_insulation_mm"),
    _between("metered_heating_kwh_per_year"),
    Rule(
        "metered_heating_kwh_per_year",
        pl.col("metered_heating_kwh_per_year") >= _low("metered_heating_unusual"),
        f"is under {_low('metered_heating_unusual'):g} kWh in a year: check unit and period",
        "warn",
    ),
    _between("measured_htc_w_k"),
    _between("clearance_mm"),
    _between("pull_out_kn"),
    _between("eaves_overhang_mm"),
    Rule(
        "construction_year",
        ~pl.col("wall_construction").is_in(["solid_brick", "cob"])
        | (_YEAR <= _high("solid_wall_year")),
        "is late for a solid wall: check age and construction",
        "warn",
    ),
    Rule(
        "construction_year",
        ~pl.col("wall_construction").is_in(["cavity", "filled_cavity"])
        | (_YEAR >= _low("cavity_wall_year")),
        "is early for a cavity wall: check age and construction",
        "warn",
    ),
    Rule(
        "u_existing_w_m2k",
        ~(pl.col("wall_construction").is_in(["solid_brick", "stone_granite", "stone_sandstone"])
          & (pl.col("wall_insulation").fill_null("none") == "none") & (_U < _low("solid_wall_u"))),
        "is low for an uninsulated solid wall",
        "warn",
    ),
    Rule(
        "u_existing_w_m2k",
        ~((pl.col("wall_construction") == "filled_cavity") & (_U > _high("filled_cavity_u"))),
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
            pl.lit(datetime.date(_LATEST_YEAR - _STALE_YEARS, 1, 1)),
            pl.lit(datetime.date(_LATEST_YEAR, 12, 31)),
        ),
        f"is over {_STALE_YEARS} years back or in the future: treat the record as stale",
        "warn",
    ),
    Rule("source_row", pl.col("cloned_rows").is_null(), "is one of a run of equal records", "warn"),
)  # fmt: skip


def severity_of(column: str, says: str) -> Severity:
    """Severity of a rule by the column and words a failure reports.

    A cell that cannot be read costs no home where its column is optional: it counts as not known,
    with a warning, and the home is held (`faults.held_of`) where a default would stand for it.
    """
    if says == UNREAD:
        return "quarantine" if column in ESSENTIAL else "warn"
    found = [r.severity for r in RULES if (r.column, r.says) == (column, says)]
    return found[0] if found else "quarantine"


@cache
def _columns() -> dict[str, list[Rule]]:
    """Every rule by its column, whether its cells could be read among them."""
    rules: dict[str, list[Rule]] = {column.name: [] for column in by_role("stock")}
    for name, own in rules.items():
        own += [rule for rule in RULES if rule.column == name]
        unread = pl.col(name + UNREADABLE)
        if name == "wall_construction":  # else `ONLY_U` holds the home
            unread &= ~_KNOWN_U
        own.append(Rule(name, ~unread, UNREAD))
    return rules | {"source_row": [rule for rule in RULES if rule.column == "source_row"]}


@cache
def _any_breaks() -> list[pl.Expr]:
    rules = [rule for own in _columns().values() for rule in own]
    return [(~rule.good.all()).alias(f"{rule.column} {rule.says}") for rule in rules]


def _check(rule: Rule) -> pa.Check:
    def holds(data: PolarsData) -> pl.LazyFrame:
        return data.lazyframe.select(rule.good)

    return pa.Check(holds, name=rule.says)


def schema(typed: pl.DataFrame) -> pa.DataFrameSchema:
    """The schema of a typed stock list; every failure it reports carries a row index.

    Checks one by one cost the schema far more than all rules in one pass cost polars, so it holds
    the checks that some row of the list fails, which are all that it could report.
    """
    broken = typed.select(_any_breaks()).row(0, named=True)
    checks = {
        name: [_check(rule) for rule in own if broken[f"{name} {rule.says}"]]
        for name, own in _columns().items()
    }
    dtypes = {name: typed.schema[name] for name in checks}
    return pa.DataFrameSchema(
        {n: pa.Column(dtypes[n], own, nullable=True) for n, own in checks.items() if own}
    )


ORDER = {name: i for i, name in enumerate([*(c.name for c in by_role("stock")), "source_row"])}
"""Place of each column in the dictionary, in which faults of a row are told."""


def label(column: str) -> str:
    """Plain label of the column a rule speaks of."""
    return "Row" if column == "source_row" else dictionary()[column].label
