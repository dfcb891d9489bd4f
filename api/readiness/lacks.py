"""What the people have, held against a kit list: who lacks what, as far as the journal shows. Pure.

Nothing here looks at the weather. Limits that depend on it (a bag against the night's low, fuel against
the plan) are handed on
as values, and `findings` compares them scenario by scenario.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from itertools import combinations
from math import ceil

from api.journal.fold import Picture, Record
from api.journal.kinds import PARTY, Answer, GearState, Known, Sighting
from api.journal.trip import Role, TripPlan
from api.kitlist.quantities import in_unit
from api.kitlist.schemas import (
    Edition,
    FromMetric,
    HowMany,
    Limit,
    Question,
    Requirement,
    Scope,
)
from api.readiness.asks import Check, checks_of, spans_of
from api.readiness.schemas import GapKind

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True, slots=True)
class Subject:
    """Someone or something a requirement can apply to: a member, a rope, or the party."""

    id: str
    name: str
    scope: Scope
    role: Role | None = None
    people: int = 1
    guides: int = 0
    ropes: int = 0


@dataclass(frozen=True, slots=True)
class Gap:
    """One check that a subject does not meet, as far as is known."""

    kind: GapKind
    says: str
    answer: str | None = None
    asked: str | None = None


GUIDES = ("lead", "assistant")
"""Roles of those who may say that a thing was seen or tried where life depends on it."""


def worth(record: Record[Sighting]) -> Known:
    """How a thing is known by one record. What climbers report themselves is a picture at best."""
    known = record.body.known
    if record.actor.role == "climber" and known.rung > Known.PICTURED.rung:
        return Known.PICTURED
    return known


def takes(requirement: Requirement) -> Known:
    """How a thing must be known before it counts: tried, where life depends on it."""
    return Known.TRIED if requirement.life_safety else requirement.takes


@dataclass(frozen=True, slots=True)
class Holding:
    """What is known of one requirement for one subject."""

    records: tuple[Record[Sighting], ...]
    needed: float
    """How many are asked; NaN when it depends on the weather."""

    @property
    def disagree(self) -> bool:
        """Whether records stand side by side that contradict each other."""
        return any(contradict(a.body, b.body) for a, b in combinations(self.records, 2))

    @property
    def record(self) -> Record[Sighting] | None:
        """The best known of the records that stand, when they do not contradict each other."""
        if len(self.records) == 1:
            return self.records[0]
        if not self.records or self.disagree:
            return None
        return max(self.records, key=lambda record: (worth(record).rung, record.actor.role in GUIDES))

    @property
    def answers(self) -> Mapping[str, Answer]:
        """All answers given, by question; records that do not contradict each other complete each other."""
        if len(self.records) == 1:
            return self.records[0].body.answers
        return {question: a for record in self.records for question, a in record.body.answers.items()}


@dataclass(frozen=True, slots=True)
class Lacks:
    """Who lacks what. Keys are (index of subject, index of check) or (index of subject, index of
    requirement)."""

    edition: Edition
    subjects: tuple[Subject, ...]
    checks: tuple[Check, ...]
    holdings: dict[tuple[int, int], Holding] = field(default_factory=dict)
    gaps: dict[tuple[int, int], Gap] = field(default_factory=dict)
    values: dict[tuple[int, int], float] = field(default_factory=dict)
    """Answers to limits that are measured from a metric, in the question's unit."""
    counts: dict[tuple[int, int], float] = field(default_factory=dict)
    """Counted amounts where the amount asked is a computed quantity."""


def subjects_of(picture: Picture) -> tuple[Subject, ...]:
    """Everyone and everything requirements can apply to: people by name within role, then ropes, then the
    party."""
    roles = list(Role)
    people = sorted(
        picture.profiles.items(), key=lambda item: (roles.index(item[1].role), item[1].name, item[0])
    )
    guides = {member for member, profile in people if profile.role.guides}
    ropes = picture.rope_teams
    return (
        *(Subject(member, profile.name, Scope.PERSON, profile.role) for member, profile in people),
        *(
            Subject(
                rope.id,
                rope.name,
                Scope.ROPE,
                people=len(rope.members),
                guides=len(guides & set(rope.members)),
                ropes=1,
            )
            for rope in ropes
        ),
        Subject(PARTY, "The party", Scope.PARTY, people=len(people), guides=len(guides), ropes=len(ropes)),
    )


def applies(requirement: Requirement, subject: Subject) -> bool:
    """Whether a requirement is something this subject can have at all."""
    if requirement.scope is not subject.scope or not requirement.is_thing:
        return False
    return not requirement.roles or subject.role in requirement.roles


def needed(how_many: HowMany, subject: Subject) -> float:
    """How many are asked of a subject; NaN for a computed quantity."""
    if how_many.computed is not None:
        return float("nan")
    lots = {
        "person": subject.people,
        "rope": max(subject.ropes, 1),
        "rope-end": 2,
        "party": 1,
        "guide": subject.guides,
        "people": ceil(subject.people / (how_many.people or 1)),
    }[how_many.per]
    return how_many.count * lots


def lacks(edition: Edition, plan: TripPlan, picture: Picture) -> Lacks:
    """Hold every sighting of a picture against every check of an edition.

    Parameters
    ----------
    edition
        The kit list in force.
    plan
        The trip's plan; only its dates are used, for expiry.
    picture
        What is known of the trip.

    Returns
    -------
    Lacks
        Gaps by (subject, check), and values for what depends on the weather.
    """
    checks = checks_of(edition)
    result = Lacks(edition, subjects_of(picture), checks)
    spans = spans_of(checks)
    for p, subject in enumerate(result.subjects):
        for r, requirement in enumerate(edition.requirements):
            if applies(requirement, subject):
                _look_at(result, p, r, spans[r], plan, picture)
    return result


def looked_at_again(before: Lacks, plan: TripPlan, picture: Picture, p: int, r: int) -> Lacks:
    """The same, with one requirement of one subject held against the picture anew."""
    span = spans_of(before.checks)[r]
    old = {(p, c) for c in span}
    result = replace(
        before,
        holdings=dict(before.holdings),
        gaps={key: gap for key, gap in before.gaps.items() if key not in old},
        values={key: value for key, value in before.values.items() if key not in old},
        counts={key: count for key, count in before.counts.items() if key not in old},
    )
    _look_at(result, p, r, span, plan, picture)
    return result


def _look_at(result: Lacks, p: int, r: int, span: range, plan: TripPlan, picture: Picture) -> None:
    """Note everything about one requirement of one subject."""
    subject, requirement = result.subjects[p], result.edition.requirements[r]
    records = picture.sightings.get((subject.id, requirement.id), ())
    holding = Holding(tuple(records), needed(requirement.how_many, subject))
    result.holdings[p, r] = holding
    presence, *questions = span
    _presence(result, p, presence, requirement, holding)
    _answers(result, p, questions, holding, plan)


def _presence(result: Lacks, p: int, c: int, requirement: Requirement, holding: Holding) -> None:
    """Note whether the thing itself is there, often enough, and known well enough."""
    if not holding.records:
        result.gaps[p, c] = Gap(GapKind.UNKNOWN, "not sighted by anyone")
        return
    record = holding.record
    if record is None:
        result.gaps[p, c] = Gap(GapKind.DISAGREE, _both_sides(holding.records))
        return
    body = record.body
    if body.state is GearState.ABSENT:
        result.gaps[p, c] = Gap(GapKind.ABSENT, body.remark or "not there")
    elif body.state is GearState.UNFIT:
        result.gaps[p, c] = Gap(GapKind.UNFIT, body.remark or "there, but not fit for this trip")
    elif worth(record).rung < takes(requirement).rung:
        told = " by the climber" if record.actor.role == "climber" else ""
        says = f"only {body.known.value}{told}, must be {takes(requirement).value}"
        result.gaps[p, c] = Gap(GapKind.UNSEEN, says)
    elif requirement.life_safety and record.actor.role not in GUIDES:
        says = f"tried by {record.actor.name}, who is no guide on this trip; a guide must try it"
        result.gaps[p, c] = Gap(GapKind.UNSEEN, says)
    elif requirement.how_many.computed is not None:
        if body.count is None:
            result.gaps[p, c] = Gap(GapKind.UNANSWERED, "how much there is has not been said")
        else:
            result.counts[p, c] = body.count
    elif body.count is not None and body.count < holding.needed:
        says = f"{_plain(body.count)} there, {_plain(holding.needed)} asked"
        result.gaps[p, c] = Gap(GapKind.SHORT, says, _plain(body.count), _plain(holding.needed))


def _answers(result: Lacks, p: int, questions: Sequence[int], holding: Holding, plan: TripPlan) -> None:
    """Note which fitness questions are open or answered amiss. Only a thing that is there can be asked
    about."""
    record = holding.record
    if record is None or record.body.state is GearState.ABSENT or record.body.stand_in is not None:
        return
    answers = holding.answers
    for c in questions:
        check = result.checks[c]
        question, limit = check.question, check.limit
        if question is None or limit is None:
            continue
        answer = answers.get(question.id)
        if answer is None:
            if worth(record).rung >= question.needs.rung and record.body.state is GearState.FITS:
                result.gaps[p, c] = Gap(GapKind.UNANSWERED, f"not answered: {question.ask}")
        elif check.relative is not None:
            result.values[p, c] = float(answer) if _is_number(answer) else float("nan")
        elif not meets(limit, question, answer, plan):
            shown = answer_in_words(question, answer)
            result.gaps[p, c] = Gap(GapKind.UNFIT, limit.says, shown, limit_in_words(question, limit, plan))


def meets(limit: Limit, question: Question, answer: Answer, plan: TripPlan) -> bool:
    """Whether an answer satisfies a limit that does not depend on the weather. An answer of the wrong kind
    does not."""
    if limit.want is not None:
        return isinstance(answer, bool) and answer is limit.want
    if limit.one_of:
        return answer in limit.one_of
    if limit.not_before is not None or limit.within_years is not None:
        return _date_meets(limit, answer, plan)
    if not _is_number(answer):
        return False
    unit = question.unit or "1"
    if isinstance(limit.at_least, str):
        return float(answer) >= in_unit(limit.at_least, unit)
    if isinstance(limit.at_most, str):
        return float(answer) <= in_unit(limit.at_most, unit)
    return False


def _date_meets(limit: Limit, answer: Answer, plan: TripPlan) -> bool:
    try:
        given = date.fromisoformat(str(answer))
    except ValueError:
        return False
    if limit.not_before is not None:
        return given >= (plan.starts_on if limit.not_before == "trip-start" else plan.ends_on)
    return (plan.starts_on - given).days <= (limit.within_years or 0) * DAYS_PER_YEAR


def answer_in_words(question: Question, answer: Answer) -> str:
    """An answer as people read it."""
    if isinstance(answer, bool):
        return "yes" if answer else "no"
    if question.kind == "choice":
        return next((choice.label for choice in question.choices if choice.id == answer), str(answer))
    if _is_number(answer):
        unit = "" if question.unit in (None, "1") else f" {question.unit}"
        return f"{_plain(float(answer))}{unit}"
    return str(answer)


def limit_in_words(question: Question, limit: Limit, plan: TripPlan) -> str:
    """What was asked of the answer, as people read it."""
    if limit.want is not None:
        return "yes" if limit.want else "no"
    if limit.one_of:
        return " or ".join(choice.label for choice in question.choices if choice.id in limit.one_of)
    if limit.not_before is not None:
        day = plan.starts_on if limit.not_before == "trip-start" else plan.ends_on
        return f"not before {day.isoformat()}"
    if limit.within_years is not None:
        return f"at most {_plain(limit.within_years)} years old"
    bound = limit.at_least if limit.at_least is not None else limit.at_most
    word = "at least" if limit.at_least is not None else "at most"
    return "by the forecast" if isinstance(bound, FromMetric) or bound is None else f"{word} {bound}"


def contradict(a: Sighting, b: Sighting) -> bool:
    """Whether two sightings of one thing cannot both be true. One that says less does not contradict."""
    if a.state is not b.state or a.stand_in != b.stand_in:
        return True
    if a.count is not None and b.count is not None and a.count != b.count:
        return True
    return any(
        b.answers[question] != answer for question, answer in a.answers.items() if question in b.answers
    )


def _both_sides(records: Iterable[Record[Sighting]]) -> str:
    sides = (
        f"{record.actor.name}: {record.body.known.value}, {record.body.state.value}"
        + (f" ({record.body.remark})" if record.body.remark else "")
        for record in records
    )
    return "two records that did not know of each other: " + "; ".join(sides)


def _is_number(answer: Answer) -> bool:
    return isinstance(answer, int | float) and not isinstance(answer, bool)


def _plain(number: float) -> str:
    return f"{number:g}"
