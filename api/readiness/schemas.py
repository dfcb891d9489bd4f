"""What evaluation produces: findings and the board. Values for pages and JSON alike; no table, no request."""

from datetime import datetime
from enum import StrEnum
from typing import Annotated
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field

from api.journal.kinds import GearState, Known
from api.journal.trip import HoldKind, Role
from api.kitlist.schemas import Basis, Grade, Scope, Zone
from api.nights.state import Word
from api.readiness.outlook import IssueChange, PossibleFlag

CAUTION = (
    "This board lists what has been seen and tried against a list and a forecast. It does not judge the "
    "mountain. The final call rests with the licensed guides in charge and with local regulations, and they "
    "may decide against it. Health notes are observations, not diagnoses."
)
CLEAR_MEANS = "Nothing on the list is known to be missing. It does not mean safe."


class Shown(BaseModel):
    """Base of what is shown."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class GapKind(StrEnum):
    """What kind of gap it is."""

    ABSENT = "absent"
    UNFIT = "unfit"
    SHORT = "short"
    UNKNOWN = "unknown"
    """Never sighted by anyone."""
    UNSEEN = "unseen"
    """Known only by word or picture, where it must be seen or tried."""
    UNANSWERED = "unanswered"
    """Sighted, but a fitness question that matters is open."""
    DISAGREE = "disagree"
    """Two people who had not seen each other's record differ."""
    RULE = "rule"
    """A rope or the party is not made up as a rule or good practice asks."""
    HEIGHT = "height"
    """Nights gain more height than the guideline has."""
    HELD = "held"
    """Held back for a private reason."""

    @property
    def known_gap(self) -> bool:
        """Whether the gap is known to be one, rather than not known to be none."""
        return self in _KNOWN_GAPS


_KNOWN_GAPS = (
    GapKind.ABSENT,
    GapKind.UNFIT,
    GapKind.SHORT,
    GapKind.RULE,
    GapKind.HEIGHT,
    GapKind.HELD,
)


class Trigger(Shown):
    """One number that made a requirement apply: what is forecast, against which threshold."""

    metric: str
    title: str
    unit: str
    value: float | None
    comparison: str
    """`below`, `at-least`, or `terrain`."""
    threshold: float | None
    line: str | None = None
    """Title of the named line the threshold is, if it is one."""
    stage: str
    at: datetime | None = None
    """First hour on that stage at which it is crossed."""


class HoldGrade(Shown):
    """What the gap does at one hold point."""

    grade: Grade
    hold: HoldKind
    hold_name: str


class Reason(Shown):
    """One thing that is wrong, in words and numbers."""

    kind: GapKind
    says: str
    question: str | None = None
    answer: str | None = None
    asked: str | None = None
    numbers: tuple[Trigger, ...] = ()


class Evidence(Shown):
    """A sighting as shown: who, when, how known, how it is."""

    entry: UUID
    known: Known
    state: GearState
    count: float | None = None
    by: str
    role: str
    happened_at: datetime
    answers: dict[str, str] = Field(default_factory=dict)
    remark: str = ""
    stand_in: str | None = None
    photo: str | None = None


class FlagState(StrEnum):
    """Where a flag stands in its life."""

    OPEN = "open"
    TAKEN = "taken"
    ACCEPTED = "accepted"
    REOPENED = "reopened"


class Change(Shown):
    """One thing that has changed since a gap was accepted, in words and numbers."""

    about: str
    """`conditions`, `evidence`, `grade`, `gap` or `acceptance`."""
    says: str
    metric: str | None = None
    title: str | None = None
    unit: str | None = None
    was: float | None = None
    now: float | None = None
    line: float | None = None
    """The threshold that was crossed by the change, if one was."""
    stage: str | None = None
    at: datetime | None = None


class BoundShown(Shown):
    """A number an acceptance holds for, in words."""

    metric: str
    stage: str | None
    says: str


class Life(Shown):
    """The life of a flag: what people have done about a finding."""

    state: FlagState = FlagState.OPEN
    taken_by: str | None = None
    taken_by_id: str | None = None
    until: datetime | None = None
    stale: bool = False
    """Taken, but the time is over: anyone may take it now."""
    note: str = ""
    also_taken_by: tuple[str, ...] = ()
    """Others who took it without knowing of each other."""
    accepted_by: str | None = None
    accepted_at: datetime | None = None
    reason: str = ""
    bounds: tuple[BoundShown, ...] = ()
    changes: tuple[Change, ...] = ()
    """Why an acceptance does not hold any more; empty while it holds."""

    @property
    def because(self) -> str:
        """What changed, in one line."""
        shown = [change.says for change in self.changes[:3]]
        more = len(self.changes) - len(shown)
        return "; ".join(shown) + (f"; and {more} more" if more > 0 else "")


class Finding(Shown):
    """A gap, with everything needed to believe it or to refute it."""

    id: str
    """Stable through the trip: subject and requirement."""
    subject: str
    subject_name: str
    scope: Scope
    requirement: str
    item: str
    zone: Zone
    kind: GapKind
    grade: Grade
    hold: HoldKind
    hold_name: str
    also: tuple[HoldGrade, ...] = ()
    title: str
    """One line: who, what."""
    reasons: tuple[Reason, ...]
    why: str
    why_now: tuple[Trigger, ...] = ()
    first_stage: str
    first_stage_name: str
    first_at: datetime
    clears: str
    basis: Basis
    life_safety: bool
    evidence: tuple[Evidence, ...] = ()
    conditions_known: bool = True
    """False: whether it is asked could not be worked out for want of a forecast, so it is treated as
    asked."""
    scenarios: tuple[str, ...] = ()
    """Ids of the scenarios in which it appears."""
    rests_on: tuple[UUID, ...] = ()
    """The journal entries that were known about it."""
    life: Life = Life()

    @property
    def known_gap(self) -> bool:
        return self.kind.known_gap


class Standing(StrEnum):
    """Where a person, rope or the party stands at the next hold point."""

    STOP = "stop"
    FIX = "fix"
    UNKNOWN = "unknown"
    ADVISE = "advise"
    ACCEPTED = "accepted"
    """Nothing open, but something accepted by name: not the same as clear."""
    CLEAR = "clear"


class Tally(Shown):
    """Counts of open findings."""

    stop: int = 0
    fix: int = 0
    advise: int = 0
    unknown: int = 0
    """Everything not known to be fine: never sighted, unseen, unanswered, disagreed."""
    accepted: int = 0
    """Accepted by name; not open, and not clear either."""

    @property
    def open(self) -> int:
        return self.stop + self.fix + self.advise + self.unknown


class Verdict(Shown):
    """Where one subject stands at the next hold point, in words."""

    subject: str
    standing: Standing
    words: str
    tally: Tally


class ItemRow(Shown):
    """One requirement for one subject, as listed on their sheet: everything known and how it is known."""

    requirement: str
    item: str
    zone: Zone
    asked: bool
    """Whether conditions or terrain ask for it on any stage of this trip as forecast."""
    optional: bool
    how_many: str
    met: bool
    evidence: tuple[Evidence, ...] = ()
    finding: str | None = None
    """Id of the open finding, if there is one."""


class AcclimatisationLine(Shown):
    """Where a person stands against the guideline, in a word and a line."""

    state: Word
    words: str


class AcclimatisationCounts(Shown):
    """How many people stand where, without names."""

    within: int = 0
    above: int = 0
    unknown: int = 0
    symptoms: int = 0
    erased: int = 0


class PersonLine(Shown):
    """A person on the board."""

    member: str
    name: str
    role: Role
    verdict: Verdict
    about: str = ""
    acclimatisation: AcclimatisationLine | None = None
    """For guides of the trip; None for others, who get the board's counts."""


class RopeLine(Shown):
    """A rope on the board, people in rope order."""

    rope: str
    name: str
    people: tuple[PersonLine, ...]
    verdict: Verdict


class HoldLine(Shown):
    """A hold point of the trip, passed or ahead."""

    id: str
    kind: HoldKind
    name: str
    at: datetime
    elevation_m: float
    passed_at: datetime | None = None
    next: bool = False


class ForecastLine(Shown):
    """Which forecast the board rests on."""

    forecast: str
    provider: str
    label: str
    issued_at: datetime
    age_h: float
    attribution: str = ""
    """Whom its licence wants named wherever its numbers are shown."""
    licence: str = ""


class WeatherHour(Shown):
    """What is forecast for one hour where the party will be."""

    at: datetime
    stage: str
    elevation_m: float
    moving: bool
    freezing_level_m: float | None = None
    air_temperature_c: float | None = None
    wind_mps: float | None = None
    wind_chill_c: float | None = None
    precipitation_mm: float | None = None
    dark: bool = False


class Board(Shown):
    """The one shared page, as data."""

    caution: str = CAUTION
    clear_means: str = CLEAR_MEANS
    trip: str
    name: str
    demo: bool = False
    seq: int
    edition: str | None
    edition_title: str | None
    forecast: ForecastLine | None
    conditions_version: str
    as_of: datetime
    time_zone: str
    holds: tuple[HoldLine, ...]
    verdict: Verdict
    ropes: tuple[RopeLine, ...]
    unroped: tuple[PersonLine, ...]
    findings: tuple[Finding, ...]
    """Open findings: known gaps first, worst first; then what is not known."""
    accepted: tuple[Finding, ...] = ()
    """Gaps that a lead guide accepted by name, for conditions that still hold."""
    possible: tuple[PossibleFlag, ...] = ()
    """Flags that only other scenarios of the forecast raise."""
    since: IssueChange | None = None
    """What the issue in force changed, against the one before."""
    next_hours: tuple[WeatherHour, ...] = ()
    acclimatisation: AcclimatisationCounts = AcclimatisationCounts()
    disagreements: tuple[str, ...] = ()
    """Things other than gear on which entries stand side by side."""

    def finding(self, finding_id: str) -> Finding | None:
        """An open or accepted finding by its id."""
        return next((f for f in (*self.findings, *self.accepted) if f.id == finding_id), None)


Percent = Annotated[float, Field(ge=0, le=100)]
