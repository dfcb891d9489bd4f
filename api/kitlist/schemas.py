"""The shape of a kit list edition.

An edition is data, never code: conditions are structured thresholds on metrics, joined by `all` and `any`,
so that they can be checked, edited in a form, evaluated over whole ensembles at once and turned round to find
tipping points.
"""

from collections.abc import Iterator, Sequence
from datetime import date
from enum import StrEnum
from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Discriminator,
    Field,
    StringConstraints,
    Tag,
    WithJsonSchema,
    model_validator,
)

from api.journal.kinds import Known
from api.journal.trip import HoldKind, Role, Slug, Terrain
from api.kitlist.metrics import AMOUNTS_HELD, OF_THE_BODY

Text = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=600)]
Label = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=120)]
MetricName = Annotated[str, StringConstraints(pattern=r"^[a-z][a-z0-9_]{1,60}$")]


def _written(value: Any) -> Any:
    """A bare number, as YAML and JSON read it, is a quantity without a unit."""
    return str(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


_QUANTITY = r"^[+-]?\d+(\.\d+)?(\s*\S.*)?$"
Quantity = Annotated[
    str,
    BeforeValidator(_written),
    StringConstraints(strip_whitespace=True, max_length=40, pattern=_QUANTITY),
    WithJsonSchema({"anyOf": [{"type": "string", "pattern": _QUANTITY}, {"type": "number"}]}),
]
"""A number with its unit as people write it, such as `3600 m`, `-20 °C` or `30 km/h`."""


class Misfit(ValueError):
    """Parts of an edition that do not go together.

    `path` leads to the part at fault from where the error is raised; `remedy` says what to do.
    """

    def __init__(self, message: str, remedy: str, *path: str | int) -> None:
        super().__init__(message)
        self.remedy = remedy
        self.path = path


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


# Tags stand in brackets, so that a place in an error tells them from the names of fields.


def _threshold_tag(value: Any) -> str:
    if isinstance(value, FromLine) or (isinstance(value, dict) and "line" in value):
        return "(line)"
    if isinstance(value, FromAnchor | dict):
        return "(anchor)"
    return "(quantity)"


def _limit_tag(value: Any) -> str:
    return "(metric)" if isinstance(value, FromMetric | dict) else "(quantity)"


Height = Annotated[
    Annotated[Quantity, Tag("(quantity)")] | Annotated[FromAnchor, Tag("(anchor)")],
    Discriminator(_threshold_tag),
]
Threshold = Annotated[
    Annotated[Quantity, Tag("(quantity)")]
    | Annotated[FromAnchor, Tag("(anchor)")]
    | Annotated[FromLine, Tag("(line)")],
    Discriminator(_threshold_tag),
]
Bound = Annotated[
    Annotated[Quantity, Tag("(quantity)")] | Annotated[FromMetric, Tag("(metric)")], Discriminator(_limit_tag)
]


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
    """True when each part is true on the same stage (not necessarily in the same hour: the cautious
    reading)."""

    all_: Annotated[tuple["Condition", ...], Field(alias="all", min_length=1)]


class AnyOf(Part):
    """True when at least one part is true on the stage."""

    any_: Annotated[tuple["Condition", ...], Field(alias="any", min_length=1)]


_CONDITION_KEYS = ("below", "at_least", "terrain", "all", "any", "all_", "any_")


def _condition_tag(value: Any) -> str | None:
    """Which form a condition has, by the key that only it has; so an error is about that form alone."""
    given = value if isinstance(value, dict) else getattr(type(value), "model_fields", {})
    return next((f"({key.rstrip('_')})" for key in _CONDITION_KEYS if key in given), None)


Condition = Annotated[
    Annotated[Below, Tag("(below)")]
    | Annotated[AtLeast, Tag("(at_least)")]
    | Annotated[OnTerrain, Tag("(terrain)")]
    | Annotated[AllOf, Tag("(all)")]
    | Annotated[AnyOf, Tag("(any)")],
    Discriminator(
        _condition_tag,
        custom_error_type="condition_form",
        custom_error_message="A condition needs one of below, at_least, terrain, all, any",
    ),
]


class Line(Part):
    """A named threshold, so that its figure can be set for one trip and is shown beside every flag that
    rests on it."""

    id: Slug
    title: Label
    metric: MetricName
    value: Height


class GradeRule(Part):
    """What a gap does, at which hold point, and in which conditions. The first that holds is the one that
    is shown."""

    grade: Grade
    at: HoldKind
    when: Condition | None = None
    also: tuple["GradeRule", ...] = ()
    """What else the same gap does at other hold points, said beside the first."""


class Limit(Part):
    """What an answer must satisfy. Exactly one kind of limit is given."""

    at_least: Bound | None = None
    at_most: Bound | None = None
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
            raise Misfit(
                "a limit needs exactly one of at_least, at_most, one_of, want, not_before, within_years",
                "Keep the one that is meant; make a second limit for another.",
            )
        return self


class Choice(Part):
    """One answer of a choice question."""

    id: Slug
    label: Label


_LIMITS_OF = {
    "number": ("at_least", "at_most"),
    "choice": ("one_of",),
    "yes-no": ("want",),
    "date": ("not_before", "within_years"),
}


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
            raise Misfit(
                "a number question needs a unit", "Add unit, for instance unit: °C; 1 when it has none."
            )
        if self.kind != "number" and self.unit:
            raise Misfit(f"a {self.kind} question has no unit", "Leave unit out.", "unit")
        if self.kind == "choice" and len(self.choices) < 2:
            raise Misfit("a choice question needs at least two choices", "List them under choices.")
        if self.kind != "choice" and self.choices:
            raise Misfit(f"a {self.kind} question has no choices", "Leave choices out.", "choices")
        known = [choice.id for choice in self.choices]
        if len(set(known)) != len(known):
            raise Misfit("two choices share one id", "Give each its own.", "choices")
        allowed = _LIMITS_OF[self.kind]
        for at, limit in enumerate(self.limits):
            if not any(getattr(limit, name) not in (None, ()) for name in allowed):
                raise Misfit(
                    f"a {self.kind} question takes limits of the kind {' or '.join(allowed)}",
                    f"Write the limit with {' or '.join(allowed)}.",
                    *("limits", at),
                )
            for place, choice in enumerate(limit.one_of):
                if choice not in known:
                    raise Misfit(
                        f"one_of names no choice of the question: {choice}",
                        f"Use one of: {', '.join(known)}.",
                        *("limits", at, "one_of", place),
                    )
        return self


class StandIn(Part):
    """What may stand in for the item, and when."""

    id: Slug
    item: Label
    when: Condition | None = None
    note: Text | None = None


MOST_THINGS, MOST_BORNE = 1_000.0, 100_000.0
"""The most of a thing, and of a quantity of the body (energy is counted in kJ), that a list may ask for."""


class HowMany(Part):
    """How many are asked. A computed quantity is looked up by name in the metric registry."""

    count: Annotated[float, Field(ge=-1000, le=MOST_BORNE)] = 1
    """Of a thing above 0 and at most 1000. Of a quantity of the body, the least that must be left of it, or
    the most there may be; it may be less than nothing."""
    per: Literal["person", "rope", "party", "people", "rope-end", "guide"] = "person"
    people: Annotated[int, Field(ge=1, le=50)] | None = None
    """With per `people`: one lot for so many people."""
    computed: MetricName | None = None
    unit: str | None = None

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if (self.per == "people") != (self.people is not None):
            raise Misfit(
                "per: people and people go together", "Write per: people, people: 4; or leave both out."
            )
        if self.computed and not self.unit:
            raise Misfit(
                "a computed quantity needs the unit it is counted in", "Add unit, for instance unit: g."
            )
        if self.computed not in OF_THE_BODY and not 0 < self.count <= MOST_THINGS:
            raise Misfit(
                f"nobody can be asked for {self.count:g} of a thing",
                f"Write a number above 0, at most {MOST_THINGS:g}.",
                "count",
            )
        return self


NIGHT_LINES = ("nights", "night-gain", "private-note")
"""Lines that grade findings about nights. Nobody carries such a thing, so nobody is asked to show it."""


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
    spare_for: tuple[Slug, ...] = ()
    """For spares of the party: the requirements that one of them can meet."""
    weight_g: Annotated[float, Field(gt=0, le=50_000)] | None = None
    """Of one of it."""
    basis: Basis

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        for name, listed in (("questions", self.questions), ("stands_in", self.stands_in)):
            if at := _first_repeated([part.id for part in listed]):
                raise Misfit(
                    f"two {name} share one id: {listed[at].id}", "Give each its own.", name, at, "id"
                )
        if not self.optional and not self.grades:
            raise Misfit(
                "a requirement needs at least one grade, or must be optional",
                "Add grades, for instance grades: [{grade: fix, at: base}]; or optional: true.",
            )
        fits = {
            Scope.PERSON: ("person",),
            Scope.ROPE: ("rope", "rope-end", "people", "person"),
            Scope.PARTY: ("party", "people", "person", "rope", "guide"),
        }[self.scope]
        if self.how_many.per not in fits:
            raise Misfit(
                f"scope {self.scope.value} cannot count per {self.how_many.per}",
                f"Write per: {' or '.join(fits)}.",
                *("how_many", "per"),
            )
        return self

    @property
    def is_thing(self) -> bool:
        """Whether it can be looked for in a pack, and is no line about nights or the body as a whole."""
        return not (self.id in NIGHT_LINES or self.how_many.computed in OF_THE_BODY or self.holds_amount)

    @property
    def holds_amount(self) -> bool:
        """Whether it holds a computed amount against what another line shows to be there."""
        return self.optional and bool(self.grades) and self.how_many.computed in AMOUNTS_HELD


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
        for name, listed in (("lines", self.lines), ("requirements", self.requirements)):
            if at := _first_repeated([part.id for part in listed]):
                raise Misfit(
                    f"two {name} share one id: {listed[at].id}", "Give each its own.", name, at, "id"
                )
        lines = {line.id for line in self.lines}
        for path, part in walk(self):
            if isinstance(part, FromLine) and part.line not in lines:
                raise Misfit(
                    f"there is no line {part.line}",
                    f"Use one of: {', '.join(sorted(lines)) or 'none yet'}; or add it under lines.",
                    *(*path, "line"),
                )
        return self

    def requirement(self, requirement_id: str) -> Requirement | None:
        """The requirement with this id, if there is one."""
        return next((r for r in self.requirements if r.id == requirement_id), None)


Path = tuple[str | int, ...]


def walk(part: Part) -> Iterator[tuple[Path, Part]]:
    """The part itself and every part inside it, each with the way to it by the names that a file uses."""
    yield (), part
    for name, field in type(part).model_fields.items():
        key = field.alias or name
        value = getattr(part, name)
        inner = enumerate(value) if isinstance(value, tuple) else ((None, value),)
        for at, one in inner:
            if isinstance(one, Part):
                step = (key,) if at is None else (key, at)
                yield from (((*step, *path), found) for path, found in walk(one))


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


def _first_repeated(ids: Sequence[str]) -> int | None:
    """Where an id comes a second time."""
    return next((at for at, one in enumerate(ids) if one in ids[:at]), None)
