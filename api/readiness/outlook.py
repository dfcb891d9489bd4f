"""What other courses of the weather, and the issue before, say about flags, as it is shown."""

from datetime import datetime
from enum import StrEnum

from pydantic import BaseModel, ConfigDict

from api.journal.trip import HoldKind
from api.kitlist.schemas import Grade

LEAST_SHARE_VALID = 0.8
FEWEST_VALID = 10
"""With fewer members that decide it, or a smaller share of them, an ensemble gives no frequency."""


class Outlined(BaseModel):
    """Base of what is shown here."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Spread(StrEnum):
    """What a forecast's scenarios are."""

    NONE = "none"
    """One single course."""
    BY_HAND = "by-hand"
    """The low, best and high of a guide: which of them, never a percentage."""
    ENSEMBLE = "ensemble"


class Frequency(Outlined):
    """In how many scenarios a flag appears, each looked at whole. An uncalibrated count, no probability."""

    spread: Spread
    appears: int
    """Scenarios in which it surely appears."""
    valid: int
    """Scenarios that decide whether it does."""
    total: int
    which: tuple[str, ...] = ()
    """By hand: the labels of those in which it appears."""

    @property
    def given(self) -> bool:
        """Whether there is enough to give a count."""
        if self.spread is Spread.ENSEMBLE:
            return self.valid >= FEWEST_VALID and self.valid >= LEAST_SHARE_VALID * self.total
        return self.valid > 0


class PossibleFlag(Outlined):
    """A flag that the forecast itself does not raise, but another of its scenarios does."""

    id: str
    subject: str
    subject_name: str
    requirement: str
    item: str
    says: str
    grade: Grade
    hold: HoldKind
    hold_name: str
    known_gap: bool
    frequency: Frequency


class NumberChange(Outlined):
    """A number on a stage, in the issue in force and in the one before."""

    metric: str
    title: str
    unit: str
    stage: str
    stage_name: str
    at: datetime | None
    """The hour both are for; None for what is one value a stage."""
    was: float | None
    now: float | None
    line: float | None = None


class FlagTurn(StrEnum):
    """What a new issue did to a flag."""

    OPENED = "opened"
    GONE = "gone"
    CHANGED = "changed"


class FlagChange(Outlined):
    """A flag that is there, gone or graded otherwise because of a new issue."""

    id: str
    subject: str
    subject_name: str
    requirement: str
    item: str
    known_gap: bool
    turn: FlagTurn
    grade: Grade
    hold_name: str
    was_grade: Grade | None = None
    was_hold_name: str | None = None
    because: tuple[NumberChange, ...] = ()


class IssueChange(Outlined):
    """What changed with the issue in force since the one before, everything else as it is now."""

    before_label: str
    before_issued_at: datetime
    label: str
    issued_at: datetime
    numbers: tuple[NumberChange, ...] = ()
    """The lowest freezing level of each stage ahead where it moved."""
    flags: tuple[FlagChange, ...] = ()
