"""The point forecast of the Norwegian Meteorological Institute (locationforecast 2.0, complete).

A second opinion on temperature, precipitation and UV near the ground. It has no freezing level, no levels and
no wind at elevation. Its periods run forward from their time, and are 1 hour long at first and 6 later: at
each time the shortest one counts, cut where the next begins, and periods are never added up twice.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from typing import Any

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point, Provenance, epoch_s
from api.conditions.series import Floats
from api.conditions.sources import answers
from api.conditions.sources.asking import (
    Headers,
    Request,
    Source,
    SourceSettings,
    Unusable,
    Window,
    address,
    degrees,
)
from api.conditions.sources.measures import Collected, conversion, to_si

KIND = "metno"
PATH = "/weatherapi/locationforecast/2.0/complete"
ATTRIBUTION = "Data from MET Norway (https://www.met.no), converted to SI units"
LICENCE = "NLOD 2.0 / CC BY 4.0"

INSTANT = {
    "air_temperature": (cf.TEMPERATURE, 2.0),
    "wind_speed": (cf.WIND, 10.0),
    "wind_from_direction": (cf.WIND_DIRECTION, 10.0),
    "wind_speed_of_gust": (cf.GUST, 10.0),
    "relative_humidity": ("relative_humidity", 2.0),
    "dew_point_temperature": ("dew_point_temperature", 2.0),
    "cloud_area_fraction": ("cloud_area_fraction", None),
    "ultraviolet_index_clear_sky": (cf.UV_CLEAR_SKY, None),
}
PERIODS = {"next_1_hours": 3600, "next_6_hours": 6 * 3600, "next_12_hours": 12 * 3600}
"""Seconds of each block, shortest first."""
_GUST_BEFORE_S = 3600


def plan(place: Point, window: Window, settings: SourceSettings) -> tuple[Request, ...]:
    """One question: whole metres, at most four decimals."""
    altitude = None if place.altitude_m is None else f"{place.altitude_m:.0f}"
    lat, lon = degrees(place.latitude_deg), degrees(place.longitude_deg)
    url = address(settings.base_url, PATH, lat=lat, lon=lon, altitude=altitude)
    return (Request("forecast", url, place, window, settings),)


@dataclass(frozen=True, slots=True)
class _Step:
    at_s: int
    data: dict[str, Any]

    def details(self, block: str) -> dict[str, Any]:
        part = self.data.get(block)
        inner = part.get("details") if isinstance(part, dict) else None
        return inner if isinstance(inner, dict) else {}


def parse(body: bytes, headers: Headers, request: Request) -> Forecast:
    """The forecast in an answer. Raises Unusable with the reason when there is none."""
    answer = answers.json_object(body, "the forecast")
    properties = answer.get("properties")
    meta = properties.get("meta") if isinstance(properties, dict) else None
    if not isinstance(properties, dict) or not isinstance(meta, dict):
        raise Unusable("The answer is no point forecast: it has no properties.meta.")
    issued = answers.time(meta.get("updated_at"), "meta.updated_at")
    given = meta.get("units")
    units: dict[str, Any] = given if isinstance(given, dict) else {}
    steps = _steps(properties.get("timeseries"), request.window)
    found = Collected()
    for name, (standard, above_m) in INSTANT.items():
        values = _instant(found, name, standard, units, steps)
        if values is not None and standard == cf.GUST:
            times = np.array([step.at_s for step in steps], dtype=np.int64)
            before = np.stack([np.maximum(times - _GUST_BEFORE_S, np.append(0, times[:-1])), times], axis=1)
            found.add(standard, values, "max", before, above_ground_m=above_m)
        elif values is not None:
            found.add(standard, values, above_ground_m=above_m)
    _precipitation(found, units, steps)
    if not found.series:
        raise Unusable("The answer has no value that is used here.")
    return _forecast(answer, found, steps, issued, request)


def _steps(listed: Any, window: Window) -> list[_Step]:
    if not isinstance(listed, list) or not listed:
        raise Unusable("The answer has no time series.")
    steps = []
    for entry in listed:
        data = entry.get("data") if isinstance(entry, dict) else None
        if not isinstance(data, dict):
            raise Unusable("A step of the answer has no data.")
        steps.append(_Step(epoch_s(answers.time(entry.get("time"), "A step of the answer")), data))
    if any(later.at_s <= earlier.at_s for earlier, later in pairwise(steps)):
        raise Unusable("The steps of the answer are not in order.")
    first = epoch_s(window.starts_at) - PERIODS["next_12_hours"]
    last = epoch_s(window.ends_at) + PERIODS["next_12_hours"]
    kept = [step for step in steps if first <= step.at_s <= last]
    if not kept:
        raise Unusable("The answer does not reach the days of the trip yet.")
    return kept


def _instant(
    found: Collected, name: str, standard: str, units: dict[str, Any], steps: list[_Step]
) -> Floats | None:
    raw = [answers.number(step.details("instant").get(name)) for step in steps]
    if all(value is None for value in raw):
        return None
    how = conversion(standard, str(units.get(name)))
    if how is None:
        found.warnings.append(f"{name} was left out: its unit {units.get(name)!r} is not known.")
        return None
    return to_si([np.nan if value is None else value for value in raw], how)[np.newaxis, :]


def _precipitation(found: Collected, units: dict[str, Any], steps: list[_Step]) -> None:
    """The shortest block of each step that ends before the next begins, so that no hour counts twice."""
    how = conversion(cf.PRECIPITATION, str(units.get("precipitation_amount")))
    values, bounds, covered_s = [], [], 0
    for index, step in enumerate(steps):
        amount, length_s = np.nan, 0
        for block, seconds in PERIODS.items():
            given = answers.number(step.details(block).get("precipitation_amount"))
            ends_s = steps[index + 1].at_s if index + 1 < len(steps) else step.at_s + seconds
            if given is not None:
                fits = step.at_s >= covered_s and step.at_s + seconds <= ends_s
                amount, length_s = (given, seconds) if fits else (np.nan, 0)
                break
        covered_s = max(covered_s, step.at_s + length_s)
        values.append(amount)
        bounds.append((step.at_s, step.at_s + length_s))
    if np.isnan(values).all():
        return
    if how is None:
        found.warnings.append("precipitation_amount was left out: its unit is not known.")
        return
    found.add(cf.PRECIPITATION, to_si(values, how)[np.newaxis, :], "sum", np.array(bounds, dtype=np.int64))


def _forecast(
    answer: dict[str, Any], found: Collected, steps: list[_Step], issued: datetime, request: Request
) -> Forecast:
    geometry = answer.get("geometry")
    where = geometry.get("coordinates") if isinstance(geometry, dict) else None
    lon, lat, altitude = (*where, None, None, None)[:3] if isinstance(where, list) else (None, None, None)
    settings = request.settings
    return Forecast(
        kind="deterministic",
        place=request.place,
        source_point=answers.point(lat, lon, altitude),
        times_epoch_s=np.array([step.at_s for step in steps], dtype=np.int64),
        members=("run",),
        series=found.series,
        provenance=Provenance(
            provider=settings.provider,
            label="near the ground, as a second opinion",
            issued_at=issued,
            attribution=settings.attribution or ATTRIBUTION,
            licence=settings.licence or LICENCE,
            warnings=(
                *found.warnings,
                *answers.elevation_warnings(altitude, request.place),
                "No freezing level, no wind at elevation: a second opinion on what falls and how cold it is.",
            ),
        ),
    )


SOURCE = Source(
    KIND,
    "MET Norway point forecast",
    "temperature near the ground for the summit's elevation, precipitation, UV index under a clear sky",
    "freezing level, wind at elevation, new snow, members",
    plan,
    parse,
)
