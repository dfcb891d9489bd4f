"""A trip worked out for phones, so that a phone can judge gear by itself.

Pure. What depends on trip and forecast becomes lists of stages and plain numbers; a phone then needs no
conditions, only comparisons. `web/static/check/evaluator.js` is the other half, and tests hold both together.
"""

from collections.abc import Iterator, Mapping, Sequence
from datetime import timedelta
from math import floor
from uuid import UUID

import numpy as np
import numpy.typing as npt

from api.access.current import Reader
from api.conditions.choice import forecast_in_force
from api.handson.rules import Look, odd_clock, spent
from api.handson.schemas import (
    AmountOn,
    FlagOn,
    ForecastOn,
    GradeOn,
    HandsOn,
    HoldOn,
    LimitOn,
    Person,
    QuestionOn,
    RequirementOn,
    RopeOn,
    SightingOn,
    StageOn,
    Stages,
    StandInOn,
    SubjectOn,
)
from api.journal.chain import moment
from api.journal.entry import StoredEntry
from api.journal.kinds import Sighting, Withdrawn
from api.journal.trip import HoldPoint
from api.kitlist.metrics import METRICS
from api.kitlist.quantities import in_unit
from api.kitlist.schemas import GradeRule, Limit, Question, Requirement
from api.readiness.asks import Asks, Check
from api.readiness.evaluation import Evaluation
from api.readiness.findings import Floats, HoldPoints
from api.readiness.lacks import DAYS_PER_YEAR, limit_in_words, subjects_of, takes
from api.readiness.life import with_life
from api.readiness.schemas import FlagState

WHOLE = 60
"""How many of the newest records have everything that was ever written about the same thing sent along."""

Bools = npt.NDArray[np.bool_]


def hands_on(
    evaluation: Evaluation, entries: Sequence[StoredEntry], reader: Reader, *, may_record: bool
) -> HandsOn:
    """Everything a phone needs, from an evaluated trip and the journal entries it was evaluated from."""
    writers = _Writers()
    counting, withdrawn = _counting(evaluation, entries)
    listed = _KitList(evaluation, evaluation.asks) if evaluation.asks is not None else None
    requirements = tuple(listed.requirements()) if listed else ()
    return HandsOn(
        trip=evaluation.trip,
        name=evaluation.plan.name,
        time_zone=evaluation.plan.place.time_zone,
        seq=evaluation.seq,
        reader=Person(id=reader.staff, name=reader.name, role=reader.role),
        may_record=may_record,
        edition=evaluation.edition.title if evaluation.edition else None,
        stages=tuple(StageOn(id=stage.id, name=stage.name) for stage in evaluation.plan.stages),
        holds=tuple(
            HoldOn(
                id=point.id,
                kind=point.kind.value,
                name=point.name,
                passed=point.id in evaluation.picture.holds_passed,
            )
            for point in (listed.holds if listed else ())
        ),
        requirements=requirements,
        amounts=amounts(evaluation.quantities, evaluation.conditions.base),
        subjects=_subjects(evaluation, entries),
        ropes=tuple(
            RopeOn(id=rope.id, name=rope.name, members=rope.members) for rope in evaluation.picture.rope_teams
        ),
        sightings=tuple(_sighting(entry, writers) for entry in counting),
        writers=tuple(writers.people),
        withdrawn=withdrawn,
        flags=flags(evaluation),
        forecast=forecast(evaluation),
    )


def flags(evaluation: Evaluation) -> dict[str, FlagOn]:
    """What people have done about findings, by finding. Takings do not grow old here; see `FlagOn.until`."""
    done = {}
    for finding in with_life(evaluation, evaluation.findings, None):
        life, kind, grade = finding.life, finding.kind.value, finding.grade
        if life.state is FlagState.ACCEPTED:
            by = life.accepted_by or ""
            done[finding.id] = FlagOn(state="accepted", by=by, kind=kind, grade=grade)
        elif life.state is FlagState.TAKEN and life.until is not None:
            by, until = life.taken_by or "", moment(life.until)
            done[finding.id] = FlagOn(state="taken", by=by, until=until, kind=kind, grade=grade)
    return done


def forecast(evaluation: Evaluation) -> ForecastOn | None:
    """The forecast in force."""
    newest = forecast_in_force(evaluation.picture)
    if newest is None:
        return None
    return ForecastOn(label=newest.body.label, issued_at=moment(newest.body.issued_at))


def amounts(quantities: Mapping[str, Floats], base: int) -> dict[str, AmountOn]:
    """The computed amounts that are known in any scenario."""
    return {
        name: AmountOn(base=_known(amount[base]), worst=float(np.nanmax(amount)))
        for name, amount in quantities.items()
        if not np.isnan(amount).all()
    }


class _Writers:
    """Writers, each once."""

    def __init__(self) -> None:
        self.people: list[Person] = []
        self._places: dict[tuple[str, str, str], int] = {}

    def place(self, entry: StoredEntry) -> int:
        actor = entry.actor
        key = (actor.id, actor.name, actor.role)
        if key not in self._places:
            self._places[key] = len(self.people)
            self.people.append(Person(id=actor.id, name=actor.name, role=actor.role))
        return self._places[key]


def _counting(
    evaluation: Evaluation, entries: Sequence[StoredEntry]
) -> tuple[list[StoredEntry], tuple[UUID, ...]]:
    """The sightings that stand, those about things looked at lately whether they stand or not, and which of
    these were taken back.
    """
    by_id = {entry.id: entry for entry in entries if isinstance(entry.body, Sighting)}
    taken_back = {
        entry.body.entry: entry
        for entry in entries
        if isinstance(entry.body, Withdrawn) and entry.body.entry in by_id
    }
    newest = sorted(
        [*((entry.seq, id_) for id_, entry in by_id.items()), *((e.seq, i) for i, e in taken_back.items())],
        reverse=True,
    )
    lately = {by_id[id_].key() for _, id_ in newest[:WHOLE]}
    standing = {record.entry for records in evaluation.picture.sightings.values() for record in records}
    kept = [entry for id_, entry in by_id.items() if id_ in standing or entry.key() in lately]
    return kept, tuple(entry.id for entry in kept if entry.id in taken_back)


def _subjects(evaluation: Evaluation, entries: Sequence[StoredEntry]) -> tuple[SubjectOn, ...]:
    looks = [
        (Look(entry.actor.id, entry.body.subject, entry.happened_at), entry)
        for entry in entries
        if isinstance(entry.body, Sighting) and entry.actor.role != "climber"
    ]
    took = spent(look for look, _ in looks)
    last = {look.subject: entry for look, entry in sorted(looks, key=lambda found: found[0].at)}
    return tuple(
        SubjectOn(
            id=subject.id,
            name=subject.name,
            scope=subject.scope,
            role=subject.role.value if subject.role else None,
            people=subject.people,
            guides=subject.guides,
            ropes=subject.ropes,
            spent_s=took[subject.id].total_seconds() if subject.id in took else 0,
            last_by=last[subject.id].actor.name if subject.id in last else None,
            last_at=moment(last[subject.id].happened_at) if subject.id in last else None,
        )
        for subject in subjects_of(evaluation.picture)
    )


def _sighting(entry: StoredEntry, writers: _Writers) -> SightingOn:
    body = entry.body
    assert isinstance(body, Sighting)
    return SightingOn(
        id=entry.id,
        subject=body.subject,
        requirement=body.requirement,
        known=body.known,
        state=body.state,
        count=body.count,
        answers=body.answers,
        stand_in=body.stand_in,
        remark=body.remark,
        photo=body.photo,
        by=writers.place(entry),
        at=moment(entry.happened_at),
        after=entry.after or (),
        odd=odd_clock(entry.happened_at, entry.received_at),
    )


class _KitList:
    """An edition with its conditions worked out for the forecast itself."""

    def __init__(self, evaluation: Evaluation, asks: Asks) -> None:
        self._asks = asks
        self._base = asks.base
        self._plan = evaluation.plan
        self._points = HoldPoints(evaluation.plan, evaluation.picture)
        self.holds: list[HoldPoint] = []
        """The hold points that grades name, each once."""

    def requirements(self) -> Iterator[RequirementOn]:
        for index, requirement in enumerate(self._asks.edition.requirements):
            if not requirement.is_thing:
                continue
            presence, *rest = self._asks.checks_of_requirement(index)
            how_many = requirement.how_many
            yield RequirementOn(
                id=requirement.id,
                item=requirement.item,
                zone=requirement.zone,
                scope=requirement.scope,
                roles=tuple(role.value for role in requirement.roles),
                optional=requirement.optional,
                life_safety=requirement.life_safety,
                takes=takes(requirement),
                asked=_stages(self._asks.asked[self._base, :, presence]),
                count=how_many.count,
                per=how_many.per,
                people=how_many.people,
                computed=how_many.computed,
                unit=how_many.unit or "",
                grades=self._grades(requirement.grades),
                stands_in=tuple(
                    StandInOn(
                        id=stand_in.id,
                        item=stand_in.item,
                        stages=_stages(self._asks.weather.truth(stand_in.when).certain[self._base]),
                    )
                    for stand_in in requirement.stands_in
                ),
                questions=tuple(self._questions(requirement, rest)),
                clears=requirement.clears,
            )

    def _questions(self, requirement: Requirement, checks: Sequence[int]) -> Iterator[QuestionOn]:
        for question in requirement.questions:
            limits = tuple(
                limit
                for c in checks
                if self._asks.checks[c].question is question
                for limit in self._limits(question, self._asks.checks[c], c)
            )
            yield QuestionOn(
                id=question.id,
                ask=question.ask,
                kind=question.kind,
                unit=question.unit,
                choices=tuple((choice.id, choice.label) for choice in question.choices),
                needs=question.needs,
                limits=limits,
            )

    def _limits(self, question: Question, check: Check, c: int) -> Iterator[LimitOn]:
        """The limit, when it is asked on any stage."""
        limit, asked = check.limit, _stages(self._asks.asked[self._base, :, c])
        if limit is None or not asked:
            return
        told = LimitOn(
            kind="want",
            asked=asked,
            says=limit.says,
            asked_words=limit_in_words(question, limit, self._plan),
            grades=self._grades(limit.grades),
        )
        if check.relative is None:
            kind, value = self._plain(question, limit)
            yield told.model_copy(update={"kind": kind, "value": value})
            return
        metric = METRICS[check.relative.metric]
        yield told.model_copy(
            update={
                "kind": "under" if limit.at_most is not None else "above",
                "bounds": tuple(_known(value) for value in self._asks.bounds[c][self._base]),
                "open": _stages(self._asks.open_bounds[c][self._base]),
                "unit": metric.unit,
                "title": metric.title,
            }
        )

    def _plain(self, question: Question, limit: Limit) -> tuple[str, bool | float | str | tuple[str, ...]]:
        unit = question.unit or "1"
        if limit.want is not None:
            return "want", limit.want
        if limit.one_of:
            return "one-of", limit.one_of
        if limit.not_before is not None:
            first = self._plan.starts_on if limit.not_before == "trip-start" else self._plan.ends_on
            return "not-before", first.isoformat()
        if limit.within_years is not None:
            days = floor(limit.within_years * DAYS_PER_YEAR)
            return "not-older", (self._plan.starts_on - timedelta(days=days)).isoformat()
        if isinstance(limit.at_least, str):
            return "at-least", in_unit(limit.at_least, unit)
        assert isinstance(limit.at_most, str)
        return "at-most", in_unit(limit.at_most, unit)

    def _grades(self, rules: Sequence[GradeRule]) -> tuple[GradeOn, ...]:
        return tuple(self._grade(rule) for rule in rules)

    def _grade(self, rule: GradeRule) -> GradeOn:
        point = self._points.at(rule.at)
        if point not in self.holds:
            self.holds.append(point)
        return GradeOn(
            grade=rule.grade,
            hold=self.holds.index(point),
            stages=_stages(self._asks.weather.truth(rule.when).possible[self._base]),
            also=self._grades(rule.also),
        )


def _stages(mask: Bools) -> Stages:
    return tuple(int(stage) for stage in np.flatnonzero(mask))


def _known(value: float) -> float | None:
    return None if np.isnan(value) else float(value)
