"""Use cases of flags: take, give back, accept, take an acceptance back, record what was found."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID

from api.access.current import Reader
from api.access.permissions import require_role
from api.db import Work
from api.errors import Conflict, Invalid
from api.journal.entry import Entry
from api.journal.fold import Record
from api.journal.kinds import AcceptanceEnded, AnyBody, FlagReleased, FlagTaken, Sighting
from api.journal.service import Journal, actor_of
from api.journal.trip import HOLD_ORDER, HoldKind
from api.journal.writing import require_may_say
from api.readiness.acceptance import Wider, acceptance, open_finding
from api.readiness.schemas import Board, Finding, FlagState, HoldLine
from api.readiness.service import Readiness


@dataclass(frozen=True, slots=True)
class Writer:
    """Who writes about flags, through which form.

    `entry` is the id made with the form: sent twice, it is written once. `seen_seq` is up to where the page
    had been read.
    """

    work: Work
    readiness: Readiness
    reader: Reader
    trip: str
    entry: UUID
    seen_seq: int | None = None
    device: str = "web"

    @property
    def journal(self) -> Journal:
        return self.readiness.journal

    @property
    def now(self) -> datetime:
        return self.readiness.clock.now()

    def done_before(self) -> bool:
        """Whether this very form was sent already."""
        entries = self.journal.picture(self.work, self.reader.outfit, self.trip).entries
        return any(entry.id == self.entry for entry in entries)

    def write(self, body: AnyBody) -> None:
        """Append one entry. Raises Conflict when it is refused."""
        snapshot = self.journal.picture(self.work, self.reader.outfit, self.trip)
        seen = snapshot.seq if self.seen_seq is None else min(self.seen_seq, snapshot.seq)
        entry = Entry(
            id=self.entry,
            trip=self.trip,
            body=body,
            actor=actor_of(self.reader),
            device=self.device,
            happened_at=self.now,
            seen_seq=seen,
        )
        outcome = self.journal.record(self.work, self.reader.outfit, self.trip, [entry])[0]
        if outcome.status == "refused":
            raise Conflict(outcome.problem)


def take(writer: Writer, finding: str, until: datetime, note: str = "") -> None:
    """Take a flag until a moment ahead. Raises NotFound when it is not open, Invalid for a moment past."""
    if writer.done_before():
        return
    evaluation = writer.readiness.evaluation(writer.work, writer.reader.outfit, writer.trip)
    open_finding(evaluation, finding)
    asked = FlagTaken(finding=finding, until=until, note=note)
    if _stands(writer, evaluation.picture.flags.get(finding, ()), asked):
        return
    if until <= writer.now:
        raise Invalid.field(
            "until", until.isoformat(), "this moment is past.", "Give a time that is still to come."
        )
    writer.write(asked)


def release(writer: Writer, finding: str, note: str = "") -> None:
    """Give a flag back. Raises Conflict when nobody has taken it."""
    if writer.done_before():
        return
    picture = writer.journal.picture(writer.work, writer.reader.outfit, writer.trip).picture
    if not any(isinstance(record.body, FlagTaken) for record in picture.flags.get(finding, ())):
        raise Conflict(f"Nobody has taken {finding}. There is nothing to give back.")
    writer.write(FlagReleased(finding=finding, note=note))


def accept(writer: Writer, finding: str, reason: str, wider: Sequence[Wider] = ()) -> None:
    """Accept a gap by name, for conditions and evidence as they are now, or for worse numbers where said.

    Accepted once more, the new acceptance takes the place of the one before.

    Raises Refused for anyone but a lead guide, NotFound when it is not open, CannotBeAccepted for a limit of
    the permit, Invalid without a reason or when a number is not worse than it is now.
    """
    require_role(writer.reader, "flag.accept")
    if writer.done_before():
        return
    if len(reason.strip()) < 3:
        raise Invalid.field(
            "reason", reason, "accepting needs a reason.", "Say why it is good enough, in a few words."
        )
    evaluation = writer.readiness.evaluation(writer.work, writer.reader.outfit, writer.trip)
    asked = acceptance(evaluation, finding, reason.strip(), wider)
    if not _stands(writer, evaluation.picture.acceptances.get(finding, ()), asked):
        writer.write(asked)


def end_acceptance(writer: Writer, finding: str, reason: str = "") -> None:
    """Take an acceptance back. Raises Conflict when there is none."""
    require_role(writer.reader, "flag.accept")
    if writer.done_before():
        return
    picture = writer.journal.picture(writer.work, writer.reader.outfit, writer.trip).picture
    if finding not in picture.acceptances:
        raise Conflict(f"{finding} has not been accepted. There is nothing to take back.")
    writer.write(AcceptanceEnded(finding=finding, reason=reason))


def record(writer: Writer, sighting: Sighting) -> None:
    """Record what was found. Whether that clears the flag, the evaluation says.

    Raises Invalid when the writer is no guide and says that it was seen or tried.
    """
    require_may_say(writer.reader, sighting.known)
    picture = writer.journal.picture(writer.work, writer.reader.outfit, writer.trip).picture
    standing = picture.sightings.get((sighting.subject, sighting.requirement), ())
    if not writer.done_before() and not _stands(writer, standing, sighting):
        writer.write(sighting)


def _stands(writer: Writer, records: Sequence[Record[Any]], body: AnyBody) -> bool:
    """Whether this very thing, by this person, is what stands already: a form that was sent twice."""
    return len(records) == 1 and records[0].body == body and records[0].actor == actor_of(writer.reader)


# -- queues


def mine(board: Board, staff: str) -> tuple[Finding, ...]:
    """What someone has taken and not finished."""
    return tuple(
        f
        for f in board.findings
        if f.life.taken_by_id == staff and f.life.state is FlagState.TAKEN and not f.life.stale
    )


def free(found: Sequence[Finding]) -> tuple[Finding, ...]:
    """What nobody sees to: not taken, or taken until a time that is over."""
    return tuple(f for f in found if f.life.state is not FlagState.TAKEN)


def of_rope(board: Board, rope: str) -> tuple[Finding, ...]:
    """What is open on one rope: its people's gaps and its own."""
    people = {line.member for r in board.ropes if r.rope == rope for line in r.people}
    return tuple(f for f in board.findings if f.subject == rope or f.subject in people)


def before_next_hold(board: Board) -> tuple[HoldLine | None, tuple[Finding, ...]]:
    """The hold point ahead, and what is open before it; all that is open when none is ahead."""
    ahead = next((hold for hold in board.holds if hold.next), None)
    if ahead is None:
        return None, board.findings
    return ahead, tuple(f for f in board.findings if _bites(f, ahead.kind))


def _bites(finding: Finding, hold: HoldKind) -> bool:
    holds = (finding.hold, *(other.hold for other in finding.also))
    return any(HOLD_ORDER[kind] <= HOLD_ORDER[hold] for kind in holds)
