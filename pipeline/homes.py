"""Stock and reference tables in, each home's heat loss and energy today out.

What the stock list lacks is estimated, one relation per quantity, and named in
`estimated_inputs`. Nothing here depends on an insulation option.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline import treated_walls, wall_build_ups
from pipeline.physics import Floats, degree_days, dwelling, wall
from pipeline.reference import BANDS, DAYS_IN_MONTH, Reference
from pipeline.settings import Climate, Settings, WallBuildUp
from pipeline.stock.rules import COMMON_STOREYS, FLATS
from pipeline.treated_walls import REFUSED, STOCK_LIST, WALLS, source_of

AREA = pl.col("postcode").str.extract(r"^([A-Z]{1,2})\d")
"""The postcode's letters, such as HX."""


@dataclass(frozen=True)
class Season:
    """Monthly climate by region and the method of degree-days, for `seasonal` below.

    Only months of the heating season: months [month] numbers from 1; days [month]; outside
    [region, month] degC; irradiance [region, month] W/m2 on an east or west face.
    """

    months: tuple[int, ...]
    days: Floats
    outside: Floats
    irradiance: Floats
    climate: Climate
    hitchin_k: float


def season(reference: Reference, settings: Settings) -> Season:
    """The standard year of every region. Source: SAP 2012 Appendix U, Tables U1 and U3."""
    constants = reference.table("climate_solar_orientation_constants")
    east_west = constants.filter(pl.col("orientation") == "E_W").select(
        [f"k{i}" for i in range(1, 10)]
    )
    irradiance = dwelling.vertical_irradiance(
        reference.region_months("climate_solar", "W_m2_horizontal"),
        reference.table("climate_solar").sort("region_id")["latitude_degN"].to_numpy(),
        reference.table("climate_solar_declination")["declination_deg"].to_numpy(),
        east_west.to_numpy()[0].astype(float),
    )
    counted = [month - 1 for month in sorted(set(settings.climate.heating_months))]
    outside = reference.region_months("climate_temperature_monthly", "degC")
    return Season(
        tuple(month + 1 for month in counted),
        DAYS_IN_MONTH[counted],
        outside[:, counted] + settings.climate.temperature_shift_c,
        irradiance[:, counted],
        settings.climate,
        reference.constant("hitchin_k"),
    )


def seasonal(year: Season, homes: pl.DataFrame, heat_loss: Floats) -> Floats:
    """Degree-days of each home over the heating season [K·day], for heat_loss [home, ...] W/K.

    Balance point: each home's own, from its gains. Fixed base: the classic base temperature.
    Source: CIBSE TM41:2006.
    """
    region = homes["region_id"].to_numpy().astype(int)
    shape = (-1, *(1,) * (heat_loss.ndim - 1), len(year.months))
    if year.climate.method == "fixed_base":
        base = np.broadcast_to(year.climate.fixed_base_c, (*heat_loss.shape, len(year.months)))
    else:
        solar = homes["solar_aperture_m2"].to_numpy()[:, None] * year.irradiance[region]
        gains = homes["internal_gains_w"].to_numpy()[:, None] + solar
        base = degree_days.balance_point(
            year.climate.internal_temperature_c, gains.reshape(shape), heat_loss[..., None]
        )
    excess = base - year.outside[region].reshape(shape)
    return np.asarray(degree_days.hitchin(excess, year.days, year.hitchin_k).sum(axis=-1))


def describe(stock: pl.DataFrame, reference: Reference, settings: Settings) -> pl.DataFrame:
    """Every home with geometry, U-values, heat loss, degree-days and fuel before works."""
    frame = (
        stock.pipe(_place, reference)
        .pipe(_age, reference)
        .pipe(_fill_unknown, reference)
        .pipe(_geometry, reference)
        .pipe(treated_walls.junction_lengths, reference)
        .pipe(_wall_u, reference, settings.walls)
        .pipe(_element_u, reference)
        .pipe(_gains, reference)
        .pipe(_heat_loss, reference)
        .pipe(_heating, reference)
        .pipe(_grades, reference, settings)
    )
    return with_energy_today(frame, reference, settings)


def with_energy_today(
    homes: pl.DataFrame, reference: Reference, settings: Settings
) -> pl.DataFrame:
    """Degree-days, heat and fuel before works under the settings' climate."""
    heat_loss = homes["heat_loss_before_w_k"].to_numpy()
    days = seasonal(season(reference, settings), homes, heat_loss)
    heat = degree_days.heat_demand(heat_loss, days)
    return homes.with_columns(
        degree_days_before_k_day=pl.Series(days),
        heat_before_kwh_per_year=pl.Series(heat),
        fuel_before_kwh_per_year=pl.Series(heat) / pl.col("efficiency"),
    )


def _place(frame: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Climate region and nation from the postcode's district, else its area; street; lot.

    The lot is the block, else the street in its postcode district. A home without a postcode is
    of the lot of its street where all its neighbours lie in one district, else of a lot that bears
    the street's name alone.
    """
    table = reference.table("postcode_region")
    names = table["postcode_area_or_district"].to_list()
    region = dict(zip(names, table["region_id"].to_list(), strict=True))
    nation = dict(zip(names, table["nation"].to_list(), strict=True))
    named = pl.col("address").str.replace_all(r"(?i)\b(?:flat|apartment|apt|unit|no)\b", "")
    street = named.str.extract_all(r"\b[A-Za-z'’]{2,}\b").list.join(" ")
    street = street.str.to_titlecase().str.replace_all(r"(['’])S\b", "${1}s")
    street = street.replace("", None)
    region_id = of_place(region, pl.Float64)
    own = pl.col("postcode").str.extract(r"^(\S+)")
    streets = own.drop_nulls().n_unique().over(street) == 1
    district = pl.coalesce(own, pl.when(streets).then(own.drop_nulls().first().over(street)))
    return frame.with_columns(
        region_id=region_id.fill_null(0.0),
        nation=of_place(nation, pl.String).fill_null("england_wales"),
        region_source=pl.when(region_id.is_null())
        .then(pl.lit("no postcode known: average of the United Kingdom"))
        .otherwise(pl.lit("postcode")),
        street=pl.coalesce(street, "postcode", pl.lit("street not known")),
        lot=pl.coalesce(
            "block_ref",
            pl.concat_str(street, district, separator=", "),
            street,
            "postcode",
        ),
    )


def of_place(values: Mapping[str, object], dtype: type[pl.DataType]) -> pl.Expr:
    """The value of each home's postcode district, such as HX7, else of its area; else null."""
    district = pl.col("postcode").str.extract(r"^([A-Z]{1,2}\d[A-Z\d]?) ")
    return pl.coalesce(
        key.replace_strict(values, default=None, return_dtype=dtype) for key in (district, AREA)
    )


def _age(frame: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Construction age band of the nation from the year, where the list gives no band."""
    given = pl.col("age_band") if "age_band" in frame.columns else pl.lit(None, pl.String)
    rules = [
        pl.when(
            pl.col("nation") == row["nation"],
            pl.col("construction_year") >= (row["first_year"] or 0.0),
            pl.col("construction_year") <= (row["last_year"] or 9999.0),
        ).then(pl.lit(row["band"]))
        for row in reference.table("age_bands").iter_rows(named=True)
    ]
    return frame.with_columns(age_band=pl.coalesce(given, *rules))


def first_year(reference: Reference) -> pl.Expr:
    """Earliest year a home of its age band and nation can be from; 0 for the oldest band."""
    bands = reference.table("age_bands").with_columns(pl.col("first_year").fill_null(0.0))
    keys = bands.select(pl.concat_str("nation", "band"))["nation"].to_list()
    return pl.concat_str("nation", "age_band").replace_strict(
        keys, bands["first_year"].to_list(), default=0.0, return_dtype=pl.Float64
    )


def _fill_unknown(frame: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Defaults for what the list leaves open, each kept apart as `<column>_known`."""
    defaults = reference.table("stock_defaults").filter(pl.col("property_type").is_null())
    frame = frame.with_columns(
        pl.col(column).is_not_null().alias(f"{column}_known") for column, _, _ in GRADED.values()
    )
    return frame.with_columns(
        pl.col("storeys").fill_null(
            pl.col("property_type").replace_strict(COMMON_STOREYS, return_dtype=pl.Float64)
        ),
        *(
            pl.col(column).fill_null(pl.lit(value).cast(frame.schema[column]))
            for column, value in defaults.select("column", "filled_with").iter_rows()
        ),
    )


def _geometry(frame: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Areas and volume; the list's own wall and window areas where it has them."""
    c = reference.constant
    windows = reference.table("window_area").select(
        "dwelling", pl.col("band").alias("age_band"), "slope_m2_per_m2", "intercept_m2"
    )
    shares = reference.table("exposed_perimeter_share").select(
        pl.col("property_type").alias("dwelling"), "built_form", "share", "corners",
        "neighbour_edges", "gable_sides",
    )  # fmt: skip
    is_flat = pl.col("property_type").is_in(FLATS)
    frame = (
        frame.with_columns(
            dwelling=pl.when(is_flat).then(pl.lit("flat")).otherwise(pl.lit("house"))
        )
        .join(windows, on=["dwelling", "age_band"], how="left", maintain_order="left")
        .join(shares, on=["dwelling", "built_form"], how="left", maintain_order="left")
    )
    storey_area = pl.col("floor_area_m2") / pl.col("storeys")
    estimated_windows = pl.col("slope_m2_per_m2") * pl.col("floor_area_m2") + pl.col("intercept_m2")
    frame = frame.with_columns(
        window_area_source=source_of("window_area_m2", "estimated from floor area and age band"),
        window_area_m2=pl.coalesce("window_area_m2", estimated_windows),
        door_area_m2=pl.when(is_flat).then(c("doors_flat")).otherwise(c("doors_house"))
        * c("door_area"),
        exposed_perimeter_m=4.0 * storey_area.sqrt() * pl.col("share"),
        roof_area_m2=pl.when(~is_flat | (pl.col("floor_position") == "top"))
        .then(storey_area)
        .otherwise(0.0),
        ground_area_m2=pl.when(~is_flat | (pl.col("floor_position") == "ground"))
        .then(storey_area)
        .otherwise(0.0),
        volume_m3=pl.col("floor_area_m2") * c("storey_height"),
    )
    gross = pl.col("exposed_perimeter_m") * c("storey_height") * pl.col("storeys")
    net = (gross - pl.col("window_area_m2") - pl.col("door_area_m2")).clip(lower_bound=0.0)
    return frame.pipe(treated_walls.wall_parts, net).pipe(treated_walls.treated)


def _wall_u(
    frame: pl.DataFrame, reference: Reference, walls: dict[str, WallBuildUp]
) -> pl.DataFrame:
    """U of the wall today: the list's, a build-up's, stone by thickness, or by type and age."""
    c = reference.constant
    built = wall_build_ups.u_values(frame, walls, reference)
    table = reference.table("wall_u_by_age")
    keys = ["construction", "insulation", "age_band"]
    own = table.select(
        "nation", "construction", "insulation", pl.col("band").alias("age_band"),
        pl.col("u_w_m2k").alias("u_nation"), "edition",
    )  # fmt: skip
    england = own.filter(pl.col("nation") == "england_wales").select(
        *keys, pl.col("u_nation").alias("u_england"), pl.col("edition").alias("edition_england")
    )
    thickness = reference.table("wall_thickness_by_age").select(
        pl.col("construction").alias("wall_construction"),
        pl.col("band").alias("age_band"),
        pl.col("thickness_mm").alias("default_thickness_mm"),
    )
    filled = (pl.col("wall_construction") == "cavity") & (
        pl.col("wall_insulation") == "filled_cavity"
    )
    added = pl.col("wall_insulation").is_in(["external", "internal"])
    frame = (
        frame.join(
            thickness, on=["wall_construction", "age_band"], how="left", maintain_order="left"
        )
        .with_columns(
            construction=pl.when(filled)
            .then(pl.lit("filled_cavity"))
            .otherwise("wall_construction"),
            insulation=pl.when(added).then(pl.lit("added_50")).otherwise(pl.lit("none")),
        )
        .join(own, on=["nation", *keys], how="left", maintain_order="left")
        .join(england, on=keys, how="left", maintain_order="left")
    )
    mm = pl.coalesce("wall_thickness_mm", "default_thickness_mm")
    stone = (
        pl.when(pl.col("construction") == "stone_granite")
        .then(wall.stone_u_value(mm, c("stone_granite_u_at_zero"), c("stone_u_per_mm")))
        .when(pl.col("construction") == "stone_sandstone")
        .then(wall.stone_u_value(mm, c("stone_sandstone_u_at_zero"), c("stone_u_per_mm")))
    )
    by_thickness = pl.when(
        pl.col("age_band").is_in(list(BANDS[:4])), pl.col("insulation") == "none"
    ).then(stone)
    default = pl.coalesce("u_nation", "u_england")
    said = pl.format(
        "default: {}, insulation {}, band {} ({})",
        pl.col("construction").str.replace_all("_", " "),
        pl.col("insulation").str.replace("added_50", "of 50 mm assumed"),
        "age_band",
        pl.when(pl.col("u_nation").is_not_null())
        .then("edition")
        .otherwise(
            pl.format(
                "{}, of England and Wales: {}{}",
                "edition_england",
                pl.lit(BORROWED),
                pl.col("nation").str.replace("_", " "),
            )
        ),
    )
    return frame.with_columns(
        u_value_source=pl.when(pl.col("u_existing_w_m2k").is_not_null())
        .then(pl.lit(STOCK_LIST))
        .when(pl.lit(built).is_not_null())
        .then(pl.format("build-up {}", "wall_build_up"))
        .when(by_thickness.is_not_null())
        .then(pl.format("default: stone of {} mm by thickness", mm.cast(pl.Int64)))
        .otherwise(said),
        u_existing_w_m2k=pl.coalesce("u_existing_w_m2k", pl.lit(built), by_thickness, default),
        u_existing_w_m2k_known=pl.col("u_existing_w_m2k_known") | pl.lit(built).is_not_null(),
    )


def _element_u(frame: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """U of roof, ground floor, windows and doors, the y-value and the air changes."""
    c = reference.constant
    by_age = (
        reference.table("element_by_age")
        .pivot("quantity", index="band", values="value")
        .rename({"band": "age_band"})
    )
    air = reference.table("air_change_rate").select(
        pl.col("band").alias("age_band"), "air_changes_per_hour"
    )
    glazing = reference.table("glazing").select(
        "glazing", pl.col("u_w_m2k").alias("u_glazing"), "solar_transmittance"
    )
    loft = reference.table("roof_u_by_loft_insulation").sort("loft_insulation_mm")
    steps = pl.coalesce(
        pl.when(pl.col("loft_insulation_mm") >= row["loft_insulation_mm"]).then(row["u_w_m2k"])
        for row in loft.reverse().iter_rows(named=True)
    )
    frame = (
        frame.join(by_age, on="age_band", how="left", maintain_order="left")
        .join(air, on="age_band", how="left", maintain_order="left")
        .join(glazing, on="glazing", how="left", maintain_order="left")
    )
    curtain = c("curtain_resistance")
    frame = frame.with_columns(
        u_roof_w_m2k=pl.coalesce(steps, "roof_u_unknown"),
        u_window_w_m2k=1.0 / (1.0 / pl.col("u_glazing") + curtain),
        solar_aperture_m2=c("glazing_incidence_factor")
        * pl.col("window_area_m2")
        * pl.col("solar_transmittance")
        * c("frame_factor")
        * c("shading_factor"),
    )
    thickness = pl.coalesce("wall_thickness_mm", "default_thickness_mm") * 0.001
    slab = frame.select(
        area=pl.when(pl.col("ground_area_m2") > 0.0).then("ground_area_m2").otherwise(1.0),
        perimeter="exposed_perimeter_m",
        thickness=thickness.fill_null(c("wall_thickness_unknown")),
        resistance=pl.col("ground_floor_insulation_mm")
        * (0.001 / c("ground_insulation_conductivity"))
        + c("surface_resistance_inside_floor")
        + c("surface_resistance_outside"),
    )
    area, perimeter, wall_thickness, resistance = (s.to_numpy() for s in slab.get_columns())
    u_floor = dwelling.ground_floor_u_value(
        area, perimeter, wall_thickness, resistance, c("soil_conductivity")
    )
    return frame.with_columns(u_floor_w_m2k=pl.Series(u_floor))


def _gains(frame: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Mean internal gains [W]. Source: SAP 2012 Table 5 and Appendix L, yearly means."""
    c = reference.constant
    area = frame["floor_area_m2"].to_numpy()
    people = dwelling.occupants(
        area, c("occupants_a"), c("occupants_b"), c("occupants_c"), c("occupants_area")
    )
    per_person = (
        c("metabolic_gain") + c("cooking_gain_per_person") - c("evaporation_loss_per_person")
    )
    electric = c("appliance_energy_factor") + c("lighting_energy_factor") * c("lighting_gain_share")
    watts = electric * (area * people) ** c("gains_exponent") * 1000.0 / 8760.0
    return frame.with_columns(
        internal_gains_w=pl.Series(people * per_person + c("cooking_gain_fixed") + watts)
    )


def _heat_loss(frame: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Heat transfer coefficient: elements, bridging and ventilation, or the measured one."""
    fabric = sum((pl.col(u) * pl.col(area) for u, area in ELEMENTS), start=pl.lit(0.0))
    exposed = sum((pl.col(area) for _, area in ELEMENTS), start=pl.lit(0.0))
    bridging = pl.col("bridging_y_w_m2k") * exposed
    computed = (
        fabric
        + bridging
        + reference.constant("air_heat_capacity")
        * pl.col("air_changes_per_hour")
        * pl.col("volume_m3")
    )
    measured = pl.col("measured_htc_w_k")
    return frame.with_columns(
        bridging_heat_loss_w_k=bridging,
        heat_loss_before_w_k=pl.coalesce(measured, computed),
        heat_loss_source=pl.when(measured.is_not_null())
        .then(pl.lit("measured, stock list"))
        .otherwise(pl.lit("computed from the elements")),
    )


ELEMENTS = (
    ("u_existing_w_m2k", "treated_wall_area_m2"),
    ("u_existing_w_m2k", "untreated_wall_area_m2"),
    ("u_roof_w_m2k", "roof_area_m2"),
    ("u_floor_w_m2k", "ground_area_m2"),
    ("u_window_w_m2k", "window_area_m2"),
    ("u_door_w_m2k", "door_area_m2"),
)


def _heating(frame: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    systems = reference.table("heating_systems").select("heating", "fuel", "efficiency")
    return frame.join(systems, on="heating", how="left", maintain_order="left")


BORROWED = "the table has no such wall for "
"""Words of a default U-value that another nation's table had to give."""
GRADED = {
    "u_value": ("u_existing_w_m2k", "C", "wall U-value"),
    "wall_area": ("wall_area_m2", "C", "wall area"),
    "window_area": ("window_area_m2", "C", "window area"),
    "loft_insulation": ("loft_insulation_mm", "C", "loft insulation"),
    "storeys": ("storeys", "D", "storeys"),
    "built_form": ("built_form", "D", "built form"),
    "wall_insulation": ("wall_insulation", "D", "wall insulation"),
    "treatable_share": ("treatable_share", "D", "treatable share"),
    "glazing": ("glazing", "D", "glazing"),
    "heating": ("heating", "D", "heating"),
    "floor_position": ("floor_position", "D", "floor position"),
}
"""Inputs with a data grade: their column, the grade of a filled value, and their plain name.

A measured (a source named in `sources.measured`); B given in a list or survey; C a default by
type, age or geometry; D assumed without evidence.
"""


def _grades(frame: pl.DataFrame, reference: Reference, settings: Settings) -> pl.DataFrame:
    """Source and grade of each graded input, a list in words of the estimates; helpers dropped."""
    defaults = reference.table("stock_defaults")
    filled_by = dict(zip(defaults["column"], defaults["source"], strict=True))
    filled_by["loft_insulation"] = "default by age band"
    frame = frame.with_columns(
        said.alias(f"{name}_source")
        for name, (column, _, _) in GRADED.items()
        for said in [_said(frame, name, column, filled_by)]
    ).with_columns(
        _grade(frame, column, settings, filled).alias(f"{name}_grade")
        for name, (column, filled, _) in GRADED.items()
    )
    borrowed = pl.col("u_value_source").str.contains(BORROWED, literal=True)
    frame = frame.with_columns(
        u_value_grade=pl.when(borrowed).then(pl.lit("D")).otherwise("u_value_grade")
    )
    no_flat = ~pl.col("property_type").is_in(FLATS)
    listed_parts = pl.col("wall_parts_source") == STOCK_LIST
    frame = frame.with_columns(
        floor_position_source=pl.when(no_flat)
        .then(pl.lit("not a flat"))
        .otherwise("floor_position_source"),
        floor_position_grade=pl.when(no_flat).then(pl.lit("A")).otherwise("floor_position_grade"),
        treatable_share_source=pl.when(REFUSED)
        .then(pl.format("walls refused; areas: {}", "wall_parts_source"))
        .otherwise("treatable_share_source"),
        treatable_share_grade=pl.when(REFUSED)
        .then(pl.when(listed_parts).then(pl.lit("B")).otherwise(pl.lit("C")))
        .otherwise("treatable_share_grade"),
    )
    parts = [
        pl.when(pl.col(f"{name}_grade").is_in(["C", "D"])).then(pl.lit(word))
        for name, (_, _, word) in GRADED.items()
    ]
    parts.append(pl.when(borrowed).then(pl.lit("wall U-value of another nation's table")))
    helpers = [c for c in frame.columns if c.endswith(("_known", "__from"))]
    helpers += [
        "corners",
        "neighbour_edges",
        "gable_sides",
        *(f"treated_{wall}" for wall in WALLS),
        "dwelling",
        "share",
        "slope_m2_per_m2",
        "intercept_m2",
        "construction",
        "edition",
    ]
    helpers += ["insulation", "u_nation", "u_england", "edition_england", "default_thickness_mm"]
    helpers += ["roof_u_unknown", "u_glazing", "solar_transmittance", "ground_floor_insulation_mm"]
    return frame.with_columns(
        estimated_inputs=pl.concat_str(parts, separator=", ", ignore_nulls=True)
    ).drop(helpers)


def _said(frame: pl.DataFrame, name: str, column: str, filled: dict[str, str]) -> pl.Expr:
    """Source of an input in words: another source's name, the list, or how it was filled."""
    own = (
        pl.when(f"{column}_known").then(pl.lit(STOCK_LIST)).otherwise(pl.lit(filled[name]))
        if name in filled
        else pl.col(f"{name}_source")
    )
    if f"{column}__from" in frame.columns:
        return pl.coalesce(f"{column}__from", own)
    return own


def _grade(frame: pl.DataFrame, column: str, settings: Settings, filled: str) -> pl.Expr:
    given = pl.when(f"{column}_known").then(pl.lit("B")).otherwise(pl.lit(filled))
    if f"{column}__from" not in frame.columns:
        return given
    measured = pl.col(f"{column}__from").is_in(settings.sources.measured)
    return pl.when(measured).then(pl.lit("A")).otherwise(given)
