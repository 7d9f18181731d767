"""Degree-days and the heat a dwelling needs (CIBSE TM41:2006). Arrays end in the month axis."""

import numpy as np

from pipeline.physics import Floats, Number


def hitchin(excess: Floats, days: Floats, k: float) -> Floats:
    """Heating degree-days of a month from its mean temperature [K·day].

    excess: balance point less mean outside temperature [K], any shape that broadcasts with
    days [day]. days/k where the two temperatures meet. Source: CIBSE TM41:2006, Hitchin.
    """
    kx = np.maximum(k * np.asarray(excess, dtype=float), -700.0)  # beyond, exp overflows: 0
    near = np.abs(kx) < 1e-9
    ratio = np.where(near, 1.0 + kx / 2.0, kx / -np.expm1(-np.where(near, 1.0, kx)))
    return np.asarray(days * ratio / k)


def balance_point(inside: float, gains: Floats, heat_loss: Number) -> Floats:
    """Outside temperature at which gains cover the loss [degC].

    inside [degC]; gains [W]; heat_loss [W/K]. Source: CIBSE TM41:2006, T_b = T_i - G/H.
    """
    return np.asarray(inside - gains / heat_loss)


def heat_demand(heat_loss: Number, degree_days: Number) -> Number:
    """Heat over the period [kWh]: 0.024 x H x DD. heat_loss [W/K]; degree_days [K·day].

    0.024 turns W·day into kWh. Source: CIBSE TM41:2006.
    """
    return 0.024 * heat_loss * degree_days
