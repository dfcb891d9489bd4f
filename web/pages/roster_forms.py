"""Reading the roster's forms: typed text to values, and values to what a form shows."""

from __future__ import annotations

import re
from collections.abc import AsyncIterator, Mapping
from datetime import datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import Depends, Request
from starlette.datastructures import FormData, UploadFile

from api.errors import FieldProblem, Invalid
from api.roster.changes import invalid
from api.roster.rules import FieldError, moment
from api.roster.text import with_newlines
from api.units import Kind, QuantityError, from_inside, parse_quantity
from web.words import Units

LENGTH_UNITS = [("m", "m"), ("ft", "ft")]
DISTANCE_UNITS = [("km", "km"), ("mi", "mi"), ("m", "m")]

_KIND_OF_UNIT = {
    "m": Kind.LENGTH,
    "°C": Kind.TEMPERATURE,
    "m/s": Kind.SPEED,
    "mm": Kind.DEPTH,
    "cm": Kind.DEPTH,
    "h": Kind.DURATION,
    "min": Kind.DURATION,
}
"""Units of the metric registry in which a figure may also be typed in another unit."""


class Form:
    """A form that was sent. Collects what cannot be used, so that all of it can be said at once."""

    def __init__(self, data: FormData) -> None:
        self._data = data
        self.problems: list[FieldError] = []

    def text(self, name: str) -> str:
        """What was typed, line ends as one newline, outer spaces off."""
        value = self._data.get(name, "")
        return with_newlines(value).strip() if isinstance(value, str) else ""

    def texts(self, name: str) -> list[str]:
        """Every value sent under a name, as check boxes do."""
        return [value for value in self._data.getlist(name) if isinstance(value, str)]

    def ticked(self, name: str) -> bool:
        return bool(self.text(name))

    def file(self, name: str) -> UploadFile | None:
        value = self._data.get(name)
        return value if isinstance(value, UploadFile) else None

    def names(self) -> list[str]:
        """The names of all fields, each once."""
        return list(dict.fromkeys(self._data))

    def whole(self, name: str, default: int = 0) -> int:
        """A whole number."""
        text = self.text(name)
        if not text:
            return default
        if re.fullmatch(r"[+\-−]?\d{1,9}", text):
            return int(text.replace("−", "-"))
        self._wrong(name, text, "This is not a whole number.", "Write digits only, for example 3.")
        return default

    def seen_seq(self) -> int:
        """Up to which entry the page had read when the form was filled in."""
        text = self.text("seen_seq")
        if not (text.isascii() and text.isdigit() and len(text) <= 9):
            raise Invalid.field(
                "seen_seq", text, "The form does not say what it was made from.", "Open the page again."
            )
        return int(text)

    def decimal(self, name: str) -> float | None:
        """A plain number, with a point or a comma; None when nothing was typed."""
        text = self.text(name).replace("−", "-").replace(",", ".")
        if not text:
            return None
        try:
            return float(text)
        except ValueError:
            self._wrong(name, text, "This is not a number.", "Write it in digits, for example 41.86.")
            return None

    def length(self, name: str, old: float | None = None) -> float | None:
        """An elevation in metres, typed with its unit or with the unit chosen beside it.

        What is still as the form showed ``old`` stays exactly ``old``, so that feet do not wander.
        """
        return self.measured(name, "m", old, self.text(f"{name}_unit") or "m")

    def measured(
        self, name: str, inside: str, old: float | None = None, default_unit: str | None = None
    ) -> float | None:
        """A figure in the unit ``inside``; None when nothing was typed."""
        text = self.text(name)
        unit = default_unit or inside
        if not text:
            return None
        if old is not None and text == shown(old, unit, inside):
            return old
        kind = _KIND_OF_UNIT.get(inside)
        if kind is None:
            return self.decimal(name)
        try:
            value = parse_quantity(text, kind, field=name, default_unit=unit)
        except QuantityError as error:
            self._wrong(name, text, error.message, error.remedy)
            return None
        return round(from_inside(value, inside, kind), 1 if inside == "m" else 6)

    def moment(self, name: str, zone: ZoneInfo) -> datetime | None:
        """A local time of the trip as a moment; None when nothing was typed or it cannot be used."""
        text = self.text(name)
        if not text:
            return None
        try:
            return moment(text, zone, name)
        except FieldError as error:
            self.problems.append(error)
            return None

    def _wrong(self, name: str, value: str, message: str, remedy: str) -> None:
        self.problems.append(FieldError(name, value, message, remedy))

    def check(self) -> None:
        """Raise Invalid with everything that cannot be used."""
        if self.problems:
            raise invalid(*self.problems)

    def typed(self) -> dict[str, Any]:
        """Everything as it was typed, to fill the form again."""
        values: dict[str, Any] = {name: self.text(name) for name in self.names()}
        return values | {name: self.texts(name) for name in ("terrain", "night.supplied")}


def shown(value: float | None, unit: str = "m", inside: str = "m") -> str:
    """A figure as a form shows it: in ``unit``, without needless digits."""
    if value is None:
        return ""
    kind = _KIND_OF_UNIT.get(inside)
    number = value if unit == inside or kind is None else from_inside(value, unit, kind)
    if unit == "mi":
        return f"{number:.2f}"
    return f"{number:.0f}" if unit == "ft" else f"{round(number, 6):.6f}".rstrip("0").rstrip(".")


def row_of(name: str, group: str) -> int:
    """The number of the row a field belongs to; -1 for a field of another group."""
    found = re.fullmatch(rf"{group}\.(\d{{1,2}})\.\w+", name)
    return int(found[1]) if found else -1


def length_unit(units: Units) -> str:
    """The unit in which this reader types elevations."""
    return "ft" if units is Units.US else "m"


def renamed(problem: Invalid, names: Mapping[str, str]) -> Invalid:
    """The problem with the form's own field names in place of the model's."""
    fields = [
        FieldProblem(names.get(field.field, field.field), field.value, field.remedy, field.message)
        for field in problem.fields
    ]
    return type(problem)(problem.detail, fields=fields, extra=problem.extra)


def distance_unit(units: Units) -> str:
    """The unit in which this reader types distances."""
    return "mi" if units is Units.US else "km"


async def _sent(request: Request) -> AsyncIterator[Form]:
    async with request.form() as data:
        yield Form(data)


Sent = Annotated[Form, Depends(_sent, scope="function")]
"""The form of this request. Name it before ``Writing``: the turn to write must not wait for an upload."""
