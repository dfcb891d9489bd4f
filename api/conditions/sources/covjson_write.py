"""A forecast as CoverageJSON (OGC 21-069r2), complete enough to be read back to the same numbers.

CoverageJSON has no axis for the members of an ensemble, and every range must name each axis with more than
one value. So each member is written as a few coverages: those on levels (a grid of one cell), those without,
and those that hold for periods of their own (bounds of the t axis).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import orjson

from api.conditions.canonical import to_bytes
from api.conditions.forecast import Forecast, moment
from api.conditions.series import Floats, Ints, Series
from api.conditions.sources.covjson import ORIGIN
from api.conditions.sources.measures import words

MEDIA_TYPE = "application/vnd.cov+json"
CRS84 = "http://www.opengis.net/def/crs/OGC/1.3/CRS84"
MEAN_SEA_LEVEL_HEIGHT = "http://www.opengis.net/def/crs/EPSG/0/5714"
UCUM = "http://www.opengis.net/def/uom/UCUM/"
CF_NAMES = "http://vocab.nerc.ac.uk/standard_name/"

_UCUM = {"K": "K", "m s-1": "m/s", "m": "m", "kg m-2": "kg/m2", "degree": "deg", "1": "1", "J kg-1": "J/kg"}

Json = dict[str, Any]


def write(forecast: Forecast) -> bytes:
    """The forecast as a CoverageCollection, UTF-8."""
    plain = orjson.loads(to_bytes(forecast))
    document = {
        "type": "CoverageCollection",
        "rb:kind": forecast.kind,
        "rb:place": plain["place"],
        "rb:source_point": plain["source_point"],
        ORIGIN: plain["provenance"],
        "parameters": {name: _parameter(series) for name, series in sorted(forecast.series.items())},
        "coverages": list(_coverages(forecast)),
    }
    return orjson.dumps(document)


def _parameter(series: Series) -> Json:
    symbol = {"value": _UCUM[series.unit], "type": UCUM}
    # A name that starts with x_ is ours: CF has none for it.
    known = not series.name.startswith("x_")
    parameter: Json = {
        "type": "Parameter",
        "observedProperty": {
            "id": CF_NAMES + series.name + "/" if known else f"urn:rimaye:{series.name}",
            "label": {"en": words(series.name)},
        },
        "unit": {"label": {"en": series.unit}, "symbol": symbol},
        "rb:cell": series.cell,
    }
    for name, value in (
        ("datum", series.datum),
        ("above_ground_m", series.above_ground_m),
        ("derived", series.derived or None),
        ("method", series.method or None),
    ):
        if value is not None:
            parameter[f"rb:{name}"] = value
    return parameter


def _coverages(forecast: Forecast) -> Iterator[Json]:
    groups: dict[tuple[bool, bytes], list[Series]] = {}
    for _, series in sorted(forecast.series.items()):
        bounds = series.bounds_epoch_s
        groups.setdefault((series.by_level, b"" if bounds is None else bounds.tobytes()), []).append(series)
    for index, member in enumerate(forecast.members):
        for (by_level, _), grouped in groups.items():
            yield {
                "type": "Coverage",
                "rb:realization": member,
                "domain": _domain(forecast, grouped[0].bounds_epoch_s, by_level=by_level),
                "ranges": {series.name: _range(series.values[index], forecast.levels) for series in grouped},
            }


def _domain(forecast: Forecast, bounds: Ints | None, *, by_level: bool) -> Json:
    at = forecast.source_point or forecast.place
    times: Json = {"values": _iso(forecast.times_epoch_s)}
    if bounds is not None:
        times["bounds"] = _iso(bounds.ravel())
    axes: Json = {"x": {"values": [at.longitude_deg]}, "y": {"values": [at.latitude_deg]}, "t": times}
    systems: list[Json] = [
        {"coordinates": ["x", "y"], "system": {"type": "GeographicCRS", "id": CRS84}},
        {"coordinates": ["t"], "system": {"type": "TemporalRS", "calendar": "Gregorian"}},
    ]
    if by_level:
        axes["z"] = {"values": forecast.levels[_in_order(forecast.levels)].tolist()}
        systems.append({"coordinates": ["z"], "system": _vertical(forecast)})
    kind = "Grid" if by_level else "PointSeries"
    return {"type": "Domain", "domainType": kind, "axes": axes, "referencing": systems}


def _vertical(forecast: Forecast) -> Json:
    if forecast.level_kind == "pressure":
        axis = {"name": {"en": "Pressure"}, "direction": "down", "unit": {"symbol": "Pa"}}
        return {"type": "VerticalCRS", "cs": {"csAxes": [axis]}}
    axis = {"name": {"en": "Gravity-related height"}, "direction": "up", "unit": {"symbol": "m"}}
    return {"type": "VerticalCRS", "id": MEAN_SEA_LEVEL_HEIGHT, "cs": {"csAxes": [axis]}}


def _in_order(levels: Floats) -> Ints:
    """From the lowest number up: an axis must be in order, a forecast's levels need not be."""
    return np.argsort(levels)


def _range(values: Floats, levels: Floats) -> Json:
    by_level = values.ndim == 2
    if by_level:
        values = values[:, _in_order(levels)]
    boxed = values.astype(object)
    boxed[np.isnan(values)] = None
    return {
        "type": "NdArray",
        "dataType": "float",
        "axisNames": ["t", "z"] if by_level else ["t"],
        "shape": list(values.shape),
        "values": boxed.ravel().tolist(),
    }


def _iso(times: Ints) -> list[str]:
    return [moment(int(time)).isoformat().replace("+00:00", "Z") for time in times]
