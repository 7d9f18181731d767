"""Distinct walls, climates and humidities in, a moisture verdict for each out; join to homes.

A home's verdict is that of the generic build-up of its construction (wall_layers.csv), not of its
own U-value. Vapour diffusion alone: rain penetration, ground moisture, moisture trapped at works
and air leakage are not covered, and no verdict here is an approval. A designer decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.errors import ReferenceTableError, SettingsError
from pipeline.physics import Floats, moisture, wall
from pipeline.reference import DAYS_IN_MONTH, MONTHS, Reference

KEYS = ("build_up", "system", "thickness_mm", "region_id", "humidity_class")
"""What a verdict depends on: one row of `cases` each."""
VERDICTS = ("none", "dries", "accumulates")
_WALL = ["build_up", "system", "thickness_mm"]
_PLACE = ["build_up", "region_id", "humidity_class"]
_BATCH = 2048
ANSWERS = {
    "moisture_verdict": pl.String,
    "moisture_peak_kg_m2": pl.Float64,
    "moisture_dry_month": pl.String,
    "moisture_plane": pl.String,
    "f_rsi_plane": pl.Float64,
    "moisture_verdict_before": pl.String,
    "moisture_peak_before_kg_m2": pl.Float64,
    "f_rsi_plane_before": pl.Float64,
    "mould_risk_plane": pl.Boolean,
}
"""Columns `cases` adds to its keys, and `join` to homes."""


def build_up() -> pl.Expr:
    """Construction whose layers stand for a home's wall; null where it is lined or insulated.

    A cavity wall noted as filled counts as filled. Insulation inside or outside already makes a
    wall the generic layers do not describe: such a home has no verdict.
    """
    insulation = pl.col("wall_insulation").fill_null("none")
    filled = (pl.col("wall_construction") == "cavity") & (insulation == "filled_cavity")
    return (
        pl.when(filled)
        .then(pl.lit("filled_cavity"))
        .when(~insulation.is_in(["internal", "external"]))
        .then(pl.col("wall_construction"))
    )


def distinct(homes: pl.DataFrame, humidity_class: int) -> pl.DataFrame:
    """The cases a set of homes needs, each once. Homes without an option need none."""
    return (
        homes.select(
            build_up().alias("build_up"),
            "system",
            pl.col("thickness_mm").cast(pl.Float64),
            pl.col("region_id").cast(pl.Int64),
            pl.lit(humidity_class, dtype=pl.Int64).alias("humidity_class"),
        )
        .filter(pl.col("build_up").is_not_null(), pl.col("system").is_not_null())
        .unique()
        .sort(KEYS)
    )


def every(
    reference: Reference, options: pl.DataFrame, humidity_classes: Sequence[int]
) -> pl.DataFrame:
    """All constructions x options x regions x classes. options: rows of system, thickness_mm."""
    walls = reference.table("wall_layers").select(build_up=pl.col("construction").unique())
    regions = reference.table("climate_temperature_monthly").select(pl.col("region_id").cast(int))
    classes = pl.DataFrame({"humidity_class": list(humidity_classes)}, {"humidity_class": pl.Int64})
    option = options.select("system", pl.col("thickness_mm").cast(pl.Float64))
    crossed = walls.join(option, how="cross").join(regions, how="cross").join(classes, how="cross")
    return crossed.select(KEYS).sort(KEYS)


def cases(
    keys: pl.DataFrame,
    reference: Reference,
    temperature_shift_c: float = 0.0,
    finish_sd_m: float | None = None,
) -> pl.DataFrame:
    """The verdict of each case, before and after works.

    keys: columns KEYS, as `distinct` or `every` gives them. Adds moisture_verdict (none, dries,
    accumulates), moisture_peak_kg_m2, moisture_dry_month, moisture_plane, the first two also as
    `_before`, and f_rsi_plane_before, f_rsi_plane and mould_risk_plane (f_Rsi below the least).
    f_Rsi is that of the plane wall without fixings: junctions are colder and checked apart.
    temperature_shift_c makes a colder or warmer year; finish_sd_m is the declared sd of the
    render finish, else the table's. Raises SettingsError for a humidity class or system that is
    not in the tables, and ReferenceTableError for a construction without layers.
    """
    if not keys.height:
        return keys.select(KEYS).with_columns(
            pl.lit(None, dtype).alias(name) for name, dtype in ANSWERS.items()
        )
    bare = keys.select(
        "build_up",
        pl.lit(None, pl.String).alias("system"),
        pl.lit(None, pl.Float64).alias("thickness_mm"),
        "region_id",
        "humidity_class",
    ).unique(maintain_order=True)
    asked = pl.concat([keys.select(KEYS), bare])
    walls = asked.select(_WALL).unique(maintain_order=True)
    stack = _stack(walls, reference, finish_sd_m)
    placed = asked.join(
        walls.with_row_index("wall"), on=_WALL, how="left", nulls_equal=True, maintain_order="left"
    )
    answered = pl.concat(
        [_judge(part, stack, reference, temperature_shift_c) for part in placed.iter_slices(_BATCH)]
    )
    before = answered.tail(bare.height).select(
        *_PLACE,
        moisture_verdict_before="moisture_verdict",
        moisture_peak_before_kg_m2="moisture_peak_kg_m2",
        f_rsi_plane_before="f_rsi_plane",
    )
    least = constant(reference, "f_rsi_least")
    return (
        answered.head(keys.height)
        .join(before, on=_PLACE, how="left", maintain_order="left")
        .with_columns(mould_risk_plane=pl.col("f_rsi_plane") < least)
    )


def join(homes: pl.DataFrame, table: pl.DataFrame, humidity_class: int) -> pl.DataFrame:
    """Put the verdict beside each home, in the order given; null where there is none to give."""
    held = table.filter(pl.col("humidity_class") == humidity_class).drop("humidity_class")
    region = pl.col("region_id").cast(homes.schema["region_id"])
    return (
        homes.with_columns(build_up().alias("build_up"))
        .join(
            held.with_columns(region),
            on=["build_up", "system", "thickness_mm", "region_id"],
            how="left",
            maintain_order="left",
        )
        .drop("build_up")
    )


def constant(reference: Reference, name: str) -> float:
    """One row of moisture_constants.csv, in the unit written there."""
    row = reference.table("moisture_constants").filter(pl.col("name") == name)
    if row.height != 1:
        raise ReferenceTableError(
            f"moisture_constants.csv has {row.height} rows named '{name}'; it must have one."
        )
    return float(row["value"][0])


@dataclass(frozen=True)
class _Stack:
    """Walls as strips: resistance, sd, owner [wall, strip]; names of layers; U [wall] W/m2K."""

    resistance: Floats
    sd: Floats
    owner: moisture.Integers
    names: list[list[str]]
    u_value: Floats


def _stack(walls: pl.DataFrame, reference: Reference, finish_sd_m: float | None) -> _Stack:
    """Layers of every wall, with insulation and finish outside where it has a system."""
    bare, systems = _bare_walls(reference), _systems(reference)
    finish = (
        "render finish",
        reference.constant("finish_resistance"),
        constant(reference, "finish_sd") if finish_sd_m is None else finish_sd_m,
    )
    layers = []
    for construction, system, thickness_mm in walls.select(_WALL).iter_rows():
        if construction not in bare:
            raise ReferenceTableError(
                f"wall_layers.csv has no layers for construction '{construction}'. Add its rows."
            )
        added: list[_Layer] = []
        if system is not None:
            if system not in systems:
                raise SettingsError(
                    f"No insulation system '{system}'. Known: {', '.join(systems)}."
                )
            label, conductivity, mu = systems[system]
            metres = thickness_mm / 1000.0
            added = [(label, wall.layer_resistance(metres, conductivity), mu * metres), finish]
        layers.append([*bare[construction], *added])
    deepest = max((len(one) for one in layers), default=1)
    padded = [[*one, *[("", 0.0, 0.0)] * (deepest - len(one))] for one in layers]
    figures = np.array([[layer[1:] for layer in one] for one in padded], dtype=float)
    resistance, sd = figures[..., 0], figures[..., 1]
    u_value = wall.u_value([resistance.sum(axis=1)], *_surface_resistances(reference))
    cut = moisture.strips(resistance, sd, constant(reference, "strip_resistance"))
    return _Stack(*cut, [[layer[0] for layer in one] for one in padded], u_value)


_Layer = tuple[str, float, float]
"""Name, resistance [m2K/W] and sd [m] of one layer."""


def _bare_walls(reference: Reference) -> dict[str, list[_Layer]]:
    """Layers of each construction before works, inside to outside."""
    metres = pl.col("thickness_mm") * 0.001
    rows = (
        reference.table("wall_layers")
        .sort("construction", "layer_no")
        .select(
            "construction",
            "layer",
            pl.coalesce("resistance_m2k_w", wall.layer_resistance(metres, pl.col("lambda_w_mk"))),
            pl.coalesce("sd_m", metres * pl.col("mu")),
        )
    )
    bare: dict[str, list[_Layer]] = {}
    for construction, name, resistance, sd in rows.iter_rows():
        bare.setdefault(construction, []).append((name, resistance, sd))
    return bare


def _systems(reference: Reference) -> dict[str, _Layer]:
    """Label, design conductivity [W/mK] and mu of each insulation system."""
    rows = reference.table("insulation_systems").select(
        "system", "label", "lambda_design_w_mk", "mu"
    )
    return {system: (label, conductivity, mu) for system, label, conductivity, mu in rows.rows()}


def _surface_resistances(reference: Reference) -> tuple[float, float]:
    return (
        reference.constant("surface_resistance_inside_wall"),
        reference.constant("surface_resistance_outside"),
    )


def climate(part: pl.DataFrame, reference: Reference, shift: float) -> moisture.Climate:
    """Monthly conditions on both sides of each case. Source: BS EN ISO 13788:2012, 4 and Annex A.

    part: columns region_id and humidity_class. Vapour inside never passes saturation of the room's
    air.
    """
    classes = reference.table("humidity_classes")
    merged = part.select(pl.col("humidity_class").cast(pl.Float64)).join(
        classes, on="humidity_class", how="left", maintain_order="left"
    )
    if merged["excess_pa"].null_count():
        known = ", ".join(f"{c:.0f}" for c in classes["humidity_class"])
        raise SettingsError(
            f"No indoor humidity is known for every class asked; known: {known}. Above them a"
            " designer must give the indoor humidity."
        )
    months = reference.region_months("climate_temperature_monthly", "degC") + shift
    outside = months[part["region_id"].to_numpy().astype(int)]
    humidity = reference.table("outdoor_humidity")["relative_humidity"].to_numpy()
    vapour_outside = humidity * moisture.saturation_pressure(outside)
    excess = moisture.vapour_excess(
        outside,
        merged["excess_pa"].to_numpy()[:, None],
        float(classes["full_excess_to_degC"][0]),
        float(classes["no_excess_from_degC"][0]),
    )
    inside = np.full(outside.shape, constant(reference, "inside_temperature"))
    vapour_inside = np.minimum(vapour_outside + excess, moisture.saturation_pressure(inside))
    return moisture.Climate(inside, outside, vapour_inside, vapour_outside, DAYS_IN_MONTH * 86400.0)


def _judge(part: pl.DataFrame, stack: _Stack, reference: Reference, shift: float) -> pl.DataFrame:
    """Verdict, peak, dry month, plane and f_Rsi of one batch of cases."""
    walls = part["wall"].to_numpy()
    r_inside, r_outside = _surface_resistances(reference)
    permeability = constant(reference, "vapour_permeability_air")
    year = moisture.moisture_year(
        stack.resistance[walls],
        stack.sd[walls],
        climate(part, reference, shift),
        moisture.Surfaces(r_inside, r_outside, permeability),
    )
    plane = np.argmax(year.peak_by_interface, axis=1)
    wet = year.verdict != moisture.NONE
    factor = moisture.plane_temperature_factor(
        stack.u_value[walls], r_inside, constant(reference, "mould_surface_resistance")
    )
    named = [
        _plane_name(stack, i, j) if is_wet else None
        for i, j, is_wet in zip(walls.tolist(), plane.tolist(), wet.tolist(), strict=True)
    ]
    dry = [MONTHS[m] if m >= 0 else None for m in year.dry_period.tolist()]
    return part.select(KEYS).with_columns(
        moisture_verdict=pl.Series([VERDICTS[v] for v in year.verdict.tolist()], dtype=pl.String),
        moisture_peak_kg_m2=pl.Series(year.peak),
        moisture_dry_month=pl.Series(dry, dtype=pl.String),
        moisture_plane=pl.Series(named, dtype=pl.String),
        f_rsi_plane=pl.Series(factor),
    )


def _plane_name(stack: _Stack, wall_index: int, interface: int) -> str:
    """Where an interface lies, in words."""
    names = stack.names[wall_index]
    one, other = (names[stack.owner[wall_index, interface - side]] for side in (1, 0))
    return f"within {one}" if one == other else f"between {one} and {other}"
