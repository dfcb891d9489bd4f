"""Rain or snow at an elevation, and whether the snow refreezes overnight."""

from __future__ import annotations

from enum import IntEnum

import numpy as np
from numpy.typing import ArrayLike

from .arrays import Codes, Floats, floats, plain

SNOW_BELOW_C = -0.4
EVEN_ODDS_C = 1.0
RAIN_ABOVE_C = 2.4
"""Air temperature at which rain and snow are equally frequent: mean, and range of 95 % of stations."""

CLEAR_SKY_ALLOWANCE_K = 2.0
HOURS_TO_REFREEZE = 4.0

_NEWTON_STEPS = 12


class Phase(IntEnum):
    """What falls."""

    UNKNOWN = 0
    SNOW = 1
    EITHER = 2
    RAIN = 3


class Refreeze(IntEnum):
    """What a night does to wet snow."""

    UNKNOWN = 0
    YES = 1
    ONLY_IF_CLEAR = 2
    NO = 3


def precipitation_phase(temperature_c: ArrayLike) -> Codes:
    """Rain or snow, from the air temperature alone.

    Parameters
    ----------
    temperature_c
        Air temperature near the ground at the elevation asked about, °C.

    Returns
    -------
    `Phase` codes: snow below -0.4 °C, rain above 2.4 °C, either between; `UNKNOWN` for NaN.

    Notes
    -----
    Jennings KS et al., Spatial variation of the rain-snow temperature threshold across the Northern
    Hemisphere, Nature Communications 9 (2018) 1148: the temperature of equal odds averages 1.0 °C and
    lies between -0.4 and 2.4 °C at 95 % of 6883 stations, warmer in dry continental air. Either side of
    the range the other kind still occurs. Where humidity is known, `snow_fraction` says more.
    """
    t = floats(temperature_c)
    codes = np.select(
        [t < SNOW_BELOW_C, t <= RAIN_ABOVE_C, t > RAIN_ABOVE_C], [Phase.SNOW, Phase.EITHER, Phase.RAIN], 0
    )
    return np.asarray(codes, dtype=np.int8)


def snow_fraction(wet_bulb_c: ArrayLike) -> Floats:
    """Share of precipitation that falls as snow, from the wet-bulb temperature.

    Parameters
    ----------
    wet_bulb_c
        Wet-bulb temperature at the elevation asked about, °C (see `wet_bulb_c`).

    Returns
    -------
    0 to 1; NaN for NaN. One half near 0.8 °C.

    Notes
    -----
    1 / (1 + 6.99e-5 exp(2 (Tw + 3.97))). Wang YH et al., A Wet-Bulb Temperature-Based Rain-Snow
    Partitioning Scheme Improves Snowpack Prediction Over the Drier Western United States, Geophys Res
    Lett 46 (2019) 13825-13835, Eq. 1, as in the Noah-MP land surface model. An average over events: one
    shower may do otherwise.
    """
    tw = floats(wet_bulb_c)
    # Above 100 °C the exponential is past any use; the bound keeps it from overflowing.
    return plain(1.0 / (1.0 + 6.99e-5 * np.exp(2.0 * (np.minimum(tw, 100.0) + 3.97))))


def wet_bulb_c(
    temperature_c: ArrayLike, relative_humidity_percent: ArrayLike, pressure_pa: ArrayLike
) -> Floats:
    """Wet-bulb temperature by the psychrometer equation over water.

    Parameters
    ----------
    temperature_c
        Air temperature, °C, -40 to 45.
    relative_humidity_percent
        Relative humidity over water, %, 0 to 100 (forecasts' 100.x is taken as 100 up to 105).
    pressure_pa
        Air pressure at the elevation, Pa, 30 000 to 110 000.

    Returns
    -------
    Wet-bulb temperature, °C; NaN outside these ranges and for NaN.

    Notes
    -----
    e = es(Tw) - 0.000662 P (T - Tw), es = 6.112 exp(17.62 t / (243.12 + t)) hPa: WMO-No. 8, Guide to
    Instruments and Methods of Observation, Annex 4.B (coefficients from memory), solved by Newton's
    method.
    """
    t, humidity, pressure = np.broadcast_arrays(
        floats(temperature_c), floats(relative_humidity_percent), floats(pressure_pa) / 100.0
    )
    known = (
        (np.abs(t - 2.5) <= 42.5)
        & (humidity >= 0.0)
        & (humidity <= 105.0)
        & (pressure >= 300.0)
        & (pressure <= 1100.0)
    )
    air = np.where(known, t, 0.0)
    hpa = np.where(known, pressure, 1000.0)
    vapour = np.where(known, np.minimum(humidity, 100.0), 100.0) / 100.0 * _saturation_hpa(air)
    wet = air.copy()
    for _ in range(_NEWTON_STEPS):
        slope = _saturation_hpa(wet) * 17.62 * 243.12 / (243.12 + wet) ** 2 + 0.000662 * hpa
        wet = wet - (_saturation_hpa(wet) - 0.000662 * hpa * (air - wet) - vapour) / slope
    return plain(np.where(known, wet, np.nan))


def overnight_refreeze(
    air_temperature_c: ArrayLike,
    cloud_fraction: ArrayLike | None = None,
    *,
    step_hours: float = 1.0,
    hours_needed: float = HOURS_TO_REFREEZE,
    clear_sky_allowance_k: float = CLEAR_SKY_ALLOWANCE_K,
) -> Codes:
    """Whether wet snow at an elevation refreezes over a night.

    Parameters
    ----------
    air_temperature_c
        Air temperature at the elevation through the night, °C, shape (..., steps).
    cloud_fraction
        Share of sky covered, 0 to 1, same shape; NaN or values outside for a step that is not known.
        None if nothing is known of cloud.
    step_hours
        Length of a step, h.
    hours_needed
        Hours of freezing that make a night's refreeze.
    clear_sky_allowance_k
        How far above 0 °C the air may be for snow to freeze under a clear sky, K; under cloud it shrinks
        in proportion.

    Returns
    -------
    `Refreeze` codes in the leading shape. A step freezes when the air is at or below 0 °C plus the
    allowance its sky gives. `ONLY_IF_CLEAR`: it takes a clear sky nobody has forecast. `UNKNOWN`:
    missing temperatures could decide it. `NO` when even a clear sky would not do.

    Raises
    ------
    ValueError
        For a step, hours or allowance that make no sense.

    Notes
    -----
    Snow loses heat to a clear sky and freezes with the air some degrees above 0 °C. Two degrees and four
    hours are common practice, no published source; dry calm air allows more, humid or windy air less. A
    firm crust says nothing of what lies under it.
    """
    if not step_hours > 0.0:
        raise ValueError(f"step_hours is {step_hours}; give more than 0")
    if not hours_needed > 0.0:
        raise ValueError(f"hours_needed is {hours_needed}; give more than 0")
    if not clear_sky_allowance_k >= 0.0:
        raise ValueError(f"clear_sky_allowance_k is {clear_sky_allowance_k}; give 0 or more")
    air = floats(air_temperature_c)
    cloud = np.full(air.shape, np.nan) if cloud_fraction is None else floats(cloud_fraction)
    air, cloud = np.broadcast_arrays(air, cloud)
    sky_known = (cloud >= 0.0) & (cloud <= 1.0)
    sure_k = np.where(sky_known, clear_sky_allowance_k * (1.0 - cloud), 0.0)
    at_best_k = np.where(sky_known, sure_k, clear_sky_allowance_k)

    missing = np.isnan(air)
    surely = _hours(air <= sure_k, step_hours)
    surely_at_best = _hours(missing | (air <= sure_k), step_hours)
    at_best = _hours(air <= at_best_k, step_hours)
    conceivable = _hours(missing | (air <= at_best_k), step_hours)
    enough = hours_needed - 1e-9
    codes = np.select(
        [surely >= enough, conceivable < enough, surely_at_best >= enough, at_best >= enough],
        [Refreeze.YES, Refreeze.NO, Refreeze.UNKNOWN, Refreeze.ONLY_IF_CLEAR],
        Refreeze.UNKNOWN,
    )
    return np.asarray(codes, dtype=np.int8)


def _hours(freezing: ArrayLike, step_hours: float) -> Floats:
    return floats(np.asarray(freezing).sum(axis=-1) * step_hours)


def _saturation_hpa(temperature_c: Floats) -> Floats:
    pressure: Floats = 6.112 * np.exp(17.62 * temperature_c / (243.12 + temperature_c))
    return pressure
