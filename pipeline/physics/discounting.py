"""Present values by a stepped discount rate (HM Treasury Green Book)."""

import numpy as np

from pipeline.physics import Floats


def discount_factors(yearly_rates: Floats) -> Floats:
    """Factor at the end of each year 1..n: the product of 1/(1+r) up to and with that year.

    yearly_rates: rate of each year [fraction]. Source: HM Treasury Green Book, Annex 6.
    """
    return np.asarray(np.cumprod(1.0 / (1.0 + yearly_rates)), dtype=np.float64)
