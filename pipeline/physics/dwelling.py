"""Heat loss and gains of a whole dwelling. Areas m2, U W/m2K, heat loss W/K, gains W."""

import numpy as np

from pipeline.physics import Floats, Number


def ventilation_heat_loss(air_changes: Number, volume: Number, heat_capacity: float) -> Number:
    """0.33·n·V [W/K]: air changes per hour, volume m3, heat capacity of air Wh/m3K."""
    return heat_capacity * air_changes * volume


def ground_floor_u_value(
    area: Floats, perimeter: Floats, wall_thickness: Floats, r_floor: Floats, soil: float
) -> Floats:
    """U of a slab on the ground [W/m2K].

    r_floor: slab insulation with both surface resistances [m2K/W]; soil conductivity [W/mK].
    Source: BS EN ISO 13370:2017, slab on ground, characteristic dimension B' = 2A/P.
    """
    characteristic = 2.0 * area / perimeter
    equivalent = wall_thickness + soil * r_floor
    thin = 2.0 * soil / (np.pi * characteristic + equivalent)
    thin = thin * np.log(np.pi * characteristic / equivalent + 1.0)
    thick = soil / (0.457 * characteristic + equivalent)
    return np.where(equivalent < characteristic, thin, thick)


def occupants(floor_area: Floats, a: float, b: float, c: float, threshold: float) -> Floats:
    """Standard number of occupants from floor area [m2]. Source: SAP 2012 Table 1b."""
    over = np.maximum(floor_area - threshold, 0.0)
    return 1.0 + a * -np.expm1(-b * over**2) + c * over


def vertical_irradiance(
    horizontal: Floats, latitude: Floats, declination: Floats, k: Floats
) -> Floats:
    """Mean solar flux on a vertical face [W/m2], shape [region, month].

    horizontal [region, month] W/m2; latitude [region] and declination [month] in degrees; k the
    nine constants of the orientation. Source: SAP 2012 Appendix U3.2, pitch 90 degrees.
    """
    s = np.sin(np.pi / 4.0)
    powers = np.array([s**3, s**2, s])
    a, b, c = k[0:3] @ powers, k[3:6] @ powers, k[6:9] @ powers + 1.0
    cosine = np.cos(np.deg2rad(latitude[:, None] - declination[None, :]))
    return np.asarray(horizontal * (a * cosine**2 + b * cosine + c))


def heat_loss_reduction(u_before: Number, u_after: Number, treated_area: Number) -> Number:
    """Fall of the dwelling's heat loss from the treated wall's plane area [W/K]."""
    return (u_before - u_after) * treated_area
