"""Wind suction on a wall and the fixings per square metre that hold boards against it."""

import numpy as np

from pipeline.physics import Floats

_TERRAIN_II_M = 0.05
"""Roughness length of terrain category II, to which the terrain factor refers."""


def peak_velocity_pressure(
    speed: Floats, height: Floats, roughness_length: float, least_height: float, air_density: float
) -> Floats:
    """Peak velocity pressure [N/m2] at a height above level ground, orography factor 1.

    speed: basic wind velocity [m/s]; height [m], not taken below least_height [m], the z_min of
    the terrain; roughness_length z0 [m]; air_density [kg/m3]. Any one shape.
    Source: BS EN 1991-1-4:2005+A1, expressions (4.3) to (4.8).
    """
    terrain = 0.19 * (roughness_length / _TERRAIN_II_M) ** 0.07
    log = np.log(np.maximum(height, least_height) / roughness_length)
    mean = terrain * log * speed
    return np.asarray((1.0 + 7.0 / log) * 0.5 * air_density * mean**2)


def resistance_needed(suction: Floats, fixings: float, load: float, anchor: float) -> Floats:
    """Characteristic pull-out resistance N_Rk [kN] each of `fixings` [1/m2] must have.

    suction: characteristic wind suction [kN/m2]; load and anchor: partial factors on both sides.
    n N_Rk / anchor = load x suction. Source: BS EN 1990 and the anchor's own assessment.
    """
    return suction * (load * anchor) / fixings


def fixings_needed(suction: Floats, resistance: Floats, load: float, anchor: float) -> Floats:
    """Fixings [1/m2], whole, of characteristic pull-out resistance N_Rk [kN]; as above."""
    return np.asarray(np.ceil(suction * (load * anchor) / resistance))
