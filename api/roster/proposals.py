"""What a roster file would change on a trip, as values: tables in, judged rows out. Pure."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from api.journal.trip import MemberProfile, RopeTeam
from api.roster.columns import SIZE_PREFIX


@dataclass(frozen=True, slots=True)
class TableRow:
    """One row of a file: its number there (the first row is 1) and its cells as text."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """The cells of a file as text, with what its reader had to say about it."""

    rows: tuple[TableRow, ...]
    notices: tuple[str, ...] = ()
    faults: Mapping[tuple[int, int], str] = field(default_factory=dict)
    """By (row number, cell index from 0): why the cell could not be read."""


@dataclass(frozen=True, slots=True)
class CellProblem:
    """A cell that cannot be used: where, what it says, what is wrong, what to do."""

    row: int
    column: str
    value: str
    message: str
    remedy: str
    cell: int | None = None
    """Index of the cell in its row, from 0; None when the file has no such column."""


class Outcome(StrEnum):
    """What a row amounts to."""

    NEW = "new"
    CHANGED = "changed"
    SAME = "same"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that changes."""

    field: str
    before: str
    after: str


@dataclass(frozen=True, slots=True)
class RowResult:
    """One row, judged. ``member`` and ``profile`` are None for a row that is refused."""

    row: int
    outcome: Outcome
    name: str
    member: str | None = None
    profile: MemberProfile | None = None
    rope: str | None = None
    place: int | None = None
    """Place in rope order that the row asks for."""
    changes: tuple[Change, ...] = ()
    problems: tuple[CellProblem, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Proposal:
    """What a file would do to a trip, row by row, and the rope teams as they would be."""

    rows: tuple[RowResult, ...]
    profiles: Mapping[str, MemberProfile]
    """By member id: the people whom the good rows add or change, as they would be."""
    ropes: tuple[RopeTeam, ...]
    ropes_change: bool
    fields: tuple[tuple[int, str, str], ...]
    """(cell index, header as written, meaning) of each column that is used."""
    unused: tuple[tuple[str, str | None], ...]
    """(header, what it looks like) of each column that is not used."""
    not_in_file: tuple[str, ...]
    """Names of people on the trip whom the file does not mention; they stay."""
    notices: tuple[str, ...]
    problems: tuple[CellProblem, ...]
    """What is wrong with the file as a whole; then no row is judged."""
    fingerprint: str
    """The same for the same proposal; new identifiers do not count."""
    header: int = 0
    """Number of the header row; 0 when none was found."""

    def with_outcome(self, *outcomes: Outcome) -> tuple[RowResult, ...]:
        """The rows that amount to any of these."""
        return tuple(row for row in self.rows if row.outcome in outcomes)

    @property
    def changes_anything(self) -> bool:
        return self.ropes_change or bool(self.profiles)

    @property
    def counts(self) -> dict[Outcome, int]:
        """How many rows are new, changed, same and refused."""
        found = Counter(row.outcome for row in self.rows)
        return {outcome: found.get(outcome, 0) for outcome in Outcome}


def profile_changes(before: MemberProfile, after: MemberProfile) -> tuple[Change, ...]:
    """What differs between two states of a person, field by field, sizes one by one."""
    pairs: list[tuple[str, str, str]] = [
        (name, str(getattr(before, name)), str(getattr(after, name)))
        for name in ("name", "role", "contact", "language", "about")
    ]
    for what in sorted({*before.sizes, *after.sizes}):
        pairs.append((SIZE_PREFIX + what, before.sizes.get(what, ""), after.sizes.get(what, "")))
    return tuple(Change(name, old, new) for name, old, new in pairs if old != new)


def fingerprint(results: Iterable[RowResult], ropes: Sequence[RopeTeam]) -> str:
    """A hash of what a proposal says, leaving out identifiers that are made anew each time."""
    results = list(results)
    names = {result.member: result.name for result in results if result.member}
    content = [
        [
            [
                result.row,
                result.outcome,
                result.profile.model_dump(mode="json") if result.profile else None,
                [[change.field, change.before, change.after] for change in result.changes],
            ]
            for result in results
        ],
        [[rope.name, [names.get(member, member) for member in rope.members]] for rope in ropes],
    ]
    return hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest()
