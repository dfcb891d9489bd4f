"""A server of OGC API – Environmental Data Retrieval: the position query of one collection, one run pinned.

What the server says about its collection is read leniently, since servers differ; the forecast itself is
CoverageJSON and is checked like any file. Addresses that an answer names are not followed.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point
from api.conditions.sources import answers, covjson
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
from api.errors import Problem

KIND = "edr"
ACCEPT = "application/vnd.cov+json, application/prs.coverage+json;q=0.9, application/json;q=0.5"
USUAL_PARAMETERS = (cf.TEMPERATURE, cf.LEVEL_HEIGHT, cf.WIND, cf.WIND_DIRECTION)
USUAL_LEVELS_HPA = (850.0, 700.0, 600.0, 500.0)
FORMATS = ("coveragejson", "covjson", "application/vnd.cov+json", "application/prs.coverage+json", "json")


def plan(place: Point, window: Window, settings: SourceSettings) -> tuple[Request, ...]:
    """First what the collection has, and which runs."""
    url = f"{settings.base_url}/collections/{quote(settings.model, safe='')}"
    return (Request("look", url, place, window, settings),)


def then(body: bytes, headers: Headers, request: Request) -> tuple[Request, ...]:
    """From the collection to its runs, and from those to the position query of the newest."""
    answer = answers.json_object(body, "the collection")
    if "asked" not in request.known:
        known = {**request.known, **_offered(answer, request.settings), "asked": "instances"}
        return (replace(request, url=f"{_collection(request)}/instances", known=known),)
    run = _newest(answer.get("instances"))
    base = f"{_collection(request)}/instances/{quote(run.name, safe='')}"
    url = base + _position(request, run)
    return (request.leading_to("forecast", url, run=run.name, issued=run.issued_at.isoformat()),)


@dataclass(frozen=True, slots=True)
class _Run:
    name: str
    issued_at: datetime
    ends_at: datetime | None


def _collection(request: Request) -> str:
    return f"{request.settings.base_url}/collections/{quote(request.settings.model, safe='')}"


def _newest(listed: Any) -> _Run:
    """The run with the newest time. Raises Unusable when no run can be told."""
    runs = []
    for instance in listed if isinstance(listed, list) else ():
        name = instance.get("id") if isinstance(instance, dict) else None
        issued = _issued(name, instance) if isinstance(name, str) else None
        if issued is not None:
            runs.append(_Run(str(name), issued, _time_in(_times(instance)[-1:])))
    if not runs:
        raise Unusable("The service names no run of this collection, so the age of a forecast is not known.")
    return max(runs, key=lambda run: (run.issued_at, run.name))


def _issued(name: str, instance: dict[str, Any]) -> datetime | None:
    """When a run was: from its id, or from where its times begin."""
    return _time_in([name]) or _time_in(_times(instance)[:1])


def _times(instance: dict[str, Any]) -> list[str]:
    """Start and end of what a run covers; open ends are left out."""
    interval = _extent(instance, "temporal").get("interval")
    if isinstance(interval, list) and interval and isinstance(interval[0], list):
        interval = interval[0]
    return [str(end) for end in interval if end not in (None, "..")] if isinstance(interval, list) else []


def _time_in(texts: list[str]) -> datetime | None:
    """The moment a text names, in one of the forms runs are named in; they are in UTC everywhere."""
    for text in texts:
        for form in (None, "%Y%m%dT%H%M%SZ", "%Y%m%d%H", "%Y%m%d%H%M", "%Y%m%d_%H%M"):
            try:
                at = datetime.fromisoformat(text) if form is None else datetime.strptime(text, form)  # noqa: DTZ007
            except ValueError:
                continue
            # A bare year or number is no time.
            if form is not None or "T" in text or "-" in text:
                return at.replace(tzinfo=at.tzinfo or UTC).astimezone(UTC)
    return None


def _extent(answer: dict[str, Any], name: str) -> dict[str, Any]:
    extent = answer.get("extent")
    part = extent.get(name) if isinstance(extent, dict) else None
    return part if isinstance(part, dict) else {}


def _offered(answer: dict[str, Any], settings: SourceSettings) -> dict[str, str]:
    """Which parameters, levels and format to ask the collection for."""
    offered = answer.get("parameter_names")
    parameters = settings.parameters or tuple(
        name for name in USUAL_PARAMETERS if not isinstance(offered, dict) or name in offered
    )
    levels, form = _levels(answer), _format(answer.get("output_formats"))
    return {"parameters": ",".join(parameters), "z": levels or "", "f": form or ""}


def _position(request: Request, run: _Run) -> str:
    place, window, known = request.place, request.window, request.known
    # Beyond the end of a run some servers answer with a fault of their own instead of less.
    ends_at = min(window.ends_at, run.ends_at) if run.ends_at is not None else window.ends_at
    if ends_at < window.starts_at:
        raise Unusable(f"The newest run ends at {ends_at:%d %b %H:%M} UTC, before the trip.")
    return address(
        "",
        "/position",
        coords=f"POINT({degrees(place.longitude_deg)} {degrees(place.latitude_deg)})",
        z=known["z"] or None,
        datetime=f"{window.starts_at:%Y-%m-%dT%H:%M:%SZ}/{ends_at:%Y-%m-%dT%H:%M:%SZ}",
        parameter_hyphen_name=known["parameters"] or None,
        f=known["f"] or None,
    )


def _levels(answer: dict[str, Any]) -> str | None:
    """The usual pressure levels in the unit of the collection; None asks for all it has."""
    vertical = _extent(answer, "vertical")
    told = list(_numbers(vertical.get("values"))) or list(_numbers(vertical.get("interval")))
    if not told:
        return None
    # A collection in Pa has no level below 2000 that matters here, one in hPa none above.
    factor = 100.0 if max(told) > 2000.0 else 1.0
    levels = [level * factor for level in USUAL_LEVELS_HPA]
    within = all(min(told) <= level <= max(told) for level in levels)
    return ",".join(f"{level:g}" for level in levels) if within else None


def _numbers(values: Any) -> Iterable[float]:
    for value in values if isinstance(values, list) else ():
        if isinstance(value, list):
            yield from _numbers(value)
            continue
        try:
            yield float(value)
        except (TypeError, ValueError):
            continue


def _format(offered: Any) -> str | None:
    names = [name for name in offered if isinstance(name, str)] if isinstance(offered, list) else []
    for wanted in FORMATS:
        for name in names:
            if name.lower() == wanted:
                return name
    return None


def parse(body: bytes, headers: Headers, request: Request) -> Forecast:
    """The forecast in an answer. Raises Unusable with the reason when there is none."""
    answer = answers.json_object(body, "the forecast")
    if "code" in answer and "type" not in answer:
        raise Unusable(f"The service refused: {answer.get('description') or answer['code']}")
    settings = request.settings
    issued = datetime.fromisoformat(request.known["issued"])
    told = covjson.Told(
        place=request.place,
        provider=settings.provider,
        label=f"{settings.model}, run {request.known['run']}"[:120],
        issued_at=issued,
        model=settings.model,
        attribution=settings.attribution,
        licence=settings.licence,
    )
    try:
        forecast = covjson.read(body, told, strict=False)
    except Problem as problem:
        raise Unusable(f"The answer cannot be used: {problem.detail}") from None
    # A file may speak for itself; a service is who it was configured as.
    origin = replace(forecast.provenance, provider=told.provider, label=told.label, issued_at=issued)
    return with_warnings(replace(forecast, provenance=origin), *_about(forecast, request))


def _about(forecast: Forecast, request: Request) -> list[str]:
    said = []
    missing = [name for name in request.settings.parameters if name not in forecast.series]
    if missing:
        said.append(f"Asked for and not received: {', '.join(missing)}.")
    if forecast.level_kind == "pressure" and cf.LEVEL_HEIGHT not in forecast.series:
        said.append("Without the heights of its pressure levels nothing is known at elevations.")
    return said


SOURCE = Source(
    KIND,
    "OGC API – EDR service",
    "what its collection has: usually temperature, heights and wind on pressure levels, for one pinned run",
    "what the collection leaves out; usually precipitation and UV index",
    plan,
    parse,
    then,
)
