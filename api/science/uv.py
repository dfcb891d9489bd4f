"""Ultraviolet light with altitude and snow, and the glasses for it."""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from .arrays import Codes, Floats, floats, plain

UV_PER_KM_COST = 0.08
"""COST-713 UV Index booklet, section 4: UVI grows 8 % a km under clear sky."""
UV_PER_KM_WHO_LOW = 0.10
UV_PER_KM_WHO_HIGH = 0.12
"""WHO/WMO/UNEP/ICNIRP, Global Solar UV Index (2002): 10 to 12 % a km."""
UV_FURTHEST_M = 5000.0
SNOW_REFLECTION_FRESH = 0.8
"""Fresh snow reflects as much as 80 % (WHO guide); UNEP texts say up to 90 %."""
SNOW_REFLECTION_HIGHEST = 0.9


class UvClass(IntEnum):
    """Exposure classes of the Global Solar UV Index (WHO 2002, Table 1; from memory)."""

    UNKNOWN = 0
    LOW = 1
    MODERATE = 2
    HIGH = 3
    VERY_HIGH = 4
    EXTREME = 5


def uv_index_at(
    uv_index: ArrayLike, height_above_m: ArrayLike, rate_per_km: ArrayLike = UV_PER_KM_WHO_HIGH
) -> Floats:
    """UV index at another height than the one it was forecast for.

    Parameters
    ----------
    uv_index
        UV index as forecast, >= 0.
    height_above_m
        Height over the one the forecast holds for, m, -5000 to 5000.
    rate_per_km
        Growth a km, linear: 0.08 (COST-713), 0.10 to 0.12 (WHO). The default is the highest of these.

    Returns
    -------
    UV index; NaN for a negative index, outside these heights and for NaN.

    Notes
    -----
    UVI = UVI0 (1 + rate dH). COST-713 UV Index booklet, section 4; WHO/WMO/UNEP/ICNIRP, Global Solar UV
    Index: A Practical Guide (2002). At 4000 m the published rates span a factor of 1.32 to 1.48.
    """
    index, height, rate = floats(uv_index), floats(height_above_m), floats(rate_per_km)
    known = (index >= 0.0) & (np.abs(height) <= UV_FURTHEST_M)
    return plain(np.where(known, index * (1.0 + rate * height / 1000.0), np.nan))


def uv_from_below(uv_index: ArrayLike, reflection: ArrayLike = SNOW_REFLECTION_FRESH) -> Floats:
    """What snow throws back up at a face: an upper bound, in the units of the UV index.

    Parameters
    ----------
    uv_index
        UV index from above, >= 0.
    reflection
        Share the ground reflects, 0 to 1: fresh snow 0.8 (WHO) to 0.9 (UNEP).

    Returns
    -------
    Exposure from below; NaN outside these ranges and for NaN. It comes on top of the index, under brims
    and glasses; it is not itself a UV index, which is defined for a level surface.
    """
    index, share = floats(uv_index), floats(reflection)
    return plain(np.where((index >= 0.0) & (share >= 0.0) & (share <= 1.0), index * share, np.nan))


def uv_class(uv_index: ArrayLike) -> Codes:
    """Exposure class of a UV index, as `UvClass` values.

    Parameters
    ----------
    uv_index
        UV index, >= 0; rounded to the nearest whole number first, halves up.

    Returns
    -------
    `UvClass` codes; `UNKNOWN` for NaN and a negative index.

    Notes
    -----
    Low 0-2, moderate 3-5, high 6-7, very high 8-10, extreme 11 and over: WHO 2002, Table 1 (from
    memory).
    """
    index = floats(uv_index)
    whole = np.floor(index + 0.5)
    codes = 1 + (whole[..., np.newaxis] >= np.array([3.0, 6.0, 8.0, 11.0])).sum(axis=-1)
    return np.asarray(np.where(index >= 0.0, codes, UvClass.UNKNOWN), dtype=np.int8)


def filter_category(light_transmission_percent: ArrayLike) -> Codes:
    """Filter category of sunglasses or goggles from the visible light they let through.

    Parameters
    ----------
    light_transmission_percent
        Luminous transmittance, %, over 3 to 100.

    Returns
    -------
    Category 0 to 4; -1 for NaN and outside the table (3 % or less, over 100 %).

    Notes
    -----
    EN ISO 12312-1 Table 1: 0 over 80 %, 1 over 43, 2 over 18, 3 over 8, 4 over 3; upper ends belong to
    the darker category, so 8.0 % is 4 and 8.1 % is 3. Category 4 on glaciers is maker and optician
    advice, not a duty.
    """
    percent = floats(light_transmission_percent)
    category = 4 - (percent[..., np.newaxis] > np.array([8.0, 18.0, 43.0, 80.0])).sum(axis=-1)
    return np.asarray(np.where((percent > 3.0) & (percent <= 100.0), category, -1), dtype=np.int8)
