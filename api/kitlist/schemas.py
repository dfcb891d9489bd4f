"""The shape of a kit list edition.

An edition is data, never code: conditions are structured thresholds on metrics, joined by `all` and `any`, so that they can
be checked, edited in a form, evaluated over whole ensembles at once and turned round to find tipping points.
"""

from collections.abc import Iterator
from datetime import date
from enum import StrEnum
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from api.journal.kinds import Known
from api.journal.trip import HoldKind, Role, Slug, Terrain

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=600)]
Label = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=120)]
MetricName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{1,60}$")]
Quantity = Annotated[str, StringConstraints(strip_whitespace=True, pattern=r"^[+-]?\d+(\.\d+)?(\s*\S.*)?$")]
"""A number with its unit as people write it, such as `3600 m`, `-20 °C` or `30 km/h`; converted on compiling."""


class Part(BaseModel):
    """Base of everything in an edition."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True)


class Zone(StrEnum):
    """Where on the body or in the pack an item belongs; the order is the order of a check."""

    FEET = "feet"
    LEGS = "legs"
    TORSO = "torso"
    HANDS = "hands"
    HEAD = "head-eyes"
    TECHNICAL = "technical"
    SLEEP = "sleep"
    KITCHEN = "kitchen-water"
    LIGHT = "light"
    CARE = "care"
    PAPERS = "papers"
    ROPE = "rope-gear"
    PARTY = "party-gear"


class Scope(StrEnum):
    """Who has to have it."""

    PERSON = "person"
    ROPE = "rope"
    PARTY = "party"


class Grade(StrEnum):
    """What a gap does at its hold point."""

    STOP = "stop"
    FIX = "fix"
    ADVISE = "advise"

    @property
    def weight(self) -> int:
        """Heavier is worse."""
        return {"stop": 3, "fix": 2, "advise": 1}[self.value]


class Anchor(StrEnum):
    """A named elevation of the trip that a threshold may be measured from."""

    HIGH_POINT = "high-point"
    BASE = "base"
    HIGHEST_CAMP = "highest-camp"
    LOWEST_CAMP = "lowest-camp"
    STAGE_CAMP = "stage-camp"
    """The sleeping place after the stage in question."""
    STAGE_HIGH = "stage-high"
    USUAL_FREEZING_LEVEL = "usual-freezing-level"
    """The freezing level usual for the season, as the trip states it."""


class FromAnchor(Part):
    """A threshold as an offset from a named elevation."""

    anchor: Annotated[Anchor, Field(alias="from")]
    offset: Quantity = "0 m"


class FromLine(Part):
    """A threshold that is a named line of the edition; a trip may set its own figure for it."""

    line: Slug


class FromMetric(Part):
    """A limit measured from what a stage will be like, for instance the night low plus a margin."""

    metric: MetricName
    plus: Quantity | None = None


Threshold = Quantity | FromAnchor | FromLine


class Below(Part):
    """True when the metric goes below the threshold at any time on the stage."""

    metric: MetricName
    below: Threshold


class AtLeast(Part):
    """True when the metric reaches the threshold at any time on the stage."""

    metric: MetricName
    at_least: Threshold


class OnTerrain(Part):
    """True on stages with any of these traits."""

    terrain: Annotated[tuple[Terrain, ...], Field(min_length=1)]


class AllOf(Part):
    """True when each part is true on the same stage (not necessarily in the same hour: the cautious reading)."""

    all_: Annotated[tuple["Condition", ...], Field(alias="all", min_length=1)]


class AnyOf(Part):
    """True when at least one part is true on the stage."""

    any_: Annotated[tuple["Condition", ...], Field(alias="any", min_length=1)]


Condition = Below | AtLeast | OnTerrain | AllOf | AnyOf


class Line(Part):
    """A named threshold, so that its figure can be set for one trip and is shown beside every flag that rests on it."""

    id: Slug
    title: Label
    metric: MetricName
    value: Quantity | FromAnchor


class GradeRule(Part):
    """What a gap does, at which hold point, and in which conditions. The first that holds is the one that is shown."""

    grade: Grade
    at: HoldKind
    when: Condition | None = None
    also: tuple["GradeRule", ...] = ()
    """What else the same gap does at other hold points, said beside the first."""


class Limit(Part):
    """What an answer must satisfy. Exactly one kind of limit is given."""

    at_least: Quantity | FromMetric | None = None
    at_most: Quantity | FromMetric | None = None
    one_of: tuple[Slug, ...] = ()
    want: bool | None = None
    not_before: Literal["trip-start", "trip-end"] | None = None
    """For dates: the answer must not lie before this day of the trip."""
    within_years: Annotated[float, Field(gt=0, le=50)] | None = None
    """For dates: the answer must not lie longer before the first day of the trip than this."""
    when: Condition | None = None
    says: Text
    """What a failure means, in words that can stand on the board."""
    grades: tuple[GradeRule, ...] = ()
    """Overrides the requirement's grades for this failure."""

    @model_validator(mode="after")
    def _exactly_one(self) -> Self:
        given = [
            self.at_least is not None,
            self.at_most is not None,
            bool(self.one_of),
            self.want is not None,
            self.not_before is not None,
            self.within_years is not None,
        ]
        if sum(given) != 1:
            raise ValueError(
                "a limit needs exactly one of at_least, at_most, one_of, want, not_before, within_years"
            )
        return self


class Choice(Part):
    """One answer of a choice question."""

    id: Slug
    label: Label


class Question(Part):
    """A fitness question: what makes the item fit for this trip."""

    id: Slug
    ask: Text
    kind: Literal["number", "choice", "yes-no", "date"]
    unit: str | None = None
    choices: tuple[Choice, ...] = ()
    needs: Known = Known.SAID
    """From which way of knowing on an answer can be expected: a try-on question only when tried."""
    when: Condition | None = None
    limits: Annotated[tuple[Limit, ...], Field(min_length=1)]
    """Worst first: the first that fails is the one that is shown."""

    @model_validator(mode="after")
    def _fits_kind(self) -> Self:
        if self.kind == "number" and not self.unit:
            raise ValueError("a number question needs a unit (write 1 when it has none)")
        if self.kind == "choice" and len(self.choices) < 2:
            raise ValueError("a choice question needs at least two choices")
        allowed = {
            "number": ("at_least", "at_most"),
            "choice": ("one_of",),
            "yes-no": ("want",),
            "date": ("not_before", "within_years"),
        }[self.kind]
        known = {choice.id for choice in self.choices}
        for limit in self.limits:
            if not any(getattr(limit, name) not in (None, ()) for name in allowed):
                raise ValueError(f"a {self.kind} question takes limits of the kind {' or '.join(allowed)}")
            if unknown := set(limit.one_of) - known:
                raise ValueError(f"one_of names no choice of the question: {', '.join(sorted(unknown))}")
        return self


class StandIn(Part):
    """What may stand in for the item, and when."""

    id: Slug
    item: Label
    when: Condition | None = None
    note: Text | None = None


class HowMany(Part):
    """How many are asked. A computed quantity is looked up by name in the metric registry."""

    count: Annotated[float, Field(gt=0, le=1000)] = 1
    per: Literal["person", "rope", "party", "people", "rope-end", "guide"] = "person"
    people: Annotated[int, Field(ge=1, le=50)] | None = None
    """With per `people`: one lot for so many people."""
    computed: MetricName | None = None
    unit: str | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if (self.per == "people") != (self.people is not None):
            raise ValueError("`people` goes with per: people, and per: people needs it")
        if self.computed and not self.unit:
            raise ValueError("a computed quantity needs the unit it is counted in")
        return self


class Basis(Part):
    """Where a requirement comes from."""

    kind: Literal["published", "common-practice", "law-or-permit", "outfit"]
    source: Text
    """The published source; for common practice: `common practice, no published source`."""


class Requirement(Part):
    """One line of a kit list."""

    id: Slug
    item: Label
    zone: Zone
    scope: Scope = Scope.PERSON
    roles: tuple[Role, ...] = ()
    """To whom it applies; empty: everyone."""
    how_many: HowMany = HowMany()
    optional: bool = False
    """Listed, never flagged."""
    when: Condition | None = None
    takes: Known = Known.SEEN
    """How it must be known before it counts as met."""
    questions: tuple[Question, ...] = ()
    stands_in: tuple[StandIn, ...] = ()
    grades: tuple[GradeRule, ...] = ()
    life_safety: bool = False
    """A stop on it is cleared only by a guide who tried it."""
    why: Text
    clears: Text
    loan: Literal["pool", "rarely", "never"] = "never"
    weight_g: Annotated[float, Field(gt=0, le=50_000)] | None = None
    basis: Basis

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        ids = [question.id for question in self.questions]
        if len(set(ids)) != len(ids):
            raise ValueError("two questions share one id; give each its own")
        if not self.optional and not self.grades:
            raise ValueError("a requirement needs at least one grade, or must be optional")
        fits = {
            Scope.PERSON: ("person",),
            Scope.ROPE: ("rope", "rope-end", "people", "person"),
            Scope.PARTY: ("party", "people", "person", "rope", "guide"),
        }[self.scope]
        if self.how_many.per not in fits:
            raise ValueError(f"scope {self.scope.value} counts per {' or '.join(fits)}")
        return self


class Edition(Part):
    """A kit list edition: what one outfit asks on one kind of trip, at one version."""

    id: Slug
    title: Label
    number: Annotated[int, Field(ge=1)] = 1
    dated: date
    made_from: str | None = None
    """Id of the edition this one was made from."""
    note: str = ""
    lines: tuple[Line, ...] = ()
    requirements: Annotated[tuple[Requirement, ...], Field(min_length=1, max_length=400)]

    @model_validator(mode="after")
    def _names_meet(self) -> Self:
        ids = [requirement.id for requirement in self.requirements]
        if repeated := sorted({i for i in ids if ids.count(i) > 1}):
            raise ValueError(f"two requirements share one id: {', '.join(repeated)}")
        lines = {line.id for line in self.lines}
        for requirement in self.requirements:
            for condition in conditions_of(requirement):
                if isinstance(condition, Below | AtLeast):
                    threshold = condition.below if isinstance(condition, Below) else condition.at_least
                    if isinstance(threshold, FromLine) and threshold.line not in lines:
                        raise ValueError(f"{requirement.id} names a line that is not there: {threshold.line}")
        return self

    def requirement(self, requirement_id: str) -> Requirement | None:
        """The requirement with this id, if there is one."""
        return next((r for r in self.requirements if r.id == requirement_id), None)


def leaves(condition: Condition | None) -> Iterator[Below | AtLeast | OnTerrain]:
    """The single thresholds and terrain tests a condition is joined from."""
    match condition:
        case AllOf(all_=parts) | AnyOf(any_=parts):
            for part in parts:
                yield from leaves(part)
        case Below() | AtLeast() | OnTerrain():
            yield condition


def conditions_of(requirement: Requirement) -> Iterator[Below | AtLeast | OnTerrain]:
    """Every single threshold and terrain test that a requirement looks at anywhere."""
    yield from leaves(requirement.when)
    for stand_in in requirement.stands_in:
        yield from leaves(stand_in.when)
    yield from _of_grades(requirement.grades)
    for question in requirement.questions:
        yield from leaves(question.when)
        for limit in question.limits:
            yield from leaves(limit.when)
            yield from _of_grades(limit.grades)


def _of_grades(grades: tuple[GradeRule, ...]) -> Iterator[Below | AtLeast | OnTerrain]:
    for rule in grades:
        yield from leaves(rule.when)
        yield from _of_grades(rule.also)
