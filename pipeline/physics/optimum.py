"""The thickness beyond which insulation costs more than it saves, in closed form."""

import numpy as np

from pipeline.physics import Floats, Number


def total_cost(  # noqa: PLR0913, PLR0917
    thickness: Number, worth: Number, resistance: Number, conductivity: Number,
    fixed: Number, slope: Number,
) -> Number:  # fmt: skip
    """Worth of the heat lost through a wall plus the price of its insulation.

    thickness [m]; worth of one W/m2K less [GBP per W/m2K]; resistance of the wall without it
    [m2K/W]; conductivity [W/mK]; fixed [GBP] and slope [GBP/m] of the price. Returns [GBP].
    Source: C(x) = worth U + fixed + slope x with 1/U = R + x/lambda; Hasan, Applied Energy 63
    (1999) 115-124 (cited from memory).
    """
    return worth / (resistance + thickness / conductivity) + fixed + slope * thickness


def thickness(worth: Number, resistance: Number, conductivity: Number, slope: Number) -> Floats:
    """Thickness of least total cost [m]: -lambda R + sqrt(worth lambda / slope), from 0 up.

    Arguments as for `total_cost`; slope above 0. Source: where the derivative of `total_cost` is
    nil.
    """
    best = np.sqrt(np.asarray(worth) * conductivity / slope) - np.asarray(conductivity) * resistance
    return np.asarray(np.maximum(best, 0.0))
