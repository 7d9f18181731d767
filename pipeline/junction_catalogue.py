"""The junction table: solved once over a grid of insulations, kept, and interpolated for homes.

`python -m pipeline.junction_catalogue` solves every junction of `pipeline.physics.junctions` for
every wall of junction_walls.csv, before works and with every thickness and conductivity below, and
writes junction_table.csv with its manifest. Between those, psi and f_Rsi are cubic in the
logarithms of thickness and conductivity.
"""

import hashlib
import json
import multiprocessing
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields
from functools import cache
from pathlib import Path

import numpy as np
import polars as pl
from rich.progress import track
from scipy.interpolate import RectBivariateSpline

from pipeline import reference
from pipeline.errors import ReferenceTableError
from pipeline.physics import Floats, junctions
from pipeline.physics.junctions import Details, Insulation, Layer, Wall
from pipeline.reference import Reference

THICKNESSES_MM = (20.0, 40.0, 60.0, 90.0, 120.0, 160.0, 200.0)
LAMBDAS_W_MK = (0.018, 0.022, 0.028, 0.036, 0.045, 0.060)
TABLE = Path(__file__).with_name("junction_table.csv")
MANIFEST = Path(__file__).with_name("junction_table.json")
COMMAND = "python -m pipeline.junction_catalogue"
JUNCTIONS = tuple(dict.fromkeys(name for name, _ in junctions.AFTER))
EDGE = "edge"
"""Where the insulation ends at a corner because the next wall of the home is refused."""
PLACES = (*JUNCTIONS, EDGE)
"""Junctions of a home: those of the table, and the edge, which has the row of the end of the
insulation at a neighbour's wall."""
PSI_ERROR, F_RSI_ERROR = 0.001, 0.001
"""Bounds of the error of interpolation [W/mK], [-]; see `Catalogue`."""
_EDGE_ROW = ("neighbour", "ended")
_PROCESSES = 2
_VALUES = ("psi_w_mk", "f_rsi", "f_rsi_heat")
_KEYS = ("wall", "junction", "variant")


@dataclass(frozen=True)
class Case:
    """One row of the table. thickness_mm and lambda_w_mk are None before works."""

    wall: str
    junction: str
    variant: str
    thickness_mm: float | None
    lambda_w_mk: float | None

    def build(self, walls: Mapping[str, Wall], details: Details) -> junctions.Junction:
        """The junction of this case, ready to be solved."""
        board = None
        if self.thickness_mm is not None and self.lambda_w_mk is not None:
            board = Insulation(self.thickness_mm / 1000.0, self.lambda_w_mk)
        return junctions.build(walls[self.wall], details, self.junction, self.variant, board)


@cache
def details() -> Details:
    """Dimensions and materials common to all junctions, from junction_dimensions.csv."""
    tables = reference.load()
    table = tables.table("junction_dimensions")
    found = dict(zip(table["name"], table["value"], strict=True))
    found["inside"] = tables.constant("surface_resistance_inside_wall")
    found["outside"] = tables.constant("surface_resistance_outside")
    found["floor"] = tables.constant("surface_resistance_inside_floor")
    return Details(**{field.name: found[field.name] for field in fields(Details)})


@cache
def walls() -> dict[str, Wall]:
    """The walls of junction_walls.csv, by the name of their construction."""
    layers: dict[str, list[Layer]] = {}
    for row in reference.load().table("junction_walls").iter_rows(named=True):
        layer = Layer(row["name"], row["thickness_mm"] / 1000.0, row["lambda_w_mk"])
        layers.setdefault(row["construction"], []).append(layer)
    return {name: Wall(tuple(found)) for name, found in layers.items()}


def wall_of(tables: Reference) -> pl.Expr:
    """The wall of the table that stands for a home's, from wall_construction and thickness.

    Null where none does: cob and timber frame have no row, nor a wall insulated on a face already.
    """
    table = tables.table("junction_dimensions").filter(pl.col("name") == "thick_brick_above")
    thick = pl.col("wall_thickness_mm") > table["value"][0] * 1000.0
    construction = pl.col("wall_construction")
    filled = (construction == "filled_cavity") | (
        (construction == "cavity") & (pl.col("wall_insulation") == "filled_cavity")
    )
    stone = construction.is_in(["stone_granite", "stone_sandstone"])
    faced = pl.col("wall_insulation").is_in(["internal", "external"])
    return (
        pl.when(faced).then(pl.lit(None, pl.String))
        .when(filled).then(pl.lit("cavity_filled"))
        .when(construction == "cavity").then(pl.lit("cavity_unfilled"))
        .when(construction == "system_built").then(pl.lit("no_fines_250"))
        .when(stone).then(pl.lit("stone_500"))
        .when((construction == "solid_brick") & thick).then(pl.lit("solid_brick_328"))
        .when(construction == "solid_brick").then(pl.lit("solid_brick_215"))
    )  # fmt: skip


def cases() -> list[Case]:
    """Every row of the table in its order."""
    found = []
    for wall in walls():
        for junction in JUNCTIONS:
            found.append(Case(wall, junction, junctions.BEFORE, None, None))
        for junction, variant in junctions.AFTER:
            for thickness in THICKNESSES_MM:
                for conductivity in LAMBDAS_W_MK:
                    found.append(Case(wall, junction, variant, thickness, conductivity))
    return found


def row(case: Case) -> dict[str, str | float | None]:
    """One row of the table, solved."""
    result = junctions.solved(case.build(walls(), details()), details())
    return {
        **asdict(case),
        "psi_w_mk": round(result.psi, 5),
        "f_rsi": round(result.f_rsi, 4),
        "f_rsi_heat": round(result.f_rsi_heat, 4),
        "u_wall_w_m2k": round(result.u_wall, 5),
        "psi_change_w_mk": round(result.change, 5),
    }


def fingerprint() -> str:
    """A digest of every model of the table and of how it is solved; no model is solved for it."""
    digest = hashlib.sha256(repr(junctions.GRID).encode())
    for case in cases():
        digest.update(repr(case.build(walls(), details())).encode())
    return digest.hexdigest()[:16]


def regenerate(table: Path = TABLE, manifest: Path = MANIFEST) -> None:
    """Solve every case and write the table with its manifest. Takes minutes."""
    todo = cases()
    with multiprocessing.get_context("spawn").Pool(_PROCESSES) as pool:
        rows = list(track(pool.imap(row, todo, chunksize=16), "junctions", len(todo)))
    text = pl.DataFrame(rows, infer_schema_length=None).write_csv().encode()
    table.write_bytes(text)
    card = {
        "command": COMMAND,
        "rows": len(rows),
        "models": fingerprint(),
        "table_sha256": hashlib.sha256(text).hexdigest(),
    }
    manifest.write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")


@dataclass(frozen=True)
class Effect:
    """Junctions before and after works, for walls w, junctions j and insulations o.

    psi_before, f_rsi_before, f_rsi_heat_before: shape [w, j]; psi_after, f_rsi_after,
    f_rsi_heat_after: shape [w, j, o]. psi in W/mK, temperature factors as `junctions.Result`.
    """

    walls: tuple[str, ...]
    junctions: tuple[str, ...]
    psi_before: Floats
    psi_after: Floats
    f_rsi_before: Floats
    f_rsi_after: Floats
    f_rsi_heat_before: Floats
    f_rsi_heat_after: Floats

    @property
    def psi_saved(self) -> Floats:
        """psi before less psi after [W/mK], shape [w, j, o]; negative where works add a loss."""
        return np.asarray(self.psi_before[:, :, None] - self.psi_after)


@dataclass(frozen=True)
class Catalogue:
    """The junction table with its interpolation.

    Against 300 fresh solutions at random insulations between those of the table up to 0.045 W/mK,
    and 60 above that, psi was out by at most 0.0006 W/mK and both temperature factors by at most
    0.0003; PSI_ERROR and F_RSI_ERROR are the bounds a test holds it to.
    """

    table: pl.DataFrame
    before: dict[tuple[str, str], tuple[float, float, float]]
    curves: dict[tuple[str, str, str], tuple[RectBivariateSpline, ...]]

    def after(
        self, wall: str, junction: str, variant: str, thickness_mm: Floats, lambda_w_mk: Floats
    ) -> tuple[Floats, Floats, Floats]:
        """psi [W/mK], f_Rsi and f_Rsi at the resistances of psi, for pairs of two equal arrays.

        Raises KeyError for a junction not in the table, ValueError outside its range.
        """
        thickness, conductivity = np.asarray(thickness_mm), np.asarray(lambda_w_mk)
        for value, ends, what in (
            (thickness, THICKNESSES_MM, "mm"), (conductivity, LAMBDAS_W_MK, "W/mK"),
        ):  # fmt: skip
            if np.any((value < ends[0]) | (value > ends[-1])):
                raise ValueError(
                    f"insulation of {value.min():g} to {value.max():g} {what} lies outside the"
                    f" junction table, {ends[0]:g} to {ends[-1]:g}; extend its grid and run"
                    f" `{COMMAND}`"
                )
        x, y = np.log(thickness), np.log(conductivity)
        psi, cold, cold_heat = (
            curve(x, y, grid=False) for curve in self.curves[wall, junction, variant]
        )
        return psi, cold, cold_heat

    def effect(
        self, variants: Mapping[str, str], thickness_mm: Floats, lambda_w_mk: Floats
    ) -> Effect:
        """Junctions of every wall for a list of insulations.

        variants: the variant built at each junction, such as {"jamb": "reveal_20"}. For homes:
        `lengths @ effect.psi_saved[w]`, with lengths [home, junction] of the homes whose wall is
        w, gives the heat saved by junctions [W/K], shape [home, insulation].
        """
        names, chosen = tuple(walls()), tuple(variants.items())
        before = np.array([[self.before[w, j] for j, _ in chosen] for w in names])
        after = np.array([
            [self.after(w, j, v, thickness_mm, lambda_w_mk) for j, v in chosen] for w in names
        ])  # fmt: skip
        pairs = [part for k in range(3) for part in (before[:, :, k], after[:, :, k])]
        return Effect(names, tuple(variants), *pairs)


@cache
def load() -> Catalogue:
    """Read the committed table once. Raises ReferenceTableError where it is not its manifest's."""
    text = TABLE.read_bytes()
    card = json.loads(MANIFEST.read_text(encoding="utf-8"))
    if hashlib.sha256(text).hexdigest() != card["table_sha256"]:
        raise ReferenceTableError(
            f"{TABLE.name} is not the table its manifest describes. Restore it or run `{COMMAND}`."
        )
    table = pl.read_csv(text)
    return Catalogue(table, _before(table), _curves(table))


def _before(table: pl.DataFrame) -> dict[tuple[str, str], tuple[float, float, float]]:
    rows = table.filter(pl.col("variant") == junctions.BEFORE)
    values = rows.select(_VALUES).iter_rows()
    keys = rows.select("wall", "junction").iter_rows()
    found = {(k[0], k[1]): (v[0], v[1], v[2]) for k, v in zip(keys, values, strict=True)}
    return found | {(w, EDGE): found[w, j] for w, j in list(found) if j == _EDGE_ROW[0]}


def _curves(
    table: pl.DataFrame,
) -> dict[tuple[str, str, str], tuple[RectBivariateSpline, ...]]:
    shape = (len(THICKNESSES_MM), len(LAMBDAS_W_MK))
    x, y = np.log(THICKNESSES_MM), np.log(LAMBDAS_W_MK)
    after = table.filter(pl.col("variant") != junctions.BEFORE)
    ordered = after.sort("thickness_mm", "lambda_w_mk")
    found = {
        (str(key[0]), str(key[1]), str(key[2])): tuple(
            RectBivariateSpline(x, y, part[value].to_numpy().reshape(shape)) for value in _VALUES
        )
        for key, part in ordered.group_by(_KEYS)
    }
    return found | {(w, EDGE, v): found[w, j, v] for w, j, v in list(found) if (j, v) == _EDGE_ROW}


if __name__ == "__main__":
    regenerate()
