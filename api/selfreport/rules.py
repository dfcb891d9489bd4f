"""What a person's own list is, and what is still to be chased. Pure."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

from api.journal.fold import Picture, Record
from api.journal.kinds import GearState, IntentionTold, Known, NightTold, Sighting
from api.kitlist.schemas import Grade, GradeRule, Question, Requirement, Scope, Zone
from api.readiness.asks import Asks
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import applies, needed
from api.readiness.schemas import Finding, GapKind

PLANS = ("have", "renting", "will-buy", "not-sure")
"""What a person can say of a thing on their list, in the order in which it is offered."""
CLIMBER = "climber"
"""The role under which a self-report is written, whoever the person is on the trip."""
NIGHTS_BEFORE = 7
"""So many nights before the trip are asked for: they cover the days over which a first acclimatisation is
reckoned (common practice, no published source)."""


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing of a person's own list."""

    requirement: Requirement
    asked: bool
    """Whether it is asked on this trip, or cannot be ruled out; else it is listed as useful."""
    needed: float
    """How many; NaN when it depends on the weather."""
    questions: tuple[Question, ...]
    critical: bool
    """Photos are wanted: life depends on it, or the person goes no further without it."""
    told: Record[IntentionTold] | None = None
    own: Record[Sighting] | None = None
    """The person's own record that stands."""
    looked: Record[Sighting] | None = None
    """What one of the staff has recorded. It is not replaced from here."""

    @property
    def plan(self) -> str | None:
        """What the person last said of it."""
        if self.told is not None:
            return self.told.body.plan
        if self.own is None:
            return None
        return "have" if self.own.body.state is not GearState.ABSENT else "not-sure"

    @property
    def answered(self) -> bool:
        """Whether nothing more is wanted of the person than they have said."""
        return self.plan is not None or self.looked is not None


def own_list(evaluation: Evaluation, member: str) -> tuple[Thing, ...]:
    """What a trip asks of one person, in check order: what is asked first by zone, then as the edition lists
    it. Empty while the trip has no kit list, or without such a member.
    """
    asks, lacks, edition = evaluation.asks, evaluation.lacks, evaluation.edition
    if asks is None or lacks is None or edition is None:
        return ()
    subject = next((s for s in lacks.subjects if s.id == member and s.scope is Scope.PERSON), None)
    if subject is None:
        return ()
    things = []
    for r, requirement in enumerate(edition.requirements):
        if not applies(requirement, subject):
            continue
        presence, *limits = asks.checks_of_requirement(r)
        asked = not requirement.optional and _anywhere(asks, presence)
        if not asked and not requirement.optional:
            continue
        own, looked = _sightings(evaluation.picture, member, requirement.id)
        things.append(
            Thing(
                requirement,
                asked,
                needed(requirement.how_many, subject),
                _questions(asks, requirement, limits),
                asked and _is_critical(requirement),
                evaluation.picture.intentions.get((member, requirement.id)),
                own,
                looked,
            )
        )
    zones = list(Zone)
    return tuple(sorted(things, key=lambda thing: zones.index(thing.requirement.zone)))


def _anywhere(asks: Asks, check: int) -> bool:
    """Whether a check is asked on any stage of any scenario, as far as is known."""
    return bool(asks.asked[:, :, check].any())


def _questions(asks: Asks, requirement: Requirement, limits: Iterable[int]) -> tuple[Question, ...]:
    """Those that are asked on this trip and that a person can answer at home, without trying anything on."""
    asked = {
        question.id
        for check in limits
        if (question := asks.checks[check].question) is not None and _anywhere(asks, check)
    }
    return tuple(q for q in requirement.questions if q.id in asked and q.needs.rung <= Known.SEEN.rung)


def _is_critical(requirement: Requirement) -> bool:
    return requirement.life_safety or _stops(requirement.grades)


def _stops(grades: Iterable[GradeRule]) -> bool:
    return any(rule.grade is Grade.STOP or _stops(rule.also) for rule in grades)


def _sightings(
    picture: Picture, member: str, requirement: str
) -> tuple[Record[Sighting] | None, Record[Sighting] | None]:
    """The person's own record that stands, and that of somebody else."""
    records = picture.sightings.get((member, requirement), ())
    own = [record for record in records if is_own(record, member)]
    others = [record for record in records if not is_own(record, member)]
    return own[-1] if own else None, others[-1] if others else None


def is_own(record: Record[Sighting], member: str) -> bool:
    """Whether a record was written by the person themselves."""
    return record.actor.role == CLIMBER and record.actor.id == member


def nights_before(starts_on: date) -> tuple[date, ...]:
    """The nights before a trip that are asked for, first to last."""
    return tuple(starts_on - timedelta(days=back) for back in range(NIGHTS_BEFORE, 0, -1))


def night_is_free(record: Record[NightTold] | None, member: str) -> bool:
    """Whether a night may be told by the person: nobody of the staff has recorded it."""
    return record is None or (record.actor.role == CLIMBER and record.actor.id == member)


# -- whom to chase -------------------------------------------------------------------------------------------


class Open(StrEnum):
    """What is still open with a person about a thing, worst first."""

    ABSENT = "absent"
    UNFIT = "unfit"
    NO_ANSWER = "no-answer"
    NOT_SURE = "not-sure"
    SHORT = "short"
    WILL_BUY = "will-buy"
    RENTING = "renting"
    QUESTION = "question"
    PICTURE = "picture"
    """Said to be there; life depends on it and nobody has a picture of it yet."""


@dataclass(frozen=True, slots=True)
class ToChase:
    """One thing to chase."""

    requirement: str
    item: str
    grade: Grade
    open: Open
    says: str
    by: date | None = None
    """When the person means to have it."""
    late: bool = False
    """That is after the last day on which anything could still be sent."""


@dataclass(frozen=True, slots=True)
class Chase:
    """A person to chase, with everything that is open, worst first."""

    member: str
    name: str
    things: tuple[ToChase, ...]
    nights_open: int
    """Nights before the trip of which nothing is known."""
    answered: int = 0
    asked: int = 0

    @property
    def worst(self) -> Grade | None:
        return self.things[0].grade if self.things else None


def post_by(starts_on: date, days_before: int) -> date:
    """The last day on which something can still be sent by post, so that it is there in time."""
    return starts_on - timedelta(days=days_before)


def to_chase(evaluation: Evaluation, last_post: date) -> tuple[Chase, ...]:
    """Everyone on a trip, those with the worst gaps first.

    Only what a person can do something about from home is listed: what merely has to be seen or tried at base
    is not chased.
    """
    picture = evaluation.picture
    by_member: Mapping[str, list[Finding]] = {member: [] for member in picture.members}
    edition = evaluation.edition
    listed = {requirement.id for requirement in edition.requirements} if edition else set()
    for finding in evaluation.findings:
        if finding.requirement in listed and finding.subject in by_member:
            by_member[finding.subject].append(finding)
    chased = [_chase(evaluation, member, found, last_post) for member, found in by_member.items()]
    return tuple(sorted(chased, key=_worst_first))


def _worst_first(chase: Chase) -> tuple[object, ...]:
    weights = [thing.grade.weight for thing in chase.things]
    by_grade = tuple(-weights.count(weight) for weight in (3, 2, 1))
    return (*by_grade, -chase.nights_open, chase.name, chase.member)


def _chase(evaluation: Evaluation, member: str, found: Sequence[Finding], last_post: date) -> Chase:
    picture = evaluation.picture
    things = []
    for finding in found:
        told = picture.intentions.get((member, finding.requirement))
        open_ = open_with(finding, told.body if told else None)
        if open_ is not None:
            by = told.body.by if told and told.body.plan in ("renting", "will-buy") else None
            things.append(
                ToChase(
                    finding.requirement,
                    finding.item,
                    finding.grade,
                    open_,
                    finding.reasons[0].says,
                    by,
                    by is not None and by > last_post,
                )
            )
    order = list(Open)
    things.sort(key=lambda thing: (-thing.grade.weight, order.index(thing.open), thing.item))
    told_nights = picture.nights.get(member, {})
    mine = [thing for thing in own_list(evaluation, member) if thing.asked]
    return Chase(
        member,
        picture.profiles[member].name,
        tuple(things),
        sum(on not in told_nights for on in nights_before(evaluation.plan.starts_on)),
        sum(thing.answered for thing in mine),
        len(mine),
    )


_OF_GAP = {
    GapKind.ABSENT: Open.ABSENT,
    GapKind.UNFIT: Open.UNFIT,
    GapKind.SHORT: Open.SHORT,
    GapKind.UNANSWERED: Open.QUESTION,
}
_OF_PLAN = {"not-sure": Open.NOT_SURE, "will-buy": Open.WILL_BUY, "renting": Open.RENTING}


def open_with(finding: Finding, told: IntentionTold | None) -> Open | None:
    """What is open with a person about a finding; None when there is nothing they could do from home."""
    if told is not None and told.plan in _OF_PLAN and finding.kind in (GapKind.UNKNOWN, GapKind.ABSENT):
        return _OF_PLAN[told.plan]
    if finding.kind is GapKind.UNKNOWN:
        return Open.NO_ANSWER
    if finding.kind is GapKind.UNSEEN:
        pictured = any(seen.known.rung >= Known.PICTURED.rung for seen in finding.evidence)
        return Open.PICTURE if finding.life_safety and not pictured else None
    return _OF_GAP.get(finding.kind)
