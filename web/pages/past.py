"""The board at any past moment, and two moments compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from api.access.current import CurrentReader
from api.access.permissions import may, permit
from api.call.service import CallRoom
from api.db import Reading
from api.errors import NotFound
from api.journal.decisions import CallMade
from api.journal.entry import StoredEntry
from api.journal.kinds import ForecastReceived, HoldPassed, TripPlanned
from api.journal.trip import Slug
from api.nights.state import erased_since, names_of
from api.readiness.board import board
from api.readiness.board_nights import as_it_can_be_read
from api.readiness.schemas import Board, Finding
from web.pages.board_view import BoardView
from web.pages.call_view import DECISIONS
from web.rendering import page, shell_of

router = APIRouter(prefix="/trips/{trip}/past", include_in_schema=False)
MOST_MARKS = 60


@dataclass(frozen=True, slots=True)
class Mark:
    """A moment worth going to."""

    seq: int
    at: datetime
    says: str


@dataclass(frozen=True, slots=True)
class Compared:
    """How the findings of one moment differ from those of another."""

    gone: tuple[Finding, ...]
    new: tuple[Finding, ...]
    changed: tuple[tuple[Finding, Finding], ...]
    same: int


@router.get("", dependencies=[permit("trip.read")])
def show(
    request: Request,
    trip: Slug,
    conn: Reading,
    reader: CurrentReader,
    room: CallRoom,
    seq: Annotated[int | None, Query(ge=0)] = None,
    against: Annotated[str, Query(pattern=r"^\d{0,9}$")] = "",
) -> Response:
    """The board as it stood after an entry, and what has changed up to another."""
    snapshot = room.readiness.journal.picture(conn, reader.outfit, trip)
    first = next((e.seq for e in snapshot.entries if isinstance(e.body, TripPlanned)), None)
    if first is None:
        raise NotFound(f"Trip {trip} has no plan yet, so there is nothing to look back on.")

    named = may(reader, "health.read")

    def at(number: int) -> Board:
        evaluation = room.evaluation(conn, reader, trip, number)
        entry = snapshot.entries[number - 1]
        made = board(evaluation, now=entry.received_at if number < snapshot.seq else room.now)
        return as_it_can_be_read(made, evaluation, snapshot.picture, named=named)

    chosen = min(max(snapshot.seq if seq is None else seq, first), snapshot.seq)
    # An empty field of the form is sent along as an empty text.
    other = min(max(int(against), first), snapshot.seq) if against else None
    shown = at(chosen)
    later = at(other) if other is not None and other != chosen else None
    view = BoardView(shown)
    gone = erased_since(room.evaluation(conn, reader, trip, chosen).picture, snapshot.picture)
    return page(
        request,
        "call/past.html",
        headers={"Cache-Control": "private, no-cache"},
        say=view.say(shell_of(request).units),
        trip=trip,
        board=shown,
        view=view,
        entry=snapshot.entries[chosen - 1],
        seq=chosen,
        first=first,
        last=snapshot.seq,
        against=other,
        other=later,
        other_entry=snapshot.entries[other - 1] if other else None,
        erased=len(gone),
        erased_names=names_of(snapshot.picture, gone) if named else (),
        compared=compare(shown, later) if later else None,
        marks=marks(snapshot.entries, {hold.id: hold.name for hold in shown.holds}),
    )


def compare(was: Board, now: Board) -> Compared:
    """What is new, gone and changed from one board to another."""
    before = {f.id: f for f in (*was.findings, *was.accepted)}
    after = {f.id: f for f in (*now.findings, *now.accepted)}
    both = [(before[i], after[i]) for i in before if i in after]
    changed = tuple((old, new) for old, new in both if _shape(old) != _shape(new))
    return Compared(
        gone=tuple(f for i, f in before.items() if i not in after),
        new=tuple(f for i, f in after.items() if i not in before),
        changed=changed,
        same=len(both) - len(changed),
    )


def _shape(finding: Finding) -> tuple[object, ...]:
    return finding.grade, finding.hold, finding.kind, finding.title, finding.life.state


def marks(entries: Sequence[StoredEntry], holds: dict[str, str]) -> list[Mark]:
    """Calls, forecasts and passed hold points, the newest first."""
    found = []
    for entry in entries:
        match entry.body:
            case CallMade(decision=decision, hold=hold):
                says = f"{DECISIONS[decision]} called at {holds.get(hold, hold)}"
            case ForecastReceived(label=label, provider=provider):
                says = f"forecast {label} from {provider}"
            case HoldPassed(hold=hold):
                says = f"{holds.get(hold, hold)} passed"
            case _:
                continue
        found.append(Mark(entry.seq, entry.happened_at, says))
    return list(reversed(found))[:MOST_MARKS]
