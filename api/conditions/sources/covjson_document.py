"""A CoverageJSON document (OGC 21-069r2), checked: what this service reads of it, and exact reasons for the
rest.

The package checks the shapes; what it lets through is checked here: URLs and tiles in place of values, a
missing reference system, ranges that do not fit their axes, NaN, levels out of order.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from datetime import datetime
from itertools import pairwise
from math import isfinite, prod
from typing import Any, NoReturn

from pydantic import ValidationError

from api.conditions.sources.measures import level_conversion
from api.errors import Invalid, TooLarge

MAX_BYTES = 5 * 1024 * 1024
MOST_VALUES = 2_000_000
MOST_COVERAGES = 20_000
DOMAINS = ("VerticalProfile", "PointSeries", "Point", "Grid")
ONE_OR_MANY = "Send a Coverage or a CoverageCollection."
AXES = ("x", "y", "z", "t")

Json = dict[str, Any]


def refuse(where: str, value: object, message: str, remedy: str) -> NoReturn:
    """Raise Invalid about a part of the document."""
    raise Invalid.field(where, value, message, remedy)


def load(body: bytes) -> Json:
    """The document as JSON, or the reason why it is none. Raises Invalid, or TooLarge beyond `MAX_BYTES`."""
    if len(body) > MAX_BYTES:
        most = f"{MAX_BYTES // 1024 // 1024} MB"
        raise TooLarge(f"The file has more than {most}. Ask for fewer levels, hours or variables.")
    try:
        document = json.loads(body.decode("utf-8-sig"), parse_constant=_no_constant)
    except UnicodeDecodeError:
        refuse("file", None, "is not text in UTF-8", "Save it as UTF-8.")
    except RecursionError:
        refuse("file", None, "is nested too deeply", "Send a single coverage or a collection of coverages.")
    except json.JSONDecodeError as error:
        refuse(
            "file",
            f"line {error.lineno}, column {error.colno}",
            f"is not JSON: {error.msg}",
            "Send the whole answer of the service as it came.",
        )
    except ValueError:
        refuse("file", None, "holds a number of thousands of digits", "Send the answer as it came.")
    if not isinstance(document, dict):
        refuse("file", type(document).__name__, "is not a JSON object", ONE_OR_MANY)
    return document


def _no_constant(name: str) -> NoReturn:
    refuse("file", name, f"holds {name}, which JSON does not have", "Write null where there is no value.")


def coverages(document: Json) -> Iterator[tuple[str, Json]]:
    """Every coverage with where it stands, checked, and with what it inherits from its collection."""
    for where, written in _written(document):
        _no_links(where, written)
        _validate(where, written)
        _check(where, written)
        yield where, written


def _written(document: Json) -> Iterator[tuple[str, Json]]:
    kind = document.get("type")
    if kind == "Coverage":
        yield "coverage", document
        return
    if kind != "CoverageCollection":
        refuse("type", kind, "is not a document with values at a place", ONE_OR_MANY)
    listed = document.get("coverages")
    if not isinstance(listed, list) or not 0 < len(listed) <= MOST_COVERAGES:
        refuse("coverages", None, "is missing, empty or too long", f"Send 1 to {MOST_COVERAGES} coverages.")
    for index, coverage in enumerate(listed):
        where = f"coverages.{index}"
        if not isinstance(coverage, dict):
            refuse(where, None, "is not a coverage", "Each entry must be an object of type Coverage.")
        yield where, _inherited(coverage, document)


def _inherited(coverage: Json, collection: Json) -> Json:
    """The coverage with what the collection says for all of them; the package does not look there."""
    whole = dict(coverage)
    if "parameters" in collection:
        whole["parameters"] = {**_object(collection["parameters"]), **_object(coverage.get("parameters"))}
    domain = coverage.get("domain")
    if isinstance(domain, dict):
        above = {k: collection[k] for k in ("domainType", "referencing") if k in collection}
        whole["domain"] = {**above, **domain}
    return whole


def _object(value: object) -> Json:
    return value if isinstance(value, dict) else {}


def _no_links(where: str, coverage: Json) -> None:
    """Only what is in the file counts: this service follows no address that a file names."""
    remedy = "Ask the service for the values themselves, in one document."
    domain = coverage.get("domain")
    if isinstance(domain, str):
        refuse(f"{where}.domain", domain, "is an address instead of a domain", remedy)
    total = 0
    for name, ranged in _object(coverage.get("ranges")).items():
        if isinstance(ranged, str):
            refuse(f"{where}.ranges.{name}", ranged, "is an address instead of values", remedy)
        if _object(ranged).get("type") == "TiledNdArray":
            refuse(f"{where}.ranges.{name}", "TiledNdArray", "is split into tiles elsewhere", remedy)
        shape = _object(ranged).get("shape") or []
        if isinstance(shape, list) and all(isinstance(n, int) and n >= 0 for n in shape):
            total += prod(shape)
    if total > MOST_VALUES:
        refuse(f"{where}.ranges", total, "holds too many values", f"Send at most {MOST_VALUES} values.")


def _validate(where: str, coverage: Json) -> None:
    from covjson_pydantic.coverage import Coverage

    try:
        # As text: its strict mode reads times in text only.
        Coverage.model_validate_json(json.dumps(coverage))
    except ValidationError as error:
        first = error.errors()[0]
        path = ".".join([where, *(str(part) for part in first["loc"])])
        value = first["input"] if isinstance(first["input"], str | int | float) else None
        refuse(path, value, f"is not as CoverageJSON has it: {first['msg']}", "Correct this part.")


def _check(where: str, coverage: Json) -> None:
    domain = coverage["domain"]
    kind = domain.get("domainType")
    if kind is not None and kind not in DOMAINS:
        refuse(f"{where}.domain.domainType", kind, "is not read here", f"Use one of: {', '.join(DOMAINS)}.")
    axes = {name: axis_values(domain["axes"], name) for name in AXES if name in domain["axes"]}
    for name in ("x", "y"):
        if len(axes.get(name, ())) != 1:
            refuse(
                f"{where}.domain.axes.{name}",
                len(axes.get(name, ())),
                "is not one single place",
                "Send a forecast for one point.",
            )
    if not axes.get("t"):
        refuse(f"{where}.domain.axes.t", None, "is missing: it is not said for when it is", "Add the t axis.")
    for name in ("z", "x", "y"):
        _numbers(f"{where}.domain.axes.{name}", axes.get(name, ()), ordered=name == "z")
    _ordered(f"{where}.domain.axes.t", axes["t"])
    _referenced(where, domain, has_levels="z" in axes)
    parameters = _object(coverage.get("parameters"))
    for name, ranged in coverage["ranges"].items():
        at = f"{where}.ranges.{name}"
        if name not in parameters:
            refuse(at, name, "has no parameter of this name", "Describe it under parameters.")
        _fits(at, ranged, {axis: len(values) for axis, values in axes.items()})


def axis_values(axes: Json, name: str) -> tuple[Any, ...]:
    """The values of an axis, also of one given by start, stop and number."""
    axis = axes[name]
    if "values" in axis:
        return tuple(axis["values"])
    start, stop, count = axis["start"], axis["stop"], axis["num"]
    if count > MOST_VALUES:
        refuse(f"axes.{name}.num", count, "is too many", f"Give at most {MOST_VALUES}.")
    if count == 1:
        return (start,)
    return tuple(start + i * (stop - start) / (count - 1) for i in range(count))


def _numbers(where: str, values: tuple[Any, ...], *, ordered: bool) -> None:
    for value in values:
        if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
            refuse(where, str(value), "is not a number", "Give each value as a number.")
    if ordered:
        _ordered(where, values)


def _ordered(where: str, values: tuple[Any, ...]) -> None:
    if isinstance(values[0] if values else 0.0, str):
        values = tuple(moment_of(where, value) for value in values)
    steps = {later > earlier for earlier, later in pairwise(values)}
    if len(steps) > 1 or len(set(values)) != len(values):
        refuse(where, None, "goes up and down, or repeats a value", "List each value once, in order.")


def moment_of(where: str, text: object) -> datetime:
    """A moment of the t axis."""
    try:
        at = datetime.fromisoformat(str(text))
    except ValueError:
        refuse(where, str(text), "is not a moment", "Write it like 2026-07-04T03:00:00Z.")
    if at.tzinfo is None:
        refuse(where, str(text), "has no time zone", "Write it like 2026-07-04T03:00:00Z.")
    return at


def _referenced(where: str, domain: Json, *, has_levels: bool) -> None:
    at = f"{where}.domain.referencing"
    if not domain.get("referencing"):
        refuse(at, None, "is missing: it is not said what x, y and t mean", "Add the reference systems.")
    for name in ("x", "t"):
        if system_of(domain, name) is None:
            refuse(at, None, f"does not say what {name} means", f"Add a reference system for {name}.")
    system = system_of(domain, "x") or {}
    if system.get("type") not in ("GeographicCRS", "GeodeticCRS"):
        refuse(
            at, system.get("type"), "does not give longitude and latitude", "Ask for coordinates in CRS84."
        )


def system_of(domain: Json, axis: str) -> Mapping[str, Any] | None:
    """The reference system of an axis."""
    for entry in domain.get("referencing") or ():
        if axis in entry.get("coordinates", ()):
            return _object(entry.get("system"))
    return None


def _fits(where: str, ranged: Json, lengths: Mapping[str, int]) -> None:
    if ranged.get("dataType") not in ("float", "integer"):
        refuse(f"{where}.dataType", ranged.get("dataType"), "is not a number type", "Send numbers.")
    names, shape = ranged.get("axisNames") or [], ranged.get("shape") or []
    unknown = [name for name in names if name not in lengths]
    if unknown:
        refuse(f"{where}.axisNames", ", ".join(unknown), "is no axis of the domain", "Name its axes.")
    expected = [lengths[name] for name in names]
    if list(shape) != expected:
        refuse(f"{where}.shape", str(shape), f"does not fit the axes, which have {expected}", "Correct it.")
    left_out = [name for name, length in lengths.items() if length > 1 and name not in names]
    if left_out:
        refuse(
            f"{where}.axisNames",
            ", ".join(names),
            f"leaves out {', '.join(left_out)}",
            "Name every axis with more than one value.",
        )


def levels_unit(domain: Json) -> tuple[str, str] | None:
    """What the z axis is: ("pressure" | "altitude" | "ground", its unit). None when it is not said."""
    system = system_of(domain, "z")
    if system is None:
        return None
    axes = _object(system.get("cs")).get("csAxes") or []
    axis = _object(axes[0]) if axes else {}
    symbol = _object(axis.get("unit")).get("symbol")
    if isinstance(symbol, dict):
        symbol = symbol.get("value")
    found = level_conversion(symbol) if isinstance(symbol, str) else None
    if found is None or not isinstance(symbol, str):
        return None
    names = axis.get("name")
    said = " ".join([*map(str, _object(names).values()), str(system.get("id", ""))]).lower()
    if found[0] == "altitude" and ("ground" in said or "surface" in said):
        return "ground", symbol
    if found[0] == "altitude" and not _above_sea(said):
        return None
    return found[0], symbol


def _above_sea(said: str) -> bool:
    known = ("epsg/0/5714", "sea level", "gravity", "altitude", "geoid", "orthometric", "msl", "geopotential")
    return any(word in said for word in known)
