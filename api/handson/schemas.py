"""What a phone takes along: a kit list worked out for one trip and forecast, and what is known so far.

Places on the way are given as indices of stages; a check is asked on a stage where its list names it. All of
it belongs to the forecast itself, not to an ensemble or a what-if.
"""

from typing import Any, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict

from api.journal.kinds import Answer, GearState, Known
from api.kitlist.schemas import Grade, Scope, Zone
from api.readiness.schemas import CAUTION

FORMAT = 1
"""Changes when a phone that has older code cannot use it."""

Stages = tuple[int, ...]


class Carried(BaseModel):
    """Base of everything a phone takes along."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class GradeOn(Carried):
    """What a gap does, on the stages on which this rule may hold."""

    grade: Grade
    hold: int
    """Index of the hold point."""
    stages: Stages
    also: tuple["GradeOn", ...] = ()


class LimitOn(Carried):
    """One limit of a question, with everything that depends on trip and forecast put in."""

    kind: Literal["want", "one-of", "at-least", "at-most", "not-before", "not-older", "above", "under"]
    """`above` and `under` are measured from a metric: see `bounds`."""
    value: bool | float | str | tuple[str, ...] | None = None
    """For `not-before` and `not-older` the earliest day that will do, as an ISO date."""
    asked: Stages
    says: str
    asked_words: str
    grades: tuple[GradeOn, ...] = ()
    bounds: tuple[float | None, ...] = ()
    """By stage; None: not known."""
    open: Stages = ()
    """Where the bound is not known though it should be."""
    unit: str = ""
    title: str = ""


class QuestionOn(Carried):
    """A fitness question with those of its limits that are asked anywhere."""

    id: str
    ask: str
    kind: Literal["number", "choice", "yes-no", "date"]
    unit: str | None = None
    choices: tuple[tuple[str, str], ...] = ()
    """(id, words)"""
    needs: Known
    limits: tuple[LimitOn, ...]


class StandInOn(Carried):
    """What may stand in, and the stages on which it certainly may."""

    id: str
    item: str
    stages: Stages


class AmountOn(Carried):
    """A computed amount. None: without limit, because it cannot be worked out."""

    base: float | None
    worst: float


class RequirementOn(Carried):
    """One line of the kit list, worked out for this trip."""

    id: str
    item: str
    zone: Zone
    scope: Scope
    roles: tuple[str, ...] = ()
    optional: bool
    life_safety: bool
    takes: Known
    asked: Stages
    count: float
    per: str
    people: int | None = None
    computed: str | None = None
    unit: str = ""
    grades: tuple[GradeOn, ...]
    stands_in: tuple[StandInOn, ...] = ()
    questions: tuple[QuestionOn, ...] = ()
    clears: str


class SubjectOn(Carried):
    """Someone or something that gear is asked of."""

    id: str
    name: str
    scope: Scope
    role: str | None = None
    people: int = 1
    guides: int = 0
    ropes: int = 0
    spent_s: float = 0
    last_by: str | None = None
    last_at: str | None = None


class RopeOn(Carried):
    """A rope, people in rope order."""

    id: str
    name: str
    members: tuple[str, ...]


class HoldOn(Carried):
    """A hold point."""

    id: str
    kind: str
    name: str
    passed: bool


class StageOn(Carried):
    """A stage."""

    id: str
    name: str


class Person(Carried):
    """Someone who writes in the journal."""

    id: str
    name: str
    role: str


class SightingOn(Carried):
    """A record that counts, as it stands in the journal."""

    id: UUID
    subject: str
    requirement: str
    known: Known
    state: GearState
    count: float | None = None
    answers: dict[str, Answer] = {}
    stand_in: str | None = None
    remark: str = ""
    photo: str | None = None
    by: int
    """Index among the writers."""
    at: str
    """Always in UTC and to the microsecond, so that texts sort as moments do."""
    after: tuple[UUID, ...] = ()
    odd: str | None = None
    """`ahead` or `behind`: the clock it was written by was off."""


class FlagOn(Carried):
    """What somebody has done about a finding as it stood then."""

    state: Literal["taken", "accepted"]
    by: str
    until: str | None = None
    """Until when it is taken."""
    kind: str
    grade: Grade
    """An acceptance is for a gap of this kind and grade; a phone that finds another shows it as open."""


class ForecastOn(Carried):
    """Where a forecast comes from, and when it was issued."""

    label: str
    issued_at: str


class HandsOn(Carried):
    """Everything a phone needs to check gear of one trip without signal."""

    format: int = FORMAT
    caution: str = CAUTION
    trip: str
    name: str
    time_zone: str
    seq: int
    reader: Person
    may_record: bool
    edition: str | None
    stages: tuple[StageOn, ...]
    holds: tuple[HoldOn, ...]
    requirements: tuple[RequirementOn, ...]
    amounts: dict[str, AmountOn]
    subjects: tuple[SubjectOn, ...]
    ropes: tuple[RopeOn, ...]
    writers: tuple[Person, ...]
    sightings: tuple[SightingOn, ...]
    """What stands; and all of what was written about the things last looked at, so that a record taken back
    gives way to what it replaced."""
    withdrawn: tuple[UUID, ...]
    flags: dict[str, FlagOn]
    """What people have done about findings, by finding; one about which nobody has is left out."""
    forecast: ForecastOn | None = None
    """The forecast by which things are asked; None: none was received."""

    def wire(self) -> dict[str, Any]:
        """As JSON values, without what is at its default."""
        return self.model_dump(mode="json", exclude_defaults=True) | {
            "format": self.format,
            "caution": self.caution,
        }
