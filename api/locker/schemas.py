"""What the locker takes in and gives out."""

from datetime import date, datetime
from typing import Annotated, Any, Literal, Self

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, model_validator

from api.journal.kinds import Answer
from api.journal.trip import LongText, ShortText, Slug
from api.kitlist.schemas import Grade
from api.locker.rules import PPE_KINDS
from api.locker.sizes import Measure, SizeUnreadable, read_size
from api.readiness.schemas import CAUTION

NOT_SEEN_YET = "What is promised here is not seen yet: a gap closes when somebody has tried the thing on."

State = Literal["free", "promised", "out", "overdue", "due", "ended", "quarantine", "retired"]
Years = Annotated[float, Field(gt=0, le=50, allow_inf_nan=False)]
Grams = Annotated[float, Field(gt=0, le=100_000, allow_inf_nan=False)]


Day = Annotated[date, Field(ge=date(1950, 1, 1), le=date(2150, 1, 1))]
"""A day in the life of a thing: far enough from the ends of the calendar to count years from it."""


class Taken(BaseModel):
    """Base of what is sent."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    @model_validator(mode="before")
    @classmethod
    def _keepable(cls, sent: Any) -> Any:
        if isinstance(sent, dict):
            for name, value in sent.items():
                # PostgreSQL keeps no NUL in a text.
                if isinstance(value, str) and "\0" in value:
                    raise ValueError(f"{name}: it holds a character that cannot be kept. Leave it out.")
        return sent


class Shown(BaseModel):
    """Base of what is answered."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class ItemWrite(Taken):
    """A thing of the locker as it is entered or changed, whole."""

    what: ShortText
    meets: Annotated[
        list[Slug], Field(min_length=1, max_length=20, description="Requirement ids it can meet.")
    ]
    size: Annotated[str, Field(max_length=40)] = ""
    sized_by: Measure = Measure.NONE
    weight_g: Grams | None = None
    answers: Annotated[dict[Slug, Answer], Field(max_length=40)] = Field(default_factory=dict)
    """Answers to the fitness questions of what it meets."""
    traits: Annotated[dict[Slug, Slug], Field(max_length=10)] = Field(default_factory=dict)
    """What it has to go with: `binding: c1`, `c2` or `c3` for crampons."""
    counted: bool = False
    """Several equal things without a number of their own: cells, hand warmers, wands."""
    quantity: Annotated[int, Field(ge=0, le=10_000)] = 1
    protective: Annotated[str, Field(max_length=20)] | None = None
    made: Day | None = None
    bought: Day | None = None
    first_use: Day | None = None
    days_used: Annotated[int, Field(ge=0, le=20_000)] = 0
    inspected_on: Day | None = None
    inspect_months: Annotated[int, Field(ge=1, le=120)] | None = None
    years_from_made: Years | None = None
    years_from_first_use: Years | None = None
    retire_by: Day | None = None
    limit_source: Annotated[str, Field(max_length=200)] = ""
    place: Annotated[str, Field(max_length=120)] = ""
    remark: LongText = ""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.sized_by is not Measure.NONE and self.size:
            try:
                read_size(self.size, self.sized_by)
            except SizeUnreadable as error:
                raise ValueError(f"size: {error}. {error.remedy}") from None
        if self.protective is not None and self.protective not in PPE_KINDS:
            raise ValueError(f"protective: {self.protective} is no kind. Use one of {', '.join(PPE_KINDS)}.")
        if self.protective is not None and self.counted:
            raise ValueError("counted: protective gear has a number of its own. Enter each piece by itself.")
        if not self.counted and self.quantity > 1:
            raise ValueError("quantity: one thing with a number of its own. Set counted, or enter each.")
        return self


class ItemCreate(ItemWrite):
    """A new thing of the locker."""

    id: Slug


class EventShown(Shown):
    """Something that happened to a thing."""

    kind: str
    at: datetime
    by: str
    says: str


class LoanShown(Shown):
    """A loan of a thing on some trip; of a trip that is not the reader's to see only the days are told."""

    trip: str
    trip_name: str
    loan: str
    state: Literal["promised", "out", "returned", "released"]
    subject: str
    requirement: str
    units: int
    from_on: date
    until_on: date


class ItemShown(Shown):
    """A thing of the locker with its state."""

    id: str
    what: str
    meets: tuple[str, ...]
    size: str
    sized_by: Measure
    weight_g: float | None
    answers: dict[str, Answer]
    traits: dict[str, str]
    counted: bool
    quantity: int
    protective: str | None
    ppe_category: str
    made: date | None
    bought: date | None
    first_use: date | None
    days_used: int
    inspected_on: date | None
    inspection_due: date | None
    usable_until: date | None
    life: tuple[str, ...]
    state: State
    against: tuple[str, ...]
    """What stands against lending it on the days asked about, or now."""
    free: int
    quarantined_at: datetime | None
    quarantine_reason: str
    retired_on: date | None
    retired_reason: str
    place: str
    remark: str


class ItemPage(ItemShown):
    """A thing of the locker with its history."""

    loans: tuple[LoanShown, ...]
    events: tuple[EventShown, ...]


class LockerList(Shown):
    """Things of the locker."""

    items: tuple[ItemShown, ...]


class ShopWrite(Taken):
    """Something that can be bought on the way, as it is entered or changed, whole."""

    what: ShortText
    meets: Annotated[
        list[Slug], Field(min_length=1, max_length=20, description="Requirement ids it can meet.")
    ]
    place: ShortText
    until: AwareDatetime | None = None
    """When the shop shuts, or the party has passed it; None: at any time."""
    price: Annotated[float, Field(ge=0, le=1_000_000, allow_inf_nan=False)] | None = None
    currency: Annotated[str, Field(max_length=10)] = ""
    answers: Annotated[dict[Slug, Answer], Field(max_length=40)] = Field(default_factory=dict)
    traits: Annotated[dict[Slug, Slug], Field(max_length=10)] = Field(default_factory=dict)


class ShopShown(Shown):
    """A line of the buying list."""

    id: str
    what: str
    meets: tuple[str, ...]
    place: str
    until: datetime | None
    price: float | None
    currency: str
    answers: dict[str, Answer]
    traits: dict[str, str]


class BuyingList(Shown):
    """What can be bought on the way."""

    shops: tuple[ShopShown, ...]


class Quarantine(Taken):
    """Take a thing out of use until somebody competent has looked at it."""

    reason: Annotated[LongText, Field(min_length=1)]


class Release(Taken):
    """Put a thing back in use after a competent person looked at it."""

    examined_by: ShortText
    """Who examined it and stands for it, by name."""
    found: Annotated[LongText, Field(min_length=1)]


class Inspection(Taken):
    """An examination by a competent person."""

    on: Day
    examined_by: ShortText
    passed: bool
    found: LongText = ""


class Retirement(Taken):
    """Take a thing out of use for good."""

    reason: Annotated[LongText, Field(min_length=1)]


class Promise(Taken):
    """Promise a thing of the locker to a person, rope or the party of a trip."""

    item: Slug
    subject: Slug
    requirement: Slug
    units: Annotated[int, Field(ge=1, le=10_000)] = 1
    until: date | None = None
    remark: LongText = ""


class HandOut(Taken):
    """Hand out what was promised. With `known`, what was seen or tried on that occasion is recorded too."""

    known: Literal["seen", "tried"] | None = None
    answers: Annotated[dict[Slug, Answer], Field(max_length=40)] = Field(default_factory=dict)
    remark: LongText = ""


class Return(Taken):
    """A loan came back. Damage puts it in quarantine."""

    condition: Literal["fine", "damaged", "lost"]
    remark: LongText = ""

    @model_validator(mode="after")
    def _says_what(self) -> Self:
        if self.condition != "fine" and not self.remark:
            raise ValueError("remark: say what happened to it, in a few words.")
        return self


class LetGo(Taken):
    """Let a promise go."""

    remark: LongText = ""


class LoanResult(Shown):
    """A loan after a change."""

    trip: str
    loan: str
    state: Literal["promised", "out", "returned", "released"]
    seq: int


class CoverLine(Shown):
    """One line of a cover plan: who gets what from whom, and what that does."""

    id: str
    """`finding|source`; what is sent back to have it applied."""
    finding: str
    subject: str
    subject_name: str
    requirement: str
    item: str
    grade: Grade
    hold_name: str
    source: Literal["locker", "person", "party", "bought"]
    giver: str | None
    what: str
    whom: str
    units: int
    leaves: Grade | None
    says: str
    fit: str
    to_try: tuple[str, ...]
    remains: tuple[str, ...]
    opens: str = ""
    """The gap that opens at the giver, in words."""


class Uncovered(Shown):
    """A gap that nothing at hand covers."""

    finding: str
    subject_name: str
    item: str
    grade: Grade
    hold_name: str
    why: tuple[str, ...]


class Help(Shown):
    """One more thing that would help, and how much."""

    says: str
    requirement: str
    size: str
    stops: int
    fixes: int
    advises: int
    units: int = Field(description="How many things that is.")
    price: float | None = Field(
        default=None,
        description="The lowest price for all of them on the buying list; none is entered if null.",
    )
    currency: str = ""


class CoverPlan(Shown):
    """The best cover of all known gaps of a trip."""

    caution: str = CAUTION
    means: str = NOT_SEEN_YET
    trip: str
    seq: int
    as_of: AwareDatetime
    lines: tuple[CoverLine, ...]
    uncovered: tuple[Uncovered, ...]
    help: tuple[Help, ...]
    """Best first; the first is the one thing that helps most."""
    promised: tuple[str, ...]
    """Findings for which something is promised already, by title."""
    to_look_at: tuple[str, ...]
    """Open findings that are not known gaps, by title: look first."""
    not_gear: tuple[str, ...]
    """Open findings that nothing lent can close, by title."""
    at_base: bool
    """Whether the locker and the shops count as within reach."""
    summary: str


class Apply(Taken):
    """Which lines of a plan to promise."""

    lines: Annotated[list[Annotated[str, Field(max_length=300)]], Field(min_length=1, max_length=400)]
    sent_up: bool = False
    """Whether things can be brought up from base."""


class LineResult(Shown):
    """What became of one line."""

    line: str
    status: Literal["promised", "refused"]
    says: str
    loan: str | None = None


class Applied(Shown):
    """What became of the chosen lines; those refused stand in nobody's way."""

    trip: str
    seq: int
    results: tuple[LineResult, ...]
