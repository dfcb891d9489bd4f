"""Where functions cross zero, for many cells at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def rising_root(
    function: Callable[[Floats], tuple[Floats, Floats]], lowest: Floats, highest: Floats
) -> Floats:
    """Root between the bounds of a function negative below it and positive above: Newton, halving where it
    would leave.

    ``function`` returns value and slope. Converges to the last digits or, halving alone, to the width /
    2**80.
    """
    low, high = lowest.copy(), highest.copy()
    here = 0.5 * (low + high)
    for _ in range(80):
        value, slope = function(here)
        below = value < 0.0
        low, high = np.where(below, here, low), np.where(below, high, here)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = here - value / slope
        there = np.where((step >= low) & (step <= high), step, 0.5 * (low + high))
        settled = np.abs(there - here) <= 1e-14 * (1.0 + np.abs(here))
        here = there
        if settled.all():
            break
    return here
