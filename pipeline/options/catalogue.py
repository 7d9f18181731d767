"""The catalogue of systems a user owns, and the option table: every system in every thickness."""

import re
from pathlib import Path

import numpy as np
import polars as pl

from pipeline.errors import SettingsError
from pipeline.physics import Floats, wall
from pipeline.reference import MARKS, Reference
from pipeline.settings import Settings, Works

TABLE = "insulation_systems"
_FIRE_CLASS = re.compile(r"A1|(A2|B|C|D)-s[123],d[012]|E(-d2)?|F")
_NUMBERS = (
    "lambda_declared_w_mk", "lambda_design_w_mk", "mu", "fixings_per_m2", "chi_w_k",
    "adhesive_kg_m2", "finish_kg_m2", "finish_sd_m", "added_mm",
)  # fmt: skip
_WORDS = ("system", "label", "reaction_to_fire", "finish", "thicknesses_mm", "source", "checked")
_MAY_BE_ZERO = ("chi_w_k", "fixings_per_m2", "adhesive_kg_m2")


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
    return kept.with_columns(pl.col(_NUMBERS).cast(pl.Float64))


def _fault(row: dict[str, str | None]) -> str:
    """What is wrong with one row, in words that follow the system's name; empty where nothing."""
    if empty := [c for c, text in row.items() if not (text or "").strip()]:
        return f"has nothing in {', '.join(empty)}"
    said = {name: str(text) for name, text in row.items()}
    if said["checked"] not in MARKS:
        return f"has the mark '{said['checked']}' in checked; write one of {', '.join(MARKS)}"
    try:
        figures = {c: float(said[c]) for c in _NUMBERS}
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
    if not 0.005 <= figures["lambda_design_w_mk"] <= 0.2:
        return (
            f"has lambda_design_w_mk = {figures['lambda_design_w_mk']:g}; insulation lies between"
            " 0.005 and 0.2 W/mK"
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
    if not boards or min(boards) <= 0.0 or boards != sorted(set(boards)):
        return (
            f"has thicknesses_mm '{thicknesses}'; write the stocked thicknesses rising, with"
            " spaces between, such as 50 80 100"
        )
    return ""


def options(reference: Reference, settings: Settings) -> pl.DataFrame:
    """One row per system and stocked thickness the settings allow.

    Columns: system, system_label, thickness_mm, lambda_w_mk, r_insulation_m2k_w, delta_u_w_m2k
    (fixings), build_up_mm, non_combustible. Raises SettingsError for an unknown system.
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
    return built(stocked.filter(pl.col("thickness_mm") <= settings.works.thickness_most_mm))


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


def built(systems: pl.DataFrame) -> pl.DataFrame:
    """Resistance, fixing correction and build-up of rows of the catalogue with thickness_mm."""
    return systems.select(
        "system",
        pl.col("label").alias("system_label"),
        "thickness_mm",
        lambda_w_mk=pl.col("lambda_design_w_mk"),
        r_insulation_m2k_w=wall.layer_resistance(
            pl.col("thickness_mm") * 0.001, pl.col("lambda_design_w_mk")
        ),
        delta_u_w_m2k=pl.col("fixings_per_m2") * pl.col("chi_w_k"),
        build_up_mm=pl.col("thickness_mm") + pl.col("added_mm"),
        non_combustible=pl.col("reaction_to_fire").str.contains("^A[12]"),
    )


def undominated(
    table: pl.DataFrame, price: Floats, psi_saved: Floats, thickness_matters: bool
) -> pl.DataFrame:
    """Drop each option that another beats or equals in all that a home's choice depends on.

    That is the price of every unit a home is measured by (price [driver, option] GBP), resistance,
    fixing loss and the heat saved per metre of every junction: psi_saved [junction, option] W/mK
    of the homes' wall, no rows where no junction counts. A dropped option can be best for no home
    of that wall: the other one saves at least as much and costs no more. Where the build-up is
    limited, thickness counts too. Of equal options the first in table order stays.
    """
    worth = ["delta_u_w_m2k"] + (["build_up_mm"] if thickness_matters else [])
    values = table.select(*worth, -pl.col("r_insulation_m2k_w")).to_numpy()
    values = np.hstack([values, price.T, -psi_saved.T])
    no_worse = (values[:, None, :] <= values[None, :, :]).all(axis=2)
    equal = no_worse & no_worse.T
    earlier = np.tri(len(values), k=-1, dtype=bool).T
    beaten = (no_worse & (~equal | earlier)).any(axis=0)
    return table.filter(pl.Series(~beaten, dtype=pl.Boolean))
