"""Arrays in, arrays out: the one convention every function of this folder follows.

Inputs are anything numpy can read as float64. A scalar in gives a float out (``numpy.float64``, which is
a float); arrays broadcast. NaN in gives NaN out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]
Flags = NDArray[np.bool_]


def floats(values: ArrayLike) -> Floats:
    """``values`` as float64; masked entries become NaN, so a missing value stays missing."""
    if np.ma.isMaskedArray(values):
        return np.where(np.ma.getmaskarray(values), np.nan, np.ma.getdata(values)).astype(np.float64)
    return np.asarray(values, dtype=np.float64)


def plain(values: ArrayLike) -> Floats:
    """A zero-dimensional result as a float, any other as it is."""
    result: Floats = np.asarray(values, dtype=np.float64)[()]
    return result


def within(values: Floats, valid: ArrayLike) -> Floats:
    """``values`` where valid, NaN elsewhere."""
    return plain(np.where(valid, values, np.nan))
