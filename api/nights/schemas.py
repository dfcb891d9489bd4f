"""Shapes of nights and health notes: what is sealed, what is sent in, what readers get."""

from datetime import date, datetime
from enum import StrEnum
from typing import Annotated, Literal
from uuid import UUID

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, TypeAdapter, model_validator

from api.journal.health import Mark
from api.journal.trip import ElevationM, LongText, ShortText, Slug
from api.science.ascent import History

NO_DIAGNOSIS = (
    "Health notes are observations, no diagnosis. The outfit's medical direction and the local protocol come "
    "first. The final call rests with the licensed guides in charge and with local regulations."
)

CONSENT = "health-notes"
CONSENT_VERSION = "1"
"""Of the text below; what is recorded also names the days it was shown with."""
CONSENT_TEXT = (
    "On this trip the guides would like to note how you are getting on with the altitude: how you feel (a "
    "short score), readings of an oximeter if one is used, earlier trouble at altitude, and medicines you "
    "tell them about. Only the guides of this trip can read these notes, from {before} days before it to "
    "{after} days after it. The office sees how many there are, not what they say. Everyone on the board "
    "sees no more than that a guide holds you back for a private reason. The notes are encrypted with a key "
    "of your own, and erased for good {keep} days after the trip, or before that whenever you ask. You can "
    "see them, correct them and have a copy. Agreeing is your choice: without it guides write no notes, "
    "except in an emergency to protect a life. You can take your agreement back at any time."
)

Points = Annotated[int, Field(ge=0, le=3)]


class DangerSign(StrEnum):
    """What outranks any score: descent and help at once."""

    UNSTEADY = "unsteady"
    CONFUSED = "confused"
    BREATHLESS_AT_REST = "breathless-at-rest"
    WET_COUGH = "wet-cough"
    BLUE_LIPS = "blue-lips"
    CANNOT_KEEP_UP = "cannot-keep-up"
    VOMITING = "vomiting"


DANGER_WORDS: dict[DangerSign, str] = {
    DangerSign.UNSTEADY: "Cannot walk heel to toe along a straight line",
    DangerSign.CONFUSED: "Confused, drowsy, or behaving unlike themselves",
    DangerSign.BREATHLESS_AT_REST: "Out of breath at rest",
    DangerSign.WET_COUGH: "A wet or bubbling cough, or froth or blood in what is coughed up",
    DangerSign.BLUE_LIPS: "Grey or blue lips",
    DangerSign.CANNOT_KEEP_UP: "Cannot keep up at a pace that is easy for the others",
    DangerSign.VOMITING: "Vomiting that does not stop",
}


class Part(BaseModel):
    """Base of what a note says."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class SymptomScore(Part):
    """Lake Louise score of 2018, by the person or asked by a guide. An item left out is not known."""

    kind: Literal["symptom-score"] = "symptom-score"
    headache: Points | None = None
    gastrointestinal: Points | None = None
    fatigue: Points | None = None
    dizziness: Points | None = None
    function: Points | None = None
    """How much the symptoms keep the person from doing what they would; not part of the score."""
    hours_since_gain: Annotated[float, Field(ge=0, le=2000, allow_inf_nan=False)] | None = None
    by: Literal["self", "asked"] = "asked"
    elevation_m: ElevationM | None = None
    remark: LongText = ""


class Reading(Part):
    """What an oximeter showed, with the conditions it was taken under. Never judged."""

    kind: Literal["reading"] = "reading"
    spo2_percent: Annotated[float, Field(ge=30, le=100, allow_inf_nan=False)]
    pulse_bpm: Annotated[float, Field(ge=20, le=260, allow_inf_nan=False)] | None = None
    minutes_at_rest: Annotated[float, Field(ge=0, le=1440, allow_inf_nan=False)] | None = None
    hand_warmed: bool | None = None
    device: Annotated[str, Field(max_length=80)] = ""
    elevation_m: ElevationM | None = None
    read_by: Annotated[str, Field(max_length=120)] = ""
    remark: LongText = ""


class MedicationSaid(Part):
    """A medicine the person says they take, in their words."""

    kind: Literal["medication-said"] = "medication-said"
    said: Annotated[LongText, Field(min_length=1)]


class HistoryTold(Part):
    """Earlier trouble at altitude. `worst` stays empty until it is known what it was."""

    kind: Literal["history-told"] = "history-told"
    said: LongText = ""
    worst: History | None = None


class HealthRemark(Part):
    """Anything else about how a person is."""

    kind: Literal["health-remark"] = "health-remark"
    text: Annotated[LongText, Field(min_length=1)]


class DangerSigns(Part):
    """Danger signs that somebody saw."""

    kind: Literal["danger-signs"] = "danger-signs"
    signs: Annotated[tuple[DangerSign, ...], Field(min_length=1)]
    remark: LongText = ""


class PrivateTalk(Part):
    """The lead's talk with a person in private, and what the lead decided. Only leads read it."""

    kind: Literal["private-talk"] = "private-talk"
    text: Annotated[LongText, Field(min_length=1)]
    decided: Literal["goes-no-higher", "may-go-on"] | None = None


Content = Annotated[
    SymptomScore | Reading | MedicationSaid | HistoryTold | HealthRemark | DangerSigns | PrivateTalk,
    Field(discriminator="kind"),
]


class Sealed(Part):
    """What is sealed: the content, and what it puts right."""

    content: Content
    corrects: UUID | None = None
    """The note that this one puts right."""
    without_consent: bool = False
    """Written to protect a life although the person had not agreed."""


SEALED: TypeAdapter[Sealed] = TypeAdapter(Sealed)


class NoteWrite(BaseModel):
    """A note as it is sent in. With an id of its own it may be sent again without being stored twice."""

    model_config = ConfigDict(extra="forbid")

    member: Slug
    content: Content
    happened_at: AwareDatetime | None = None
    """When it was said, seen or read; None: now."""
    id: UUID | None = None
    corrects: UUID | None = None
    emergency: bool = False
    """To protect a life: written although the person has not agreed."""

    @model_validator(mode="after")
    def _version(self) -> "NoteWrite":
        if self.id is not None and self.id.version != 7:
            raise ValueError("id must be a UUID of version 7; leave it out to have one made")
        return self


class Score(BaseModel):
    """What the rule makes of a score."""

    model_config = ConfigDict(frozen=True)

    total: int | None
    at_least: int
    rule_met: bool | None
    severity: str | None
    too_early: bool | None
    """Less than 6 hours after gaining height."""
    without_headache: bool


class NoteShown(BaseModel):
    """A note as its readers get it."""

    model_config = ConfigDict(frozen=True)

    id: UUID
    member: Slug
    happened_at: datetime
    by: ShortText
    role: str
    mark: Mark | None = None
    content: Content | None = None
    """None: it cannot be read; `state` says why."""
    state: Literal["readable", "private", "erased", "no-key"] = "readable"
    erased_at: datetime | None = None
    score: Score | None = None
    corrects: UUID | None = None
    corrected_by: UUID | None = None
    without_consent: bool = False


class NightShown(BaseModel):
    """A night of one person as readers get it."""

    model_config = ConfigDict(frozen=True)

    on: date
    elevation_m: float | None
    how: str
    place: str | None = None
    gain_m: float | None = None
    above_limit: bool | None = None


class PersonNights(BaseModel):
    """One person's nights, and where they stand by the guideline."""

    model_config = ConfigDict(frozen=True)

    member: Slug
    name: ShortText
    nights: tuple[NightShown, ...]
    state: str
    words: str
    consent: bool | None = None
    """Whether they agreed to health notes; None: not asked."""
    private_note: Mark | None = None


class TripNights(BaseModel):
    """Everyone's nights on a trip."""

    caution: str = NO_DIAGNOSIS
    trip: Slug
    seq: int
    people: tuple[PersonNights, ...]
    extra_nights: tuple[str, ...] = ()


class TripNotes(BaseModel):
    """Health notes of a trip, for those who may read them."""

    caution: str = NO_DIAGNOSIS
    trip: Slug
    notes: tuple[NoteShown, ...]


class Counts(BaseModel):
    """What everyone else may know: how many, no names."""

    people: int
    agreed: int
    with_notes: int
    held_back: int
    erased: int


class NightsWrite(BaseModel):
    """Where people slept. Without an elevation: asked, and not known."""

    model_config = ConfigDict(extra="forbid")

    members: Annotated[tuple[Slug, ...], Field(min_length=1, max_length=200)]
    on: date
    elevation_m: ElevationM | None = None
    known: Literal["said", "spent"] = "said"


class ConsentWrite(BaseModel):
    """What a person answered to the consent text."""

    model_config = ConfigDict(extra="forbid")

    given: bool
    text_version: Annotated[str, Field(max_length=40)] | None = None
    """Of the text that was shown; None: the one in force."""


class AccessLine(BaseModel):
    """Who read whose notes."""

    member: str
    reader: str
    reader_name: str
    did: str
    notes: int
    at: datetime


class PersonExport(BaseModel):
    """Everything that is kept about one person's nights and health on one trip."""

    caution: str = NO_DIAGNOSIS
    trip: Slug
    member: Slug
    name: str
    consent: dict[str, str] | None
    nights: tuple[NightShown, ...]
    notes: tuple[NoteShown, ...]
    read_by: tuple[AccessLine, ...]
