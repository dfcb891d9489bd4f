"""asks ∧ lacks → findings: who must not pass which hold point, why, from when on, and what would clear it.
Pure.

A finding is one requirement of one subject. It collects everything that is wrong with it; what kind of gap
it is, and its
grade, come from the worst of that which is known, and only if nothing is known to be wrong from what is
not known.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt

from api.journal.fold import Picture, Record
from api.journal.kinds import Sighting
from api.journal.trip import HOLD_ORDER, HoldKind, HoldPoint, TripPlan
from api.kitlist.metrics import METRICS
from api.kitlist.schemas import (
    AtLeast,
    Below,
    Condition,
    FromLine,
    Grade,
    GradeRule,
    OnTerrain,
    Requirement,
    leaves,
)
from api.readiness.asks import Asks, grade_in_force
from api.readiness.lacks import Gap, Holding, Lacks, answer_in_words
from api.readiness.schemas import Evidence, Finding, GapKind, HoldGrade, Reason, Trigger

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

BADNESS = {
    kind: order
    for order, kind in enumerate(
        (
            GapKind.ABSENT,
            GapKind.RULE,
            GapKind.HELD,
            GapKind.HEIGHT,
            GapKind.UNFIT,
            GapKind.SHORT,
            GapKind.DISAGREE,
            GapKind.UNKNOWN,
            GapKind.UNSEEN,
            GapKind.UNANSWERED,
        )
    )
}


@dataclass(frozen=True, slots=True)
class Failing:
    """One check that a subject fails, and where."""

    check: int
    gap: Gap
    where: Bools
    """By [scenario, stage]."""


def findings(
    asks: Asks, lacks: Lacks, picture: Picture, quantities: Mapping[str, Floats] | None = None
) -> tuple[Finding, ...]:
    """All open findings, known gaps first and worst first.

    Parameters
    ----------
    asks, lacks
        The two matrices, of the same edition.
    picture
        The picture `lacks` was made from; gives the hold points passed.
    quantities
        Computed amounts by metric name and scenario, in the unit the registry gives.
    """
    found = (finding_of(asks, lacks, picture, quantities or {}, p, r) for p, r in lacks.holdings)
    return tuple(sorted((finding for finding in found if finding is not None), key=rank))


def finding_of(
    asks: Asks, lacks: Lacks, picture: Picture, quantities: Mapping[str, Floats], p: int, r: int
) -> Finding | None:
    """The finding about one requirement of one subject; None when nothing is amiss."""
    failing = list(_failing(asks, lacks, quantities, p, r))
    return _finding(asks, lacks, picture, p, r, failing) if failing else None


def rank(finding: Finding) -> tuple[bool, int, int, str, str]:
    """Sort key: known gaps first, then the heavier grade, then the nearer hold point."""
    return (
        not finding.known_gap,
        -finding.grade.weight,
        HOLD_ORDER[finding.hold],
        finding.subject_name,
        finding.requirement,
    )


def failing_masks(
    asks: Asks, lacks: Lacks, quantities: Mapping[str, Floats]
) -> dict[tuple[int, int], list[Failing]]:
    """Every failing check of every (subject, requirement); for scenario counts and tipping points."""
    result = {key: list(_failing(asks, lacks, quantities, *key)) for key in lacks.holdings}
    return {key: failing for key, failing in result.items() if failing}


def _failing(asks: Asks, lacks: Lacks, quantities: Mapping[str, Floats], p: int, r: int) -> list[Failing]:
    requirement = lacks.edition.requirements[r]
    if requirement.optional:
        return []
    result: list[Failing] = []
    for c in asks.checks_of_requirement(r):
        where = asks.asked[:, :, c]
        gap = lacks.gaps.get((p, c))
        if gap is None and (p, c) in lacks.values:
            where, gap = _against_weather(asks, lacks.values[p, c], c, where)
        elif gap is None and (p, c) in lacks.counts:
            where, gap = _against_quantity(requirement, lacks.counts[p, c], quantities, where)
        elif gap is None and asks.checks[c].question is None:
            where, gap = _stand_in(asks, requirement, lacks.holdings[p, r], where)
        if gap is not None and bool(where.any()):
            result.append(Failing(c, gap, where))
    return result


def _against_weather(asks: Asks, value: float, c: int, where: Bools) -> tuple[Bools, Gap | None]:
    """An answer against a limit measured from a metric, wherever that is asked."""
    check = asks.checks[c]
    limit, question, relative = check.limit, check.question, check.relative
    if limit is None or question is None or relative is None:
        return where, None
    bound = asks.bounds[c]
    unknown = asks.open_bounds[c] | np.isnan(value)
    with np.errstate(invalid="ignore"):
        crossed = value > bound if limit.at_most is not None else value < bound
    known = where & crossed
    shown = answer_in_words(question, value)
    if known[asks.base].any():
        at = known[asks.base]
        extreme = (
            np.nanmin(bound[asks.base][at]) if limit.at_most is not None else np.nanmax(bound[asks.base][at])
        )
        word = "at most" if limit.at_most is not None else "at least"
        asked = f"{word} {extreme:.1f} {METRICS[relative.metric].unit}"
        return known, Gap(GapKind.UNFIT, limit.says, shown, asked)
    not_known = where & unknown
    if not_known[asks.base].any():
        title = METRICS[relative.metric].title
        return not_known, Gap(GapKind.UNANSWERED, f"cannot be judged: {title} is not known", shown)
    return (known, Gap(GapKind.UNFIT, limit.says, shown)) if known.any() else (where, None)


def _against_quantity(
    requirement: Requirement, count: float, quantities: Mapping[str, Floats], where: Bools
) -> tuple[Bools, Gap | None]:
    """What is there against a computed amount, scenario by scenario."""
    name, unit = requirement.how_many.computed, requirement.how_many.unit or ""
    amount = quantities.get(name or "")
    if amount is None or np.isnan(amount).all():
        return where, Gap(GapKind.UNANSWERED, "how much is needed cannot be worked out without a forecast")
    short = where & (np.nan_to_num(amount, nan=np.inf) > count)[:, np.newaxis]
    worst = float(np.nanmax(amount))
    says = f"{count:.0f} {unit} there, {worst:.0f} {unit} needed: {worst - count:.0f} {unit} short"
    return short, Gap(GapKind.SHORT, says, f"{count:.0f} {unit}", f"{worst:.0f} {unit}")


def _stand_in(
    asks: Asks, requirement: Requirement, holding: Holding, where: Bools
) -> tuple[Bools, Gap | None]:
    """A stand-in counts only where its own condition is certain to hold."""
    record = holding.record
    if record is None or record.body.stand_in is None:
        return where, None
    stand_in = next((s for s in requirement.stands_in if s.id == record.body.stand_in), None)
    if stand_in is None:
        return where, Gap(GapKind.UNFIT, f"{record.body.stand_in} does not stand in for this")
    short = where & ~asks.weather.truth(stand_in.when).certain
    return short, Gap(GapKind.UNFIT, f"{stand_in.item} stands in for it only in other conditions")


def _finding(
    asks: Asks, lacks: Lacks, picture: Picture, p: int, r: int, failing: Sequence[Failing]
) -> Finding | None:
    base = asks.base
    here = [f for f in failing if f.where[base].any()]
    if not here:
        return None
    requirement = lacks.edition.requirements[r]
    subject = lacks.subjects[p]
    holding = lacks.holdings[p, r]
    worst = min(here, key=lambda f: (BADNESS[f.gap.kind], f.check))
    check = asks.checks[worst.check]
    own_grades = check.limit.grades if check.limit is not None and worst.gap.kind is GapKind.UNFIT else ()
    graded = grade_in_force(own_grades or requirement.grades, asks.weather, worst.where[base], base)
    if graded is None:
        return None
    rule, also = graded
    holds = HoldPoints(asks.plan, picture)
    grade, hold = holds.in_force(rule)
    stage = int(np.argmax(worst.where[base]))
    when = _conditions_behind(asks, worst, rule)
    why_now = tuple(_triggers(asks, when, worst.where[base]))
    crossed = [trigger.at for trigger in why_now if trigger.at is not None]
    certain = bool((asks.certain[base, :, worst.check] & worst.where[base]).any())
    return Finding(
        id=f"{subject.id}.{requirement.id}",
        subject=subject.id,
        subject_name=subject.name,
        scope=subject.scope,
        requirement=requirement.id,
        item=requirement.item,
        zone=requirement.zone,
        kind=worst.gap.kind,
        grade=grade,
        hold=hold.kind,
        hold_name=hold.name,
        also=tuple(HoldGrade(grade=g, hold=h.kind, hold_name=h.name) for g, h in map(holds.in_force, also)),
        title=f"{subject.name}: {requirement.item} – {worst.gap.says}",
        reasons=tuple(_reasons(asks, here)),
        why=requirement.why,
        why_now=why_now,
        first_stage=asks.plan.stages[stage].id,
        first_stage_name=asks.plan.stages[stage].name,
        first_at=max(
            [asks.plan.stages[stage].starts_at.astimezone(UTC), *([min(crossed)] if crossed else [])]
        ),
        clears=requirement.clears,
        basis=requirement.basis,
        life_safety=requirement.life_safety,
        evidence=tuple(evidence_of(requirement, record) for record in holding.records),
        rests_on=tuple(record.entry for record in holding.records),
        conditions_known=certain,
        scenarios=tuple(
            scenario.id
            for s, scenario in enumerate(asks.conditions.scenarios)
            if any(f.where[s].any() for f in failing)
        ),
    )


class HoldPoints:
    """The hold points of a trip, and which have been passed."""

    def __init__(self, plan: TripPlan, picture: Picture) -> None:
        self._points = plan.hold_points or (
            HoldPoint(
                id="base",
                kind=HoldKind.BASE,
                name=plan.place.base_name,
                at=plan.stages[0].starts_at
                if plan.stages
                else datetime.combine(plan.starts_on, datetime.min.time(), UTC),
                elevation_m=plan.place.base_elevation_m,
            ),
        )
        self._passed = set(picture.holds_passed)

    def at(self, kind: HoldKind) -> HoldPoint:
        """The first hold point of a kind; where the trip has none, the next that comes later, else the
        last."""
        order = HOLD_ORDER[kind]
        later = [point for point in self._points if HOLD_ORDER[point.kind] >= order]
        return min(later, key=lambda point: HOLD_ORDER[point.kind]) if later else self._points[-1]

    def in_force(self, rule: GradeRule) -> tuple[Grade, HoldPoint]:
        """A rule's grade and hold point now: what had to be fixed before a point that is passed is a stop
        there."""
        point = self.at(rule.at)
        if rule.grade is Grade.FIX and point.id in self._passed:
            return Grade.STOP, point
        return rule.grade, point


def _reasons(asks: Asks, failing: Sequence[Failing]) -> list[Reason]:
    """What is wrong, worst first, each question once."""
    reasons: list[Reason] = []
    asked: set[str] = set()
    for f in sorted(failing, key=lambda f: (BADNESS[f.gap.kind], f.check)):
        check = asks.checks[f.check]
        question = check.question.id if check.question else None
        if question is not None and question in asked:
            continue
        if question is not None:
            asked.add(question)
        condition = check.limit.when if check.limit else None
        reasons.append(
            Reason(
                kind=f.gap.kind,
                says=f.gap.says,
                question=question,
                answer=f.gap.answer,
                asked=f.gap.asked,
                numbers=tuple(_triggers(asks, condition, f.where[asks.base])),
            )
        )
    return reasons


def _conditions_behind(asks: Asks, failing: Failing, rule: GradeRule) -> tuple[Condition, ...]:
    """The conditions that gave this check its grade; where the grade has none, those that made it apply."""
    check = asks.checks[failing.check]
    asked_by = (
        asks.edition.requirements[check.requirement].when,
        check.question.when if check.question else None,
        check.limit.when if check.limit else None,
    )
    graded_by = (rule.when,) if rule.when is not None else asked_by
    return tuple(dict.fromkeys(condition for condition in graded_by if condition is not None))


def _triggers(
    asks: Asks, condition: Condition | tuple[Condition, ...] | None, stages: Bools
) -> list[Trigger]:
    """The single thresholds of some conditions that are crossed on given stages, with the numbers."""
    conditions = condition if isinstance(condition, tuple) else (condition,)
    result: list[Trigger] = []
    for leaf in dict.fromkeys(leaf for part in conditions for leaf in leaves(part)):
        held = asks.weather.truth(leaf).certain[asks.base] & stages
        if held.any() and not isinstance(leaf, OnTerrain):
            result.append(_trigger(asks, leaf, int(np.argmax(held))))
    return result


def _trigger(asks: Asks, leaf: Below | AtLeast, stage: int) -> Trigger:
    """One crossed threshold on the first stage on which it is crossed: the extreme there, and the first
    hour."""
    below = isinstance(leaf, Below)
    threshold = leaf.below if isinstance(leaf, Below) else leaf.at_least
    limit = float(asks.weather.threshold(threshold, leaf.metric)[stage])
    extreme = (asks.conditions.low if below else asks.conditions.high)[leaf.metric][asks.base, stage]
    line = None
    if isinstance(threshold, FromLine):
        line = next(line.title for line in asks.edition.lines if line.id == threshold.line)
    metric = METRICS[leaf.metric]
    return Trigger(
        metric=metric.name,
        title=metric.title,
        unit=metric.unit,
        value=float(extreme),
        comparison="below" if below else "at-least",
        threshold=limit,
        line=line,
        stage=asks.plan.stages[stage].id,
        at=_first_hour(asks, leaf.metric, stage, limit, below=below),
    )


def _first_hour(asks: Asks, metric: str, stage: int, limit: float, *, below: bool) -> datetime | None:
    """The first hour on a stage at which an hourly metric crosses a threshold."""
    hourly = asks.conditions.hourly.get(metric)
    if hourly is None:
        return None
    values = hourly[asks.base]
    with np.errstate(invalid="ignore"):
        crossed = (values < limit if below else values >= limit) & (asks.conditions.step_stage == stage)
    return asks.conditions.moment(int(np.argmax(crossed))) if crossed.any() else None


def evidence_of(requirement: Requirement, record: Record[Sighting]) -> Evidence:
    """A sighting as it is shown."""
    body = record.body
    questions = {question.id: question for question in requirement.questions}
    return Evidence(
        entry=record.entry,
        known=body.known,
        state=body.state,
        count=body.count,
        by=record.actor.name,
        role=record.actor.role,
        happened_at=record.happened_at,
        answers={
            questions[q].ask if q in questions else q: answer_in_words(questions[q], a)
            if q in questions
            else str(a)
            for q, a in body.answers.items()
        },
        remark=body.remark,
        stand_in=next((s.item for s in requirement.stands_in if s.id == body.stand_in), body.stand_in),
        photo=body.photo,
    )
