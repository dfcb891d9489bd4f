"""A forecast's column of levels: interpolation in height, 0 °C crossings and freezing level, wind at an
elevation.

The last axis is always the levels; any axes before it (members, times) are carried along. Levels may
come in any order and may be missing (NaN in the value or in its height): they are dropped profile by
profile. Heights and the heights asked for must be of one kind, geometric or geopotential. Nothing is
extrapolated.
"""

from __future__ import annotations

from enum import IntEnum
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from .arrays import Codes, Flags, Floats, floats, plain

STANDARD_LAPSE_K_PER_M = 0.0065


class FreezingState(IntEnum):
    """What a profile says about its freezing level."""

    MISSING = 0
    """No usable level."""
    OK = 1
    """One crossing, and the air above it stays below 0 °C up to the highest level."""
    MULTIPLE = 2
    """Several crossings: a warm layer lies over colder air, or a level touches 0 °C."""
    BELOW_LOWEST = 3
    """The whole profile is below 0 °C: the freezing level lies below the lowest level."""
    ABOVE_HIGHEST = 4
    """The highest level is above 0 °C: the highest freezing level lies higher than the profile reaches."""


class FreezingLevel(NamedTuple):
    """Highest and lowest 0 °C crossing, m (NaN where there is none to give), and a `FreezingState` for
    each."""

    highest_m: Floats
    lowest_m: Floats
    state: Codes


class Wind(NamedTuple):
    """Wind speed, m/s, and the direction it blows *from*, degrees clockwise from north in [0, 360)."""

    speed_mps: Floats
    direction_deg: Floats


def interpolate_height(values: ArrayLike, heights_m: ArrayLike, at_m: ArrayLike) -> Floats:
    """Value of a profile at a height, linear in height between the two nearest usable levels.

    Parameters
    ----------
    values
        Profile values, shape (..., levels).
    heights_m
        Height of each level, m, broadcastable to `values`. Any order; of two levels at one height the
        first counts.
    at_m
        Height wanted, m, broadcastable against the leading shape: a scalar, or one height a time for a
        moving party.

    Returns
    -------
    Values in the shape of the leading axes and `at_m` broadcast together. NaN above the highest and
    below the lowest usable level, where `at_m` is NaN, and where no level is usable.

    Notes
    -----
    Source: linear interpolation in height, the rule MetPy's `interpolate_1d` follows; common practice.
    """
    value, height = np.broadcast_arrays(floats(values), floats(heights_m))
    wanted = floats(at_m)[..., np.newaxis]
    usable = ~np.isnan(value) & ~np.isnan(height)
    with np.errstate(invalid="ignore"):
        below = np.where(usable & (height <= wanted), height, -np.inf)
        above = np.where(usable & (height >= wanted), height, np.inf)
    lower, upper = np.argmax(below, axis=-1), np.argmin(above, axis=-1)
    low_m, high_m = _pick(below, lower), _pick(above, upper)
    low, high = _pick(value, lower), _pick(value, upper)
    span_m = high_m - low_m
    inside = np.isfinite(span_m)
    share = np.divide(
        wanted[..., 0] - low_m, span_m, out=np.zeros(span_m.shape), where=inside & (span_m > 0.0)
    )
    return plain(np.where(inside, low + share * (high - low), np.nan))


def profile_range_m(
    values: ArrayLike, heights_m: ArrayLike, surface_m: ArrayLike | None = None
) -> tuple[Floats, Floats]:
    """Lowest and highest usable level of each profile: between them a value can be had, outside not.

    Parameters
    ----------
    values, heights_m
        As in `interpolate_height`.
    surface_m
        Ground elevation, m, broadcastable to the leading shape; levels under it are dropped.

    Returns
    -------
    (lowest, highest), m, in the leading shape; NaN where no level is usable.
    """
    _value, height, usable = _usable(values, heights_m, surface_m)
    lowest = np.min(np.where(usable, height, np.inf), axis=-1)
    highest = np.max(np.where(usable, height, -np.inf), axis=-1)
    some = usable.any(axis=-1)
    return plain(np.where(some, lowest, np.nan)), plain(np.where(some, highest, np.nan))


def zero_crossings(temperature_c: ArrayLike, heights_m: ArrayLike, surface_m: float | None = None) -> Floats:
    """Every height at which one profile's temperature is 0 °C.

    Parameters
    ----------
    temperature_c
        Temperature of the levels, °C, shape (levels,).
    heights_m
        Height of the levels, m, same shape, any order.
    surface_m
        Ground elevation, m; levels under it are dropped.

    Returns
    -------
    Heights, m, ascending; empty when there is none. Between levels temperature is linear in height. A
    level at exactly 0.0 °C counts once, also where the profile only touches zero there.

    Raises
    ------
    ValueError
        When more than one profile is given; `freezing_level` takes many.

    Notes
    -----
    Source: AMS Glossary, "freezing level", for the definition (air temperature 0 °C); linear between
    levels as `metpy.calc.find_intersections`.
    """
    if np.ndim(temperature_c) != 1:
        raise ValueError(
            f"temperature_c must be one profile (levels,), not of shape {np.shape(temperature_c)}; "
            "for many profiles use freezing_level"
        )
    crossings, _ = _crossings(*_usable(temperature_c, heights_m, surface_m))
    return crossings[~np.isnan(crossings)]


def freezing_level(
    temperature_c: ArrayLike, heights_m: ArrayLike, surface_m: ArrayLike | None = None
) -> FreezingLevel:
    """Highest and lowest 0 °C crossing of many profiles, with what each profile can say.

    Parameters
    ----------
    temperature_c
        Temperature, °C, shape (..., levels).
    heights_m
        Height of the levels, m, broadcastable to `temperature_c`, any order.
    surface_m
        Ground elevation, m, broadcastable to the leading shape; levels under it are dropped.

    Returns
    -------
    FreezingLevel
        `highest_m` is NaN whenever the highest level is above 0 °C: the freezing level then lies above
        the profile and no lower crossing stands in for it. `lowest_m` is the lowest crossing seen.
        `state` holds `FreezingState` values.

    Notes
    -----
    The AMS Glossary and WMO define the freezing level as the *lowest* 0 °C height; for refreeze on a
    glacier the *highest* is the cautious number, so both are given. Source: AMS Glossary, "freezing
    level"; WMO-No. 182.
    """
    temperature, height, usable = _usable(temperature_c, heights_m, surface_m)
    crossings, top_c = _crossings(temperature, height, usable)
    found = ~np.isnan(crossings)
    count = found.sum(axis=-1)
    none = count == 0
    open_above = usable.any(axis=-1) & (top_c > 0.0)
    lowest = np.min(np.where(found, crossings, np.inf), axis=-1)
    highest = np.max(np.where(found, crossings, -np.inf), axis=-1)
    state = np.select(
        [~usable.any(axis=-1), open_above, none, count == 1],
        [FreezingState.MISSING, FreezingState.ABOVE_HIGHEST, FreezingState.BELOW_LOWEST, FreezingState.OK],
        FreezingState.MULTIPLE,
    )
    return FreezingLevel(
        highest_m=plain(np.where(none | open_above, np.nan, highest)),
        lowest_m=plain(np.where(none, np.nan, lowest)),
        state=state.astype(np.int8),
    )


def temperature_at(
    altitude_m: ArrayLike, freezing_level_m: ArrayLike, lapse_k_per_m: float = STANDARD_LAPSE_K_PER_M
) -> Floats:
    """Air temperature filled in from a freezing level alone, by one assumed lapse rate.

    Parameters
    ----------
    altitude_m
        Where, m.
    freezing_level_m
        Height of 0 °C, m.
    lapse_k_per_m
        Assumed fall of temperature with height, K/m.

    Returns
    -------
    Temperature, °C; NaN where an input is NaN.

    Notes
    -----
    An assumption, not a forecast: 6.5 K/km is the standard atmosphere's lapse rate (U.S. Standard
    Atmosphere 1976). Real air lies between about 4 (humid) and 9.8 K/km (dry), and inversions break it,
    so 1000 m away from the freezing level the answer may be 3 K off. Use a profile where there is one.
    """
    return plain((floats(freezing_level_m) - floats(altitude_m)) * lapse_k_per_m)


def wind_components(speed_mps: ArrayLike, direction_deg: ArrayLike) -> tuple[Floats, Floats]:
    """Eastward and northward components of a wind given by speed and the direction it blows from.

    Parameters
    ----------
    speed_mps
        Speed, m/s, >= 0; NaN below.
    direction_deg
        Direction the wind blows from, degrees clockwise from north. Not needed (may be NaN) for calm
        air.

    Returns
    -------
    (u, v), m/s.

    Notes
    -----
    u = -s sin(d), v = -s cos(d): the meteorological convention, as in MetPy's `wind_components`.
    """
    speed, direction = floats(speed_mps), np.radians(floats(direction_deg))
    speed = np.where(speed < 0.0, np.nan, speed)
    calm = speed == 0.0
    u, v = -speed * np.sin(direction), -speed * np.cos(direction)
    return plain(np.where(calm, 0.0, u)), plain(np.where(calm, 0.0, v))


def wind_from_components(u_mps: ArrayLike, v_mps: ArrayLike) -> Wind:
    """Speed and direction of a wind from its components: the inverse of `wind_components`.

    Parameters
    ----------
    u_mps, v_mps
        Eastward and northward components, m/s.

    Returns
    -------
    Wind
        The direction is NaN in calm air, which has none.
    """
    u, v = floats(u_mps), floats(v_mps)
    speed = np.hypot(u, v)
    # The second modulo turns the 360.0 that a tiny negative angle rounds to into 0.
    direction = np.degrees(np.arctan2(-u, -v)) % 360.0 % 360.0
    return Wind(plain(speed), plain(np.where(speed > 0.0, direction, np.nan)))


def wind_at(speed_mps: ArrayLike, direction_deg: ArrayLike, heights_m: ArrayLike, at_m: ArrayLike) -> Wind:
    """Wind at a height: speed linear in height, direction from the interpolated components.

    Parameters
    ----------
    speed_mps, direction_deg
        Wind of the levels, shape (..., levels); direction is where it blows from, degrees.
    heights_m, at_m
        As in `interpolate_height`.

    Returns
    -------
    Wind
        In the shape `interpolate_height` gives; NaN outside the profile. The direction is NaN where the
        components cancel.

    Notes
    -----
    Speed is interpolated by itself: components of a wind that turns between two levels partly cancel and
    would make it look weaker than at either. Common practice, no published source.
    """
    u, v = wind_components(speed_mps, direction_deg)
    turned = wind_from_components(
        interpolate_height(u, heights_m, at_m), interpolate_height(v, heights_m, at_m)
    )
    return Wind(interpolate_height(speed_mps, heights_m, at_m), turned.direction_deg)


def _pick(values: Floats, index: np.ndarray) -> Floats:
    """``values[..., index]`` with both broadcast over the leading axes."""
    values = np.broadcast_to(values, index.shape + values.shape[-1:])
    picked: Floats = np.take_along_axis(values, index[..., np.newaxis], axis=-1)[..., 0]
    return picked


def _usable(
    values: ArrayLike, heights_m: ArrayLike, surface_m: ArrayLike | None
) -> tuple[Floats, Floats, Flags]:
    value, height = np.broadcast_arrays(floats(values), floats(heights_m))
    usable = ~np.isnan(value) & ~np.isnan(height)
    if surface_m is not None:
        surface = floats(surface_m)[..., np.newaxis]
        # An unknown surface drops nothing.
        usable = usable & ~(height < surface)
        value, height, usable = np.broadcast_arrays(value, height, usable)
    return value, height, usable


def _crossings(temperature: Floats, height: Floats, usable: Flags) -> tuple[Floats, Floats]:
    """All 0 °C heights, NaN-padded, shape (..., 2 levels), and the temperature of the highest usable
    level."""
    order = np.argsort(np.where(usable, height, np.inf), axis=-1, kind="stable")
    height = np.take_along_axis(np.where(usable, height, np.nan), order, axis=-1)
    temperature = np.take_along_axis(np.where(usable, temperature, np.nan), order, axis=-1)

    at_level = np.where(temperature == 0.0, height, np.nan)
    low_c, high_c = temperature[..., :-1], temperature[..., 1:]
    between = ((low_c > 0.0) & (high_c < 0.0)) | ((low_c < 0.0) & (high_c > 0.0))
    share = np.divide(low_c, low_c - high_c, out=np.zeros(low_c.shape), where=between)
    layer = np.where(between, height[..., :-1] + share * (height[..., 1:] - height[..., :-1]), np.nan)

    top = np.maximum(usable.sum(axis=-1) - 1, 0)
    return np.sort(np.concatenate([at_level, layer], axis=-1), axis=-1), _pick(temperature, top)
