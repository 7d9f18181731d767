"""Thermal transmittance of a wall before and after insulation (BS EN ISO 6946:2017).

Resistances in m2K/W, transmittances in W/m2K, thicknesses in m, conductivities in W/mK.
Arguments marked Number are floats, arrays that broadcast, or polars expressions.
"""

from collections.abc import Sequence

from pipeline.physics import Number


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


def fixing_correction(
    r_insulation: Number,
    r_total: Number,
    thickness: Number,
    fixing: tuple[float, float, float],
    alpha: float,
) -> Number:
    """dU of mechanical fixings without a declared point transmittance [W/m2K].

    fixing: (conductivity [W/mK], cross-section of one [m2], number per m2). Plastic fixings,
    below 1 W/mK, need no correction. r_total is that of the plane wall with the insulation.
    Source: BS EN ISO 6946:2017, Annex F.3, alpha 0.8 for a fixing through the whole thickness.
    """
    conductivity, section, number = fixing
    if conductivity < 1.0:
        return 0.0 * r_total
    return alpha * (conductivity * section * number / thickness) * (r_insulation / r_total) ** 2


def air_void_correction(level_correction: float, r_insulation: Number, r_total: Number) -> Number:
    """dU of gaps in the insulation [W/m2K]. Source: BS EN ISO 6946:2017, Annex F.2."""
    return level_correction * (r_insulation / r_total) ** 2


def u_after(u_existing: Number, r_insulation: Number, r_finish: float, delta_u: Number) -> Number:
    """U of the wall with insulation and finish outside [W/m2K].

    1/(1/U + R_insulation + R_finish) + dU, where dU holds fixings (number x chi) and air voids.
    Source: BS EN ISO 6946:2017, 6.5.2.
    """
    return 1.0 / (1.0 / u_existing + r_insulation + r_finish) + delta_u


def least_thickness(
    u_existing: Number, u_target: float, conductivity: float, r_finish: float, delta_u: float
) -> Number:
    """Least thickness of insulation that reaches a target U [m]; 0 where the wall is there.

    Closed form of `u_after`, exact where dU does not depend on the thickness. Returns inf-like
    values never: raises ValueError where dU alone reaches the target.
    """
    if delta_u >= u_target:
        raise ValueError(
            f"the fixings alone lose {delta_u:.3f} W/m2K, no thickness reaches {u_target:.2f}"
        )
    needed = conductivity * (1.0 / (u_target - delta_u) - 1.0 / u_existing - r_finish)
    return needed * (needed > 0.0)


def stone_u_value(thickness_mm: Number, u_at_zero: float, u_per_mm: float) -> Number:
    """Default U of a stone wall from its thickness [W/m2K].

    Source: RdSAP 2012, traditional stone walls: U = u_at_zero - u_per_mm x thickness.
    """
    return u_at_zero - u_per_mm * thickness_mm
