"""CoverageJSON in and out. Read: a single profile, series at one or several levels, a grid of one cell, one
coverage for each member of an ensemble (`rb:realization`). Written: the same, complete enough to read back.

Members of ours start with `rb:`; whoever does not know them sees plain CoverageJSON.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Literal

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, LevelKind, Point, Provenance, epoch_s
from api.conditions.series import Cell, Datum, Ints
from api.conditions.sources import covjson_document as doc
from api.conditions.sources.covjson_document import Json, refuse
from api.conditions.sources.measures import (
    Collected,
    Conversion,
    conversion,
    level_conversion,
    to_si,
    understood,
)

ALIASES: Mapping[str, str] = {
    "temperature": cf.TEMPERATURE,
    "wind_gust": cf.GUST,
    "wind_speed_of_gust": cf.GUST,
    "ultraviolet_index_clear_sky": cf.UV_CLEAR_SKY,
}
SUMS = frozenset({cf.PRECIPITATION, "rainfall_amount", "snowfall_amount", cf.NEW_SNOW})
ORIGIN = "rb:provenance"


@dataclass(frozen=True, slots=True)
class Told:
    """What whoever hands in a document says about it, where the document itself does not."""

    place: Point
    provider: str
    label: str = ""
    issued_at: datetime | None = None
    levels: str = ""
    """Unit of the z axis when its reference system is missing: hPa, Pa or m (above sea level)."""
    attribution: str = ""
    licence: str = ""
    model: str = ""


def read(body: bytes, told: Told, *, strict: bool = True) -> Forecast:
    """The forecast in a CoverageJSON document.

    Parameters
    ----------
    body
        UTF-8 JSON, at most 5 MB.
    told
        What is known besides; the document's own word goes first.
    strict
        Whether a variable in an unknown unit is refused (a file) or left out with a warning (a service).

    Raises
    ------
    Invalid
        Naming the part at fault and why; TooLarge for too large a document. Nothing is guessed.
    """
    document = doc.load(body)
    reader = _Reader(told, strict)
    for where, written in doc.coverages(document):
        reader.take(where, written)
    return reader.forecast(document)


@dataclass(frozen=True, slots=True)
class _Meaning:
    """What a variable's values mean, apart from the numbers."""

    cell: Cell
    datum: Datum | None
    above_ground_m: float | None
    by_level: bool
    derived: bool = False
    method: str = ""


@dataclass(frozen=True, slots=True)
class _Frame:
    """What the ranges of one coverage have in common."""

    member: str
    times: list[int]
    spans: list[tuple[int, int]] | None
    levels: Sequence[float | None] | None
    ground_m: float | None


Numbers = dict[tuple[str, int, float | None], float]
"""Values by (member, time, level)."""


class _Reader:
    def __init__(self, told: Told, strict: bool) -> None:
        self.told, self.strict = told, strict
        self.found = Collected()
        self.values: dict[str, Numbers] = {}
        self.bounds: dict[str, dict[int, tuple[int, int]]] = {}
        self.meanings: dict[str, _Meaning] = {}
        self.kinds: set[LevelKind] = set()
        self.places: set[tuple[float, float]] = set()
        self.members: list[str] = []

    def take(self, where: str, coverage: Json) -> None:
        """Read one coverage."""
        domain = coverage["domain"]
        axes = domain["axes"]
        x, y = doc.axis_values(axes, "x")[0], doc.axis_values(axes, "y")[0]
        self._place(where, domain, float(x), float(y))
        member = str(coverage.get("rb:realization", "run"))
        if member not in self.members:
            self.members.append(member)
        at = f"{where}.domain.axes.t"
        times = [epoch_s(doc.moment_of(at, text)) for text in doc.axis_values(axes, "t")]
        spans = _pairs(at, axes["t"].get("bounds"))
        levels, ground_m = self._levels(where, domain)
        frame = _Frame(member, times, spans, levels, ground_m)
        for name, ranged in coverage["ranges"].items():
            parameter = coverage["parameters"][name]
            self._range(f"{where}.ranges.{name}", name, ranged, parameter, frame)

    def _place(self, where: str, domain: Json, x: float, y: float) -> None:
        if not (-180.0 <= x <= 360.0 and -90.0 <= y <= 90.0):
            refuse(f"{where}.domain.axes", f"{x:g}, {y:g}", "is no longitude and latitude", "x is longitude.")
        system = doc.system_of(domain, "x") or {}
        if "CRS84" not in str(system.get("id", "")):
            self._warn("The file does not use CRS84; x was read as longitude and y as latitude.")
        self.places.add((x - 360.0 if x > 180.0 else x, y))
        if len(self.places) > 1:
            refuse(f"{where}.domain.axes", f"{x:g}, {y:g}", "is another place than before", "Send one place.")

    def _levels(self, where: str, domain: Json) -> tuple[list[float] | None, float | None]:
        """Levels in m or Pa, and the height above ground when that is what z says."""
        if "z" not in domain["axes"]:
            return None, None
        written = doc.axis_values(domain["axes"], "z")
        found = doc.levels_unit(domain)
        if found is None and self.told.levels:
            assumed = level_conversion(self.told.levels)
            found = (assumed[0], self.told.levels) if assumed else None
        if found is None:
            refuse(
                f"{where}.domain.referencing",
                None,
                "does not say what z means: pressure, height above the sea, or above the ground",
                "Say which it is beside the file.",
            )
        kind, unit = found
        how = level_conversion(unit)
        assert how is not None
        factor = how[1][0]
        if kind == "ground":
            if len(written) > 1:
                refuse(
                    f"{where}.domain.axes.z",
                    None,
                    "gives several heights above the ground, which follow the model's terrain",
                    "Ask for pressure levels, or heights above the sea.",
                )
            return None, float(written[0]) * factor
        self.kinds.add("pressure" if kind == "pressure" else "altitude")
        if len(self.kinds) > 1:
            refuse(f"{where}.domain.axes.z", unit, "mixes pressures and altitudes", "Send one of them.")
        return [float(value) * factor for value in written], None

    def _range(self, where: str, key: str, ranged: Json, parameter: Json, frame: _Frame) -> None:
        name = _standard_name(key, parameter)
        if name is None:
            self._warn(f"{key} is not used here and was left out.")
            return
        how = self._unit(f"{where.replace('.ranges.', '.parameters.')}.unit", name, parameter)
        meaning = self._meaning(where, name, parameter, frame)
        if how is None or meaning is None:
            return
        first = self.meanings.setdefault(name, meaning)
        if first != meaning:
            if first.by_level != meaning.by_level:
                # The column of air is worth more than one figure near the ground.
                self._warn(f"{key} is given on levels and apart from them; the levels were used.")
                if first.by_level:
                    return
                self.meanings[name], self.values[name], self.bounds[name] = meaning, {}, {}
            else:
                refuse(where, name, "means different things in different coverages", "Send one of them.")
        numbers = self.values.setdefault(name, {})
        levels = frame.levels if frame.levels is not None else [None]
        converted = to_si(_block(ranged, len(frame.times), len(levels)), how)
        for i, time in enumerate(frame.times):
            if frame.spans is not None and meaning.cell != "instant":
                self._span(where, name, time, frame.spans[i])
            for j, level in enumerate(levels):
                self._put(where, numbers, (frame.member, time, level), float(converted[i, j]))

    def _put(self, where: str, numbers: Numbers, at: tuple[str, int, float | None], value: float) -> None:
        before = numbers.get(at, np.nan)
        if np.isnan(before):
            numbers[at] = value
        elif not np.isnan(value) and value != before:
            refuse(where, value, "gives another value for a time and level given before", "Send one of them.")

    def _span(self, where: str, name: str, time: int, span: tuple[int, int]) -> None:
        if self.bounds.setdefault(name, {}).setdefault(time, span) != span:
            refuse(where, name, "is given for other periods than before", "Send the same periods.")

    def _unit(self, where: str, name: str, parameter: Json) -> Conversion | None:
        unit = parameter.get("unit")
        symbol = unit.get("symbol") if isinstance(unit, dict) else None
        if isinstance(symbol, dict):
            symbol = symbol.get("value")
        how = conversion(name, symbol) if isinstance(symbol, str) else None
        if how is None and self.strict:
            refuse(
                where,
                symbol,
                f"is not a unit that {name} can be read in",
                f"Use one of: {understood(name)}.",
            )
        if how is None:
            self._warn(f"{name} was left out: its unit {symbol!r} is not known.")
        return how

    def _meaning(self, where: str, name: str, parameter: Json, frame: _Frame) -> _Meaning | None:
        cell: Cell = parameter.get("rb:cell") or ("sum" if name in SUMS else "instant")
        if cell != "instant" and frame.spans is None:
            message = "does not say for which periods it holds"
            if self.strict:
                refuse(where, name, message, "Add bounds to the t axis.")
            self._warn(f"{name} was left out: it {message}.")
            return None
        datum: Datum | None = parameter.get("rb:datum") or ("geoid" if name in cf.NEEDS_DATUM else None)
        above = parameter.get("rb:above_ground_m", frame.ground_m)
        derived = bool(parameter.get("rb:derived", False))
        method = str(parameter.get("rb:method", ""))
        return _Meaning(cell, datum, above, frame.levels is not None, derived, method)

    def _warn(self, text: str) -> None:
        if text not in self.found.warnings:
            self.found.warnings.append(text)

    def forecast(self, document: Json) -> Forecast:
        """All coverages as one forecast."""
        kept = {name: numbers for name, numbers in self.values.items() if numbers}
        if not kept:
            refuse("ranges", None, "holds no variable that is used here", "See the list of variables.")
        times = sorted({time for numbers in kept.values() for _, time, _ in numbers})
        levels = sorted({level for numbers in kept.values() for _, _, level in numbers if level is not None})
        if self.kinds == {"pressure"}:
            levels.reverse()
        for name, numbers in kept.items():
            self._add(name, numbers, times, levels)
        if not self.found.series:
            refuse("ranges", None, "holds no value", "Ask for hours and levels that the model has.")
        (x, y), told = next(iter(self.places)), self.told
        source = _point(document.get("rb:source_point")) or Point(y, x)
        has_source = ORIGIN not in document or document.get("rb:source_point") is not None
        return Forecast(
            kind=_kind(document, self.members),
            place=_point(document.get("rb:place")) or told.place,
            source_point=source if has_source else None,
            times_epoch_s=np.array(times, dtype=np.int64),
            members=tuple(self.members),
            series=self.found.series,
            levels=np.array(levels, dtype=np.float64),
            level_kind=next(iter(self.kinds)) if levels else None,
            provenance=self._provenance(document),
        )

    def _add(self, name: str, numbers: Numbers, times: list[int], levels: list[float]) -> None:
        meaning = self.meanings[name]
        shape = (len(self.members), len(times), *((len(levels),) if meaning.by_level else ()))
        values = np.full(shape, np.nan)
        rows = {member: i for i, member in enumerate(self.members)}
        steps = {time: i for i, time in enumerate(times)}
        places = {level: i for i, level in enumerate(levels)}
        for (member, time, level), value in numbers.items():
            if level is None:
                values[rows[member], steps[time]] = value
            else:
                values[rows[member], steps[time], places[level]] = value
        bounds = None
        if meaning.cell != "instant":
            held = self.bounds.get(name, {})
            bounds = np.array([held.get(time, (time, time)) for time in times], dtype=np.int64)
        self.found.add(
            name, values, meaning.cell, bounds, above_ground_m=meaning.above_ground_m, datum=meaning.datum
        )
        if meaning.derived and name in self.found.series:
            whole = self.found.series[name]
            self.found.series[name] = replace(whole, derived=True, method=meaning.method)

    def _provenance(self, document: Json) -> Provenance:
        told = self.told
        given = document.get(ORIGIN)
        said = given if isinstance(given, dict) else {}
        issued = said.get("issued_at")
        issued_at = doc.moment_of(f"{ORIGIN}.issued_at", issued) if issued else told.issued_at
        if issued_at is None:
            refuse("issued_at", None, "is not in the file", "Say when the forecast was issued, or its run.")

        def text(name: str, other: str) -> str:
            return str(said.get(name) or other)

        provider = text("provider", told.provider)
        listed = said.get("warnings")
        earlier = [str(line) for line in listed] if isinstance(listed, list) else []
        return Provenance(
            provider=provider[:120],
            label=text("label", told.label or provider)[:120],
            issued_at=issued_at,
            model=text("model", told.model),
            entered_by=text("entered_by", ""),
            source_text=text("source_text", ""),
            attribution=text("attribution", told.attribution),
            licence=text("licence", told.licence),
            warnings=tuple(dict.fromkeys([*earlier, *self.found.warnings])),
        )


def _pairs(where: str, bounds: Any) -> list[tuple[int, int]] | None:
    if bounds is None:
        return None
    moments: Ints = np.array([epoch_s(doc.moment_of(where, text)) for text in bounds], dtype=np.int64)
    return [(int(start), int(end)) for start, end in moments.reshape(-1, 2)]


def _block(ranged: Json, times: int, levels: int) -> Any:
    """Values as [time, level], whatever the order of the axes in the file."""
    names = list(ranged.get("axisNames") or [])
    values = np.array(ranged["values"], dtype=np.float64).reshape(ranged.get("shape") or ())
    order = [names.index(name) for name in ("t", "z", "y", "x") if name in names]
    return np.transpose(values, order).reshape(times, levels)


def _standard_name(key: str, parameter: Json) -> str | None:
    observed = parameter.get("observedProperty") or {}
    last = str(observed.get("id") or "").rstrip("/").rsplit("/", 1)[-1].rsplit("#", 1)[-1]
    for candidate in (last, key):
        name = ALIASES.get(candidate, candidate)
        if name in cf.SI_UNITS:
            return name
    return None


def _kind(document: Json, members: Iterable[str]) -> Literal["manual", "deterministic", "ensemble"]:
    listed = list(members)
    said = document.get("rb:kind")
    if said == "manual" and set(listed) <= {"low", "best", "high"}:
        return "manual"
    return "deterministic" if len(listed) == 1 and said != "ensemble" else "ensemble"


def _point(written: Any) -> Point | None:
    if not isinstance(written, dict):
        return None
    try:
        return Point(written["latitude_deg"], written["longitude_deg"], written.get("altitude_m"))
    except (KeyError, TypeError, ValueError):
        refuse("rb:place", str(written), "is no place", "Send the file as this service wrote it.")
