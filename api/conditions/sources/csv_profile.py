"""A forecast as a table of comma-separated values: one row for each time, level and member.

    # model: invented 2 km
    # reference_time: 2026-07-04T00:00:00Z
    time,member,level[hPa],air_temperature[degC],geopotential_height[m],wind_speed[kt]
    2026-07-04T03:00:00Z,,700,4.0,3144,19.0

Names are CF standard names with a unit in brackets. An empty cell is a missing value, an empty level a value
without one. A column `until` ends the period that `time` begins, for sums and gusts. Every fault is named by
line and column, and nothing is taken from a file that has one.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, Point, Provenance, epoch_s
from api.conditions.sources.covjson import SUMS, Told
from api.conditions.sources.measures import (
    CODES_FOR_MISSING,
    Collected,
    Conversion,
    conversion,
    level_conversion,
    understood,
)
from api.errors import FieldProblem, Invalid, TooLarge

MAX_BYTES = 2 * 1024 * 1024
MOST_ROWS = 100_000
MOST_COLUMNS = 200
MOST_FAULTS = 20
KEYS = ("place", "lat", "lon", "model", "label", "reference_time", "attribution", "licence", "provider")
_HEADER = re.compile(r"^\s*(?P<name>[a-zA-Z_]\w*)\s*(?:\[(?P<unit>.*)\])?\s*$")
_KEY = re.compile(r"^#\s*(?P<key>\w+)\s*:\s*(?P<value>.*?)\s*$")

At = tuple[str, int, float | None]


def read(body: bytes, told: Told) -> Forecast:
    """The forecast in such a table. Raises Invalid that names each fault, TooLarge beyond 2 MB."""
    if len(body) > MAX_BYTES:
        raise TooLarge(f"The file has more than {MAX_BYTES // 1024 // 1024} MB. Leave hours or levels out.")
    try:
        text = body.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise Invalid.field("file", None, "is not text in UTF-8", "Save the table as CSV UTF-8.") from None
    try:
        sheet = _Sheet(text)
    except csv.Error as error:
        raise Invalid.field(
            "file", None, f"is no table: {error}", "Check its quotes and its lines."
        ) from None
    sheet.stop_if_faulty()
    return sheet.forecast(told)


@dataclass(frozen=True, slots=True)
class _Column:
    index: int
    header: str
    name: str
    how: Conversion


class _Sheet:
    def __init__(self, text: str) -> None:
        self.faults: list[FieldProblem] = []
        self.keys: dict[str, str] = {}
        self.columns: list[_Column] = []
        self.headers: set[str] = set()
        self.places: dict[str, int] = {}
        self.level_kind: str | None = None
        self.level_how: Conversion = (1.0, 0.0)
        self.members: list[str] = []
        self.values: dict[str, dict[At, float]] = {}
        self.until: dict[int, int] = {}
        lines = text.splitlines()
        first = self._keys(lines)
        if first >= len(lines):
            self.fault(
                1, "", None, "The file has no header row.", "Write time,level[hPa],air_temperature[degC]."
            )
            return
        self._header(first + 1, next(csv.reader([lines[first]])))
        if self.faults:
            return
        rows = csv.reader(io.StringIO("\n".join(lines[first + 1 :])))
        for number, row in enumerate(rows, start=first + 2):
            if number > MOST_ROWS:
                self.fault(number, "", None, "The table is too long.", f"Give at most {MOST_ROWS} rows.")
                return
            if len(self.faults) >= MOST_FAULTS:
                return
            if any(cell.strip() for cell in row):
                self._row(number, row)
        if not self.values and not self.faults:
            self.fault(len(lines), "", None, "The table has no value.", "Add a row for each time and level.")

    def fault(self, line: int, column: str, value: object, message: str, remedy: str) -> None:
        where = f"line {line}, column {column}" if column else f"line {line}"
        self.faults.append(FieldProblem(where, value, remedy, message))

    def stop_if_faulty(self) -> None:
        if self.faults:
            count = len(self.faults)
            more = "at least " if count >= MOST_FAULTS else ""
            noun = "place" if count == 1 else "places"
            raise Invalid(
                f"The file needs a correction at {more}{count} {noun}. Nothing was stored.",
                fields=self.faults,
            )

    def _keys(self, lines: list[str]) -> int:
        """Read the lines before the header; gives the index of the header."""
        for index, line in enumerate(lines):
            found = _KEY.match(line)
            if found:
                key = found["key"].lower()
                if key in KEYS:
                    self.keys[key] = found["value"]
                else:
                    self.fault(index + 1, "", key, f"“{key}” is not known.", f"Use: {', '.join(KEYS)}.")
            elif line.strip() and not line.startswith("#"):
                return index
        return len(lines)

    def _header(self, line: int, cells: list[str]) -> None:
        if len(cells) > MOST_COLUMNS:
            self.fault(line, "", None, "The table is too wide.", f"Give at most {MOST_COLUMNS} columns.")
            return
        self.headers = {cell.strip().lower() for cell in cells}
        for index, cell in enumerate(cells):
            found = _HEADER.match(cell)
            if found is None:
                self.fault(line, cell or str(index + 1), cell, "This header cannot be read.", _HEADER_REMEDY)
                continue
            name, unit = found["name"].lower(), found["unit"]
            if name in self.places:
                self.fault(line, cell, cell, "This column is there twice.", "Give each column once.")
            self.places[name] = index
            if name == "level":
                self._level(line, cell, unit)
            elif name not in ("time", "until", "member"):
                self._variable(line, index, cell, name, unit)
        if "time" not in self.places:
            self.fault(line, "time", None, "There is no column time.", "Add it, with the offset from UTC.")
        if not self.columns and not self.faults:
            self.fault(line, "", None, "No column holds a variable.", _HEADER_REMEDY)

    def _level(self, line: int, cell: str, unit: str | None) -> None:
        found = level_conversion(unit) if unit else None
        if found is None:
            self.fault(
                line, cell, unit, "The unit of the levels is not said.", "Write level[hPa] or level[m]."
            )
        else:
            self.level_kind, self.level_how = found

    def _variable(self, line: int, index: int, cell: str, name: str, unit: str | None) -> None:
        if name not in cf.SI_UNITS:
            known = ", ".join(sorted(cf.SI_UNITS))
            self.fault(line, cell, name, f"“{name}” is not a variable that is kept.", f"Use one of: {known}.")
            return
        how = conversion(name, unit) if unit is not None else None
        if how is None:
            message = f"“{unit}” is not a unit of {name}." if unit is not None else "The unit is missing."
            self.fault(line, cell, unit, message, f"Write it in brackets, one of: {understood(name)}.")
            return
        if (name in SUMS or name == cf.GUST) and "until" not in self.headers:
            message = f"It is not said for which period {name} holds."
            self.fault(line, cell, None, message, "Add a column until: from time to until is the period.")
            return
        self.columns.append(_Column(index, cell, name, how))

    def _row(self, line: int, row: list[str]) -> None:
        if len(row) > len(self.places):
            self.fault(
                line, str(len(self.places) + 1), row[-1], "The row has more cells than the header.", _CELLS
            )
            return
        row = [*row, *[""] * (len(self.places) - len(row))]
        time = self._moment(line, "time", row)
        if time is None:
            return
        self._until(line, time, row)
        member = self._cell(row, "member") or "run"
        if member not in self.members:
            self.members.append(member)
        level = self._number(line, "level", self._cell(row, "level"))
        if level is not None:
            level = level * self.level_how[0] + self.level_how[1]
        for column in self.columns:
            self._value(line, column, row[column.index], (member, time, level))

    def _cell(self, row: list[str], name: str) -> str:
        return row[self.places[name]].strip() if name in self.places else ""

    def _moment(self, line: int, name: str, row: list[str]) -> int | None:
        text = self._cell(row, name)
        try:
            at = datetime.fromisoformat(text)
        except ValueError:
            self.fault(line, name, text, f"“{text}” is not a time.", "Write it like 2026-07-04T03:00:00Z.")
            return None
        if at.tzinfo is None:
            self.fault(line, name, text, "The time has no zone.", f"Add the offset from UTC, like {text}Z.")
            return None
        return epoch_s(at)

    def _until(self, line: int, time: int, row: list[str]) -> None:
        if not self._cell(row, "until"):
            return
        end = self._moment(line, "until", row)
        if end is None:
            return
        if end <= time:
            self.fault(
                line, "until", self._cell(row, "until"), "The period ends before it starts.", "Correct it."
            )
        if self.until.setdefault(time, end) != end:
            self.fault(
                line, "until", self._cell(row, "until"), "The period of this time differs above.", _ONCE
            )

    def _number(self, line: int, column: str, text: str) -> float | None:
        if not text:
            return None
        try:
            value = float(text)
        except ValueError:
            value = np.nan
        if not np.isfinite(value):
            self.fault(
                line,
                column,
                text,
                f"“{text}” is not a number.",
                "Write it with a decimal point, or leave it empty.",
            )
            return None
        return value

    def _value(self, line: int, column: _Column, text: str, at: At) -> None:
        written = self._number(line, column.header, text.strip())
        if written is None or written in CODES_FOR_MISSING:
            return
        value = written * column.how[0] + column.how[1]
        lowest, highest = cf.PLAUSIBLE.get(column.name, (-1e9, 1e9))
        if not lowest <= value <= highest:
            self.fault(
                line,
                column.header,
                text,
                f"{text} is outside what {column.name} can be.",
                "Check the number and the unit in the header; leave a missing value empty.",
            )
            return
        if (column.name in SUMS or column.name == cf.GUST) and at[1] not in self.until:
            self.fault(line, "until", "", f"It is not said until when {column.header} holds.", "Fill it in.")
            return
        kept = self.values.setdefault(column.name, {})
        if at in kept and kept[at] != value:
            self.fault(
                line, column.header, text, "An earlier row gives another value for the same place.", _ONCE
            )
        kept[at] = value

    def forecast(self, told: Told) -> Forecast:
        """The table as a forecast."""
        times = np.array(sorted({at[1] for kept in self.values.values() for at in kept}), dtype=np.int64)
        heights = {at[2] for kept in self.values.values() for at in kept if at[2] is not None}
        levels = np.array(sorted(heights, reverse=self.level_kind == "pressure"), dtype=np.float64)
        found = Collected()
        for name, kept in self.values.items():
            self._collect(found, name, kept, times, levels)
        issued = self._issued(told)
        provider = self.keys.get("provider") or told.provider
        return Forecast(
            kind="deterministic" if len(self.members) == 1 else "ensemble",
            place=told.place,
            source_point=self._point(),
            times_epoch_s=times,
            members=tuple(self.members),
            series=found.series,
            levels=levels,
            level_kind=("pressure" if self.level_kind == "pressure" else "altitude") if levels.size else None,
            provenance=Provenance(
                provider=provider[:120],
                label=(self.keys.get("label") or told.label or self.keys.get("model") or provider)[:120],
                issued_at=issued,
                model=self.keys.get("model", told.model),
                attribution=self.keys.get("attribution", told.attribution),
                licence=self.keys.get("licence", told.licence),
                warnings=tuple(found.warnings),
            ),
        )

    def _collect(
        self,
        found: Collected,
        name: str,
        kept: dict[At, float],
        times: np.ndarray,
        levels: np.ndarray,
    ) -> None:
        on_levels = {at: value for at, value in kept.items() if at[2] is not None}
        if on_levels and len(on_levels) < len(kept):
            found.warnings.append(f"{name} is given on levels and apart from them; the levels were used.")
        used = on_levels or kept
        shape = (len(self.members), times.size, *((levels.size,) if on_levels else ()))
        values = np.full(shape, np.nan)
        for (member, time, level), value in used.items():
            row, step = self.members.index(member), int(np.searchsorted(times, time))
            if level is None:
                values[row, step] = value
            else:
                values[row, step, int(np.flatnonzero(levels == level)[0])] = value
        if name not in SUMS and name != cf.GUST:
            found.add(name, values)
            return
        bounds = np.array([(time, self.until.get(int(time), int(time))) for time in times], dtype=np.int64)
        found.add(name, values, "sum" if name in SUMS else "max", bounds)

    def _issued(self, told: Told) -> datetime:
        text = self.keys.get("reference_time", "")
        if not text:
            if told.issued_at is None:
                raise Invalid.field(
                    "issued_at",
                    None,
                    "is not in the file",
                    "Say when the forecast was issued, or add a line # reference_time: 2026-07-04T00:00:00Z.",
                )
            return told.issued_at
        try:
            at = datetime.fromisoformat(text)
        except ValueError:
            at = None
        if at is None or at.tzinfo is None:
            raise Invalid.field(
                "reference_time", text, "is not a time with a zone", "Write it like 2026-07-04T00:00:00Z."
            )
        return at

    def _point(self) -> Point | None:
        if "lat" not in self.keys or "lon" not in self.keys:
            return None
        try:
            return Point(float(self.keys["lat"]), float(self.keys["lon"]))
        except ValueError:
            raise Invalid.field(
                "lat", f"{self.keys['lat']}, {self.keys['lon']}", "is no place", "Write degrees, like 45.94."
            ) from None


_HEADER_REMEDY = "Write a CF standard name with its unit, like air_temperature[degC]."
_CELLS = "Put a cell with a comma in it between quotes."
_ONCE = "Give each time, level and member once."
