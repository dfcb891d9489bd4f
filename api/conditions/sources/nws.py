"""The grid forecast of the US National Weather Service: places in the United States only.

First which cell of which office a place belongs to, then that cell's layers. Each layer has intervals of its
own, with equal neighbours merged: states hold for their whole interval, while precipitation and new snow are
totals of theirs and are never repeated. The snow level is no freezing level.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point, Provenance, epoch_s
from api.conditions.series import Cell
from api.conditions.sources import answers
from api.conditions.sources.asking import Headers, Request, Source, SourceSettings, Unusable, Window, degrees
from api.conditions.sources.measures import Collected, Conversion, conversion, tidy, to_si

KIND = "nws"
ACCEPT = "application/geo+json"
ATTRIBUTION = "US National Weather Service"
LICENCE = "US government work, public domain"

LAYERS: dict[str, tuple[str, Cell, float | None]] = {
    "temperature": (cf.TEMPERATURE, "mean", 2.0),
    "dewpoint": ("dew_point_temperature", "mean", 2.0),
    "relativeHumidity": ("relative_humidity", "mean", 2.0),
    "windSpeed": (cf.WIND, "mean", 10.0),
    "windDirection": (cf.WIND_DIRECTION, "mean", 10.0),
    "windGust": (cf.GUST, "max", 10.0),
    "skyCover": ("cloud_area_fraction", "mean", None),
    "quantitativePrecipitation": (cf.PRECIPITATION, "sum", None),
    "snowfallAmount": (cf.NEW_SNOW, "sum", None),
    "snowLevel": ("x_snow_level_altitude", "mean", None),
    "visibility": ("visibility_in_air", "mean", None),
    "probabilityOfThunder": ("thunderstorm_probability", "max", None),
    "probabilityOfPrecipitation": ("x_probability_of_precipitation", "max", None),
}
"""Our variable, what a value says about its interval, and its height over the ground [m]."""
TYPICAL_UNITS = {"probabilityOfThunder": "percent", "probabilityOfPrecipitation": "percent"}
"""Layers that come without a unit now and then, and can have only one."""

_DURATION = re.compile(
    r"^P(?:(?P<days>\d+)D)?(?:T(?:(?P<hours>\d+)H)?(?:(?P<minutes>\d+)M)?(?:(?P<seconds>\d+)S)?)?$"
)
Interval = tuple[int, int]


def plan(place: Point, window: Window, settings: SourceSettings) -> tuple[Request, ...]:
    """First the cell a place belongs to."""
    at = f"{degrees(place.latitude_deg)},{degrees(place.longitude_deg)}"
    return (Request("look", f"{settings.base_url}/points/{at}", place, window, settings, accept=ACCEPT),)


def then(body: bytes, headers: Headers, request: Request) -> tuple[Request, ...]:
    """The cell is known: ask for its layers. Only its address path is used, below the configured one."""
    answer = answers.json_object(body, "the grid cell")
    properties = answer.get("properties")
    url = properties.get("forecastGridData") if isinstance(properties, dict) else None
    path = urlsplit(str(url)).path
    found = re.search(r"/gridpoints/[A-Z]{3}/\d{1,4},\d{1,4}$", path)
    if found is None:
        raise Unusable("The service names no grid cell for this place; it covers the United States only.")
    return (request.leading_to("forecast", request.settings.base_url + found.group()),)


def parse(body: bytes, headers: Headers, request: Request) -> Forecast:
    """The forecast in a cell's layers. Raises Unusable with the reason when there is none."""
    answer = answers.json_object(body, "the grid forecast")
    properties = answer.get("properties")
    if not isinstance(properties, dict) or "updateTime" not in properties:
        raise Unusable(f"The answer is no grid forecast: {answer.get('title', 'it has no update time')}.")
    issued = answers.time(properties["updateTime"], "updateTime")
    found = Collected()
    layers = {name: _layer(found, name, properties.get(name), issued) for name in LAYERS}
    starts = sorted({start for layer in layers.values() for (start, _) in layer})
    kept = [at for at in starts if at <= epoch_s(request.window.ends_at) + 6 * 3600]
    if not kept:
        raise Unusable("No layer of the answer has a value.")
    times = np.array(kept, dtype=np.int64)
    for name, layer in layers.items():
        _collect(found, name, layer, times)
    if not found.series:
        raise Unusable("No layer of the answer has a value.")
    return _forecast(answer, properties, found, times, issued, request)


def _layer(found: Collected, name: str, layer: Any, now: datetime) -> dict[Interval, float]:
    """SI values by interval; empty for a layer that the office leaves out."""
    listed = layer.get("values") if isinstance(layer, dict) else None
    if not isinstance(listed, list) or not listed:
        return {}
    standard, _, _ = LAYERS[name]
    unit = layer.get("uom")
    how = conversion(standard, str(unit)) if unit else conversion(standard, TYPICAL_UNITS.get(name, "?"))
    if how is None:
        shown = tidy(str(unit)) if unit else "none"
        found.warnings.append(f"{name} was left out: its unit ({shown}) is not known.")
        return {}
    return _values(listed, how, now)


def _values(listed: list[Any], how: Conversion, now: datetime) -> dict[Interval, float]:
    read: dict[Interval, float] = {}
    for entry in listed:
        if not isinstance(entry, dict):
            continue
        value = answers.number(entry.get("value"))
        if value is not None:
            read[interval(str(entry.get("validTime")), now)] = float(to_si([value], how)[0])
    return read


def interval(text: str, now: datetime) -> Interval:
    """Start and end [s since 1970] of `start/duration`, `start/end`, `duration/end` or with `NOW`."""
    first, slash, second = text.partition("/")
    if not slash:
        raise Unusable(f"An interval of the answer cannot be read: {text[:40]}.")
    if first.startswith("P"):
        end = _moment(second, now)
        start = end - _duration(first)
    else:
        start = _moment(first, now)
        end = start + _duration(second) if second.startswith("P") else _moment(second, now)
    if end <= start:
        raise Unusable(f"An interval of the answer ends before it starts: {text[:40]}.")
    return epoch_s(start), epoch_s(end)


def _moment(text: str, now: datetime) -> datetime:
    return now if text == "NOW" else answers.time(text, "An interval of the answer")


def _duration(text: str) -> timedelta:
    found = _DURATION.match(text)
    if found is None:
        raise Unusable(f"A duration of the answer cannot be read: {text[:40]}.")
    return timedelta(**{unit: int(number) for unit, number in found.groupdict().items() if number})


def _collect(found: Collected, name: str, layer: dict[Interval, float], times: Any) -> None:
    if not layer:
        return
    standard, cell, above_m = LAYERS[name]
    values = np.full((1, times.size), np.nan)
    bounds = np.stack([times, times], axis=1)
    step = {int(at): index for index, at in enumerate(times)}
    covered_s = 0
    for start, end in sorted(layer):
        if start not in step:
            continue
        if start < covered_s:
            found.warnings.append(f"{name} has overlapping intervals; the later ones were left out.")
            continue
        values[0, step[start]] = layer[start, end]
        bounds[step[start], 1] = covered_s = end
    found.add(standard, values, cell, bounds, above_ground_m=above_m)


def _forecast(
    answer: dict[str, Any],
    properties: dict[str, Any],
    found: Collected,
    times: Any,
    issued: datetime,
    request: Request,
) -> Forecast:
    settings = request.settings
    elevation = properties.get("elevation")
    given = elevation if isinstance(elevation, dict) else {}
    how = conversion(cf.LEVEL_HEIGHT, str(given.get("unitCode"))) if given else None
    raw = answers.number(given.get("value"))
    altitude_m = raw * how[0] if raw is not None and how is not None else None
    cell = f"{properties.get('gridId', '?')} {properties.get('gridX', '?')},{properties.get('gridY', '?')}"
    return Forecast(
        kind="deterministic",
        place=request.place,
        source_point=_centre(answer, altitude_m),
        times_epoch_s=times,
        members=("run",),
        series=found.series,
        provenance=Provenance(
            provider=settings.provider,
            label=f"grid cell {cell}",
            issued_at=issued,
            attribution=settings.attribution or ATTRIBUTION,
            licence=settings.licence or LICENCE,
            warnings=(
                *found.warnings,
                *answers.elevation_warnings(altitude_m, request.place),
                "No freezing level and no wind at elevation; the snow level is usually below 0 °C.",
            ),
        ),
    )


def _centre(answer: dict[str, Any], altitude_m: float | None) -> Point | None:
    geometry = answer.get("geometry")
    rings = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if not isinstance(rings, list) or not rings or not isinstance(rings[0], list):
        return None
    corners = [corner for corner in rings[0] if isinstance(corner, list) and len(corner) == 2]
    if len(corners) > 1 and corners[0] == corners[-1]:
        corners = corners[:-1]
    if not corners or any(answers.number(part) is None for corner in corners for part in corner):
        return None
    count = len(corners)
    return answers.point(sum(c[1] for c in corners) / count, sum(c[0] for c in corners) / count, altitude_m)


SOURCE = Source(
    KIND,
    "US National Weather Service grid",
    "temperature and wind near the ground, precipitation, new snow, snow level, chance of thunder",
    "freezing level, wind at elevation, UV index, members; places outside the United States",
    plan,
    parse,
    then,
)
