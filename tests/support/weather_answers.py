"""What the forecast services on loopback answer: the documented shapes, with invented numbers."""

from __future__ import annotations

import json
import threading
import time
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email.utils import format_datetime
from typing import Any

RUN = datetime(2026, 7, 3, 0, tzinfo=UTC)
ZERO_C_M = 3400.0
"""Where 0 °C lies in every answer with levels, at the first hour; it rises by 10 m an hour."""
ISA_M = {850: 1500.0, 700: 3100.0, 600: 4350.0, 500: 5750.0, 400: 7300.0}
MEMBERS = 6


@dataclass
class Fault:
    """What comes instead of, or with, the next answer of a path."""

    status: int = 200
    body: bytes | None = None
    kind: str = "application/json"
    headers: Mapping[str, str] = field(default_factory=dict)
    slow_s: float = 0.0
    held: threading.Event | None = None
    """Answer only once this is set."""
    cut: bool = False
    """Break off in the middle of the body."""


@dataclass
class Asked:
    """A question as it arrived."""

    path: str
    query: dict[str, list[str]]
    headers: dict[str, str]


@dataclass
class Standin:
    """What the tests see of the services."""

    url: str = ""
    log: list[Asked] = field(default_factory=list)
    faults: dict[str, list[Fault]] = field(default_factory=lambda: defaultdict(list))
    """By the beginning of a path; each is used once."""
    changes: dict[str, Any] = field(default_factory=dict)
    """By the beginning of a path: a function that changes the answer before it is sent."""
    run: datetime = RUN
    expires_s: int = 3600

    def paths(self) -> list[str]:
        return [asked.path for asked in self.log]

    def fault(self, path: str) -> Fault | None:
        for start, waiting in self.faults.items():
            if waiting and path.startswith(start):
                return waiting.pop(0)
        return None


class Refusal(Exception):
    def __init__(self, status: int, body: bytes, kind: str) -> None:
        super().__init__(status)
        self.status, self.body, self.kind = status, body, kind


def problem(status: int, **said: Any) -> Refusal:
    return Refusal(status, json.dumps(said).encode(), "application/json")


def zero_at(hour: int) -> float:
    return ZERO_C_M + 10.0 * hour


def apart_m(member: int) -> float:
    """How far a member's 0 °C height lies from the control's: members lie on both sides of it."""
    return 100.0 * ((member + 1) // 2) * (-1) ** member


def celsius(level: int, hour: int, member: int = 0) -> float:
    """6.5 °C/km around the invented 0 °C height."""
    return round((zero_at(hour) + apart_m(member) - ISA_M[level]) * 0.0065, 3)


def openjson(standin: Standin, asked: Asked, *, ensemble: bool) -> tuple[Any, dict[str, str]]:
    query = {name: values[0] for name, values in asked.query.items()}
    for name, wanted in (("timeformat", "unixtime"), ("wind_speed_unit", "ms")):
        if query.get(name) != wanted:
            raise problem(400, error=True, reason=f"{name} must be {wanted} here")
    if "elevation" not in query or "," in query.get("models", ","):
        raise problem(400, error=True, reason="one model and an elevation are expected here")
    start, end = (
        datetime.fromisoformat(query[name]).replace(tzinfo=UTC) for name in ("start_hour", "end_hour")
    )
    hours = int((end - start) / timedelta(hours=1)) + 1
    columns: dict[str, list[float | None]] = {}
    units = {"time": "unixtime"}
    for name in query["hourly"].split(","):
        for member in range(MEMBERS if ensemble else 1):
            key = f"{name}_member{member:02d}" if member else name
            columns[key] = [_openjson_value(name, hour, member) for hour in range(hours)]
            units[key] = _openjson_unit(name)
    return {
        "latitude": round(float(query["latitude"]), 2),
        "longitude": round(float(query["longitude"]), 2),
        "generationtime_ms": time.perf_counter() % 1.0,
        "utc_offset_seconds": 0,
        "timezone": "GMT",
        "elevation": float(query["elevation"]),
        "hourly_units": units,
        "hourly": {"time": [int(start.timestamp()) + 3600 * h for h in range(hours)], **columns},
    }, {}


def _openjson_value(name: str, hour: int, member: int) -> float | None:
    what, _, level = name.removesuffix("hPa").rpartition("_")
    if name.endswith("hPa"):
        height = ISA_M[int(level)]
        return {
            "temperature": celsius(int(level), hour, member),
            "geopotential_height": height,
            "wind_speed": round(height / 500.0 + member, 2),
            "wind_direction": 270.0,
        }[what]
    return {
        "freezing_level_height": zero_at(hour) + apart_m(member),
        "precipitation": 0.5 if hour % 6 == 0 else 0.0,
        "snowfall": 0.35 if hour % 6 == 0 else 0.0,
        "wind_gusts_10m": 12.0,
        "uv_index_clear_sky": 8.0,
        "cape": 0.0,
    }[name]


def _openjson_unit(name: str) -> str:
    for start, unit in (
        ("temperature", "°C"),
        ("geopotential", "m"),
        ("wind_direction", "°"),
        ("wind", "m/s"),
        ("freezing", "m"),
        ("precipitation", "mm"),
        ("snowfall", "cm"),
        ("cape", "J/kg"),
    ):
        if name.startswith(start):
            return unit
    return ""


def metno(standin: Standin, asked: Asked) -> tuple[Any, dict[str, str]]:
    lat, lon = asked.query["lat"][0], asked.query["lon"][0]
    if any(len(text.partition(".")[2]) > 4 for text in (lat, lon)):
        raise Refusal(403, b"<html>too many decimals</html>", "text/html")
    steps = []
    for hour in (*range(48), *range(48, 96, 6)):
        at = standin.run + timedelta(hours=hour)
        data: dict[str, Any] = {
            "instant": {
                "details": {
                    "air_temperature": -2.0,
                    "wind_speed": 4.0,
                    "wind_from_direction": 200.0,
                    "ultraviolet_index_clear_sky": 6.0,
                }
            }
        }
        if hour < 48:
            data["next_1_hours"] = {"summary": {}, "details": {"precipitation_amount": 0.2}}
        if hour < 90:
            data["next_6_hours"] = {"summary": {}, "details": {"precipitation_amount": 1.2}}
        steps.append({"time": f"{at:%Y-%m-%dT%H:%M:%SZ}", "data": data})
    units = {
        "air_temperature": "celsius",
        "wind_speed": "m/s",
        "wind_from_direction": "degrees",
        "ultraviolet_index_clear_sky": "1",
        "precipitation_amount": "mm",
    }
    answer = {
        "type": "Feature",
        "geometry": {
            "type": "Point",
            "coordinates": [float(lon), float(lat), int(asked.query["altitude"][0])],
        },
        "properties": {
            "meta": {"updated_at": f"{standin.run:%Y-%m-%dT%H:%M:%SZ}", "units": units},
            "timeseries": steps,
        },
    }
    return answer, _validators(standin)


def _validators(standin: Standin) -> dict[str, str]:
    now = datetime.now(UTC)
    return {
        "Expires": format_datetime(now + timedelta(seconds=standin.expires_s), usegmt=True),
        "Last-Modified": format_datetime(standin.run, usegmt=True),
        "Date": format_datetime(now, usegmt=True),
    }


def nws_point(standin: Standin, asked: Asked) -> tuple[Any, dict[str, str]]:
    return {
        "properties": {
            "gridId": "SEW",
            "gridX": 145,
            "gridY": 31,
            "forecastGridData": f"{standin.url}/gridpoints/SEW/145,31",
        }
    }, {"Cache-Control": "public, max-age=3600"}


def nws_grid(standin: Standin, asked: Asked) -> tuple[Any, dict[str, str]]:
    def at(hour: int, length: str) -> str:
        return f"{standin.run + timedelta(hours=hour):%Y-%m-%dT%H:%M:%S+00:00}/{length}"

    answer = {
        "properties": {
            "updateTime": f"{standin.run:%Y-%m-%dT%H:%M:%S+00:00}",
            "elevation": {"unitCode": "wmoUnit:m", "value": 3251.0},
            "gridId": "SEW",
            "gridX": 145,
            "gridY": 31,
            "temperature": {
                "uom": "wmoUnit:degC",
                "values": [
                    {"validTime": at(0, "PT1H"), "value": 4.5},
                    {"validTime": at(1, "P1DT23H"), "value": 3.5},
                ],
            },
            "windSpeed": {
                "uom": "wmoUnit:km_h-1",
                "values": [{"validTime": at(0, "P2D"), "value": 36.0}],
            },
            "quantitativePrecipitation": {
                "uom": "wmoUnit:mm",
                "values": [{"validTime": at(6 * i, "PT6H"), "value": 1.5} for i in range(8)],
            },
            "snowfallAmount": {"uom": "wmoUnit:mm", "values": [{"validTime": at(0, "PT6H"), "value": 12.7}]},
            "snowLevel": {"uom": "wmoUnit:m", "values": [{"validTime": at(0, "PT3H"), "value": 3290.9}]},
            "visibility": {},
            "windGust": {"values": []},
        },
    }
    return answer, {"Last-Modified": _validators(standin)["Last-Modified"], "Cache-Control": "max-age=3600"}


def edr_collection(standin: Standin, asked: Asked) -> tuple[Any, dict[str, str]]:
    extent = {"vertical": {"values": ["850", "700", "600", "500"], "vrs": "hPa"}}
    return {
        "id": "peaks",
        "extent": extent,
        "output_formats": ["CoverageJSON", "GeoJSON"],
        "parameter_names": {"air_temperature": {}, "geopotential_height": {}, "wind_speed": {}},
        "something": "a member nobody knows",
    }, {}


def edr_instances(standin: Standin, asked: Asked) -> tuple[Any, dict[str, str]]:
    def instance(run: datetime) -> dict[str, Any]:
        end = run + timedelta(hours=60)
        return {
            "id": f"{run:%Y%m%d%H}",
            "extent": {
                "temporal": {"interval": [[f"{run:%Y-%m-%dT%H:%M:%SZ}", f"{end:%Y-%m-%dT%H:%M:%SZ}"]]}
            },
        }

    return {"instances": [instance(standin.run), instance(standin.run - timedelta(hours=12))]}, {}


def edr_position(standin: Standin, asked: Asked) -> tuple[Any, dict[str, str]]:
    query = {name: values[0] for name, values in asked.query.items()}
    if not query.get("coords", "").startswith("POINT("):
        raise problem(400, code="InvalidParameterValue", description="coords is missing or no POINT")
    if "parameter-name" not in query:
        raise problem(400, code="InvalidParameterValue", description="parameter-name is missing")
    lon, lat = map(float, query["coords"][6:-1].split())
    levels = [int(float(z)) for z in query["z"].split(",")]
    first, last = (datetime.fromisoformat(part) for part in query["datetime"].split("/"))
    if last > standin.run + timedelta(hours=60):
        raise problem(500, code="ServerError", description="time outside the run")
    times = [first + timedelta(hours=3 * i) for i in range(int((last - first) / timedelta(hours=3)) + 1)]
    names = query["parameter-name"].split(",")
    return grid(lon, lat, levels, times, names), {"ETag": f'"{standin.run:%Y%m%d%H}"'}


def grid(
    lon: float, lat: float, levels: list[int], times: list[datetime], names: list[str]
) -> dict[str, Any]:
    """A grid of one cell, with units as a service of that kind writes them (ring above, plain strings)."""
    units = {"air_temperature": "\u02daC", "geopotential_height": "m", "wind_speed": "m/s"}
    values = {
        "air_temperature": lambda hour, level: celsius(level, hour),
        "geopotential_height": lambda hour, level: ISA_M[level],
        "wind_speed": lambda hour, level: ISA_M[level] / 500.0,
    }
    axis = {"name": {"en": "Pressure"}, "direction": "down", "unit": {"symbol": "hPa"}}
    return {
        "type": "Coverage",
        "domain": {
            "type": "Domain",
            "domainType": "Grid",
            "axes": {
                "x": {"values": [lon]},
                "y": {"values": [lat]},
                "z": {"values": levels},
                "t": {"values": [f"{at:%Y-%m-%dT%H:%M:%SZ}" for at in times]},
            },
            "referencing": [
                {
                    "coordinates": ["x", "y"],
                    "system": {
                        "type": "GeographicCRS",
                        "id": "http://www.opengis.net/def/crs/OGC/1.3/CRS84",
                    },
                },
                {"coordinates": ["z"], "system": {"type": "VerticalCRS", "cs": {"csAxes": [axis]}}},
                {"coordinates": ["t"], "system": {"type": "TemporalRS", "calendar": "Gregorian"}},
            ],
        },
        "parameters": {
            name: {
                "type": "Parameter",
                "observedProperty": {
                    "id": f"http://vocab.nerc.ac.uk/standard_name/{name}/",
                    "label": {"en": name},
                },
                "unit": {"symbol": units[name]},
            }
            for name in names
        },
        "ranges": {
            name: {
                "type": "NdArray",
                "dataType": "float",
                "axisNames": ["t", "z"],
                "shape": [len(times), len(levels)],
                "values": [values[name](3 * i, level) for i in range(len(times)) for level in levels],
            }
            for name in names
        },
    }
