"""What all answers of services have in common when they are read, and what is odd about a forecast."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from math import asin, cos, isfinite, radians, sin, sqrt
from typing import Any, NoReturn

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point
from api.conditions.sources.asking import Unusable, Window
from api.errors import Invalid

EARTH_RADIUS_KM = 6371.0
"""Mean radius (IUGG), enough to tell a grid cell from the wrong side of the world."""
FAR_KM = 40.0
"""Further from the wanted place than any cell of a model in use today (0.25 degrees is 28 km)."""
CLOCKS_DIFFER = timedelta(hours=1)
"""A forecast may be issued this far in the future: clocks differ, and times get rounded up."""
FAR_UP_M = 150.0
STALE_RUN = timedelta(hours=24)
USUAL_FREEZING_LEVEL_M = (-430.0, 7_000.0)
MOSTLY = 0.9
STEEPEST_K_PER_H = 8.0
"""A jump of temperature on a level from hour to hour that no air mass brings. Common practice, no published
source."""


def json_object(body: bytes, what: str) -> dict[str, Any]:
    """An answer as a JSON object. Raises Unusable when it is none."""
    try:
        answer = json.loads(body, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        raise Unusable(f"The answer with {what} is not JSON, or breaks off.") from None
    if not isinstance(answer, dict):
        raise Unusable(f"The answer with {what} is not for a single place.")
    return answer


def _no_constant(name: str) -> NoReturn:
    raise Unusable(f"The answer holds {name}, which JSON does not have.")


def time(text: object, what: str) -> datetime:
    """A moment with a zone. Raises Unusable."""
    try:
        at = datetime.fromisoformat(str(text))
    except ValueError:
        raise Unusable(f"{what} is not a time: {str(text)[:40]}.") from None
    if at.tzinfo is None:
        raise Unusable(f"{what} has no time zone: {text}.")
    return at.astimezone(UTC)


def number(value: object) -> float | None:
    """A finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        return None
    return float(value)


def point(latitude: object, longitude: object, altitude: object = None) -> Point | None:
    """A place an answer names; None when it names none."""
    lat, lon = number(latitude), number(longitude)
    if lat is None or lon is None:
        return None
    try:
        return Point(lat, lon, number(altitude))
    except Invalid as problem:
        raise Unusable(f"The answer is for an impossible place: {problem.detail}") from None


def elevation_warnings(given: object, wanted: Point) -> list[str]:
    """What to say when an answer is for another elevation than was wanted."""
    elevation_m = number(given)
    if elevation_m is None or wanted.altitude_m is None:
        return []
    if abs(elevation_m - wanted.altitude_m) <= FAR_UP_M:
        return []
    return [f"The answer is for {elevation_m:.0f} m instead of {wanted.altitude_m:.0f} m."]


def distance_km(one: Point, other: Point) -> float:
    """Great-circle distance (haversine formula)."""
    lat1, lat2 = radians(one.latitude_deg), radians(other.latitude_deg)
    half_lat = (lat2 - lat1) / 2.0
    half_lon = radians(other.longitude_deg - one.longitude_deg) / 2.0
    share = sin(half_lat) ** 2 + cos(lat1) * cos(lat2) * sin(half_lon) ** 2
    return 2.0 * EARTH_RADIUS_KM * asin(min(1.0, sqrt(share)))


def oddities(forecast: Forecast, window: Window, now: datetime) -> list[str]:
    """What a reader should know before trusting a forecast; empty when nothing is odd.

    Raises Unusable when it is for another place altogether, as a missing minus sign makes it.
    """
    said = [*_place(forecast), *_freezing_level(forecast), *_seams(forecast), *_control(forecast)]
    age = now - forecast.provenance.issued_at
    if forecast.kind != "manual" and age > STALE_RUN:
        said.append(f"The run is {age / timedelta(hours=1):.0f} hours old.")
    _, ends = forecast.span()
    short = window.ends_at - ends
    if short > timedelta(hours=1):
        said.append(f"It ends {short / timedelta(hours=1):.0f} hours before the trip does.")
    return said


def _place(forecast: Forecast) -> list[str]:
    source = forecast.source_point
    if source is None:
        return []
    away = distance_km(forecast.place, source)
    if away > 10 * FAR_KM:
        at = f"{source.latitude_deg:g}, {source.longitude_deg:g}"
        raise Unusable(f"The answer is for a place {away:.0f} km away ({at}).")
    if away > FAR_KM:
        return [f"It is for a place {away:.0f} km away."]
    return []


def _freezing_level(forecast: Forecast) -> list[str]:
    series = forecast.get(cf.FREEZING_LEVEL)
    if series is None:
        return []
    lowest, highest = USUAL_FREEZING_LEVEL_M
    values = series.values[np.isfinite(series.values)]
    odd = values[(values < lowest) | (values > highest)]
    return [f"A freezing level of {odd[0]:.0f} m is hardly possible; check the source."] if odd.size else []


def _seams(forecast: Forecast) -> list[str]:
    """Where a level warms or cools at once, as where one model is joined to another."""
    series = forecast.get(cf.TEMPERATURE)
    if series is None or not series.by_level or forecast.kind == "manual" or forecast.times_epoch_s.size < 2:
        return []
    hours = np.diff(forecast.times_epoch_s) / 3600.0
    steps = np.abs(np.diff(series.values, axis=1)) / np.maximum(hours, 1.0)[np.newaxis, :, np.newaxis]
    if not (steps > STEEPEST_K_PER_H).any():
        return []
    first = int(np.argmax((steps > STEEPEST_K_PER_H).any(axis=(0, 2))))
    at = datetime.fromtimestamp(int(forecast.times_epoch_s[first + 1]), tz=UTC)
    return [f"The temperature jumps on a level at {at:%d %b %H:%M} UTC, as where two models are joined."]


def _control(forecast: Forecast) -> list[str]:
    """Whether the control lies outside all other members most of the time: it may be of an older run."""
    series = forecast.get(cf.TEMPERATURE)
    if forecast.kind != "ensemble" or series is None or not series.by_level or len(forecast.members) < 5:
        return []
    others = np.delete(series.values, forecast.base, axis=0)
    control = series.values[forecast.base]
    known = np.isfinite(control) & np.isfinite(others).all(axis=0)
    if not known.any():
        return []
    outside = (control < others.min(axis=0)) | (control > others.max(axis=0))
    if outside[known].mean() < MOSTLY:
        return []
    return ["The control lies outside all other members most of the time; it may be of an older run."]
