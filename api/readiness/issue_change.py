"""What a new issue of the forecast did: numbers that moved, flags that opened or went, and why. Pure.

Both issues are held against the same people, gear and plan, so that what differs is the forecast's doing.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np

from api.conditions.forecast import Provenance
from api.conditions.stages import StageConditions
from api.kitlist.metrics import METRICS
from api.kitlist.schemas import Requirement
from api.readiness.asks import Asks
from api.readiness.body_findings import asked_of_the_body, body_finding, body_gaps
from api.readiness.evaluation import Evaluation
from api.readiness.findings import Floats, finding_of
from api.readiness.lacks import Lacks
from api.readiness.outlook import FlagChange, FlagTurn, IssueChange, NumberChange
from api.readiness.scenarios import FlagScenarios, flag_scenarios, metrics_of
from api.readiness.schemas import Finding, Trigger

LEVEL = "freezing_level_m"
LEAST_MOVE = {LEVEL: 1.0}
"""Smaller moves of a number are not told."""
_OF_WARMTH, _OF_LOAD = ("air_temperature_c", "wind_mps"), ("freezing_level_m", "new_snow_cm")
Key = tuple[str, str]
"""A subject and a requirement."""
BEHIND_BODIES: Mapping[str, tuple[str, ...]] = {
    "clothing_margin_clo": _OF_WARMTH,
    "standing_min": _OF_WARMTH,
    "bag_margin_c": ("night_low_c",),
    "light_margin_h": ("air_temperature_c",),
    "light_h": ("air_temperature_c",),
    "fuel_g": ("freezing_level_m", "night_low_c"),
    "water_l": ("freezing_level_m",),
    "pack_kg": _OF_LOAD,
    "energy_kj": _OF_LOAD,
}
"""The numbers of the forecast that a quantity of the body goes by."""


@dataclass(frozen=True, slots=True)
class Before:
    """The trip under the issue before."""

    asks: Asks
    quantities: Mapping[str, Floats]
    origin: Provenance

    @property
    def conditions(self) -> StageConditions:
        return self.asks.conditions


def issue_change(before: Before, after: Evaluation, flags: FlagScenarios, origin: Provenance) -> IssueChange:
    """What changed between two issues.

    Parameters
    ----------
    before
        The issue before, held against the plan, gear and kit list of `after`.
    after
        The trip under the issue in force.
    flags
        Its flags.
    origin
        Where the issue in force came from.
    """
    told = IssueChange(
        before_label=before.origin.label,
        before_issued_at=before.origin.issued_at,
        label=origin.label,
        issued_at=origin.issued_at,
        numbers=tuple(_levels(before.conditions, after)),
    )
    if after.asks is None or after.lacks is None:
        return told
    turned = _turns(before, after, after.asks, after.lacks, flags)
    changes = sorted(turned, key=_order)
    return told.model_copy(update={"flags": tuple(changes)})


def _order(change: FlagChange) -> tuple[int, bool, int, str, str]:
    turn = list(FlagTurn).index(change.turn)
    return turn, not change.known_gap, -change.grade.weight, change.item, change.subject_name


def _levels(before: StageConditions, after: Evaluation) -> Iterator[NumberChange]:
    """The lowest freezing level of each stage ahead, with what the issue before had for that hour."""
    conditions = after.conditions
    for t, stage in enumerate(after.plan.stages):
        over = conditions.over.size > 0 and bool(conditions.over[t])
        step = None if over else _worst_step(conditions, LEVEL, t, below=True)
        if step is None:
            continue
        number = _both(before, conditions, LEVEL, t, int(conditions.steps_epoch_s[step]))
        change = _change(number, LEVEL, stage.id, stage.name, conditions.moment(step))
        if _moved(change):
            yield change


def _turns(
    before: Before, after: Evaluation, asked: Asks, lacking: Lacks, flags: FlagScenarios
) -> Iterator[FlagChange]:
    now = {(found.subject, found.requirement): found for found in after.findings}
    lines = {line.id: line for line in lacking.edition.requirements}
    for key, old in (*_by_weather(before, after, asked, lacking, flags), *_by_bodies(before, after, lacking)):
        new, line = now.get(key), lines[key[1]]
        if new is not None and old is None:
            yield _turned(before, after, line, FlagTurn.OPENED, new, None)
        elif old is not None and new is None:
            yield _turned(before, after, line, FlagTurn.GONE, old, None)
        elif old is not None and new is not None and _stands(old) != _stands(new):
            yield _turned(before, after, line, FlagTurn.CHANGED, new, old)


def _by_weather(
    before: Before, after: Evaluation, asked: Asks, lacking: Lacks, flags: FlagScenarios
) -> Iterator[tuple[Key, Finding | None]]:
    """What was found under the issue before, of each flag that the weather sways and that may have turned."""
    then = flag_scenarios(before.asks, lacking, before.quantities, only=flags.pairs)
    was, now = then.appears[before.asks.base], flags.appears[asked.base]
    for n, (p, r) in enumerate(flags.pairs):
        line = lacking.edition.requirements[r]
        if (was[n] or now[n]) and (was[n] != now[n] or _graded_by_weather(line)):
            old = finding_of(before.asks, lacking, after.picture, before.quantities, p, r) if was[n] else None
            yield (lacking.subjects[p].id, line.id), old


def _by_bodies(before: Before, after: Evaluation, lacking: Lacks) -> Iterator[tuple[Key, Finding | None]]:
    """What was found about bodies under the issue before, with what is found now."""
    if after.bodies is None:
        return
    bodies = replace(after.bodies, conditions=before.conditions)
    gaps = body_gaps(before.asks, lacking, bodies)
    then = [body_finding(gap, before.asks, lacking, after.picture, before.asks.base) for gap in gaps]
    old = {(found.subject, found.requirement): found for found in then if found is not None}
    about = {line.id for line in lacking.edition.requirements if asked_of_the_body(line)}
    now = {(found.subject, found.requirement) for found in after.findings if found.requirement in about}
    yield from ((key, old.get(key)) for key in sorted({*old, *now}))


def _stands(finding: Finding) -> tuple[object, ...]:
    return finding.grade, finding.hold, finding.kind


def _graded_by_weather(requirement: Requirement) -> bool:
    limits = [limit for question in requirement.questions for limit in question.limits]
    rules = [*requirement.grades, *(rule for limit in limits for rule in limit.grades)]
    return len(limits) > 1 or any(rule.when is not None for rule in rules)


def _turned(
    before: Before,
    after: Evaluation,
    requirement: Requirement,
    turn: FlagTurn,
    finding: Finding,
    old: Finding | None,
) -> FlagChange:
    triggers = [*finding.why_now, *(number for reason in finding.reasons for number in reason.numbers)]
    found = [
        _because(before.conditions, after, trigger, gone=turn is FlagTurn.GONE)
        for trigger in triggers
        if trigger.metric in METRICS
    ]
    if not any(map(_moved, found)):
        found = [
            _on_stage(before.conditions, after, metric, finding.first_stage)
            for metric in sorted({*metrics_of(requirement), *_behind(requirement)})
        ]
    because = {(change.metric, change.stage): change for change in found if _moved(change)}
    return FlagChange(
        id=finding.id,
        subject=finding.subject,
        subject_name=finding.subject_name,
        requirement=finding.requirement,
        item=finding.item,
        known_gap=finding.known_gap,
        turn=turn,
        grade=finding.grade,
        hold_name=finding.hold_name,
        was_grade=old.grade if old else None,
        was_hold_name=old.hold_name if old else None,
        because=tuple(because.values()),
    )


def _behind(requirement: Requirement) -> tuple[str, ...]:
    return (
        BEHIND_BODIES.get(requirement.how_many.computed or "", ()) if asked_of_the_body(requirement) else ()
    )


def _because(before: StageConditions, after: Evaluation, trigger: Trigger, *, gone: bool) -> NumberChange:
    """A number that a flag rests on, in both issues: at its worst hour of the stage, or for the stage.

    The hour is that of the issue in which the flag is there.
    """
    told, below = before if gone else after.conditions, trigger.comparison == "below"
    t = told.stages.index(trigger.stage)
    step = _worst_step(told, trigger.metric, t, below=below)
    if step is None:
        return _on_stage(before, after, trigger.metric, trigger.stage, below=below)
    number = _both(before, after.conditions, trigger.metric, t, int(told.steps_epoch_s[step]))
    name, line = after.plan.stages[t].name, trigger.threshold
    return _change(number, trigger.metric, trigger.stage, name, told.moment(step), line)


def _worst_step(conditions: StageConditions, metric: str, t: int, *, below: bool) -> int | None:
    """The step of a stage at which an hourly metric is lowest or highest; None where nothing is known."""
    there = np.flatnonzero(conditions.step_stage == t)
    hourly = conditions.hourly.get(metric)
    values = np.empty(0) if hourly is None else hourly[conditions.base, there]
    if not np.isfinite(values).any():
        return None
    return int(there[np.nanargmin(values) if below else np.nanargmax(values)])


def _on_stage(
    before: StageConditions, after: Evaluation, metric: str, stage: str, *, below: bool = True
) -> NumberChange:
    """A number as the extreme of a stage, in both issues."""
    t = after.conditions.stages.index(stage)
    was, now = (_extreme(given, metric, t, below=below) for given in (before, after.conditions))
    return _change((was, now), metric, stage, after.plan.stages[t].name, None)


def _extreme(conditions: StageConditions, metric: str, t: int, *, below: bool) -> float:
    values = (conditions.low if below else conditions.high).get(metric)
    return float("nan") if values is None else float(values[conditions.base, t])


def _both(
    before: StageConditions, after: StageConditions, metric: str, t: int, epoch_s: int
) -> tuple[float, float]:
    """A number of one moment on a stage in both issues; NaN where one does not say."""
    return _at(before, metric, t, epoch_s), _at(after, metric, t, epoch_s)


def _at(conditions: StageConditions, metric: str, t: int, epoch_s: int) -> float:
    reached = np.flatnonzero((conditions.step_stage == t) & (conditions.steps_epoch_s <= epoch_s))
    if metric not in conditions.hourly or not reached.size:
        return float("nan")
    return float(conditions.hourly[metric][conditions.base, reached[-1]])


def _change(
    number: tuple[float, float],
    metric: str,
    stage: str,
    stage_name: str,
    at: datetime | None,
    line: float | None = None,
) -> NumberChange:
    was, now = (None if np.isnan(value) else value for value in number)
    return NumberChange(
        metric=metric,
        title=METRICS[metric].title,
        unit=METRICS[metric].unit,
        stage=stage,
        stage_name=stage_name,
        at=at,
        was=was,
        now=now,
        line=line,
    )


def _moved(change: NumberChange) -> bool:
    if change.was is None or change.now is None:
        return change.was is not change.now
    return abs(change.now - change.was) >= LEAST_MOVE.get(change.metric, 1e-6)
