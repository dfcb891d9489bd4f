"""YAML read as plain data that remembers where each value stood.

Only the plain part of YAML is read: mappings with text keys, lists, text, numbers, true, false and null.
Anchors, aliases, tags, several documents, repeated keys and endless nesting are refused, so no file can grow
in memory or make objects.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import yaml

from api.kitlist.schemas import Path

MOST_BYTES = 1024 * 1024
MOST_VALUES = 50_000
DEEPEST = 30

_Loader: type = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
_INT = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_FLOAT = re.compile(r"[-+]?([0-9]+\.[0-9]*|\.[0-9]+)([eE][-+][0-9]+)?")
_WORDS: dict[str, Any] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL")),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}


@dataclass(frozen=True, slots=True)
class Place:
    """Line and column of a value, from 1."""

    line: int
    column: int


class Unreadable(ValueError):
    """Text that is not the YAML read here."""

    def __init__(self, place: Place, message: str, remedy: str, value: str = "") -> None:
        super().__init__(message)
        self.place = place
        self.message = message
        self.remedy = remedy
        self.value = value


@dataclass(slots=True)
class Placed:
    """Plain data and where its values and keys stood."""

    data: Any = None
    values: dict[Path, Place] = field(default_factory=dict)
    keys: dict[Path, Place] = field(default_factory=dict)

    def place(self, path: Path, *, of_key: bool = False) -> Place:
        """Where the value at `path` stood, or the nearest thing around it."""
        if of_key and path in self.keys:
            return self.keys[path]
        while path not in self.values and path:
            path = path[:-1]
        return self.values.get(path, Place(1, 1))

    def at(self, path: Path) -> Any:
        """The value at `path`; None when there is none."""
        found = self.data
        for step in path:
            try:
                found = found[step]
            except (KeyError, IndexError, TypeError):
                return None
        return found


def read_placed(text: str | bytes) -> Placed:
    """Read YAML text. Raises Unreadable with the place of the first thing that is not read here."""
    text = _decoded(text)
    try:
        return _Reader(yaml.parse(text, Loader=_Loader)).document()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        place = Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)
        raise _not_yaml(place, str(error.problem), text) from None
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        raise Unreadable(Place(line, 1), "a character that YAML does not take", "Remove it.") from None


def _decoded(text: str | bytes) -> str:
    raw = text.encode("utf-8", "surrogatepass") if isinstance(text, str) else text
    if len(raw) > MOST_BYTES:
        raise Unreadable(
            Place(1, 1),
            f"larger than {MOST_BYTES // 1024} KiB",
            "An edition is text; take out what is not part of it.",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise Unreadable(Place(line, 1), "not UTF-8 text", "Save the file as UTF-8.") from None


def _not_yaml(place: Place, problem: str, text: str) -> Unreadable:
    if "nesting" in problem:
        return _too_deep(place)
    rows = text.splitlines()
    indent = rows[place.line - 1] if place.line <= len(rows) else ""
    if "\t" in indent[: len(indent) - len(indent.lstrip())]:
        return Unreadable(place, "the line is indented with a tab", "Indent with spaces.")
    remedy = "Check the indentation, and put text that holds ': ' or ' #' in quotes."
    return Unreadable(place, f"not well-formed YAML: {problem}", remedy)


def _too_deep(place: Place) -> Unreadable:
    return Unreadable(place, f"nested deeper than {DEEPEST} levels", "Write it flatter.")


class _Reader:
    """Builds plain data from the parser's events."""

    def __init__(self, events: Iterator[yaml.Event]) -> None:
        self._events = events
        self._count = 0
        self._out = Placed()

    def document(self) -> Placed:
        next(self._events)
        start = next(self._events)
        if isinstance(start, yaml.StreamEndEvent):
            raise Unreadable(Place(1, 1), "the file is empty", "Write an edition into it.")
        self._out.data = self._value(next(self._events), ())
        next(self._events)
        after = next(self._events)
        if not isinstance(after, yaml.StreamEndEvent):
            raise Unreadable(_place(after), "a second document begins", "Keep one edition a file.")
        return self._out

    def _value(self, event: yaml.Event, path: Path) -> Any:
        self._refuse_odd(event, path)
        self._out.values[path] = _place(event)
        if isinstance(event, yaml.ScalarEvent):
            return _scalar(event)
        if isinstance(event, yaml.SequenceStartEvent):
            return self._list(path)
        return self._mapping(path)

    def _list(self, path: Path) -> list[Any]:
        found: list[Any] = []
        while not isinstance(event := next(self._events), yaml.SequenceEndEvent):
            found.append(self._value(event, (*path, len(found))))
        return found

    def _mapping(self, path: Path) -> dict[str, Any]:
        found: dict[str, Any] = {}
        while not isinstance(event := next(self._events), yaml.MappingEndEvent):
            self._refuse_odd(event, path)
            if not isinstance(event, yaml.ScalarEvent):
                raise Unreadable(_place(event), "a key that is not text", "Write a name before the colon.")
            key = event.value
            if key in found:
                first = self._out.keys[(*path, key)].line
                raise Unreadable(
                    _place(event), f"{key} is written twice, first in line {first}", "Keep one of them.", key
                )
            self._out.keys[(*path, key)] = _place(event)
            found[key] = self._value(next(self._events), (*path, key))
        return found

    def _refuse_odd(self, event: yaml.Event, path: Path) -> None:
        self._count += 1
        if isinstance(event, yaml.NodeEvent) and event.anchor:
            place, name = _place(event), str(event.anchor)
            raise Unreadable(place, "anchors and aliases are not read", "Write the value out.", name)
        if isinstance(event, yaml.ScalarEvent | yaml.CollectionStartEvent) and event.tag:
            raise Unreadable(_place(event), "tags are not read", "Leave the tag out.", str(event.tag))
        if self._count > MOST_VALUES:
            raise Unreadable(_place(event), f"more than {MOST_VALUES} values", "Split the edition.")
        if len(path) > DEEPEST:
            raise _too_deep(_place(event))


def _place(event: yaml.Event) -> Place:
    mark = event.start_mark
    return Place(mark.line + 1, mark.column + 1) if mark else Place(1, 1)


def _scalar(event: yaml.ScalarEvent) -> Any:
    """Text, unless it is written plainly and looks like a number, true, false or null (YAML 1.2 core)."""
    if event.style is not None and event.style != "":
        return event.value
    if event.value in _WORDS:
        return _WORDS[event.value]
    if _INT.fullmatch(event.value) and len(event.value) <= 300:
        return int(event.value)
    return float(event.value) if _FLOAT.fullmatch(event.value) else event.value
