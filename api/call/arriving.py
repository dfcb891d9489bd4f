"""A call arrives: it is frozen, signed, answered in the journal, and what it decided is carried out.

All of it happens in the unit of work that stores the call, whether it was made on this server's page or on a
phone hours ago. A call is kept in any case: what the caller did not know becomes part of the record.
"""

from contextlib import suppress

import structlog
from sqlalchemy import Connection

from api.call import queries, rules
from api.call.keys import KeyMissing, Keys
from api.call.record import Arrived, frozen, hold_point
from api.call.signing import opened, seal, sha256
from api.call.versions import code_versions
from api.conditions.choice import forecast_in_force
from api.db import Work
from api.errors import NotFound
from api.ids import new_id
from api.journal.decisions import CallCountersigned, CallMade
from api.journal.entry import Actor, Entry, StoredEntry
from api.journal.fold import record_of
from api.journal.kinds import AnyBody, FlagAccepted, HoldPassed, RopesSet
from api.journal.pictures import Snapshot
from api.journal.trip import HoldKind
from api.readiness.acceptance import CannotBeAccepted, acceptance
from api.readiness.board import board
from api.readiness.evaluation import Evaluation
from api.readiness.schemas import Finding
from api.readiness.service import Readiness

SERVICE = Actor(id="service", name="Rimaye", role="system")
DEVICE = "server"

log = structlog.get_logger(__name__)


class Arrivals:
    """Answers calls as they are stored."""

    def __init__(self, readiness: Readiness, keys: Keys) -> None:
        self.readiness = readiness
        self.keys = keys

    def arrived(self, work: Work, outfit: str, trip: str, entry: Entry, seq: int) -> None:
        """Countersign a call that was just stored, and carry out what it decided."""
        assert isinstance(entry.body, CallMade)
        snapshot = self.readiness.journal.picture(work, outfit, trip).at(seq)
        try:
            answer = self._countersigned(work, outfit, snapshot)
        except KeyMissing as problem:
            # The call stands all the same; it can be countersigned when the key is back.
            log.error("call_not_countersigned", trip=trip, call=str(entry.id), problem=problem.detail)
        else:
            self._append(work, outfit, trip, answer, SERVICE, DEVICE, seq)
        evaluation = self.readiness.evaluation(work, outfit, trip, seq=seq)
        for body in (*accepted_by(evaluation, entry.body), *carried_out(evaluation, entry, snapshot)):
            self._append(work, outfit, trip, body, entry.actor, entry.device, entry.seen_seq, entry)

    def countersign(self, work: Work, outfit: str, trip: str) -> int:
        """Countersign every call of a trip that is not countersigned yet; answers with how many."""
        snapshot = self.readiness.journal.picture(work, outfit, trip)
        decided = snapshot.picture.decided
        waiting = {record.entry for record in decided.calls if record.entry not in decided.countersigned}
        for entry in snapshot.entries:
            if entry.id in waiting:
                answer = self._countersigned(work, outfit, snapshot.at(entry.seq))
                self._append(work, outfit, trip, answer, SERVICE, DEVICE, entry.seq)
        return len(waiting)

    def _countersigned(self, work: Work, outfit: str, snapshot: Snapshot) -> CallCountersigned:
        entry = snapshot.entries[-1]
        call = record_of(entry)
        evaluation = self.readiness.evaluation(work, outfit, snapshot.trip_id, seq=snapshot.seq)
        told = told_apart(evaluation, snapshot)
        arrived = Arrived(outfit, call, entry.seq, entry.hash, told)
        sealed = seal(frozen(evaluation, arrived, code_versions()), self.keys.signing_key(work, outfit))
        members = opened(sealed.encode())
        assert isinstance(members, dict)
        now = self.readiness.clock.now()
        queries.add_record(work, outfit, snapshot.trip_id, str(entry.id), sealed, now)
        return CallCountersigned(
            call=entry.id,
            record=sha256(members["record"]),
            signature=members["signature"],
            key_id=members["key_id"],
            differences=told,
        )

    def _append(
        self,
        work: Work,
        outfit: str,
        trip: str,
        body: AnyBody,
        actor: Actor,
        device: str,
        seen_seq: int,
        cause: Entry | None = None,
    ) -> None:
        now = self.readiness.clock.now()
        happened_at = cause.happened_at if cause else now
        entry = Entry(
            id=new_id(now),
            trip=trip,
            body=body,
            actor=actor,
            device=device,
            happened_at=happened_at,
            seen_seq=seen_seq,
        )
        (outcome,) = self.readiness.journal.record(work, outfit, trip, [entry])
        if outcome.status != "stored":
            raise RuntimeError(f"what a call entails was not stored: {outcome.problem}")


def accepted_by(evaluation: Evaluation, call: CallMade) -> list[FlagAccepted]:
    """Acceptances that a call without signal carries, bound to how things stand here.

    Only those given under the forecast that is in force here: for another one nobody has accepted anything.
    """
    newest = forecast_in_force(evaluation.picture)
    if not call.goes or call.knew.forecast != (newest.body.forecast if newest else None):
        return []
    found = []
    for settled in call.settled:
        if settled.how == "accepted" and settled.finding not in evaluation.picture.acceptances:
            # What has been cleared meanwhile, or cannot be accepted at all, is told as a difference.
            with suppress(NotFound, CannotBeAccepted):
                found.append(acceptance(evaluation, settled.finding, settled.reason))
    return found


def carried_out(evaluation: Evaluation, entry: Entry, snapshot: Snapshot) -> list[AnyBody]:
    """What a call changes on the trip: the ropes as they go on, and the hold point that is passed.

    It is not passed by a call that leaves stops unsettled of which its caller knew.
    """
    call = entry.body
    assert isinstance(call, CallMade)
    bodies: list[AnyBody] = []
    if call.goes and call.ropes is not None:
        bodies.append(RopesSet(ropes=call.ropes))
    if call.goes and call.hold not in snapshot.picture.holds_passed:
        shown = board(evaluation, now=entry.happened_at)
        if not known_to_caller(call, passed_over(evaluation, call, shown.findings)):
            bodies.append(HoldPassed(hold=call.hold, at=entry.happened_at))
    return bodies


def known_to_caller(call: CallMade, stops: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Stops passed over that the caller had read of: a mistake, where others are only late news."""
    return tuple(stop for stop in stops if stop.id in call.knew.findings)


def told_apart(evaluation: Evaluation, snapshot: Snapshot) -> tuple[str, ...]:
    """How what the caller knew differs from what stands here."""
    entry = snapshot.entries[-1]
    call = entry.body
    assert isinstance(call, CallMade)
    shown = board(evaluation, now=entry.happened_at)
    stops = passed_over(evaluation, call, shown.findings) if call.goes else ()
    newest = forecast_in_force(evaluation.picture)
    stays_ahead = bool(known_to_caller(call, stops)) and call.hold not in snapshot.picture.holds_passed
    return rules.differences(
        call,
        {finding.id: finding.title for finding in shown.findings},
        {finding.id for finding in shown.accepted},
        newest.body.forecast if newest else None,
        unread_by(entry, snapshot),
        stops,
        stays_ahead=stays_ahead,
    )


def passed_over(evaluation: Evaluation, call: CallMade, found: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Open stops that a call does not settle."""
    point = hold_point(evaluation, call.hold)
    kind = point.kind if point else HoldKind.SUMMIT_START
    given = {accepted.finding for accepted in accepted_by(evaluation, call)}
    stops = rules.unsettled(rules.open_stops(found, kind), call.stays, evaluation.picture)
    return tuple(stop for stop in stops if stop.id not in given)


def unread_by(entry: StoredEntry, snapshot: Snapshot) -> list[StoredEntry]:
    """What others had written before a call that its writer had not read."""
    assert isinstance(entry.body, CallMade)
    own = (entry.actor.id, entry.device)
    return [
        other
        for other in snapshot.entries[entry.body.knew.seq : entry.seq - 1]
        if (other.actor.id, other.device) != own and other.actor.id != SERVICE.id
    ]


def sealed_or_raise(conn: Connection, outfit: str, trip: str, call: str) -> str:
    """The sealed record of a call. Raises NotFound when there is none."""
    sealed = queries.sealed_record(conn, outfit, trip, call)
    if sealed is None:
        raise NotFound(f"There is no countersigned call {call} on this trip. The call page lists them.")
    return sealed
