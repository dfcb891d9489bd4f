"""Sun: rising, setting and twilights at a place, hours of darkness, and ultraviolet with altitude and
snow.

Convention, fixed: the Sun rises and sets when its centre is 0.8333° under a sea-level horizon (34'
refraction, 16' radius); civil, nautical and astronomical twilight end at 6°, 12° and 18°, without
refraction. From a summit the Sun is seen some minutes earlier and in a valley much later: terrain is not
known here. Times are UTC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from enum import IntEnum

import astral
import astral.moon
import astral.sun
import numpy as np
from numpy.typing import ArrayLike, NDArray

from .arrays import Floats, floats, plain

SUNRISE_DEG = -0.8333
CIVIL_DEG = -6.0
NAUTICAL_DEG = -12.0
ASTRONOMICAL_DEG = -18.0

_GRID = timedelta(minutes=4)
_HALVINGS = 16
_AGREE = timedelta(minutes=2)


class DayState(IntEnum):
    """How the Sun stands to one level over a whole local day."""

    CROSSES = 1
    ALWAYS_ABOVE = 2
    ALWAYS_BELOW = 3


@dataclass(frozen=True)
class Crossings:
    """When the Sun rises and sets through one level on a local day, UTC, in order of time.

    Either may be empty or hold two, and the set may come before the rise: a day is a day of the
    calendar, not of the Sun. With `ALWAYS_ABOVE` the Sun never sets below the level, with `ALWAYS_BELOW`
    it never rises to it.
    """

    level_deg: float
    rises: tuple[datetime, ...]
    sets: tuple[datetime, ...]
    state: DayState


@dataclass(frozen=True)
class SunDay:
    """Sunrise and sunset and the three twilights of one local day."""

    sun: Crossings
    civil: Crossings
    nautical: Crossings
    astronomical: Crossings


def solar_elevation_deg(
    times_utc: ArrayLike | NDArray[np.datetime64], latitude_deg: ArrayLike, longitude_deg: ArrayLike
) -> Floats:
    """Height of the Sun's centre over the horizon, without refraction.

    Parameters
    ----------
    times_utc
        Times in UTC as ``datetime64`` (or anything numpy reads so). Good for 1950 to 2100.
    latitude_deg
        Latitude, degrees north, -90 to 90.
    longitude_deg
        Longitude, degrees east, -180 to 180. All three broadcast.

    Returns
    -------
    Elevation, degrees, within 0.02° in that span. NaN for NaT, NaN and a place that is none.

    Notes
    -----
    The formulas of the NOAA solar calculator, from J. Meeus, Astronomical Algorithms (1991), ch. 24 and
    27.
    """
    stamps = np.asarray(times_utc, dtype="datetime64[us]")
    latitude, longitude = floats(latitude_deg), floats(longitude_deg)
    days = (stamps - np.datetime64("2000-01-01T12:00:00", "us")) / np.timedelta64(1, "D")
    centuries = np.asarray(days, dtype=np.float64) / 36525.0

    mean_longitude = 280.46646 + centuries * (36000.76983 + centuries * 0.0003032)
    anomaly = np.radians(357.52911 + centuries * (35999.05029 - 0.0001537 * centuries))
    centre = (
        np.sin(anomaly) * (1.914602 - centuries * (0.004817 + 0.000014 * centuries))
        + np.sin(2.0 * anomaly) * (0.019993 - 0.000101 * centuries)
        + np.sin(3.0 * anomaly) * 0.000289
    )
    node = np.radians(125.04 - 1934.136 * centuries)
    apparent = np.radians(mean_longitude + centre - 0.00569 - 0.00478 * np.sin(node))
    obliquity = np.radians(
        23.0
        + (26.0 + (21.448 - centuries * (46.815 + centuries * 0.00059)) / 60.0) / 60.0
        + 0.00256 * np.cos(node)
    )
    declination = np.arcsin(np.sin(obliquity) * np.sin(apparent))
    ascension = np.degrees(np.arctan2(np.cos(obliquity) * np.sin(apparent), np.cos(apparent)))
    sidereal = 280.46061837 + 360.98564736629 * days - 0.00478 * np.sin(node) * np.cos(obliquity)
    hour_angle = np.radians(sidereal + longitude - ascension)

    phi = np.radians(latitude)
    sine = np.sin(phi) * np.sin(declination) + np.cos(phi) * np.cos(declination) * np.cos(hour_angle)
    real = (np.abs(latitude) <= 90.0) & (np.abs(longitude) <= 180.0)
    return plain(np.where(real, np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0))), np.nan))


def sun_day(local_date: date, zone: tzinfo, latitude_deg: float, longitude_deg: float) -> SunDay:
    """Sunrise, sunset and the three twilights of a local day.

    Parameters
    ----------
    local_date
        The calendar day at the place.
    zone
        The time zone that says when this day begins and ends.
    latitude_deg, longitude_deg
        The place, degrees north (-90 to 90) and east (-180 to 180).

    Returns
    -------
    SunDay
        Times in UTC, within 60 s below 60° latitude and within 120 s poleward; a Sun that stays above or
        below a level all day is said by the state, never by a made-up time.

    Raises
    ------
    ValueError
        For a place outside these ranges.

    Notes
    -----
    Times by the library astral. Every list is held against `level_crossings`, which follows the Sun over
    the day; where they disagree (days on which the Sun barely touches the level) the latter is used.
    """
    start = datetime.combine(local_date, time.min, zone).astimezone(UTC)
    end = datetime.combine(local_date + timedelta(days=1), time.min, zone).astimezone(UTC)
    levels = (SUNRISE_DEG, CIVIL_DEG, NAUTICAL_DEG, ASTRONOMICAL_DEG)
    return SunDay(*(_crossings_of_day(start, end, latitude_deg, longitude_deg, level) for level in levels))


def level_crossings(
    start: datetime, end: datetime, latitude_deg: float, longitude_deg: float, level_deg: float = CIVIL_DEG
) -> tuple[bool, list[tuple[datetime, bool]]]:
    """Every time the Sun passes a level in an interval.

    Parameters
    ----------
    start, end
        The interval; times with a zone, start not after end.
    latitude_deg, longitude_deg
        The place, degrees north (-90 to 90) and east (-180 to 180).
    level_deg
        The level, degrees over the horizon, without refraction.

    Returns
    -------
    (above, crossings): whether the Sun is above the level at the start, and each crossing as (UTC time,
    whether it rises). Times are good to some seconds at mid-latitudes; a visit to the other side shorter
    than 4 minutes may be missed.

    Raises
    ------
    ValueError
        For times without a zone, a start after the end, or a place outside the ranges.
    """
    _check_place(latitude_deg, longitude_deg)
    first, last = _utc("start", start), _utc("end", end)
    if first > last:
        raise ValueError(f"start {start.isoformat()} is after end {end.isoformat()}; give them in order")
    steps = max(1, math.ceil((last - first) / _GRID))
    origin = np.datetime64(first.replace(tzinfo=None), "us")
    offsets_us = np.linspace(0.0, (last - first) / timedelta(microseconds=1), steps + 1)

    def over(offset_us: Floats) -> Floats:
        stamps = origin + np.round(offset_us).astype("timedelta64[us]")
        return solar_elevation_deg(stamps, latitude_deg, longitude_deg) - level_deg

    above = over(offsets_us) >= 0.0
    (turns,) = np.nonzero(above[:-1] != above[1:])
    low, high = offsets_us[turns], offsets_us[turns + 1]
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        before = (over(middle) >= 0.0) == above[turns]
        low, high = np.where(before, middle, low), np.where(before, high, middle)
    found = [
        (first + timedelta(microseconds=round(at)), bool(rises))
        for at, rises in zip(high.tolist(), above[turns + 1].tolist(), strict=True)
    ]
    return bool(above[0]), found


def dark_hours(start: datetime, end: datetime, latitude_deg: float, longitude_deg: float) -> float:
    """Hours of an interval outside daylight and civil twilight: the Sun more than 6° under the horizon.

    Parameters
    ----------
    start, end, latitude_deg, longitude_deg
        As in `level_crossings`.

    Returns
    -------
    Hours, 0 to the length of the interval, within about 4 minutes on the days the Sun barely reaches the
    level and a few seconds otherwise. Moonlight and terrain are not counted.

    Raises
    ------
    ValueError
        As `level_crossings`.

    Notes
    -----
    Civil twilight, 6°: U.S. Naval Observatory, Astronomical Almanac. Lamps below it: common practice.
    """
    above, crossings = level_crossings(start, end, latitude_deg, longitude_deg, CIVIL_DEG)
    dark, since = timedelta(), _utc("start", start)
    for at, rises in crossings:
        if rises:
            dark += at - since
        since, above = at, rises
    if not above:
        dark += _utc("end", end) - since
    return dark / timedelta(hours=1)


def moon_illuminated_fraction(day: date) -> float:
    """Lit share of the Moon's disc on a day, 0 (new) to 1 (full), within about 0.1.

    Notes
    -----
    From the phase the library astral gives, taken as an even turn of 28 steps. Says nothing of whether
    the Moon is up.
    """
    return (1.0 - math.cos(2.0 * math.pi * astral.moon.phase(day) / 28.0)) / 2.0


def _crossings_of_day(
    start: datetime, end: datetime, latitude_deg: float, longitude_deg: float, level_deg: float
) -> Crossings:
    above, followed = level_crossings(start, end, latitude_deg, longitude_deg, level_deg)
    rises = tuple(at for at, up in followed if up)
    sets = tuple(at for at, up in followed if not up)
    if not followed:
        state = DayState.ALWAYS_ABOVE if above else DayState.ALWAYS_BELOW
        return Crossings(level_deg, rises, sets, state)
    observer = astral.Observer(latitude_deg, longitude_deg, 0.0)
    return Crossings(
        level_deg,
        _by_astral(observer, start, end, level_deg, astral.SunDirection.RISING, rises),
        _by_astral(observer, start, end, level_deg, astral.SunDirection.SETTING, sets),
        DayState.CROSSES,
    )


def _by_astral(
    observer: astral.Observer,
    start: datetime,
    end: datetime,
    level_deg: float,
    direction: astral.SunDirection,
    followed: tuple[datetime, ...],
) -> tuple[datetime, ...]:
    """Astral's times for these crossings; `followed` itself where the two disagree.

    Astral answers for a UTC date and may answer with the day before or after, so the neighbours are
    asked too.
    """
    found: list[datetime] = []
    for ahead in range(-2, 2):
        day = start.date() + timedelta(days=ahead)
        try:
            at = astral.sun.time_of_transit(observer, day, 90.0 - level_deg, direction, with_refraction=False)
        except ValueError:
            continue
        if start <= at < end and not any(abs(at - other) < timedelta(hours=1) for other in found):
            found.append(at)
    found.sort()
    if len(found) == len(followed) and all(abs(a - b) < _AGREE for a, b in zip(found, followed, strict=True)):
        return tuple(found)
    return followed


def _check_place(latitude_deg: float, longitude_deg: float) -> None:
    if not -90.0 <= latitude_deg <= 90.0:
        raise ValueError(f"latitude_deg is {latitude_deg}; give degrees north from -90 to 90")
    if not -180.0 <= longitude_deg <= 180.0:
        raise ValueError(f"longitude_deg is {longitude_deg}; give degrees east from -180 to 180")


def _utc(name: str, when: datetime) -> datetime:
    if when.tzinfo is None:
        raise ValueError(f"{name} {when.isoformat()} has no time zone; give an aware time, best in UTC")
    return when.astimezone(UTC)
