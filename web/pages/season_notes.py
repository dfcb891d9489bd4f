"""The lists of lines with words beside them: found late, surprises, the locker, remarks of debriefs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from api.access.current import may_see
from api.errors import NotFound
from api.seasons import queries, service
from api.seasons.queries import Choice, NoteLine
from api.seasons.rules import Recurrence

NOTES: dict[str, tuple[str, tuple[str, ...], str]] = {
    "late": (
        "Found late",
        ("found-late", "near-miss"),
        "Gaps that were found only after base, and what guides wrote about them.",
    ),
    "surprises": (
        "Surprises of the forecast",
        ("forecast", "surprised"),
        "Gaps that opened after base because the forecast moved, and what else surprised.",
    ),
    "locker": (
        "What the locker did not have",
        ("lent",),
        "Lines that can be lent, how their gaps were met, and what guides wrote about lending.",
    ),
    "remarks": (
        "Remarks of debriefs",
        queries.DEBRIEF,
        "What guides wrote after the trip, beside how often the line was lacking.",
    ),
}
ABOUT: dict[str, str] = {
    "surprised": "Surprised",
    "found-late": "Found late",
    "lent": "Lent",
    "near-miss": "Near miss",
    "list": "About the list",
    "forecast": "The forecast moved",
}


def _belongs(which: str, line: Recurrence, found: service.Overview) -> bool:
    if which == "late":
        return bool(line.late)
    if which == "surprises":
        return bool(line.surprise)
    if which == "locker":
        return line.requirement in found.lendable and bool(line.rate.hits)
    return bool(line.rate.hits)


@dataclass(frozen=True, slots=True)
class Written:
    """The same words about the same line, and the trips they were written on that the reader may see."""

    about: str
    requirement: str
    text: str
    trips: tuple[tuple[str, str], ...]
    """(id, name), the last first."""


@dataclass(frozen=True, slots=True)
class NoteList:
    """A list: its lines, and what was written."""

    which: str
    title: str
    explained: str
    found: service.Overview
    lines: tuple[Recurrence, ...]
    notes: tuple[NoteLine, ...]
    """Those of trips that the reader may see."""
    hidden: int
    """How many are of other trips."""

    @property
    def written(self) -> tuple[Written, ...]:
        """The notes, each wording once."""
        alike: dict[tuple[str, str, str], list[tuple[str, str]]] = {}
        for note in self.notes:
            told = alike.setdefault((note.about, note.requirement, note.text), [])
            told.append((note.trip_id, note.name or note.trip_id))
        return tuple(Written(*key, trips=tuple(trips)) for key, trips in alike.items())


def note_list(conn: Any, reader: Any, which: str, choice: Choice, *, limit: int | None) -> NoteList:
    """One of the lists. Raises NotFound for another."""
    if which not in NOTES:
        raise NotFound("There is no such list. Go back to the seasons and choose one.")
    title, about, explained = NOTES[which]
    found = service.overview(conn, reader.outfit, choice)
    notes = queries.notes(conn, reader.outfit, choice, about=about, limit=limit)
    sees = may_see(conn, reader)
    seen = tuple(note for note in notes if sees(note.trip_id))
    lines = tuple(line for line in found.lines if _belongs(which, line, found))
    return NoteList(which, title, explained, found, lines, seen, len(notes) - len(seen))
