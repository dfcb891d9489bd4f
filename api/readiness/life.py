"""The life of a flag: what people have done about a finding, and whether an acceptance still holds. Pure."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import cast

import numpy as np

from api.journal.fold import Picture, Record
from api.journal.kinds import AcceptanceEnded, Bound, FlagAccepted, FlagTaken
from api.journal.trip import HOLD_ORDER
from api.kitlist.metrics import METRICS
from api.kitlist.schemas import AtLeast, Below, Condition, FromMetric, Grade, Requirement, leaves
from api.readiness.asks import Asks
from api.readiness.evaluation import Evaluation
from api.readiness.schemas import BoundShown, Change, Finding, FlagState, GapKind, Life

NO_WORSE = 1e-6
"""Differences smaller than this, in the metric's own unit, are rounding."""


def with_life(evaluation: Evaluation, found: Iterable[Finding], now: datetime | None) -> tuple[Finding, ...]:
    """Findings with what people have done about them."""
    picture = evaluation.picture
    return tuple(
        f.model_copy(update={"life": life_of(evaluation, f, now)})
        if f.id in picture.flags or f.id in picture.acceptances
        else f
        for f in found
    )


def life_of(evaluation: Evaluation, finding: Finding, now: datetime | None) -> Life:
    """Where the flag of a finding stands.

    Parameters
    ----------
    evaluation
        The trip as it stands.
    finding
        One of its findings.
    now
        Whether a taking is stale depends on it; None: takings do not grow old.
    """
    acceptance = _Acceptance.of(evaluation.picture, finding)
    changes = tuple(acceptance.changes(evaluation, finding))
    taking = _taking(evaluation.picture, finding.id, acceptance.since)
    told = acceptance.told(evaluation) | taking.told(now)
    if acceptance.given and not changes:
        return Life(state=FlagState.ACCEPTED, **told)
    state = FlagState.REOPENED if changes else FlagState.OPEN
    if taking.taken and not told["stale"]:
        state = FlagState.TAKEN
    return Life(state=state, changes=changes, **told)


# -- taking


@dataclass(frozen=True, slots=True)
class _Taking:
    taken: tuple[Record[FlagTaken], ...]

    def told(self, now: datetime | None) -> dict[str, object]:
        if not self.taken:
            return {"stale": False}
        last = self.taken[-1]
        others = {r.actor.id: r.actor.name for r in self.taken if r.actor.id != last.actor.id}
        return {
            "taken_by": last.actor.name,
            "taken_by_id": last.actor.id,
            "until": last.body.until,
            "stale": now is not None and last.body.until < now,
            "note": last.body.note,
            "also_taken_by": tuple(others.values()),
        }


def _taking(picture: Picture, finding: str, since: datetime | None) -> _Taking:
    """Who has taken it; whoever took it before it was accepted is done with it."""
    taken = [
        cast(Record[FlagTaken], record)
        for record in picture.flags.get(finding, ())
        if isinstance(record.body, FlagTaken) and (since is None or record.happened_at > since)
    ]
    return _Taking(tuple(sorted(taken, key=lambda record: (record.body.until, record.entry))))


# -- accepting


def limit_of_the_permit(finding: Finding) -> bool:
    """Whether a finding is about a limit of law or permit, which nobody can accept away."""
    return finding.kind is GapKind.RULE and finding.basis.kind == "law-or-permit"


@dataclass(frozen=True, slots=True)
class _Acceptance:
    """The acceptances of one finding that stand side by side; all of them must hold."""

    given: tuple[Record[FlagAccepted], ...]
    ended: tuple[Record[AcceptanceEnded], ...]

    @classmethod
    def of(cls, picture: Picture, finding: Finding) -> "_Acceptance":
        records = () if limit_of_the_permit(finding) else picture.acceptances.get(finding.id, ())
        by_lead = [r for r in records if isinstance(r.body, FlagAccepted) and r.actor.role == "lead"]
        ended = [r for r in records if isinstance(r.body, AcceptanceEnded)]
        return cls(
            tuple(cast(Record[FlagAccepted], record) for record in by_lead),
            tuple(cast(Record[AcceptanceEnded], record) for record in ended),
        )

    @property
    def since(self) -> datetime | None:
        return max((record.happened_at for record in self.given), default=None)

    def told(self, evaluation: Evaluation) -> dict[str, object]:
        if not self.given:
            return {}
        last = self.given[-1]
        return {
            "accepted_by": last.actor.name,
            "accepted_at": last.happened_at,
            "reason": last.body.reason,
            "bounds": tuple(shown_bound(evaluation, bound) for bound in last.body.bounds),
        }

    def changes(self, evaluation: Evaluation, finding: Finding) -> Iterator[Change]:
        for record in self.ended:
            said = f": {record.body.reason}" if record.body.reason else ""
            yield Change(about="acceptance", says=f"{record.actor.name} took the acceptance back{said}")
        for given in self.given:
            yield from changes_since(evaluation, finding, given.body)


def changes_since(evaluation: Evaluation, finding: Finding, accepted: FlagAccepted) -> Iterator[Change]:
    """What has changed for the worse since a gap was accepted; nothing while the acceptance holds."""
    yield from _graver(evaluation, finding, accepted)
    yield from _other_evidence(finding, accepted)
    yield from sorted(
        _worse(evaluation, finding, accepted), key=lambda c: (c.stage is not None, c.line is None)
    )


def _graver(evaluation: Evaluation, finding: Finding, accepted: FlagAccepted) -> Iterator[Change]:
    if finding.kind.value != accepted.gap:
        yield Change(about="gap", says=f"the gap is now: {finding.reasons[0].says}")
    was = Grade(accepted.grade)
    nearer = HOLD_ORDER[finding.hold] < HOLD_ORDER[accepted.hold] and finding.grade is not Grade.ADVISE
    if finding.grade.weight > was.weight and not _only_passed(evaluation, finding, accepted):
        yield Change(
            about="grade", says=f"now {finding.grade.value} before {finding.hold_name}, was {was.value}"
        )
    elif nearer and finding.grade.weight >= was.weight:
        yield Change(about="grade", says=f"now before {finding.hold_name} already")


def _only_passed(evaluation: Evaluation, finding: Finding, accepted: FlagAccepted) -> bool:
    """A fix that was accepted became a stop only because its hold point was passed, as had been accepted."""
    passed = {h.kind for h in evaluation.plan.hold_points if h.id in evaluation.picture.holds_passed}
    same = finding.hold is accepted.hold and finding.hold in passed
    return same and accepted.grade == "fix" and finding.grade is Grade.STOP


def _other_evidence(finding: Finding, accepted: FlagAccepted) -> Iterator[Change]:
    if set(finding.rests_on) == set(accepted.evidence):
        return
    new = [e for e in finding.evidence if e.entry not in accepted.evidence]
    if not new:
        yield Change(about="evidence", says="what it rested on has changed")
    for seen in new:
        remark = f" ({seen.remark})" if seen.remark else ""
        says = f"{seen.by} recorded it anew: {seen.known.value}, {seen.state.value}{remark}"
        yield Change(about="evidence", says=says, at=seen.happened_at)


def _worse(evaluation: Evaluation, finding: Finding, accepted: FlagAccepted) -> Iterator[Change]:
    told = {(b.metric, b.comparison, b.stage): b for b in accepted.bounds}
    for now in bounds_of(evaluation, finding):
        was = told.get((now.metric, now.comparison, now.stage))
        if was is None:
            if now.value is not None:
                yield _change(evaluation, finding, now, None, "and was not part of what was accepted")
        elif now.value is None:
            if was.value is not None:
                yield _change(evaluation, finding, now, was.value, "not known any more")
        elif was.value is None:
            yield _change(evaluation, finding, now, None, "was not known")
        elif _is_worse(now, was.value):
            yield _change(evaluation, finding, now, was.value, "")


def _is_worse(now: Bound, was: float) -> bool:
    if now.value is None:
        return True
    gap = was - now.value if now.comparison == "not-below" else now.value - was
    return gap > NO_WORSE


# -- bounds


def bounds_of(evaluation: Evaluation, finding: Finding) -> tuple[Bound, ...]:
    """The numbers a gap depends on, as they are now: what an acceptance holds for.

    Every metric that the requirement looks at, on every stage ahead on which it applies, on the side on which
    worse lies; and the amount that is needed, where that is worked out.
    """
    asked, edition = evaluation.asks, evaluation.edition
    if asked is None or edition is None:
        return ()
    index = next((i for i, r in enumerate(edition.requirements) if r.id == finding.requirement), None)
    if index is None:
        return ()
    requirement = edition.requirements[index]
    checks = list(asked.checks_of_requirement(index))
    there = np.flatnonzero(asked.asked[asked.base][:, checks].any(axis=1))
    bounds = [
        Bound(metric=metric, comparison=side, value=value, stage=asked.plan.stages[t].id)
        for metric, side in looked_at(requirement)
        for t in map(int, there)
        if (value := _extreme(asked, metric, side, t)) is not None or _should_be_known(asked, metric, t)
    ]
    name = requirement.how_many.computed
    if name is not None and name in evaluation.quantities:
        amount = float(evaluation.quantities[name][asked.base])
        bounds.append(Bound(metric=name, comparison="not-above", value=None if np.isnan(amount) else amount))
    return tuple(bounds)


def looked_at(requirement: Requirement) -> tuple[tuple[str, str], ...]:
    """(metric, side) of every number that a requirement, its grades and its limits look at, each once."""
    found: dict[tuple[str, str], None] = {}
    for condition in _conditions(requirement):
        for leaf in leaves(condition):
            if isinstance(leaf, Below):
                found[leaf.metric, "not-below"] = None
            elif isinstance(leaf, AtLeast):
                found[leaf.metric, "not-above"] = None
    for question in requirement.questions:
        for limit in question.limits:
            if isinstance(limit.at_most, FromMetric):
                found[limit.at_most.metric, "not-below"] = None
            if isinstance(limit.at_least, FromMetric):
                found[limit.at_least.metric, "not-above"] = None
    return tuple(found)


def _conditions(requirement: Requirement) -> Iterator[Condition | None]:
    yield requirement.when
    graded = list(requirement.grades)
    for question in requirement.questions:
        yield question.when
        for limit in question.limits:
            yield limit.when
            graded.extend(limit.grades)
    for rule in graded:
        yield rule.when
        yield from (more.when for more in rule.also)


def _extreme(asked: Asks, metric: str, side: str, stage: int) -> float | None:
    values = (asked.conditions.low if side == "not-below" else asked.conditions.high).get(metric)
    value = float("nan") if values is None else float(values[asked.base, stage])
    return None if np.isnan(value) else value


def _should_be_known(asked: Asks, metric: str, stage: int) -> bool:
    """Whether a missing value is missing, rather than that the stage has no such thing."""
    return not bool(asked.weather.complete(metric)[asked.base, stage])


# -- words


def shown_bound(evaluation: Evaluation, bound: Bound) -> BoundShown:
    """A bound in words: "freezing level on Shelf Camp to Kessandry not below 3,900 m"."""
    metric = METRICS[bound.metric]
    where = _stage_name(evaluation, bound.stage)
    if bound.value is None:
        return BoundShown(metric=bound.metric, stage=bound.stage, says=f"{metric.title}{where}: not known")
    side = bound.comparison.replace("-", " ")
    says = f"{metric.title}{where} {side} {number(bound.value, metric.unit)}"
    return BoundShown(metric=bound.metric, stage=bound.stage, says=says)


def _change(evaluation: Evaluation, finding: Finding, now: Bound, was: float | None, remark: str) -> Change:
    metric = METRICS[now.metric]
    at = _hour_of(evaluation, now)
    moment = f" {at.astimezone(evaluation.plan.place.zone):%a %H:%M}" if at else ""
    line = None if was is None or now.value is None else _line_crossed(evaluation, finding, now, was)
    parts = [f"now {number(now.value, metric.unit)}" if now.value is not None else remark]
    if was is not None:
        parts.append(f"was {number(was, metric.unit)}")
    elif remark and now.value is not None:
        parts.append(remark)
    if line is not None:
        parts.append(f"the line is {number(line, metric.unit)}")
    return Change(
        about="conditions",
        says=f"{metric.title}{moment or _stage_name(evaluation, now.stage)} {', '.join(parts)}",
        metric=now.metric,
        title=metric.title,
        unit=metric.unit,
        was=was,
        now=now.value,
        line=line,
        stage=now.stage,
        at=at,
    )


def _stage_name(evaluation: Evaluation, stage: str | None) -> str:
    found = next((s.name for s in evaluation.plan.stages if s.id == stage), None)
    return f" on {found}" if found else ""


def _hour_of(evaluation: Evaluation, bound: Bound) -> datetime | None:
    """The hour at which an hourly number is worst on its stage."""
    conditions = evaluation.conditions
    hourly = conditions.hourly.get(bound.metric)
    if hourly is None or bound.stage not in conditions.stages:
        return None
    values = hourly[conditions.base]
    here = (conditions.step_stage == conditions.stages.index(bound.stage)) & ~np.isnan(values)
    if not here.any():
        return None
    worst = values[here].min() if bound.comparison == "not-below" else values[here].max()
    return conditions.moment(int(np.argmax(here & (values == worst))))


def _line_crossed(evaluation: Evaluation, finding: Finding, now: Bound, was: float) -> float | None:
    """A threshold of the requirement that lies between what was and what is."""
    asked, edition = evaluation.asks, evaluation.edition
    requirement = edition.requirement(finding.requirement) if edition else None
    if asked is None or requirement is None or now.value is None or now.stage is None:
        return None
    stage = asked.conditions.stages.index(now.stage)
    limits = []
    for leaf in (leaf for condition in _conditions(requirement) for leaf in leaves(condition)):
        if isinstance(leaf, Below) and (leaf.metric, "not-below") == (now.metric, now.comparison):
            limit = float(asked.weather.threshold(leaf.below, leaf.metric)[stage])
            if now.value < limit <= was:
                limits.append(limit)
        elif isinstance(leaf, AtLeast) and (leaf.metric, "not-above") == (now.metric, now.comparison):
            limit = float(asked.weather.threshold(leaf.at_least, leaf.metric)[stage])
            if was < limit <= now.value:
                limits.append(limit)
    return (min(limits) if now.comparison == "not-below" else max(limits)) if limits else None


def number(value: float, unit: str) -> str:
    """A number with its unit as people read it."""
    if unit in ("m", "g", "hPa", "min"):
        text = f"{value:,.0f}"
    elif unit in ("°C", "m/s", "mm", "cm", "h"):
        text = f"{value:.1f}"
    else:
        text = f"{value:g}"
    return text if unit == "1" else f"{text} {unit}"
