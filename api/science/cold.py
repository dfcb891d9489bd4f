"""Wind chill and minutes to frostbite.

There are two published wind chill formulas, one for °F and mph and one for °C and km/h. They are not
conversions of one another: rounded to whole degrees they differ in 13 of the 216 cells of the US chart.
Each is used in its own units and never converted before rounding. Both take the wind of a weather
report, 10 m above ground.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from .arrays import Flags, Floats, floats, plain

KMH_PER_MPS = 3.6

CALM_KMH = 4.8
WARMEST_C = 10.0
CALM_MPH = 3.0
WARMEST_F = 50.0
COLDEST_C = -90.0
COLDEST_F = -130.0

FIT_OVER_KMH = 25.0
FIT_UP_TO_KMH = 80.0
FIT_UNDER_MIN = 15.0

_BAND_STARTS_C = np.array([-28.0, -40.0, -48.0, -55.0])
_BAND_SHORTEST_MIN = np.array([np.inf, 10.0, 5.0, 2.0, 0.0])
_BAND_LONGEST_MIN = np.array([np.inf, 30.0, 10.0, 5.0, 2.0])


class FrostbiteBand(NamedTuple):
    """Shortest and longest minutes to frostbite of bare skin; both infinite where no time is
    published."""

    shortest_min: Floats
    longest_min: Floats


def wind_chill_c(temperature_c: ArrayLike, wind_mps: ArrayLike) -> Floats:
    """Wind chill, °C, by the metric formula.

    Parameters
    ----------
    temperature_c
        Air temperature, °C. The formula holds up to 10 °C; charts go down to -50 °C.
    wind_mps
        Wind 10 m above ground, m/s. The formula holds from 4.8 km/h (1.33 m/s); charts go to 80 km/h,
        stronger winds use the same formula.

    Returns
    -------
    Wind chill, °C. Below 4.8 km/h and above 10 °C there is no wind chill and the air temperature is
    returned; `wind_chill_holds` tells which. NaN for a negative wind, below -90 °C, and where an input
    is NaN.

    Notes
    -----
    W = 13.12 + 0.6215 T - 11.37 V^0.16 + 0.3965 T V^0.16, V in km/h. Osczevski & Bluestein, BAMS 86
    (2005) 1453-1458; limits as the US National Weather Service. Environment Canada has a form for winds
    below 5 km/h; it could not be confirmed and is not used.
    """
    t = floats(temperature_c)
    v = floats(wind_mps) * KMH_PER_MPS
    power = _sixteen_hundredths(v)
    index = 13.12 + 0.6215 * t - 11.37 * power + 0.3965 * t * power
    return _or_air(index, t, v, holds=_holds_metric(t, v), coldest=COLDEST_C)


def wind_chill_holds(temperature_c: ArrayLike, wind_mps: ArrayLike) -> Flags:
    """Whether wind chill is defined: at most 10 °C and at least 4.8 km/h (US National Weather Service).

    Parameters
    ----------
    temperature_c, wind_mps
        As in `wind_chill_c`.

    Returns
    -------
    True where the formula gives the number, False where `wind_chill_c` gives the air temperature or NaN.
    """
    t = floats(temperature_c)
    return np.asarray(_holds_metric(t, floats(wind_mps) * KMH_PER_MPS) & (t >= COLDEST_C), dtype=np.bool_)


def wind_chill_f(temperature_f: ArrayLike, wind_mph: ArrayLike) -> Floats:
    """Wind chill, °F, by the US formula: for a reader who thinks in °F and miles per hour.

    Parameters
    ----------
    temperature_f
        Air temperature, °F. The formula holds up to 50 °F.
    wind_mph
        Wind 10 m above ground, mph. The formula holds above 3 mph.

    Returns
    -------
    Wind chill, °F. At 3 mph or less and above 50 °F the air temperature is returned. NaN for a negative
    wind, below -130 °F, and where an input is NaN.

    Notes
    -----
    WCT = 35.74 + 0.6215 T - 35.75 V^0.16 + 0.4275 T V^0.16. OFCM report FCM-R19-2003; Osczevski &
    Bluestein, BAMS 86 (2005) 1453-1458. Rounded to whole degrees it is the chart of the US National
    Weather Service.
    """
    t, v = floats(temperature_f), floats(wind_mph)
    power = _sixteen_hundredths(v)
    index = 35.74 + 0.6215 * t - 35.75 * power + 0.4275 * t * power
    return _or_air(index, t, v, holds=(t <= WARMEST_F) & (v > CALM_MPH), coldest=COLDEST_F)


def frostbite_minutes_fit(temperature_c: ArrayLike, wind_mps: ArrayLike) -> Floats:
    """Minutes until bare facial skin of the 5 % most susceptible freezes (curve fit).

    Parameters
    ----------
    temperature_c
        Air temperature, °C, below -4.8 °C.
    wind_mps
        Wind 10 m above ground, m/s. Valid above 25 km/h (6.94 m/s) and, by the range of the published
        charts, up to 80 km/h (22.2 m/s).

    Returns
    -------
    Minutes, more than 0 and less than 15. NaN outside the winds above, and where the fit gives 15
    minutes or more: it says nothing there, which is not the same as safe.

    Notes
    -----
    t = (-24.5 (0.667 V + 4.8) + 2111) (-4.8 - T)^-1.668, V in km/h. Environment Canada's wind chill
    program; Osczevski & Bluestein, BAMS 86 (2005) 1453-1458. The limits of 25 km/h and 15 minutes are
    from memory; 80 km/h is the end of the chart.
    """
    t = floats(temperature_c)
    v = floats(wind_mps) * KMH_PER_MPS
    with np.errstate(divide="ignore", invalid="ignore"):
        drop = np.where(t < -4.8, -4.8 - t, np.nan)
        minutes = (-24.5 * (0.667 * v + 4.8) + 2111.0) * drop**-1.668
    # A whole number of km/h must not fall out of the range by a bit of rounding in its m/s.
    in_winds = (v > FIT_OVER_KMH + 1e-9) & (v <= FIT_UP_TO_KMH + 1e-9)
    return plain(np.where(in_winds & (minutes < FIT_UNDER_MIN) & (t >= COLDEST_C), minutes, np.nan))


def frostbite_band(index_c: ArrayLike) -> FrostbiteBand:
    """Published minutes to frostbite for a wind chill index.

    Parameters
    ----------
    index_c
        Wind chill, °C; rounded to the whole degree, halves to the colder one.

    Returns
    -------
    FrostbiteBand
        -28 to -39: 10 to 30 min; -40 to -47: 5 to 10; -48 to -54: 2 to 5; -55 and colder: 0 to 2. Warmer
        than -28 the table says "low risk" and gives no time: both numbers are infinite. NaN for NaN.

    Notes
    -----
    Canada's Wind Chill Index hazard table, Environment Canada. Faster in winds over 50 km/h. The shading
    of the US chart is not a band of its index (its 10-minute zone holds -32 to -72 °F, its 5-minute zone
    -48 to -98 °F) and is not used.
    """
    index = floats(index_c)
    rounded = np.ceil(index - 0.5)
    band = np.where(np.isnan(rounded), 0, (rounded[..., np.newaxis] <= _BAND_STARTS_C).sum(axis=-1))
    known = ~np.isnan(index)
    return FrostbiteBand(
        plain(np.where(known, _BAND_SHORTEST_MIN[band], np.nan)),
        plain(np.where(known, _BAND_LONGEST_MIN[band], np.nan)),
    )


def frostbite_minutes_shortest(temperature_c: ArrayLike, wind_mps: ArrayLike) -> Floats:
    """The shortest published minutes to frostbite: what a board should warn by.

    Parameters
    ----------
    temperature_c
        Air temperature, °C.
    wind_mps
        Wind 10 m above ground, m/s.

    Returns
    -------
    Minutes: the shorter of the short end of `frostbite_band` and `frostbite_minutes_fit`. Infinite where
    neither publishes a time, which means low risk for dry skin, not none. NaN where wind chill is NaN.

    Notes
    -----
    Above 80 km/h the fit is taken at 80 km/h, which can only be too long there; the band has no upper
    wind. Both are for dry skin and the 5 % most susceptible. Frostnip comes sooner: 12 seated people at
    -30 °C and 32 km/h had it after 4 minutes on average (DTIC ADA454525), where this gives 5. Wet skin,
    metal and fuel freeze far sooner. Sources: those of the two functions; taking the shorter is common
    practice, no published source.
    """
    wind = floats(wind_mps)
    band = frostbite_band(wind_chill_c(temperature_c, wind))
    fit = frostbite_minutes_fit(temperature_c, np.minimum(wind, FIT_UP_TO_KMH / KMH_PER_MPS))
    shortest = np.where(np.isnan(fit), band.shortest_min, np.minimum(fit, band.shortest_min))
    return plain(np.where(np.isnan(band.shortest_min), np.nan, shortest))


def _holds_metric(temperature_c: Floats, wind_kmh: Floats) -> Flags:
    # 4.8 km/h in m/s and back must still count.
    return (temperature_c <= WARMEST_C) & (wind_kmh >= CALM_KMH - 1e-9)


def _sixteen_hundredths(speed: Floats) -> Floats:
    with np.errstate(invalid="ignore"):
        power: Floats = np.where(speed >= 0.0, speed, np.nan) ** 0.16
    return power


def _or_air(index: Floats, temperature: Floats, wind: Floats, holds: Flags, coldest: float) -> Floats:
    unknown = np.isnan(temperature) | np.isnan(wind) | (wind < 0.0) | (temperature < coldest)
    return plain(np.where(unknown, np.nan, np.where(holds, index, temperature)))
