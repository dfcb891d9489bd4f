"""Entry kinds: everything that can happen to a trip, as small typed bodies told apart by `kind`.

A body names the *register* it writes to with `key()`. Two entries with the same key speak about the same
thing; which of them stands is decided by what their writers had seen (`Entry.after`), never by clocks or by
order of arrival. A body without a key stands for itself.
"""

from datetime import date
from enum import StrEnum
from typing import Annotated, ClassVar, Literal
from uuid import UUID

from pydantic import AwareDatetime, Field, TypeAdapter, model_validator

from api.journal.body import Body as Body
from api.journal.body import Key as Key
from api.journal.decisions import CallBody, HoursSet
from api.journal.health import ConsentGiven, HealthErased, HealthNote
from api.journal.party import PartyRule
from api.journal.trip import (
    ElevationM,
    HoldKind,
    LongText,
    MemberProfile,
    RopeTeam,
    ShortText,
    Slug,
    TripPlan,
    Value,
)

PARTY = "party"
"""The subject of gear that belongs to the whole party."""


class Known(StrEnum):
    """How something is known; each rung is worth more than the one before it."""

    UNKNOWN = "unknown"
    SAID = "said"
    PICTURED = "pictured"
    SEEN = "seen"
    TRIED = "tried"

    def __init__(self, _value: str) -> None:
        self.rung = len(type(self).__members__)


class GearState(StrEnum):
    """How a piece of gear is."""

    FITS = "fits"
    UNFIT = "unfit"
    ABSENT = "absent"


Answer = bool | float | Annotated[str, Field(max_length=200)]
"""An answer to a fitness question: yes/no, a number in the question's unit, a choice, or an ISO date."""


class TripPlanned(Body):
    """The plan of the trip, whole."""

    kind: Literal["trip-planned"] = "trip-planned"
    plan: TripPlan

    def key(self) -> Key:
        return ("plan",)


class MemberSet(Body):
    """A person is on the trip, with this profile."""

    kind: Literal["member-set"] = "member-set"
    member: Slug
    profile: MemberProfile

    def key(self) -> Key:
        return ("member", self.member)


class MemberLeft(Body):
    """A person is not on the trip (any more)."""

    kind: Literal["member-left"] = "member-left"
    member: Slug
    reason: LongText = ""

    def key(self) -> Key:
        return ("member", self.member)


class RopesSet(Body):
    """Who is on which rope, in rope order."""

    kind: Literal["ropes-set"] = "ropes-set"
    ropes: tuple[RopeTeam, ...]

    def key(self) -> Key:
        return ("ropes",)

    @model_validator(mode="after")
    def _one_rope_each(self) -> "RopesSet":
        ids = [rope.id for rope in self.ropes]
        if len(set(ids)) != len(ids):
            raise ValueError("two ropes share one id; give each its own")
        people = [member for rope in self.ropes for member in rope.members]
        if len(set(people)) != len(people):
            raise ValueError("a person can be on one rope only; take them off the other")
        return self


class Sighting(Body):
    """Someone's record of a piece of gear: how it is known, how it is, and the fitness answers."""

    kind: Literal["sighting"] = "sighting"
    subject: Slug
    """A member id, a rope id, or `party`."""
    requirement: Slug
    known: Known
    state: GearState
    count: Annotated[float, Field(ge=0, le=100_000, allow_inf_nan=False)] | None = None
    """How many (or how much, in the requirement's unit); None: as many as asked."""
    answers: dict[Slug, Answer] = Field(default_factory=dict)
    stand_in: Slug | None = None
    """Id of the stand-in of the requirement that this is, when it is not the thing itself."""
    remark: LongText = ""
    photo: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")] | None = None
    """SHA-256 of a photo as it was sent; the photo itself may follow later."""

    def key(self) -> Key:
        return ("sighting", self.subject, self.requirement)

    @model_validator(mode="after")
    def _says_something(self) -> "Sighting":
        if self.known is Known.UNKNOWN:
            raise ValueError("a sighting must say how it is known: said, pictured, seen or tried")
        return self


class IntentionTold(Body):
    """What a person says of a thing on their list: it is there, or how it will be. No evidence by itself."""

    kind: Literal["intention-told"] = "intention-told"
    member: Slug
    requirement: Slug
    plan: Literal["have", "renting", "will-buy", "not-sure"]
    by: date | None = None
    """Until when they mean to have it."""

    def key(self) -> Key:
        return ("intention", self.member, self.requirement)


class NightTold(Body):
    """Where a person slept on a date, before the trip or on it."""

    kind: Literal["night-told"] = "night-told"
    member: Slug
    on: date
    """The date on which the night began, in the trip's time zone."""
    elevation_m: ElevationM | None
    """None: asked, and the person does not know."""
    known: Literal["said", "spent"] = "said"

    def key(self) -> Key:
        return ("night", self.member, self.on.isoformat())


class ForecastReceived(Body):
    """A forecast was received. The forecast itself is stored by its content hash and never edited."""

    kind: Literal["forecast-received"] = "forecast-received"
    forecast: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    provider: ShortText
    label: ShortText
    issued_at: AwareDatetime


class ForecastChosen(Body):
    """Whose forecasts the board rests on; None: what a guide types in, else the newest."""

    kind: Literal["forecast-chosen"] = "forecast-chosen"
    provider: ShortText | None

    def key(self) -> Key:
        return ("forecast-choice",)


class HoldPassed(Body):
    """The party passed a hold point."""

    kind: Literal["hold-passed"] = "hold-passed"
    hold: Slug
    at: AwareDatetime

    def key(self) -> Key:
        return ("hold", self.hold)


class LoanTerms(Value):
    """What is lent, by whom, to whom and for what. Every entry about a loan carries them whole."""

    source: Literal["locker", "person", "party", "bought"]
    giver: Slug | None = None
    """Who or what gives it: a locker item, a member, or `party`; None when it is bought."""
    spare: Slug | None = None
    """The requirement the giver holds it under, when that is another: spare mitts lent as mitts."""
    what: ShortText
    subject: Slug
    """A member id, a rope id, or `party`."""
    requirement: Slug
    units: Annotated[int, Field(ge=1, le=10_000)] = 1
    until: date | None = None
    """Last day of the loan; None: the last day of the trip."""

    @model_validator(mode="after")
    def _giver_named(self) -> "LoanTerms":
        if (self.giver is None) != (self.source == "bought"):
            raise ValueError("giver names the locker item, member or party; leave it out when it is bought")
        return self


class LoanBody(Body):
    """Base of what happens to one loan; the newest entry says where the loan stands."""

    loan: Slug
    """Id of the loan, unique on its trip."""
    terms: LoanTerms
    remark: LongText = ""

    def key(self) -> Key:
        return ("loan", self.loan)


class LoanPromised(LoanBody):
    """A thing is promised to a person, rope or the party. It is not seen yet: no gap closes by it."""

    kind: Literal["loan-promised"] = "loan-promised"


class LoanHandedOut(LoanBody):
    """A thing was handed out."""

    kind: Literal["loan-handed-out"] = "loan-handed-out"
    sighting: UUID | None = None
    """The entry that records how it was seen or tried on that occasion."""


class LoanReturned(LoanBody):
    """A thing came back, or is known not to."""

    kind: Literal["loan-returned"] = "loan-returned"
    condition: Literal["fine", "damaged", "lost"]


class LoanReleased(LoanBody):
    """A promise is let go; nothing was handed out."""

    kind: Literal["loan-released"] = "loan-released"


FindingId = Annotated[
    str, Field(pattern=r"^[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?\.[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?$")
]
"""A finding by its subject and its requirement: `p07.backup-mitts`."""

GradeWord = Literal["stop", "fix", "advise"]


class FlagBody(Body):
    """Base of what people do about one flag."""

    REGISTER: ClassVar[str] = "flag"
    finding: FindingId

    def key(self) -> Key:
        return (self.REGISTER, self.finding)


class FlagTaken(FlagBody):
    """Someone sees to a flag, until a moment; after that it is offered to others."""

    kind: Literal["flag-taken"] = "flag-taken"
    until: AwareDatetime
    note: LongText = ""


class FlagReleased(FlagBody):
    """Whoever had taken a flag gives it back."""

    kind: Literal["flag-released"] = "flag-released"
    note: LongText = ""


class Bound(Value):
    """One number an acceptance holds for: it must not get worse than `value`."""

    metric: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,60}$")]
    comparison: Literal["not-below", "not-above"]
    value: Annotated[float, Field(allow_inf_nan=False)] | None
    """In the unit the metric registry gives; None: it was not known when it was accepted."""
    stage: Slug | None = None
    """The stage the number belongs to; None: one number for the whole trip."""


class FlagAccepted(FlagBody):
    """A lead guide accepts a gap by name, with a reason, for the conditions and evidence of that time."""

    REGISTER = "acceptance"
    kind: Literal["flag-accepted"] = "flag-accepted"
    reason: Annotated[LongText, Field(min_length=3)]
    hold: HoldKind
    grade: GradeWord
    gap: Slug
    """The kind of gap it was."""
    bounds: Annotated[tuple[Bound, ...], Field(max_length=400)] = ()
    evidence: Annotated[tuple[UUID, ...], Field(max_length=200)] = ()
    """The entries that were known about the thing."""


class AcceptanceEnded(FlagBody):
    """An acceptance is taken back."""

    REGISTER = "acceptance"
    kind: Literal["acceptance-ended"] = "acceptance-ended"
    reason: LongText = ""


class GearShared(Body):
    """Who carries one unit of group gear."""

    kind: Literal["gear-shared"] = "gear-shared"
    subject: Slug
    """Whose gear it is: a rope id, or `party`."""
    requirement: Slug
    unit: Annotated[int, Field(ge=1, le=1000)] = 1
    carrier: Slug | None
    """A member id; None: nobody yet."""

    def key(self) -> Key:
        return ("share", self.subject, self.requirement, str(self.unit))


class PartyRulesSet(Body):
    """The ratio and party rules this trip goes by, whole."""

    kind: Literal["party-rules-set"] = "party-rules-set"
    rules: Annotated[tuple[PartyRule, ...], Field(max_length=40)]

    def key(self) -> Key:
        return ("party-rules",)

    @model_validator(mode="after")
    def _told_apart(self) -> "PartyRulesSet":
        ids = [rule.id for rule in self.rules]
        if len(set(ids)) != len(ids):
            raise ValueError("two rules share one id; give each its own")
        return self


class Remark(Body):
    """A plain remark on the trip, a person, a rope or a requirement. Never about health."""

    kind: Literal["remark"] = "remark"
    about: Annotated[str, Field(max_length=130)] = ""
    text: Annotated[LongText, Field(min_length=1)]


class Withdrawn(Body):
    """An earlier entry is taken back: what it replaced stands again. A withdrawal itself stays."""

    kind: Literal["withdrawn"] = "withdrawn"
    entry: UUID
    reason: LongText = ""


AnyBody = Annotated[
    TripPlanned
    | MemberSet
    | MemberLeft
    | RopesSet
    | Sighting
    | IntentionTold
    | NightTold
    | HealthNote
    | HealthErased
    | ConsentGiven
    | ForecastReceived
    | ForecastChosen
    | HoldPassed
    | LoanPromised
    | LoanHandedOut
    | LoanReturned
    | LoanReleased
    | FlagTaken
    | FlagReleased
    | FlagAccepted
    | AcceptanceEnded
    | GearShared
    | PartyRulesSet
    | HoursSet
    | CallBody
    | Remark
    | Withdrawn,
    Field(discriminator="kind"),
]

BODY: TypeAdapter[AnyBody] = TypeAdapter(AnyBody)
KINDS: tuple[str, ...] = tuple(sorted(BODY.json_schema()["discriminator"]["mapping"]))
