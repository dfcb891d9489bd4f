"""Use cases of the call: give a view, set a tripwire, set the turnaround, call, note what was learnt."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Annotated
from uuid import UUID

from fastapi import Depends, FastAPI, Request
from pydantic import ValidationError
from sqlalchemy import Connection

from api.access.current import Reader
from api.call import rules
from api.call.arriving import Arrivals
from api.call.keys import Keys
from api.call.schemas import CallForm, CallLine
from api.call.verify import Checked, check_here
from api.clock import Clock
from api.conditions.choice import forecast_in_force
from api.db import Work
from api.errors import Conflict, FieldProblem, Invalid, NotFound, from_validation
from api.ids import new_id
from api.journal.decisions import (
    CallCountersigned,
    CallMade,
    DebriefNote,
    Decision,
    Knew,
    PaceSet,
    Settled,
    TripwireCrossed,
    TripwireEnded,
    TripwireSet,
    TurnaroundSet,
    ViewGiven,
    Wire,
)
from api.journal.entry import Entry
from api.journal.fold import Record
from api.journal.kinds import AnyBody
from api.journal.pictures import Snapshot
from api.journal.service import actor_of
from api.journal.trip import HoldPoint, RopeTeam
from api.journal.views import last_call
from api.kitlist.metrics import CONDITION_METRICS
from api.readiness.acceptance import acceptance
from api.readiness.board import board
from api.readiness.evaluation import Evaluation
from api.readiness.schemas import Finding
from api.readiness.service import Readiness
from api.readiness.staying import IfTheyStay, stay_behind

PAGE = "page"


class NotSettled(Conflict):
    """A go was called over an open stop: fix it, leave its person behind, or accept it by name."""

    code = "call-not-settled"
    title = "Open stops are not settled"


class NoHoldAhead(Conflict):
    """There is no hold point ahead to call at."""

    code = "no-hold-ahead"
    title = "No hold point ahead"


@dataclass(frozen=True, slots=True)
class Sitting:
    """Who does what on the call page, on what they had read.

    `entry` is the id made with the form: sent twice, it is written once.
    """

    work: Work
    reader: Reader
    trip: str
    seen_seq: int | None = None
    entry: UUID | None = None
    device: str = PAGE


class Calls:
    """The calls of one installation."""

    def __init__(self, readiness: Readiness, arrivals: Arrivals) -> None:
        self.readiness = readiness
        self.arrivals = arrivals

    @property
    def now(self) -> datetime:
        return self.readiness.clock.now()

    def evaluation(self, conn: Connection, reader: Reader, trip: str, seq: int | None = None) -> Evaluation:
        """The trip evaluated. Raises NotFound, and Conflict while it has no plan."""
        return self.readiness.evaluation(conn, reader.outfit, trip, seq=seq)

    # -- before the call

    def give_view(self, at: Sitting, member: str, view: Decision, why: str, hold: str) -> None:
        """Give one guide's view at a hold point. Raises Invalid for someone who is no guide on the trip."""
        picture = self._snapshot(at).picture
        profile = picture.profiles.get(member)
        if profile is None or not profile.role.guides:
            raise Invalid.field("member", member, "This is no guide of the trip.", "Choose whose view it is.")
        body = ViewGiven(
            hold=hold, member=member, view=view, why=why[:300], after_call=last_call(picture, hold)
        )
        self._write(at, body)

    def set_tripwire(self, at: Sitting, says: str, wire: Wire | None) -> None:
        """Watch for something from now on. Raises Invalid for a number the conditions do not have."""
        if not says.strip():
            raise Invalid.field(
                "says", says, "A tripwire needs words.", "Say what would change the call, in a line."
            )
        if wire is not None and wire.metric not in CONDITION_METRICS:
            raise Invalid.field("metric", wire.metric, "There is no such number.", "Choose one of the list.")
        name = f"t-{new_id(self.now).hex[-12:]}" if at.entry is None else f"t-{at.entry.hex[-12:]}"
        self._write(at, TripwireSet(tripwire=name, says=says.strip()[:120], wire=wire))

    def end_tripwire(self, at: Sitting, tripwire: str, reason: str = "") -> None:
        """Watch for it no more. Raises NotFound."""
        self._tripwire(at, tripwire)
        self._write(at, TripwireEnded(tripwire=tripwire, reason=reason))

    def cross_tripwire(self, at: Sitting, tripwire: str, says: str = "") -> None:
        """Say that it was seen crossed. Raises NotFound."""
        self._tripwire(at, tripwire)
        self._write(at, TripwireCrossed(tripwire=tripwire, says=says[:300]))

    def set_turnaround(self, at: Sitting, stage: str, moment: datetime, reason: str = "") -> None:
        """Set when to turn round on a stage. Raises NotFound for a stage the plan does not have."""
        evaluation = self.evaluation(at.work, at.reader, at.trip)
        if all(known.id != stage for known in evaluation.plan.stages):
            raise NotFound(f"The plan has no stage {stage}. Open the call page again.")
        self._write(at, TurnaroundSet(stage=stage, at=moment, reason=reason))

    def set_pace(
        self, at: Sitting, stage: str, down_h: float | None, margin_h: float | None, reason: str = ""
    ) -> None:
        """Set how long the way down takes and what is kept in hand; None for what the plan has, and an hour.

        The turnaround is worked out from it again, also where a time had been set. Raises NotFound, Invalid.
        """
        evaluation = self.evaluation(at.work, at.reader, at.trip)
        if all(known.id != stage for known in evaluation.plan.stages):
            raise NotFound(f"The plan has no stage {stage}. Open the call page again.")
        try:
            body = PaceSet(stage=stage, down_h=down_h, margin_h=margin_h, reason=reason)
        except ValidationError as error:
            raise from_validation(error.errors(), skip=()) from error
        self._write(at, body)

    def note(self, at: Sitting, note: DebriefNote) -> None:
        """Keep one thing learnt. Raises Invalid for a line the trip's kit list does not have."""
        edition = self.evaluation(at.work, at.reader, at.trip).edition
        if note.requirement is not None and (
            edition is None or edition.requirement(note.requirement) is None
        ):
            raise Invalid.field(
                "requirement", note.requirement, "The kit list has no such line.", "Choose one of the list."
            )
        self._write(at, note)

    # -- the call

    def make(self, at: Sitting, form: CallForm) -> None:
        """Make the call at the hold point ahead, with what is accepted and who stays.

        Raises NotSettled when a go would pass over an open stop or break the permit, NoHoldAhead, Invalid.
        """
        if at.entry is not None and any(e.id == at.entry for e in self._snapshot(at).entries):
            return
        evaluation = self.evaluation(at.work, at.reader, at.trip)
        hold = hold_or_raise(evaluation)
        self._check_people(evaluation, form)
        knew = self._knew(at)
        if form.decision in ("go", "go-with-changes"):
            self._settle(at, evaluation, hold, form)
        turn = rules.turnaround(evaluation.plan, evaluation.picture, self.now)
        if turn is not None and form.turnaround_at is not None and form.turnaround_at != turn.at:
            self._write(at, TurnaroundSet(stage=turn.stage, at=form.turnaround_at), own_id=True)
        self._write(at, self._body(evaluation, hold, form, knew, turn.at if turn else None))

    def _body(
        self,
        evaluation: Evaluation,
        hold: HoldPoint,
        form: CallForm,
        knew: Knew,
        turn_at: datetime | None,
    ) -> CallMade:
        settled = [Settled(finding=id_, how="accepted", reason=why) for id_, why in form.accepts.items()]
        for finding in evaluation.findings:
            if finding.subject in form.stays and rules.blocks(finding, hold.kind):
                settled.append(Settled(finding=finding.id, how="stays"))
        try:
            return CallMade(
                hold=hold.id,
                decision=form.decision,
                reason=form.reason,
                stays=form.stays,
                ropes=moved_ropes(evaluation, form.stays, form.moves),
                left=form.left,
                turnaround_at=form.turnaround_at or turn_at,
                settled=tuple(settled),
                knew=knew,
            )
        except ValidationError as error:
            raise from_validation(error.errors(), skip=()) from error

    def _check_people(self, evaluation: Evaluation, form: CallForm) -> None:
        picture = evaluation.picture
        for member in (*form.stays, *form.moves):
            if member not in picture.members:
                raise Invalid.field(
                    "stays", member, "Nobody by this id is on the trip.", "Open the page again."
                )
        ropes = {rope.id for rope in picture.rope_teams}
        for member, rope in form.moves.items():
            if rope not in ropes:
                raise Invalid.field(
                    f"moves.{member}", rope, "There is no such rope.", "Choose one of the list."
                )

    def _settle(self, at: Sitting, evaluation: Evaluation, hold: HoldPoint, form: CallForm) -> None:
        """Write the acceptances, and refuse when anything is left that stops the party."""
        shown = self.readiness.board(at.work, at.reader.outfit, at.trip)
        stops = rules.open_stops(shown.findings, hold.kind)
        left = [
            stop
            for stop in rules.unsettled(stops, form.stays, evaluation.picture)
            if stop.id not in form.accepts
        ]
        short = {f: why for f, why in form.accepts.items() if len(why.strip()) < 3}
        if short:
            raise Invalid(
                "Accepting by name needs a reason for each.",
                fields=[
                    FieldProblem(f"accept.{f}", why, "Say why it is good enough.", "A reason is missing.")
                    for f, why in short.items()
                ],
            )
        if left:
            raise NotSettled(
                f"{len(left)} open {'stop is' if len(left) == 1 else 'stops are'} passed over by this call."
                " Fix each, leave its person behind, or accept it by name with a reason.",
                fields=[_as_field(stop) for stop in left],
            )
        self._check_permit(evaluation, form)
        for finding, why in form.accepts.items():
            if any(stop.id == finding for stop in stops):
                self._write(at, acceptance(evaluation, finding, why.strip()), own_id=True)

    def _check_permit(self, evaluation: Evaluation, form: CallForm) -> None:
        if not (form.stays or form.moves):
            return
        after = self.if_they_stay(evaluation, form)
        if after.breaks_permit:
            broken = [f for side in after.sides for f in side.findings if f.basis.kind == "law-or-permit"]
            raise NotSettled(
                "Made up like this, the party breaks the permit, and that cannot be accepted away.",
                fields=[_as_field(finding) for finding in broken],
            )

    def if_they_stay(self, evaluation: Evaluation, form: CallForm) -> IfTheyStay:
        """What each side would be left with, were it called like this."""
        return stay_behind(evaluation, form.stays, moves=form.moves, now=self.now)

    def _knew(self, at: Sitting) -> Knew:
        """What the page had shown when the call was made on it."""
        snapshot = self._snapshot(at)
        seq = snapshot.seq if at.seen_seq is None else min(at.seen_seq, snapshot.seq)
        before = self.evaluation(at.work, at.reader, at.trip, seq) if seq else None
        if before is None:
            return Knew(seq=seq)
        newest = forecast_in_force(before.picture)
        shown = board(before, now=self.now)
        return Knew(
            seq=seq,
            findings=tuple(finding.id for finding in (*shown.findings, *shown.accepted)),
            forecast=newest.body.forecast if newest else None,
        )

    # -- reading

    def seq_of(self, conn: Connection, reader: Reader, trip: str, entry: UUID) -> int | None:
        """The number of an entry by its id; None while there is none."""
        entries = self.readiness.journal.picture(conn, reader.outfit, trip).entries
        return next((known.seq for known in entries if known.id == entry), None)

    def lines(self, evaluation: Evaluation) -> tuple[CallLine, ...]:
        """The calls of a trip, the newest first."""
        decided = evaluation.picture.decided
        names = {hold.id: hold.name for hold in evaluation.plan.hold_points}
        return tuple(
            CallLine(
                call=str(record.entry),
                hold=record.body.hold,
                hold_name=names.get(record.body.hold, record.body.hold),
                decision=record.body.decision,
                reason=record.body.reason,
                called_by=record.actor.name,
                called_at=record.happened_at,
                countersigned=record.entry in decided.countersigned,
                differences=_told(decided.countersigned, record.entry),
            )
            for record in reversed(decided.calls)
        )

    def check(self, conn: Connection, reader: Reader, text: bytes) -> Checked:
        """Check a sealed record against this installation."""
        return check_here(conn, self.readiness, reader.outfit, text)

    # -- writing

    def _snapshot(self, at: Sitting) -> Snapshot:
        return self.readiness.journal.picture(at.work, at.reader.outfit, at.trip)

    def _tripwire(self, at: Sitting, tripwire: str) -> None:
        if tripwire not in self._snapshot(at).picture.decided.tripwires:
            raise NotFound(f"There is no tripwire {tripwire} that is watched. Open the call page again.")

    def _write(self, at: Sitting, body: AnyBody, *, own_id: bool = False) -> None:
        snapshot = self._snapshot(at)
        seen = snapshot.seq if at.seen_seq is None else min(at.seen_seq, snapshot.seq)
        entry = Entry(
            id=at.entry if at.entry is not None and not own_id else new_id(self.now),
            trip=at.trip,
            body=body,
            actor=actor_of(at.reader),
            device=at.device,
            happened_at=self.now,
            seen_seq=seen,
        )
        if any(known.id == entry.id for known in snapshot.entries):
            return
        (outcome,) = self.readiness.journal.record(at.work, at.reader.outfit, at.trip, [entry])
        if outcome.status == "refused":
            raise Conflict(outcome.problem)


def _told(countersigned: Mapping[UUID, Record[CallCountersigned]], call: UUID) -> tuple[str, ...]:
    record = countersigned.get(call)
    return record.body.differences if record else ()


def hold_or_raise(evaluation: Evaluation) -> HoldPoint:
    """The hold point ahead. Raises NoHoldAhead."""
    hold = rules.hold_ahead(evaluation.plan, evaluation.picture)
    if hold is None:
        raise NoHoldAhead("No hold point is ahead on this trip. Set one in the plan to call at.")
    return hold


def _as_field(finding: Finding) -> FieldProblem:
    return FieldProblem(f"accept.{finding.id}", finding.id, finding.clears, finding.title)


def moved_ropes(
    evaluation: Evaluation, stays: tuple[str, ...], moves: Mapping[str, str]
) -> tuple[RopeTeam, ...] | None:
    """The ropes after people have moved; None when nobody does. Who stays keeps their place on paper."""
    teams = evaluation.picture.rope_teams
    moves = {m: rope for m, rope in moves.items() if m not in stays and m not in _on(teams, rope)}
    if not moves:
        return None
    found = []
    for team in teams:
        members = [m for m in team.members if m not in moves]
        members += [m for m, rope in moves.items() if rope == team.id]
        found.append(team.model_copy(update={"members": tuple(members)}))
    return tuple(team for team in found if team.members)


def _on(teams: tuple[RopeTeam, ...], rope: str) -> tuple[str, ...]:
    return next((team.members for team in teams if team.id == rope), ())


def install(app: FastAPI, *, data_dir: Path, clock: Clock) -> Calls:
    """Give `app` its calls, as `app.state.calls`; from now on calls are countersigned as they arrive."""
    arrivals = Arrivals(app.state.readiness, Keys(data_dir, clock))
    app.state.journal.react("call-made", arrivals.arrived)
    app.state.calls = Calls(app.state.readiness, arrivals)
    return app.state.calls  # type: ignore[no-any-return]


def _calls(request: Request) -> Calls:
    return request.app.state.calls  # type: ignore[no-any-return]


CallRoom = Annotated[Calls, Depends(_calls)]
