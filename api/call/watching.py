"""After the call: whether anything it rested on has given way. Pure."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

import numpy as np

from api.conditions.choice import forecast_in_force
from api.journal.decisions import CallMade, TripwireSet, Wire
from api.journal.fold import Record
from api.kitlist.metrics import METRICS
from api.readiness.evaluation import Evaluation
from api.readiness.life import life_of, number
from api.readiness.schemas import FlagState


@dataclass(frozen=True, slots=True)
class WireState:
    """What a tripwire's number is in the forecast in force."""

    crossed: bool | None
    """None: not known."""
    value: float | None = None
    at: datetime | None = None
    share: float | None = None
    """In which part of the scenarios it is crossed, 0 to 1."""


def wire_state(evaluation: Evaluation, wire: Wire) -> WireState:
    """Whether a number is reached, and its worst value there.

    On a stage of which only some hours are known, a number that is not reached is not known.
    """
    conditions = evaluation.conditions
    if wire.stage is not None and wire.stage not in conditions.stages:
        return WireState(None)
    stages = [i for i, name in enumerate(conditions.stages) if wire.stage in (None, name)]
    hourly = conditions.hourly.get(wire.metric)
    if wire.at is not None and hourly is not None:
        return _at_moment(evaluation, wire, wire.at, stages)
    low = wire.comparison == "below"
    values = (conditions.low if low else conditions.high).get(wire.metric)
    if values is None or not stages:
        return WireState(None)
    over = conditions.over
    stages = [i for i in stages if not (over.size and over[i])] or stages
    here = values[:, stages]
    hit = here < wire.value if low else here >= wire.value
    base = here[conditions.base]
    known = bool(conditions.complete[wire.metric][conditions.base, stages].all())
    share = float(hit.any(axis=1).mean()) if hit.size else None
    if np.isnan(base).all():
        return WireState(None, share=share)
    worst = float(np.nanmin(base) if low else np.nanmax(base))
    crossed = bool(hit[conditions.base].any())
    return WireState(
        True if crossed else (False if known else None), worst, _when(evaluation, wire, stages), share
    )


def _at_moment(evaluation: Evaluation, wire: Wire, at: datetime, stages: list[int]) -> WireState:
    conditions = evaluation.conditions
    if conditions.steps_epoch_s.size == 0:
        return WireState(None)
    there = np.flatnonzero(
        (conditions.steps_epoch_s <= at.timestamp()) & np.isin(conditions.step_stage, stages)
    )
    if there.size == 0:
        return WireState(None)
    values = conditions.hourly[wire.metric][:, int(there[-1])]
    hit = values < wire.value if wire.comparison == "below" else values >= wire.value
    value = float(values[conditions.base])
    if np.isnan(value):
        return WireState(None)
    return WireState(bool(hit[conditions.base]), value, at.astimezone(UTC), float(hit.mean()))


def _when(evaluation: Evaluation, wire: Wire, stages: list[int]) -> datetime | None:
    """The first hour at which an hourly number is past its value; None for a number of the whole stage."""
    conditions = evaluation.conditions
    hourly = conditions.hourly.get(wire.metric)
    if hourly is None:
        return None
    values = hourly[conditions.base]
    past = values < wire.value if wire.comparison == "below" else values >= wire.value
    steps = np.flatnonzero(past & np.isin(conditions.step_stage, stages))
    return conditions.moment(int(steps[0])) if steps.size else None


@dataclass(frozen=True, slots=True)
class Given:
    """Something a call rested on that has given way."""

    what: Literal["tripwire", "acceptance", "stop", "forecast"]
    says: str
    about: str
    """The tripwire's or the finding's id; the forecast's hash."""

    @property
    def loud(self) -> bool:
        """Whether it is to be said at the head of the board; a newer forecast alone is not."""
        return self.what != "forecast"


@dataclass(frozen=True, slots=True)
class Watch:
    """The call that stands, and what has given way under it."""

    call: Record[CallMade]
    hold_name: str
    given: tuple[Given, ...]

    @property
    def loud(self) -> bool:
        return any(given.loud for given in self.given)


def standing_call(evaluation: Evaluation) -> Record[CallMade] | None:
    """The last call made; None before there is one, and once the trip is over by it."""
    calls = evaluation.picture.decided.calls
    return calls[-1] if calls else None


def watch(evaluation: Evaluation, now: datetime) -> Watch | None:
    """What has given way under the call that stands: tripwires, acceptances, new stops, its forecast.

    None when no call stands, or the trip is over.
    """
    call = standing_call(evaluation)
    plan = evaluation.plan
    if call is None or (plan.stages and now >= plan.stages[-1].ends_at):
        return None
    given = (*_tripwires(evaluation), *_acceptances(evaluation, call), *_new_stops(evaluation, call))
    if not given:
        given = (*given, *_forecast(evaluation, call))
    name = next((hold.name for hold in plan.hold_points if hold.id == call.body.hold), call.body.hold)
    return Watch(call, name, given)


def _tripwires(evaluation: Evaluation) -> Iterator[Given]:
    decided = evaluation.picture.decided
    for id_, record in decided.tripwires.items():
        seen = decided.crossed.get(id_)
        if seen is not None and seen.happened_at >= record.happened_at:
            told = f": {seen.body.says}" if seen.body.says else ""
            yield Given("tripwire", f"{record.body.says} – {seen.actor.name} saw it crossed{told}", id_)
        elif record.body.wire is not None:
            state = wire_state(evaluation, record.body.wire)
            if state.crossed:
                yield Given(
                    "tripwire", f"{record.body.says} – {in_words(evaluation, record.body, state)}", id_
                )


def in_words(evaluation: Evaluation, tripwire: TripwireSet, state: WireState) -> str:
    """What a tripwire's number is now: "now 16.7 m/s at Mon 02:00"."""
    if tripwire.wire is None:
        return "watched by the guides"
    if state.value is None:
        return "not known in this forecast"
    unit = METRICS[tripwire.wire.metric].unit
    at = f" at {state.at.astimezone(evaluation.plan.place.zone):%a %H:%M}" if state.at else ""
    partly = "" if state.crossed is not None else "; some hours are not known"
    return f"now {number(state.value, unit)}{at}{partly}"


def _acceptances(evaluation: Evaluation, call: Record[CallMade]) -> Iterator[Given]:
    for finding in evaluation.findings:
        records = evaluation.picture.acceptances.get(finding.id, ())
        if not records or all(record.happened_at > call.happened_at for record in records):
            continue
        life = life_of(evaluation, finding, None)
        if life.state is FlagState.REOPENED:
            yield Given(
                "acceptance",
                f"Accepted by name, but not as it is now: {finding.title}."
                f" {life.because[:1].upper()}{life.because[1:]}",
                finding.id,
            )


def _new_stops(evaluation: Evaluation, call: Record[CallMade]) -> Iterator[Given]:
    if not call.body.goes:
        return
    behind, knew = set(call.body.stays), set(call.body.knew.findings)
    for finding in evaluation.findings:
        known = finding.id in knew or finding.id in evaluation.picture.acceptances
        if finding.grade.value == "stop" and not known and finding.subject not in behind:
            yield Given("stop", f"A stop that was not there at the call: {finding.title}", finding.id)


def _forecast(evaluation: Evaluation, call: Record[CallMade]) -> Iterator[Given]:
    newest = forecast_in_force(evaluation.picture)
    if newest is not None and newest.body.forecast != call.body.knew.forecast:
        says = (
            f"The call rests on another forecast; in force is {newest.body.label} of {newest.body.provider}"
        )
        yield Given("forecast", says, newest.body.forecast)
