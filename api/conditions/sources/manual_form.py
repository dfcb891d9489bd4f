"""Reading a typed-in forecast from the flat fields of a web form.

Fields are named by where they belong, with dashes: `issued_at`, `units-wind`, `blocks-0-starts_at`,
`blocks-0-freezing_level-best`, `blocks-0-wind-1-altitude`. Times are local to the mountain. Rows that were
left empty are passed over, and an error names the field as it stands in the form.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime, tzinfo
from typing import Any

from api.conditions.sources.manual import ManualForecast, parse
from api.errors import FieldProblem, Invalid

OURS = ("issued_at", "source_text", "label", "units", "blocks")
DEEPEST = 5
"""Steps in the longest name there is: `blocks-0-wind-0-altitude`."""
_TIMES = ("issued_at", "starts_at", "ends_at")
_ALONE_SAYS_NOTHING = frozenset({"altitude", *_TIMES})
"""What a form may fill in beforehand: a row with nothing else in it was left empty."""

Path = tuple[str, ...]


class ForecastForm:
    """What was sent, and how its fields are called.

    Use it as ``with form.naming(): typed = form.read(who)``; whatever else is done with the forecast inside
    the block has its errors named after the form as well.
    """

    def __init__(self, fields: Mapping[str, str], zone: tzinfo) -> None:
        self._zone = zone
        self._rows: dict[Path, list[str]] = {}
        """For each list, which rows of the form its entries were."""
        self._faults: list[FieldProblem] = []
        self._data = self._nested(fields)

    def read(self, who: str) -> ManualForecast:
        """The forecast as sent by `who`. Raises Invalid that names each field at fault."""
        if self._faults:
            names = ", ".join(fault.field for fault in self._faults)
            raise Invalid(
                f"The forecast needs a correction: {names}. Nothing was stored.", fields=self._faults
            )
        return parse({**self._data, "who": who})

    @contextmanager
    def naming(self) -> Iterator[None]:
        """Errors raised inside come out with the form's own field names."""
        try:
            yield
        except Invalid as problem:
            renamed = [replace(field, field=self._name(field.field)) for field in problem.fields]
            names = ", ".join(dict.fromkeys(field.field for field in renamed))
            raise Invalid(
                f"The forecast needs a correction: {names}. Nothing was stored.", fields=renamed
            ) from None

    def _nested(self, fields: Mapping[str, str]) -> dict[str, Any]:
        tree: dict[str, Any] = {}
        for name, text in fields.items():
            path = tuple(name.split("-"))
            if path[0] not in OURS or len(path) > DEEPEST or not text.strip():
                continue
            branch = tree
            for step in path[:-1]:
                inner = branch.setdefault(step, {})
                if not isinstance(inner, dict):
                    break
                branch = inner
            branch[path[-1]] = self._timed(name, text) if path[-1] in _TIMES else text.strip()
        return {key: self._listed(value, (key,)) for key, value in tree.items()}

    def _listed(self, value: Any, path: Path) -> Any:
        """Numbered rows as a list, without those left empty."""
        if not isinstance(value, dict):
            return value
        if not all(key.isdecimal() for key in value):
            return {key: self._listed(inner, (*path, key)) for key, inner in value.items()}
        rows = [key for key in sorted(value, key=int) if not _left_empty(value[key])]
        self._rows[path] = rows
        return [self._listed(value[key], (*path, str(i))) for i, key in enumerate(rows)]

    def _timed(self, name: str, text: str) -> datetime | str:
        """A moment at the mountain. What cannot be read as one is left for the check of the whole."""
        try:
            written = datetime.fromisoformat(text.strip())
        except ValueError:
            return text
        if written.tzinfo is not None:
            return written
        first, second = (written.replace(tzinfo=self._zone, fold=fold) for fold in (0, 1))
        if first.utcoffset() == second.utcoffset():
            return first
        there = first.astimezone(UTC).astimezone(self._zone).replace(tzinfo=None) == written
        message = (
            "This time comes twice on that night." if there else "This time does not exist on that night."
        )
        remedy = f"The clocks change then; add the offset from UTC, for example {first.isoformat()}."
        self._faults.append(FieldProblem(name, text, remedy, message))
        return first

    def _name(self, dotted: str) -> str:
        """The form's name of a field that is called by where it stands in the checked data."""
        path: Path = ()
        named: list[str] = []
        for step in dotted.split("."):
            rows = self._rows.get(path)
            known = rows is not None and step.isdecimal() and int(step) < len(rows)
            named.append(rows[int(step)] if rows is not None and known else step)
            path = (*path, step)
        return "-".join(named)


def _left_empty(row: Any) -> bool:
    if not isinstance(row, dict):
        return False
    said = (inner for key, inner in row.items() if key not in _ALONE_SAYS_NOTHING)
    return not any(_says_something(inner) for inner in said)


def _says_something(value: Any) -> bool:
    if not isinstance(value, dict):
        return True
    return not _left_empty(value)
