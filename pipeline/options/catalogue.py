"""The catalogue of systems a user owns, and the option table: every system in every thickness."""

import re
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.errors import ReferenceTableError, SettingsError
from pipeline.junction_catalogue import LAMBDAS_W_MK, THICKNESSES_MM
from pipeline.physics import wall
from pipeline.reference import MARKS, Reference
from pipeline.settings import Settings, Works

TABLE = "insulation_systems"
_FIRE_CLASS = re.compile(r"A1|(A2|B|C|D)-s[123],d[012]|E(-d2)?|F")
_FIGURES = (
    "lambda_declared_w_mk", "lambda_design_w_mk", "mu", "fixings_per_m2", "air_voids",
    "adhesive_kg_m2", "finish_kg_m2", "finish_sd_m", "added_mm",
)  # fmt: skip
_FIXING = ("fixing_lambda_w_mk", "fixing_section_mm2")
_NUMBERS = (*_FIGURES, "chi_w_k", *_FIXING)
_WORDS = ("system", "label", "reaction_to_fire", "finish", "thicknesses_mm", "source", "checked")
_MAY_BE_ZERO = ("chi_w_k", "fixings_per_m2", "adhesive_kg_m2", "air_voids")


def with_catalogue(reference: Reference, works: Works) -> Reference:
    """The reference tables with the user's catalogue of systems, or the generic one they ship.

    Raises SettingsError for a missing file, and as `checked` does.
    """
    if not works.system_catalogue:
        return reference
    path = Path(works.system_catalogue)
    try:
        table = pl.read_csv(path, infer_schema=False)
    except FileNotFoundError:
        raise SettingsError(
            f"System catalogue {path} does not exist. Check works.system_catalogue."
        ) from None
    except (pl.exceptions.PolarsError, OSError) as fault:
        raise SettingsError(f"System catalogue {path} is not readable as CSV: {fault}.") from None
    return reference.with_table(TABLE, checked(table, path.name))


def checked(table: pl.DataFrame, name: str) -> pl.DataFrame:
    """The catalogue with its figures as numbers, from text.

    Raises SettingsError with the line and the reason where a row cannot be used.
    """
    if lacking := [c for c in (*_WORDS, *_NUMBERS) if c not in table.columns]:
        raise SettingsError(f"System catalogue {name} has no column {', '.join(lacking)}.")
    if not table.height:
        raise SettingsError(f"System catalogue {name} has no row. Give one for each system.")
    kept = table.select(*_WORDS, *_NUMBERS)
    seen: set[str] = set()
    for line, row in enumerate(kept.iter_rows(named=True), start=2):
        why = _fault(row)
        if not why and row["system"] in seen:
            why = "is there twice; give each system one row"
        if why:
            raise SettingsError(f"System catalogue {name} line {line}: '{row['system']}' {why}.")
        seen.add(row["system"])
    empty = pl.col(_NUMBERS).str.strip_chars().replace("", None)
    return kept.with_columns(empty.cast(pl.Float64))


def _fault(row: dict[str, str | None]) -> str:
    """What is wrong with one row, in words that follow the system's name; empty where nothing."""
    said = {name: (text or "").strip() for name, text in row.items()}
    if empty := [c for c in (*_WORDS, *_FIGURES) if not said[c]]:
        return f"has nothing in {', '.join(empty)}"
    if not said["chi_w_k"] and not all(said[c] for c in _FIXING):
        return f"gives neither chi_w_k nor {' and '.join(_FIXING)} of its fixing"
    if said["checked"] not in MARKS:
        return f"has the mark '{said['checked']}' in checked; write one of {', '.join(MARKS)}"
    try:
        figures = {c: float(said[c]) for c in _NUMBERS if said[c]}
    except ValueError:
        return "has a figure that is not a number"
    return _fault_of_figures(figures) or _fault_of_words(
        said["reaction_to_fire"], said["thicknesses_mm"]
    )


def _fault_of_figures(figures: dict[str, float]) -> str:
    for column, value in figures.items():
        least_ok = value >= 0.0 if column in _MAY_BE_ZERO else value > 0.0
        if not (least_ok and value < float("inf")):
            return f"has {column} = {value:g}, which cannot be"
    if figures["lambda_design_w_mk"] < figures["lambda_declared_w_mk"]:
        return (
            "has a design conductivity below the declared one: the design value adds moisture and"
            " ageing (BS EN ISO 10456)"
        )
    low, high = LAMBDAS_W_MK[0], LAMBDAS_W_MK[-1]
    if not low <= figures["lambda_design_w_mk"] <= high:
        return (
            f"has lambda_design_w_mk = {figures['lambda_design_w_mk']:g}; junctions are solved for"
            f" {low:g} to {high:g} W/mK, and outside that nothing is known of them"
        )
    return ""


def _fault_of_words(fire_class: str, thicknesses: str) -> str:
    if not _FIRE_CLASS.fullmatch(fire_class):
        return (
            f"has reaction_to_fire '{fire_class}'; write a class of BS EN 13501-1, such as A1,"
            " A2-s1,d0 or E"
        )
    try:
        boards = [float(part) for part in thicknesses.split()]
    except ValueError:
        boards = []
    low, high = THICKNESSES_MM[0], THICKNESSES_MM[-1]
    if not boards or boards != sorted(set(boards)) or not low <= boards[0] <= boards[-1] <= high:
        return (
            f"has thicknesses_mm '{thicknesses}'; write the stocked thicknesses rising, with"
            f" spaces between, such as 50 80 100, from {low:g} to {high:g} mm, for which junctions"
            " are solved"
        )
    return ""


def options(reference: Reference, settings: Settings) -> pl.DataFrame:
    """One row per system and stocked thickness the settings allow.

    Columns: system, system_label, thickness_mm, lambda_w_mk, r_insulation_m2k_w, delta_u_w_m2k
    (fixings of declared chi), bypass_w_m2k (other fixings and air voids), build_up_mm,
    non_combustible. Raises SettingsError for an unknown system.
    """
    stocked = (
        systems_table(reference, settings)
        .with_columns(
            pl.col("thicknesses_mm")
            .str.extract_all(r"[^ ]+")
            .cast(pl.List(pl.Float64))
            .alias("thickness_mm")
        )
        .explode("thickness_mm")
    )
    limited = stocked.filter(pl.col("thickness_mm") <= settings.works.thickness_most_mm)
    return built(limited, reference)


def systems_table(reference: Reference, settings: Settings) -> pl.DataFrame:
    """The systems the settings allow; all where they name none."""
    systems = reference.table(TABLE)
    wanted = settings.works.systems or tuple(systems["system"])
    unknown = sorted(set(wanted) - set(systems["system"]))
    if unknown:
        raise SettingsError(
            f"works.systems names no known system: {', '.join(unknown)}. Known:"
            f" {', '.join(systems['system'])}."
        )
    return systems.filter(pl.col("system").is_in(wanted))


def built(systems: pl.DataFrame, reference: Reference) -> pl.DataFrame:
    """Resistance, losses past it and build-up of rows of the catalogue with thickness_mm."""
    thickness = pl.col("thickness_mm") * 0.001
    found = [losses(row, reference) for row in systems.iter_rows(named=True)]
    declared, voids, pierced = (
        pl.Series([loss[part] for loss in found], dtype=pl.Float64) for part in range(3)
    )
    return systems.select(
        "system",
        pl.col("label").alias("system_label"),
        "thickness_mm",
        lambda_w_mk=pl.col("lambda_design_w_mk"),
        r_insulation_m2k_w=wall.layer_resistance(thickness, pl.col("lambda_design_w_mk")),
        delta_u_w_m2k=declared,
        bypass_w_m2k=voids + pierced / thickness,
        build_up_mm=pl.col("thickness_mm") + pl.col("added_mm"),
        non_combustible=pl.col("reaction_to_fire").str.contains("^A[12]"),
    )


def losses(system: dict[str, Any], reference: Reference) -> tuple[float, float, float]:
    """What a system loses past its insulation, as `wall.least_thickness` takes it.

    n chi where the system declares chi, else its fixings by conductivity and cross-section; and
    dU'' of its level of air voids. Raises ReferenceTableError for a system that gives neither.
    """
    levels = reference.table("air_voids")
    level = levels.filter(pl.col("level") == pl.lit(system["air_voids"], pl.Float64))[
        "delta_u_w_m2k"
    ]
    if level.len() != 1:
        raise ReferenceTableError(
            f"System {system['system']}: air_voids is {system['air_voids']}. Give 0, 1 or 2, the"
            " levels of air_voids.csv."
        )
    number, chi = system["fixings_per_m2"], system["chi_w_k"]
    if chi is not None:
        return number * chi, float(level[0]), 0.0
    conductivity, section = system["fixing_lambda_w_mk"], system["fixing_section_mm2"]
    if conductivity is None or section is None:
        raise ReferenceTableError(
            f"System {system['system']} gives neither chi_w_k nor fixing_lambda_w_mk with"
            " fixing_section_mm2. Give the chi its maker declares, or both figures of the fixing."
        )
    alpha = reference.constant("fixing_alpha")
    pierced = wall.fixing_bypass(conductivity, section * 1e-6, number, alpha)
    return 0.0, float(level[0]), pierced
