"""A journal as a file: how two laptops exchange a trip with no server between them.

JSON Lines, UTF-8. The first line says what follows: `{"rimaye_journal": 1, "trip": …, "outfit": …, "entries":
n, "head_hash": …}`; every other line is a stored entry. The file's chain is verified before anything is
stored, and the receiving store's own rules decide about each entry.
"""

import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import structlog
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sqlalchemy import Connection

from api.db import Work
from api.errors import Conflict, Invalid, from_validation
from api.journal import store
from api.journal.chain import CannotBeKept, KeptEntry, verify
from api.journal.entry import Entry
from api.journal.queries import create_trip, outfit_of
from api.journal.store import Outcome, Reaction
from api.journal.trip import Slug

FORMAT = 1
BATCH = 500

log = structlog.get_logger(__name__)


class Header(BaseModel):
    """The first line of a journal file."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    rimaye_journal: int
    """Version of the format."""
    trip: Slug
    outfit: Slug
    entries: int = Field(ge=0)
    head_hash: str


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A line whose chain is good but whose content fits no entry kind known here; it was not stored."""

    seq: int
    problem: str


@dataclass(frozen=True, slots=True)
class ImportReport:
    """What an import did, entry by entry."""

    header: Header
    outcomes: tuple[Outcome, ...]
    unreadable: tuple[Unreadable, ...]

    def count(self, status: store.Status) -> int:
        return sum(outcome.status == status for outcome in self.outcomes)


def export_journal(conn: Connection, trip_id: str) -> Iterator[str]:
    """The lines of a trip's journal file, without line ends. Raises NotFound when there is no such trip."""
    head = store.head(conn, trip_id)
    header = Header(
        rimaye_journal=FORMAT,
        trip=trip_id,
        outfit=outfit_of(conn, trip_id) or "",
        entries=head.seq,
        head_hash=head.hash,
    )
    yield header.model_dump_json()
    for kept in store.stream_kept(conn, trip_id):
        yield kept.json()


def import_journal(
    conn: Work,
    lines: Iterable[str],
    received_at: datetime,
    *,
    by: str,
    create: bool = False,
    reactions: Mapping[str, Reaction] | None = None,
) -> ImportReport:
    """Append the entries of a journal file to the same trip here.

    Parameters
    ----------
    conn
        A unit of work.
    lines
        The lines of the file.
    received_at
        Now.
    by
        Who imports, for the log.
    create
        Open the trip's journal here when there is none yet; its outfit must be here.
    reactions
        What rooms do when an entry of a kind was stored.

    Raises
    ------
    Invalid
        A line cannot be read, or the file's chain is broken: nothing was stored.
    Conflict
        The trip belongs to another outfit here.
    NotFound
        There is no such trip, and `create` is false; or no such outfit.
    """
    numbered = ((number, line) for number, line in enumerate(lines, start=1) if line.strip())
    header = _header(next(numbered, (1, "")))
    kept = [_kept(number, line) for number, line in numbered]
    _check_chain(header, kept)
    _check_trip(conn, header, received_at, create=create)
    entries, unreadable = _entries(kept)
    outcomes: list[Outcome] = []
    for start in range(0, len(entries), BATCH):
        batch = entries[start : start + BATCH]
        outcomes += store.append(conn, header.trip, header.outfit, batch, received_at)
    for entry, outcome in zip(entries, outcomes, strict=True):
        reaction = (reactions or {}).get(entry.kind)
        if reaction is not None and outcome.status == "stored" and outcome.seq is not None:
            reaction(conn, header.outfit, header.trip, entry, outcome.seq)
    report = ImportReport(header, tuple(outcomes), tuple(unreadable))
    log.info(
        "journal_imported",
        trip=header.trip,
        by=by,
        head_hash=header.head_hash,
        stored=report.count("stored"),
        already_there=report.count("already-there"),
        refused=report.count("refused") + len(unreadable),
    )
    return report


def _header(first: tuple[int, str]) -> Header:
    number, line = first
    try:
        header = Header.model_validate_json(line)
    except ValidationError as error:
        problem = from_validation(error.errors())
        raise Invalid(f"Line {number} is no header of a journal file. {problem.detail}") from error
    if header.rimaye_journal != FORMAT:
        raise Invalid.field(
            "rimaye_journal",
            header.rimaye_journal,
            f"this file has format {header.rimaye_journal}, but only format {FORMAT} is read here",
            "Import it with the version of Rimaye that wrote it, or a newer one.",
        )
    return header


def _kept(number: int, line: str) -> KeptEntry:
    try:
        parsed: Any = json.loads(line)
        return KeptEntry.from_json(parsed)
    except (ValueError, RecursionError, KeyError, TypeError) as error:
        raise Invalid.field(
            f"line {number}",
            line,
            "it is no entry of a journal file",
            "Take the file again from the other laptop; nothing was stored.",
        ) from error


def _check_chain(header: Header, kept: list[KeptEntry]) -> None:
    report = verify(header.trip, kept)
    problem = report.problem
    if report.whole and (report.entries, report.head_hash) != (header.entries, header.head_hash):
        problem = f"the file ends at entry {report.entries}, but its header speaks of {header.entries}"
    if problem:
        seq = report.broken_seq or report.entries + 1
        raise Invalid.field(
            f"entry {seq}",
            header.trip,
            f"the chain is broken there: {problem}",
            "Take the file again from the other laptop; nothing was stored.",
        )


def _check_trip(conn: Connection, header: Header, received_at: datetime, *, create: bool) -> None:
    outfit = outfit_of(conn, header.trip)
    if outfit is None and create:
        create_trip(conn, header.trip, header.outfit, received_at)
    elif outfit is not None and outfit != header.outfit:
        raise Conflict(
            f"Trip {header.trip} of the file belongs to outfit {header.outfit}, but here to {outfit}."
        )


def _entries(kept: Iterable[KeptEntry]) -> tuple[list[Entry], list[Unreadable]]:
    entries: list[Entry] = []
    unreadable: list[Unreadable] = []
    for each in kept:
        try:
            entries.append(Entry.model_validate_json(each.written_json()))
        except ValidationError as error:
            unreadable.append(Unreadable(each.seq, from_validation(error.errors(), skip=()).detail))
        except CannotBeKept as error:
            unreadable.append(Unreadable(each.seq, str(error)))
    return entries, unreadable
