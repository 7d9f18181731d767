"""U of a wall from the layers a landlord gives, bridged ones and air layers included."""

from dataclasses import dataclass

import numpy as np
import polars as pl

from pipeline.errors import SettingsError
from pipeline.physics import wall
from pipeline.reference import Reference
from pipeline.settings import WallBuildUp, WallLayer


@dataclass(frozen=True)
class Layered:
    """A wall by the combined method: each layer that counts with its resistance, bridge share and
    the bridge's resistance; limits and total [m2K/W], U [W/m2K]. r_outside: outside surface, that
    of a sheltered one behind ventilated air.
    """

    layers: tuple[tuple[str, float, float, float], ...]
    r_inside: float
    r_outside: float
    upper: float
    lower: float
    total: float

    @property
    def u_value(self) -> float:
        """Thermal transmittance [W/m2K]."""
        return 1.0 / self.total


def layered(name: str, build_up: WallBuildUp, reference: Reference) -> Layered:
    """The wall of one build-up. Source: BS EN ISO 6946:2017, 6.7.2; air layers 6.9 and Table 8.

    Raises SettingsError where an air layer is thicker than the table, nothing is left inside
    ventilated air, or the bridges are too strong for the method.
    """
    inside = reference.constant("surface_resistance_inside_wall")
    outside, counted = reference.constant("surface_resistance_outside"), []
    for layer in build_up.layers:
        if layer.air == "ventilated":
            outside = inside
            break
        plain, metres = _resistance(name, layer, reference), layer.thickness_mm / 1000.0
        bridge = metres / layer.bridge_lambda_w_mk if layer.bridge_lambda_w_mk else plain
        counted.append((layer.name, plain, layer.bridge_share, bridge))
    if not counted:
        raise SettingsError(f"walls.{name} has no layer inside its ventilated air. Add the wall.")
    paths = wall.bridged_paths([part[1:] for part in counted])
    limit = reference.constant("combined_limit")
    try:
        total, upper, lower = wall.combined_resistance(paths, inside, outside, limit)
    except ValueError as fault:
        raise SettingsError(f"walls.{name} cannot be used: {fault}.") from None
    return Layered(tuple(counted), inside, outside, upper, lower, total)


def air_resistance(thickness: float, reference: Reference) -> float:
    """Resistance of a still air layer, horizontal heat flow [m2K/W]; between rows by line.

    thickness [m], up to that of the table's last row.
    """
    table = reference.table("air_layer_resistance").sort("thickness_mm")
    known, resistances = table["thickness_mm"].to_numpy(), table["horizontal_m2k_w"].to_numpy()
    return float(np.interp(1000.0 * thickness, known, resistances))


def u_values(homes: pl.DataFrame, walls: dict[str, WallBuildUp], reference: Reference) -> pl.Series:
    """U of the build-up each home names [W/m2K], null where it names none.

    Raises SettingsError for a build-up that the settings lack.
    """
    named = homes["wall_build_up"]
    lacking = homes.filter(named.is_not_null() & ~named.is_in(list(walls)))
    if lacking.height:
        first = lacking.row(0, named=True)
        raise SettingsError(
            f"Home {first['home_id']} has wall build-up '{first['wall_build_up']}', which the"
            f" settings do not describe ({lacking.height} homes name such). Described:"
            f" {', '.join(sorted(walls)) or 'none'}. Add [walls.{first['wall_build_up']}] with its"
            " layers, or empty those cells."
        )
    found = {
        name: layered(name, walls[name], reference).u_value for name in named.drop_nulls().unique()
    }
    return named.replace_strict(found, default=None, return_dtype=pl.Float64)


def _resistance(name: str, layer: WallLayer, reference: Reference) -> float:
    metres = layer.thickness_mm / 1000.0
    if layer.lambda_w_mk is not None:
        return float(wall.layer_resistance(metres, layer.lambda_w_mk))
    most = reference.constant("air_layer_most")
    if metres > most:
        raise SettingsError(
            f"walls.{name}: air layer '{layer.name}' of {layer.thickness_mm:g} mm is thicker than"
            f" {1000.0 * most:g} mm, beyond which BS EN ISO 6946 gives no resistance."
        )
    return air_resistance(metres, reference)
