"""The calls of the demo's story, with the views and tripwires that go before them."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from api.clock import FixedClock
from api.conditions.choice import forecast_in_force
from api.db import Work
from api.journal.decisions import CallMade, Knew, TripwireSet, TurnaroundSet, ViewGiven, Wire
from api.journal.entry import Actor
from api.journal.kinds import AnyBody
from api.journal.service import Journal
from api.journal.views import last_call
from api.readiness.board import board
from api.readiness.service import Readiness
from seeds import demo

Told = Mapping[str, Any]


def calls_of(moment_id: str) -> tuple[list[Told], list[Told]]:
    """The calls on the way to a moment: those at hold points passed by then, and those at one still ahead."""
    moment = next(m for m in demo.scenario().data["moments"] if m["id"] == moment_id)
    made, passed = moment.get("calls", ()), moment.get("passed", ())
    return [c for c in made if c["hold"] in passed], [c for c in made if c["hold"] not in passed]


def decide(work: Work, journal: Journal, outfit: str, calls: Sequence[Told]) -> None:
    """Write calls and what goes before them, as if everyone had read all there was."""
    for call in calls:
        _Sitting(work, journal, outfit).write(call)


class _Sitting:
    def __init__(self, work: Work, journal: Journal, outfit: str) -> None:
        self.work, self.journal, self.outfit = work, journal, outfit
        self.told = demo.scenario()
        self.who = demo.actors(self.told)

    def write(self, call: Told) -> None:
        trip = self.told.trip
        before = last_call(self.journal.picture(self.work, self.outfit, trip).picture, call["hold"])
        lead = self.who[call["by"]]
        for view in call.get("views", ()):
            body = ViewGiven(
                hold=call["hold"], member=view["who"], view=view["view"], why=view["why"], after_call=before
            )
            self._append(body, view["at"], self.who[view["who"]])
        for wire in call.get("tripwires", ()):
            self._append(self._tripwire(wire), wire["at"], lead)
        turn = call.get("turnaround")
        at = self.told.moment(turn["at"]) if turn else None
        if turn and at:
            self._append(TurnaroundSet(stage=turn["stage"], at=at), call["at"], lead)
        made = CallMade(
            hold=call["hold"],
            decision=call["decision"],
            reason=call["reason"],
            turnaround_at=at,
            knew=self._knew(self.told.moment(call["at"])),
        )
        self._append(made, call["at"], lead)

    def _tripwire(self, wire: Told) -> TripwireSet:
        number = None
        if "metric" in wire:
            hour = self.told.moment(wire["hour"]) if "hour" in wire else None
            number = Wire(
                metric=wire["metric"],
                comparison=wire["comparison"],
                value=wire["value"],
                stage=wire["stage"],
                at=hour,
            )
        return TripwireSet(tripwire=wire["id"], says=wire["says"], wire=number)

    def _knew(self, now: datetime) -> Knew:
        readiness = Readiness(self.journal, FixedClock(now))
        evaluation = readiness.evaluation(self.work, self.outfit, self.told.trip)
        shown = board(evaluation, now=now)
        newest = forecast_in_force(evaluation.picture)
        return Knew(
            seq=evaluation.seq,
            findings=tuple(finding.id for finding in (*shown.findings, *shown.accepted)),
            forecast=newest.body.forecast if newest else None,
        )

    def _append(self, body: AnyBody, at: datetime | str, actor: Actor) -> None:
        seen = self.journal.picture(self.work, self.outfit, self.told.trip).seq
        entry = demo.Writer(self.told, seen).write(body, at=self.told.moment(at), actor=actor)
        outcome = self.journal.record(self.work, self.outfit, self.told.trip, [entry])[0]
        if outcome.status == "refused":
            raise RuntimeError(f"the demo's story does not fit its journal: {outcome.problem}")
