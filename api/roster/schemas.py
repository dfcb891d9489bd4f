"""Trips, people, ropes and roster files as they go over the wire."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Self

from pydantic import BaseModel, ConfigDict, Field

from api.journal.trip import HoldPoint, MemberProfile, RopeTeam, Slug, TripPlan
from api.roster.files import MAX_CELL_CHARS, MAX_COLUMNS, MAX_ROW_NUMBER, MAX_ROWS
from api.roster.proposals import CellProblem, Change, Outcome, Proposal, RowResult, Table, TableRow
from api.roster.rules import MOST_DAYS_MOVED, Hint

Seen = Annotated[
    int,
    Field(
        ge=0,
        description="Number of the last journal entry that was read before the change was made; "
        "changes of others after it are never overwritten.",
    ),
]
Text = Annotated[str, Field(max_length=MAX_CELL_CHARS + 1)]


class Wire(BaseModel):
    """Base of everything here: nothing unknown is let through."""

    model_config = ConfigDict(extra="forbid")


# -- trips


class TripSummary(Wire):
    """A trip in a list."""

    id: Slug
    name: str | None = Field(description="None while the trip has no plan.")
    starts_on: date | None
    ends_on: date | None
    seq: int = Field(description="Number of its last journal entry.")


class TripIn(Wire):
    """A new trip."""

    plan: TripPlan


class Member(Wire):
    """A person on a trip."""

    id: Slug
    profile: MemberProfile


class PlanHint(Wire):
    """Something that is allowed in a plan but looks like a slip."""

    field: str
    message: str

    @classmethod
    def of(cls, hint: Hint) -> Self:
        return cls(field=hint.field, message=hint.message)


class TripRoster(Wire):
    """A trip: plan, people and rope teams."""

    id: Slug
    seq: int = Field(
        description="Number of its last journal entry; send it back as `seen_seq` with a change."
    )
    plan: TripPlan | None
    members: list[Member] = Field(description="In rope order, people without a rope last.")
    ropes: list[RopeTeam] = Field(description="People in rope order; the first leads.")
    without_rope: list[Slug]
    hints: list[PlanHint]
    split: list[str] = Field(
        description="What several people wrote without seeing each other; the one written last stands."
    )


class Written(Wire):
    """A change that was made."""

    trip: Slug
    seq: int = Field(description="Number of the trip's last journal entry now.")
    changed: bool = Field(description="False when everything was so already; then nothing was written.")
    also_changed: list[str] = Field(
        default=[], description="Other parts that somebody else changed since `seen_seq`; they were kept."
    )


class MemberWritten(Written):
    """A change to a person that was made."""

    member: Slug


class PlanIn(Wire):
    """A changed plan, whole."""

    seen_seq: Seen
    plan: TripPlan


class ShiftIn(Wire):
    """The whole plan to be moved by days."""

    seen_seq: Seen
    days: int = Field(ge=-MOST_DAYS_MOVED, le=MOST_DAYS_MOVED, description="Negative: earlier.")


class MemberIn(Wire):
    """A person, whole."""

    seen_seq: Seen
    profile: MemberProfile


class RopesIn(Wire):
    """All rope teams of a trip, in rope order."""

    seen_seq: Seen
    ropes: Annotated[list[RopeTeam], Field(max_length=50)]


class HoldPoints(Wire):
    """Hold points that follow from the stages of a plan."""

    hold_points: list[HoldPoint]


# -- roster files


class Row(Wire):
    """One row of a file, as text."""

    number: Annotated[int, Field(ge=1, le=MAX_ROW_NUMBER)]
    cells: Annotated[list[Text], Field(max_length=MAX_COLUMNS)]


class Fault(Wire):
    """A cell that could not be read."""

    row: Annotated[int, Field(ge=1, le=MAX_ROW_NUMBER)]
    cell: Annotated[int, Field(ge=0, lt=MAX_COLUMNS)]
    message: Annotated[str, Field(max_length=200)]


class FileTable(Wire):
    """The cells of a roster file. A preview answers with it; a confirmation sends it back."""

    rows: Annotated[list[Row], Field(max_length=MAX_ROWS)]
    faults: Annotated[list[Fault], Field(max_length=MAX_ROWS * MAX_COLUMNS)] = []
    notices: Annotated[list[Annotated[str, Field(max_length=600)]], Field(max_length=10)] = []

    @classmethod
    def of(cls, table: Table) -> Self:
        return cls(
            rows=[Row(number=row.number, cells=list(row.cells)) for row in table.rows],
            faults=[Fault(row=r, cell=c, message=message) for (r, c), message in table.faults.items()],
            notices=list(table.notices),
        )

    def table(self) -> Table:
        return Table(
            rows=tuple(TableRow(row.number, tuple(row.cells)) for row in self.rows),
            notices=tuple(self.notices),
            faults={(fault.row, fault.cell): fault.message for fault in self.faults},
        )


class BadCell(Wire):
    """A cell that cannot be used."""

    row: int
    column: str
    value: str
    message: str
    remedy: str
    cell: int | None = Field(description="Index of the cell in its row, from 0; null without such a column.")

    @classmethod
    def of(cls, problem: CellProblem) -> Self:
        return cls.model_validate(problem, from_attributes=True)


class FieldChange(Wire):
    """One thing about a person that a row changes."""

    field: str
    before: str
    after: str

    @classmethod
    def of(cls, change: Change) -> Self:
        return cls.model_validate(change, from_attributes=True)


class JudgedRow(Wire):
    """What one row of a file amounts to."""

    row: int
    outcome: Outcome
    name: str
    profile: MemberProfile | None = Field(description="The person as they would be; null when refused.")
    changes: list[FieldChange]
    problems: list[BadCell]
    notes: list[str]

    @classmethod
    def of(cls, row: RowResult) -> Self:
        return cls(
            row=row.row,
            outcome=row.outcome,
            name=row.name,
            profile=row.profile,
            changes=[FieldChange.of(change) for change in row.changes],
            problems=[BadCell.of(problem) for problem in row.problems],
            notes=list(row.notes),
        )


class UnusedColumn(Wire):
    """A column that means nothing here."""

    header: str
    looks_like: str | None


class NamedRope(Wire):
    """A rope as it would be, people by name."""

    name: str
    members: list[str]


class Preview(Wire):
    """What a roster file would change. Nothing is stored."""

    trip: Slug
    seq: int
    fingerprint: str = Field(description="Send it back to confirm exactly this.")
    counts: dict[Outcome, int]
    rows: list[JudgedRow]
    ropes: list[NamedRope]
    ropes_change: bool
    not_in_file: list[str] = Field(
        description="People on the trip whom the file does not mention; they stay."
    )
    unused_columns: list[UnusedColumn]
    notices: list[str]
    problems: list[BadCell] = Field(description="What is wrong with the file as a whole.")
    table: FileTable

    @classmethod
    def of(cls, trip: str, seq: int, proposal: Proposal, table: Table, names: dict[str, str]) -> Self:
        return cls(
            trip=trip,
            seq=seq,
            fingerprint=proposal.fingerprint,
            counts=proposal.counts,
            rows=[JudgedRow.of(row) for row in proposal.rows],
            ropes=[
                NamedRope(name=rope.name, members=[names.get(m, m) for m in rope.members])
                for rope in proposal.ropes
            ],
            ropes_change=proposal.ropes_change,
            not_in_file=list(proposal.not_in_file),
            unused_columns=[UnusedColumn(header=h, looks_like=like) for h, like in proposal.unused],
            notices=list(proposal.notices),
            problems=[BadCell.of(problem) for problem in proposal.problems],
            table=FileTable.of(table),
        )


class ConfirmIn(Wire):
    """The good rows of a file are to be taken over."""

    fingerprint: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    table: FileTable


class Imported(Written):
    """What was taken over from a file, and what was left out."""

    added: int
    updated: int
    left_out: list[JudgedRow] = Field(description="Rows that were refused; correct and send them again.")
