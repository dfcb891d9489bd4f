"""Read a kit list edition from YAML or JSON, with every fault at its line; and the schema of editions."""

import json
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path as FilePath
from typing import Any

from pydantic import ValidationError

from api import kitlist
from api.error_remedies import remedy_for
from api.kitlist import rules
from api.kitlist.metrics import CONDITION_METRICS, QUANTITIES
from api.kitlist.places import Place, Placed, Unreadable, read_placed
from api.kitlist.quantities import KNOWN_UNITS
from api.kitlist.schemas import Edition, Misfit, Path

LONGEST_VALUE = 60
SCHEMA_ID = "urn:rimaye:kit-list-edition"
_CONDITION_REMEDY = "Write for instance {metric: freezing_level_m, below: 3600 m} or {terrain: [glacier]}."


@dataclass(frozen=True, slots=True)
class FileFault:
    """A fault in a file: where, what was written, what is wrong, what to do."""

    place: Place | None
    path: str
    value: str
    message: str
    remedy: str
    steps: Path = ()
    """The same way as keys and positions, for a form that has to find its field."""

    def shown(self, file: str) -> str:
        """One line: `FILE:LINE:COL path: what is wrong (value) - remedy`."""
        where = f"{file}:{self.place.line}:{self.place.column}" if self.place else file
        value = f" ({self.value})" if self.value else ""
        path = f"{self.path}: " if self.path else ""
        return f"{where} {path}{self.message}{value} - {self.remedy}"


class NotAnEdition(ValueError):
    """Text or data that is no usable edition; `faults` lists why."""

    def __init__(self, faults: list[FileFault]) -> None:
        super().__init__(f"{len(faults)} faults, the first: {faults[0].message}")
        self.faults = faults


def read_edition(text: str | bytes) -> Edition:
    """An edition from YAML text, checked. Raises NotAnEdition."""
    try:
        placed = read_placed(text)
    except Unreadable as error:
        raise NotAnEdition(
            [FileFault(error.place, "", _short(error.value), error.message, error.remedy)]
        ) from None
    return _checked(placed, with_places=True)


def edition_from_plain(data: Any) -> Edition:
    """An edition from data as JSON gives it, checked. Raises NotAnEdition."""
    return _checked(Placed(data), with_places=False)


def read_file(file: FilePath) -> Edition:
    """An edition from a file. Raises NotAnEdition, and OSError when there is no such file."""
    return read_edition(file.read_bytes())


def shipped() -> dict[str, FilePath]:
    """The editions that come with this installation, by file name without ending."""
    folder = FilePath(kitlist.__file__).parents[2] / "seeds" / "editions"
    return {file.stem: file for file in sorted(folder.glob("*.yaml"))}


def _checked(placed: Placed, *, with_places: bool) -> Edition:
    try:
        edition = Edition.model_validate(placed.data)
    except ValidationError as error:
        found = [
            _from_pydantic(one, placed, with_places)
            for one in error.errors(include_url=False)
            # A list that holds something is too short only because what it holds failed.
            if not (one["type"] == "too_short" and one["input"])
        ]
        raise NotAnEdition(_in_order(found)) from None
    found = [
        FileFault(
            placed.place(fault.path) if with_places else None,
            _path(fault.path, placed),
            _short(fault.value),
            fault.message,
            fault.remedy,
            fault.path,
        )
        for fault in rules.faults(edition)
    ]
    if found:
        raise NotAnEdition(_in_order(found))
    return edition


def _from_pydantic(error: Any, placed: Placed, with_places: bool) -> FileFault:
    raised = (error.get("ctx") or {}).get("error")
    extra = raised.path if isinstance(raised, Misfit) else ()
    # Names in brackets tell which form of a value was meant; they are no part of the file.
    path: Path = tuple(step for step in (*error["loc"], *extra) if not str(step).startswith("("))
    message, remedy = remedy_for(error)
    message = message.rstrip(".")
    message = message[:1].lower() + message[1:]
    value = placed.at(path)
    if error["type"] == "extra_forbidden":
        message, value = "there is no such field", path[-1]
        remedy = rules.nearest(str(path[-1]), _fields()).replace("Use one of", "Leave it out, or use one of")
    elif error["type"] == "missing":
        message, value = "is missing", None
    elif error["type"] in ("enum", "literal_error") and isinstance(value, str):
        expected = str(error["ctx"]["expected"]).replace(" or ", ", ").replace("'", "")
        message = "is not one of the words known here"
        remedy = rules.nearest(value, expected.split(", "))
        if remedy.startswith("Did"):
            remedy += f" Known: {expected}."
    elif error["type"] == "condition_form":
        remedy = _CONDITION_REMEDY
    place = placed.place(path, of_key=error["type"] == "extra_forbidden") if with_places else None
    return FileFault(place, _path(path, placed), _short(value), message, remedy, path)


def _in_order(found: list[FileFault]) -> list[FileFault]:
    return sorted(found, key=lambda one: (one.place.line, one.place.column) if one.place else (0, 0))


def _path(path: Path, placed: Placed) -> str:
    """The way to a value for people: entries of a list are called by their id where they have one."""
    words: list[str] = []
    for at, step in enumerate(path):
        if isinstance(step, int):
            entry = placed.at(path[: at + 1])
            name = entry.get("id") if isinstance(entry, dict) else None
            words[-1:] = [f"{words[-1] if words else ''}[{name if isinstance(name, str) else step + 1}]"]
        else:
            words.append(str(step))
    return ".".join(words)


def _short(value: Any) -> str:
    if value is None or value == "":
        return ""
    if isinstance(value, dict | list):
        return "several values" if value else "empty"
    text = " ".join(str(value).split())
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 1] + "…"


@lru_cache(maxsize=1)
def _fields() -> frozenset[str]:
    parts = [edition_schema(), *edition_schema()["$defs"].values()]
    return frozenset(name for part in parts for name in part.get("properties", {}))


@lru_cache(maxsize=1)
def edition_schema() -> dict[str, Any]:
    """The JSON Schema (2020-12) of an edition, with the metrics and units that are known here."""
    schema = Edition.model_json_schema(by_alias=True)
    parts = schema["$defs"]
    metrics = sorted(CONDITION_METRICS)
    for name in ("Below", "AtLeast", "Line", "FromMetric"):
        _words(parts[name]["properties"]["metric"], metrics)
    _words(parts["HowMany"]["properties"]["computed"]["anyOf"][0], sorted(QUANTITIES))
    _words(parts["Question"]["properties"]["unit"]["anyOf"][0], sorted(KNOWN_UNITS))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", "$id": SCHEMA_ID, **schema}


def _words(field: dict[str, Any], known: list[str]) -> None:
    field.pop("pattern", None)
    field["enum"] = known


def schema_text() -> str:
    """The schema as indented JSON text."""
    return json.dumps(edition_schema(), indent=2, ensure_ascii=False) + "\n"
