"""What tables beside the journal say about a trip: its summary, who is or was on it, its loans. Pure."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from api.journal.entry import Entry
from api.journal.fold import fold, standing
from api.journal.kinds import (
    Body,
    LoanBody,
    LoanHandedOut,
    LoanPromised,
    LoanReleased,
    LoanReturned,
    MemberLeft,
    MemberSet,
    RopesSet,
    TripPlanned,
    Withdrawn,
)

LOAN_STATES: dict[type[LoanBody], str] = {
    LoanPromised: "promised",
    LoanHandedOut: "out",
    LoanReturned: "returned",
    LoanReleased: "released",
}

_SHAPING: tuple[type[Body], ...] = (TripPlanned, MemberSet, MemberLeft, RopesSet, Withdrawn, *LOAN_STATES)
SHAPING_KINDS: frozenset[str] = frozenset(kind.model_fields["kind"].default for kind in _SHAPING)
"""The kinds of entries that can change these tables."""


@dataclass(frozen=True, slots=True)
class Summary:
    """A trip in a list of trips."""

    name: str | None
    starts_on: date | None
    ends_on: date | None


@dataclass(frozen=True, slots=True)
class MemberRow:
    """A person of a trip."""

    member: str
    name: str
    role: str
    rope: str | None
    left: bool


@dataclass(frozen=True, slots=True)
class LoanRow:
    """A loan of a trip."""

    loan: str
    state: str
    source: str
    giver: str | None
    what: str
    subject: str
    requirement: str
    units: int
    until: date | None


def loan_rows(entries: Iterable[Entry]) -> list[LoanRow]:
    """Where the loans of a trip stand, by loan id. Entries of other kinds make no difference."""
    loans = fold(entry for entry in entries if entry.kind in SHAPING_KINDS).loans
    rows = []
    for loan, record in sorted(loans.items()):
        terms = record.body.terms
        rows.append(
            LoanRow(
                loan=loan,
                state=LOAN_STATES[type(record.body)],
                source=terms.source,
                giver=terms.giver,
                what=_shown(terms.what),
                subject=terms.subject,
                requirement=terms.requirement,
                units=terms.units,
                until=terms.until,
            )
        )
    return rows


def roster_rows(entries: Iterable[Entry]) -> tuple[Summary, list[MemberRow]]:
    """The summary and the people of a trip, by member id. Entries of other kinds make no difference."""
    shaping = [entry for entry in entries if entry.kind in SHAPING_KINDS]
    picture = fold(shaping)
    plan = picture.trip
    summary = Summary(
        name=_shown(plan.name) if plan else None,
        starts_on=plan.starts_on if plan else None,
        ends_on=plan.ends_on if plan else None,
    )
    rope_of = {member: rope.id for rope in picture.rope_teams for member in rope.members}
    rows = [
        MemberRow(member, _shown(profile.name), profile.role.value, rope_of.get(member), left=False)
        for member, profile in picture.profiles.items()
    ]
    rows += [
        MemberRow(member, _shown(last.profile.name), last.profile.role.value, None, left=True)
        for member, last in _last_profiles(shaping).items()
        if member not in picture.members
    ]
    return summary, sorted(rows, key=lambda row: row.member)


def _last_profiles(entries: Iterable[Entry]) -> dict[str, MemberSet]:
    """For everyone ever on the trip, the profile written last."""
    last: dict[str, MemberSet] = {}
    for entry in sorted(standing(entries).values(), key=lambda entry: (entry.happened_at, entry.id)):
        if isinstance(entry.body, MemberSet):
            last[entry.body.member] = entry.body
    return last


def _shown(text: str) -> str:
    # PostgreSQL keeps no NUL in a text; the journal itself has it escaped.
    return text.replace("\0", "")
