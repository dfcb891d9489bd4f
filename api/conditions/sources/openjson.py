"""The open weather service that answers in JSON, hour by hour: single runs and ensembles.

Always asked for one explicit model, in metres a second and unix seconds, for the wanted elevation. The answer
names neither model nor run, so the run comes from the service's own description of the model, read before and
once more after. Sums and gusts stand for the hour before; members are counted from the names that came.
"""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point, Provenance, moment
from api.conditions.series import Floats, Ints
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
    with_warnings,
)
from api.conditions.sources.measures import Collected, conversion, hours_before, to_si

KIND, KIND_ENSEMBLE = "openjson", "openjson-ensemble"
GOOD_FOR_S = 45 * 60
"""The service says nothing about how long an answer holds; models run every few hours."""
LONGEST = {KIND: timedelta(days=15), KIND_ENSEMBLE: timedelta(days=15)}
FREEZING_IN_ENSEMBLES = ("ncep_gefs", "meteoswiss_icon_ch")
"""Ensembles that deliver a freezing level; for others it follows from the profile."""

ON_LEVELS = {
    "temperature": cf.TEMPERATURE,
    "geopotential_height": cf.LEVEL_HEIGHT,
    "wind_speed": cf.WIND,
    "wind_direction": cf.WIND_DIRECTION,
}
INSTANT = {
    "freezing_level_height": (cf.FREEZING_LEVEL, None),
    "temperature_2m": (cf.TEMPERATURE, 2.0),
    "wind_speed_10m": (cf.WIND, 10.0),
    "wind_direction_10m": (cf.WIND_DIRECTION, 10.0),
    "uv_index": (cf.UV, None),
    "uv_index_clear_sky": (cf.UV_CLEAR_SKY, None),
    "cape": ("atmosphere_convective_available_potential_energy", None),
    "snow_depth": ("surface_snow_thickness", None),
    "visibility": ("visibility_in_air", None),
    "cloud_cover": ("cloud_area_fraction", None),
}
BEFORE = {"precipitation": cf.PRECIPITATION, "rain": "rainfall_amount", "snowfall": cf.NEW_SNOW}
"""Sums over the hour (or step) before."""
GUSTS = "wind_gusts_10m"

_KEY = re.compile(r"^(?P<name>.+?)(?:_(?P<level>\d+)hPa)?(?:_member(?P<member>\d+))?$")
_ISA_M = {500: 5574.0, 400: 7185.0}
"""Altitude of a pressure level in the standard atmosphere [hPa: m]; only says which levels to ask for."""
ATTRIBUTION = "Weather data by Open-Meteo.com"
LICENCE = "CC BY 4.0"


def plan(place: Point, window: Window, settings: SourceSettings) -> tuple[Request, ...]:
    """First the newest run of the model."""
    path = f"/data/{meta_name(settings)}/static/meta.json"
    url = address(settings.base_url, path, apikey=settings.key or None)
    return (Request("look", url, place, window, settings, good_for_s=0),)


def meta_name(settings: SourceSettings) -> str:
    """How the service's descriptions call the model; `model=description` in the settings when it differs."""
    return settings.model.partition("=")[2] or settings.model.partition("=")[0]


def then(body: bytes, headers: Headers, request: Request) -> tuple[Request, ...]:
    """The run is known: ask for its numbers, then look once more whether it is still the newest."""
    run = _run(body)
    url = _forecast_url(request, run)
    ask = request.leading_to("forecast", url, good_for_s=GOOD_FOR_S, run=run.isoformat())
    return (ask, ask.leading_to("confirm", request.url, good_for_s=0))


def _run(body: bytes) -> datetime:
    meta = answers.json_object(body, "the description of the model")
    started = meta.get("last_run_initialisation_time")
    if not isinstance(started, int | float) or isinstance(started, bool) or started <= 0:
        raise Unusable("The service does not say which run of the model is its newest.")
    return datetime.fromtimestamp(started, tz=UTC)


def _forecast_url(request: Request, run: datetime) -> str:
    settings, place, window = request.settings, request.place, request.window
    ensemble = settings.kind == KIND_ENSEMBLE
    start = _hour(window.starts_at)
    end = min(_hour(window.ends_at) + timedelta(hours=1), run + LONGEST[settings.kind])
    return address(
        settings.base_url,
        "/v1/ensemble" if ensemble else "/v1/forecast",
        latitude=degrees(place.latitude_deg),
        longitude=degrees(place.longitude_deg),
        elevation=None if place.altitude_m is None else f"{place.altitude_m:.0f}",
        hourly=",".join(variables(settings, place)),
        models=settings.model.partition("=")[0],
        start_hour=f"{start:%Y-%m-%dT%H:%M}",
        end_hour=f"{max(end, start + timedelta(hours=1)):%Y-%m-%dT%H:%M}",
        timeformat="unixtime",
        wind_speed_unit="ms",
        cell_selection="land",
        apikey=settings.key or None,
    )


def _hour(at: datetime) -> datetime:
    return at.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def variables(settings: SourceSettings, place: Point) -> list[str]:
    """What is asked for. Few levels: every one counts against the service's limits, times the members."""
    levels = levels_for(place)
    if settings.kind == KIND_ENSEMBLE:
        delivered = settings.model.startswith(FREEZING_IN_ENSEMBLES)
        plain = ["precipitation", "snowfall", *(["freezing_level_height"] if delivered else [])]
        wanted: tuple[str, ...] = ("temperature", "geopotential_height", "wind_speed")
    else:
        plain = ["freezing_level_height", "precipitation", "snowfall", GUSTS, "uv_index_clear_sky", "cape"]
        wanted = tuple(ON_LEVELS)
    return [*(f"{name}_{level}hPa" for level in levels for name in wanted), *plain]


def levels_for(place: Point) -> tuple[int, ...]:
    """The pressure levels [hPa] around a climb: from the valley to above the highest point."""
    highest_m = (place.altitude_m or 4000.0) + 400.0
    further = [level for level, below in ((400, 500), (300, 400)) if _ISA_M[below] < highest_m]
    return (850, 700, 600, 500, *further)


def parse(body: bytes, headers: Headers, request: Request) -> Forecast:
    """The forecast in an answer. Raises Unusable with the reason when there is none."""
    answer = answers.json_object(body, "the forecast")
    if answer.get("error"):
        raise Unusable(f"The service refused: {answer.get('reason', 'no reason given')}")
    hourly, units = answer.get("hourly"), answer.get("hourly_units")
    if not isinstance(hourly, dict) or not isinstance(units, dict):
        raise Unusable("The answer has no hourly values for a single place.")
    times = _times(hourly, units)
    table = _Table(times, request.settings.kind == KIND_ENSEMBLE)
    for key, values in hourly.items():
        if key != "time":
            table.take(key, values, units.get(key))
    return _forecast(answer, table, request)


def _times(hourly: dict[str, Any], units: dict[str, Any]) -> Ints:
    listed = hourly.get("time")
    if units.get("time") != "unixtime" or not isinstance(listed, list) or not listed:
        raise Unusable("The answer does not give its times as unix seconds, so their zone is not certain.")
    if not all(isinstance(at, int) and not isinstance(at, bool) for at in listed):
        raise Unusable("The answer holds a time that is not a number.")
    times = np.array(listed, dtype=np.int64)
    if (np.diff(times) <= 0).any():
        raise Unusable("The times of the answer are not in order.")
    return times


class _Table:
    """Values by variable, member and level, as they come."""

    def __init__(self, times: Ints, ensemble: bool) -> None:
        self.times, self.ensemble = times, ensemble
        self.found = Collected()
        self.rows: dict[tuple[str, int | None], dict[int, Floats]] = {}
        """By the service's name and level [hPa]: SI values of each member."""

    def take(self, key: str, values: Any, unit: Any) -> None:
        found = _KEY.match(key)
        if found is None:
            return
        name, level = found["name"], int(found["level"]) if found["level"] else None
        standard = _standard_name(name, level)
        if standard is None:
            return
        how = conversion(standard, unit) if isinstance(unit, str) else None
        if how is None:
            self.found.warnings.append(f"{key} was left out: its unit {unit!r} is not known.")
            return
        try:
            numbers = np.array(values, dtype=np.float64)
        except (TypeError, ValueError):
            raise Unusable(f"{key} holds something that is not a number.") from None
        if numbers.shape != self.times.shape:
            raise Unusable(f"{key} has {numbers.size} values for {self.times.size} times.")
        member = int(found["member"]) if found["member"] else 0
        self.rows.setdefault((name, level), {})[member] = to_si(numbers, how)

    @property
    def members(self) -> list[int]:
        return sorted({member for rows in self.rows.values() for member in rows})

    def values(self, name: str, level: int | None) -> Floats:
        """[member, time]; NaN where a member has no such variable."""
        rows = self.rows.get((name, level), {})
        missing = np.full(self.times.size, np.nan)
        return np.array([rows.get(member, missing) for member in self.members])

    def collect(self) -> tuple[list[int], Collected]:
        """All series; gives the levels [hPa] too."""
        levels = sorted({level for _, level in self.rows if level is not None}, reverse=True)
        if levels:
            for name, standard in ON_LEVELS.items():
                column = np.stack([self.values(name, level) for level in levels], axis=-1)
                self.found.add(standard, column)
        for name, (standard, above_m) in INSTANT.items():
            if (name, None) in self.rows:
                self.found.add(standard, self.values(name, None), above_ground_m=above_m)
        step_h = max(1, int(np.median(np.diff(self.times))) // 3600) if self.times.size > 1 else 1
        before = hours_before(self.times, step_h)
        for name, standard in BEFORE.items():
            if (name, None) in self.rows:
                self.found.add(standard, self.values(name, None), "sum", before)
        if (GUSTS, None) in self.rows:
            self.found.add(cf.GUST, self.values(GUSTS, None), "max", before, above_ground_m=10.0)
        return levels, self.found


def _standard_name(name: str, level: int | None) -> str | None:
    if level is not None:
        return ON_LEVELS.get(name)
    if name == GUSTS:
        return cf.GUST
    return BEFORE.get(name) or INSTANT.get(name, (None, None))[0]


def _forecast(answer: dict[str, Any], table: _Table, request: Request) -> Forecast:
    levels, found = table.collect()
    if not found.series:
        raise Unusable("The answer has no value at all: the model may not reach this place or these days.")
    members = table.members
    if table.ensemble and len(members) < 2:
        raise Unusable(f"The ensemble came with {len(members)} member; it is asked for all of them.")
    settings, model = request.settings, request.settings.model.partition("=")[0]
    return Forecast(
        kind="ensemble" if table.ensemble else "deterministic",
        place=request.place,
        source_point=answers.point(answer.get("latitude"), answer.get("longitude")),
        times_epoch_s=table.times,
        members=tuple(map(str, members)) if table.ensemble else ("run",),
        series=found.series,
        levels=np.array(levels, dtype=np.float64) * 100.0,
        level_kind="pressure" if levels else None,
        provenance=Provenance(
            provider=settings.provider.partition("=")[0],
            label=f"{model}, {len(members)} members" if table.ensemble else model,
            issued_at=datetime.fromisoformat(request.known["run"]),
            model=model,
            attribution=settings.attribution or ATTRIBUTION,
            licence=settings.licence or LICENCE,
            warnings=(*found.warnings, *_about(answer, table, request)),
        ),
    )


def _about(answer: dict[str, Any], table: _Table, request: Request) -> list[str]:
    said = answers.elevation_warnings(answer.get("elevation"), request.place)
    if "seamless" in request.settings.model or "best_match" in request.settings.model:
        said.append("This model is joined from several; there may be a step where one ends.")
    counts = {len(rows) for rows in table.rows.values()}
    if table.ensemble and len(counts) > 1:
        said.append(f"Not every variable has all members: between {min(counts)} and {max(counts)}.")
    silent = [
        str(member)
        for member in table.members
        if all(np.isnan(rows[member]).all() for rows in table.rows.values() if member in rows)
    ]
    if silent:
        said.append(f"Without any value: member {', '.join(silent)}.")
    return said


def confirm(forecast: Forecast, body: bytes, headers: Headers, request: Request) -> Forecast:
    """Say so when a newer run came in while its numbers were asked for."""
    newest = _run(body)
    run = forecast.provenance.issued_at
    if newest == run:
        return forecast
    warned = with_warnings(
        forecast,
        f"A newer run ({newest:%d %b %H:%M} UTC) came in while this was fetched; the numbers may mix both.",
    )
    return replace(warned, provenance=replace(warned.provenance, expires_at=moment(int(run.timestamp()))))


GIVES = "freezing level, wind and temperature on pressure levels, precipitation, new snow, gusts, UV index"
SINGLE = Source(
    KIND,
    "Open weather service, single run",
    GIVES,
    "thunder in words; nothing is corrected to the summit except temperatures near the ground",
    plan,
    parse,
    then,
    confirm,
)
ENSEMBLE = Source(
    KIND_ENSEMBLE,
    "Open weather service, ensemble",
    "temperature, heights and wind on pressure levels for each member, precipitation, new snow",
    "UV index, gusts and, for most models, a delivered freezing level: it follows from the profile",
    plan,
    parse,
    then,
    confirm,
)
