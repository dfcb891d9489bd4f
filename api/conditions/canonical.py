"""A forecast as bytes and back: canonical JSON (RFC 8785), so that equal forecasts have equal bytes and one
hash.
"""

from __future__ import annotations

import hashlib
from datetime import datetime
from typing import Any

import numpy as np
import orjson
import rfc8785

from api.conditions.forecast import Forecast, Point, Provenance, epoch_s, moment
from api.conditions.series import Floats, Ints, Series
from api.errors import Invalid

FORMAT = "rimaye-forecast/1"


def to_bytes(forecast: Forecast) -> bytes:
    """The canonical JSON of a forecast: UTC times, NaN as null, keys in order, shortest numbers."""
    return rfc8785.dumps(_document(forecast))


def content_hash(body: bytes) -> str:
    """SHA-256 of the canonical bytes, in hexadecimal."""
    return hashlib.sha256(body).hexdigest()


def from_bytes(body: bytes) -> Forecast:
    """Read back what `to_bytes` wrote.

    Raises
    ------
    Invalid
        When it is not such a document, naming the part at fault.
    """
    try:
        document = orjson.loads(body)
    except orjson.JSONDecodeError as error:
        raise Invalid.field(
            "forecast", str(error), "is not JSON", "Send a forecast as this service exports it."
        ) from None
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise Invalid.field(
            "format",
            document.get("format") if isinstance(document, dict) else None,
            "is not a forecast of this service",
            f"Expected {FORMAT}.",
        )
    try:
        return _forecast(document)
    except (AttributeError, KeyError, TypeError, ValueError) as error:
        raise Invalid.field(
            "forecast",
            str(error),
            "has a part missing or of the wrong type",
            "Send a forecast as this service exports it.",
        ) from None


def _document(forecast: Forecast) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "kind": forecast.kind,
        "place": _point(forecast.place),
        "source_point": _point(forecast.source_point),
        "times": _iso(forecast.times_epoch_s),
        "members": list(forecast.members),
        "levels": _plain(forecast.levels),
        "level_kind": forecast.level_kind,
        "series": {name: _series(series) for name, series in forecast.series.items()},
        "provenance": _provenance(forecast.provenance),
    }


def _point(point: Point | None) -> dict[str, float | None] | None:
    if point is None:
        return None
    return {
        "latitude_deg": point.latitude_deg,
        "longitude_deg": point.longitude_deg,
        "altitude_m": point.altitude_m,
    }


def _provenance(origin: Provenance) -> dict[str, Any]:
    return {
        "provider": origin.provider,
        "label": origin.label,
        "issued_at": _stamp(origin.issued_at),
        "model": origin.model,
        "entered_by": origin.entered_by,
        "source_text": origin.source_text,
        "fetched_at": _stamp(origin.fetched_at),
        "expires_at": _stamp(origin.expires_at),
        "attribution": origin.attribution,
        "licence": origin.licence,
        "warnings": list(origin.warnings),
    }


def _series(series: Series) -> dict[str, Any]:
    bounds = series.bounds_epoch_s
    return {
        "unit": series.unit,
        "values": _plain(series.values),
        "cell": series.cell,
        "bounds": None if bounds is None else [_iso(pair) for pair in bounds],
        "datum": series.datum,
        "above_ground_m": series.above_ground_m,
        "derived": series.derived,
        "method": series.method,
    }


def _plain(values: Floats) -> list[Any]:
    boxed = values.astype(object)
    boxed[np.isnan(values)] = None
    listed: list[Any] = boxed.tolist()
    return listed


def _iso(times: Ints) -> list[str]:
    return [_written(moment(int(time))) for time in times]


def _stamp(at: datetime | None) -> str | None:
    return None if at is None else _written(at)


def _written(at: datetime) -> str:
    return at.isoformat().replace("+00:00", "Z")


def _forecast(document: dict[str, Any]) -> Forecast:
    return Forecast(
        kind=document["kind"],
        place=Point(**document["place"]),
        source_point=Point(**document["source_point"]) if document["source_point"] else None,
        times_epoch_s=_epochs(document["times"]),
        members=tuple(document["members"]),
        levels=np.array(document["levels"], dtype=np.float64),
        level_kind=document["level_kind"],
        series={name: _read_series(name, part) for name, part in document["series"].items()},
        provenance=_read_provenance(document["provenance"]),
    )


def _read_series(name: str, part: dict[str, Any]) -> Series:
    series = Series(
        name=name,
        # None becomes NaN: what was missing stays missing.
        values=np.array(part["values"], dtype=np.float64),
        cell=part["cell"],
        bounds_epoch_s=None
        if part["bounds"] is None
        else np.array([_epochs(pair) for pair in part["bounds"]]),
        datum=part["datum"],
        above_ground_m=part["above_ground_m"],
        derived=part["derived"],
        method=part["method"],
    )
    if part["unit"] != series.unit:
        raise Invalid.field(
            f"series.{name}.unit", part["unit"], f"is not {series.unit}", "Convert to SI before storing."
        )
    return series


def _read_provenance(part: dict[str, Any]) -> Provenance:
    read = dict(part, warnings=tuple(part["warnings"]))
    for name in ("issued_at", "fetched_at", "expires_at"):
        read[name] = datetime.fromisoformat(part[name]) if part[name] else None
    return Provenance(**read)


def _epochs(times: list[str]) -> Ints:
    return np.array([epoch_s(datetime.fromisoformat(time)) for time in times], dtype=np.int64)
