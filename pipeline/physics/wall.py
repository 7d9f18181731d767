"""Thermal transmittance of a wall before and after insulation (BS EN ISO 6946:2017).

Resistances in m2K/W, transmittances in W/m2K, thicknesses in m, conductivities in W/mK.
Arguments marked Number are floats, arrays that broadcast, or polars expressions.
"""

from collections.abc import Sequence

import numpy as np

from pipeline.physics import Floats, Number


def layer_resistance(thickness: Number, conductivity: Number) -> Number:
    """Resistance of one homogeneous layer [m2K/W]. Source: BS EN ISO 6946:2017, 6.7.1.1."""
    return thickness / conductivity


def u_value(resistances: Sequence[Number], r_inside: float, r_outside: float) -> Number:
    """U of homogeneous layers between two surfaces [W/m2K]. Source: BS EN ISO 6946:2017, 6.5.1."""
    return 1.0 / (r_inside + sum(resistances[1:], resistances[0]) + r_outside)


def combined_resistance(
    paths: Sequence[tuple[float, Sequence[float]]], r_inside: float, r_outside: float, limit: float
) -> tuple[float, float, float]:
    """Total resistance of a bridged wall: (R_total, upper limit, lower limit) [m2K/W].

    paths: (area fraction, layer resistances) of each heat-flow path, layers in the same order.
    Raises ValueError where fractions do not sum to 1, or upper/lower exceeds `limit` and the
    method does not hold. Source: BS EN ISO 6946:2017, 6.7.2.
    """
    total = sum(fraction for fraction, _ in paths)
    if abs(total - 1.0) > 1e-9:
        raise ValueError(f"the area fractions of the paths sum to {total:.6g}, not to 1")
    if len({len(layers) for _, layers in paths}) != 1:
        raise ValueError("every path must name the same layers, in the same order")
    upper = 1.0 / sum(f / (r_inside + sum(layers) + r_outside) for f, layers in paths)
    depth = len(paths[0][1])
    lower = r_inside + r_outside
    for layer in range(depth):
        lower += 1.0 / sum(fraction / layers[layer] for fraction, layers in paths)
    if upper / lower > limit:
        raise ValueError(
            f"upper limit {upper:.3f} over lower limit {lower:.3f} m2K/W exceeds {limit}: the"
            " combined method does not hold, compute the wall in two dimensions (BS EN ISO 10211)"
        )
    return (upper + lower) / 2.0, upper, lower


def bridged_paths(
    layers: Sequence[tuple[float, float, float]],
) -> list[tuple[float, list[float]]]:
    """Heat-flow paths through layers whose bridges do not line up: (area fraction, resistances).

    layers: (resistance, share of the area that is bridge, resistance of the bridge) each, in
    order. A path takes each layer or its bridge, its fraction the product of the shares.
    Source: BS EN ISO 6946:2017, 6.7.2.2, sections of a component.
    """
    paths: list[tuple[float, list[float]]] = [(1.0, [])]
    for plain, share, bridge in layers:
        parts = [(1.0 - share, plain)] + ([(share, bridge)] if share > 0.0 else [])
        paths = [(f * part, [*way, r]) for f, way in paths for part, r in parts]
    return paths


def fixing_bypass(conductivity: float, section: float, number: float, alpha: float) -> float:
    """What fixings carry past one metre of insulation, alpha lambda_f A_f n_f [W/mK].

    conductivity [W/mK] and cross-section [m2] of one fixing, number per m2; alpha 0.8 where it goes
    through the whole thickness. Plastic fixings, below 1 W/mK, count as nothing.
    Source: BS EN ISO 6946:2017, Annex F.3.
    """
    return alpha * conductivity * section * number if conductivity >= 1.0 else 0.0


def bypass_correction(bypass: Number | float, r_insulation: Number, r_total: Number) -> Number:
    """dU of what bypasses the insulation [W/m2K]: bypass x (R_insulation / R_total)^2.

    bypass: dU'' of the air voids plus `fixing_bypass` over the thickness [W/m2K]; r_total: that of
    the plane wall with the insulation. Always counted, though the standard lets corrections of
    under 3 % of U be left out. Source: BS EN ISO 6946:2017, Annex F.2 and F.3.
    """
    share = r_insulation / r_total
    return share * share * bypass


def u_after(
    u_existing: Number,
    r_insulation: Number,
    r_finish: float,
    delta_u: Number,
    bypass: Number | float = 0.0,
) -> Number:
    """U of the wall with insulation and finish outside [W/m2K].

    1/R_total + delta_u + bypass (R_insulation/R_total)^2 with R_total = 1/U + R_insulation +
    R_finish. delta_u: number of fixings times their declared chi; bypass: see `bypass_correction`.
    Source: BS EN ISO 6946:2017, 6.5.2 and Annex F.
    """
    r_total = 1.0 / u_existing + r_insulation + r_finish
    return 1.0 / r_total + delta_u + bypass_correction(bypass, r_insulation, r_total)


def least_thickness(
    rest: Floats | float,
    u_target: float,
    conductivity: Floats | float,
    losses: tuple[Floats | float, Floats | float, Floats | float],
) -> Floats:
    """Least thickness of insulation at which `u_after` reaches a target U [m], for arrays too.

    rest: 1/U of the bare wall plus the finish [m2K/W]. losses: delta_u of fixings of declared chi
    and dU'' of the air voids [W/m2K], `fixing_bypass` of the others [W/mK]. 0 where the wall is
    there already, NaN where no thickness reaches. With s the share of the insulation in the whole
    resistance, U = (1 - s)/rest + delta_u + dU'' s^2 + bypass s (1 - s)/(lambda rest) is quadratic;
    the thickness is lambda rest s/(1 - s) at its smaller root.
    """
    delta_u, voids, bypass = losses
    through = bypass / (conductivity * np.asarray(rest))
    square, linear = voids - through, 1.0 / rest - through
    over = 1.0 / rest + delta_u - u_target
    with np.errstate(invalid="ignore", divide="ignore"):
        share = 2.0 * over / (linear + np.sqrt(linear * linear - 4.0 * square * over))
        needed = conductivity * rest * share / (1.0 - share)
        return np.where(over <= 0.0, 0.0, np.where(share < 1.0, needed, np.nan))


def stone_u_value(thickness_mm: Number, u_at_zero: float, u_per_mm: float) -> Number:
    """Default U of a stone wall from its thickness [W/m2K].

    Source: RdSAP 2012, traditional stone walls: U = u_at_zero - u_per_mm x thickness.
    """
    return u_at_zero - u_per_mm * thickness_mm
