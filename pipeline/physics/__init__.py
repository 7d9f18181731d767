"""Pure arithmetic: floats, arrays and polars expressions alike. No tables, no column names."""

from typing import TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Whole = NDArray[np.int64]
Mask = NDArray[np.bool_]
Number = TypeVar("Number", float, Floats, pl.Expr)
"""A quantity of one kind throughout a call: a float, an array, or a column expression."""
