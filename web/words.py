"""Numbers, units, dates, times and the words of the trade, as people read them. Pure.

Inside everything is SI and UTC; here it becomes the reader's units and the trip's time zone. ``Say`` binds
both, so that templates write ``say.elevation(stage.to_m)`` and need not know which reader it is for.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo
from enum import StrEnum

from api.journal.kinds import GearState, Known
from api.journal.trip import Effort, HoldKind, Role, Terrain
from api.kitlist.schemas import Grade, Scope, Zone
from api.nights.state import SHORT_WORDS
from api.readiness.schemas import AcclimatisationCounts, Evidence, GapKind, Standing, Tally, Trigger
from api.units import SYSTEMS, Kind, from_inside

NOT_KNOWN = "not known"
NOTHING_MISSING = "nothing known missing"
_NBSP = "\u00a0"
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip


class Units(StrEnum):
    """Which units a reader wants."""

    METRIC = "metric"
    US = "us"


GRADES: dict[Grade, str] = {Grade.STOP: "Stop", Grade.FIX: "Fix", Grade.ADVISE: "Advise"}

GRADE_MEANS: dict[Grade, str] = {
    Grade.STOP: "This person, rope or party goes no further than the hold point named.",
    Grade.FIX: "To be put right before the hold point named. There it becomes a stop.",
    Grade.ADVISE: "Worth doing. It holds nobody back.",
}

KINDS: dict[GapKind, str] = {
    GapKind.ABSENT: "not there",
    GapKind.UNFIT: "there, but not fit for this",
    GapKind.SHORT: "too little of it",
    GapKind.UNKNOWN: "not known, nobody has recorded it",
    GapKind.UNSEEN: "only heard of, not seen yet",
    GapKind.UNANSWERED: "seen, but a question about it is open",
    GapKind.DISAGREE: "two records disagree",
    GapKind.RULE: "not made up as it has to be",
    GapKind.HEIGHT: "more height than the guideline has",
    GapKind.HELD: "held back for a private reason",
}

STANDINGS: dict[Standing, str] = {
    Standing.STOP: "Stop",
    Standing.FIX: "Fix",
    Standing.UNKNOWN: "Not known",
    Standing.ADVISE: "Advise",
    Standing.ACCEPTED: "Accepted by name",
    Standing.CLEAR: "Nothing known missing",
}

KNOWN: dict[Known, str] = {
    Known.UNKNOWN: NOT_KNOWN,
    Known.SAID: "said",
    Known.PICTURED: "pictured",
    Known.SEEN: "seen",
    Known.TRIED: "tried",
}

STATES: dict[GearState, str] = {
    GearState.FITS: "fits",
    GearState.UNFIT: "unfit",
    GearState.ABSENT: "not there",
}

ROLES: dict[Role, str] = {
    Role.LEAD: "lead guide",
    Role.ASSISTANT: "assistant guide",
    Role.CLIMBER: "climber",
}

ZONES: dict[Zone, str] = {
    Zone.FEET: "Feet",
    Zone.LEGS: "Legs",
    Zone.TORSO: "Torso",
    Zone.HANDS: "Hands",
    Zone.HEAD: "Head and eyes",
    Zone.TECHNICAL: "Technical",
    Zone.SLEEP: "Sleep",
    Zone.KITCHEN: "Kitchen and water",
    Zone.LIGHT: "Light",
    Zone.CARE: "Care",
    Zone.PAPERS: "Papers",
    Zone.ROPE: "Rope gear",
    Zone.PARTY: "Party gear",
}

HOLDS: dict[HoldKind, str] = {
    HoldKind.BASE: "base",
    HoldKind.GLACIER_EDGE: "glacier edge",
    HoldKind.HIGH_CAMP: "high camp",
    HoldKind.SUMMIT_START: "summit start",
}

SCOPES: dict[Scope, str] = {Scope.PERSON: "each person", Scope.ROPE: "each rope", Scope.PARTY: "the party"}

TERRAINS: dict[Terrain, str] = {
    Terrain.GLACIER: "glacier",
    Terrain.CREVASSED: "crevassed glacier",
    Terrain.STEEP_SNOW: "steep snow",
    Terrain.ROCKFALL: "rockfall",
    Terrain.AVALANCHE: "avalanche terrain",
    Terrain.SNOW_CAMP: "camp on snow",
    Terrain.REMOTE: "far from help",
}

EFFORTS: dict[Effort, str] = {
    Effort.EASY: "easy",
    Effort.MODERATE: "moderate",
    Effort.HARD: "hard",
    Effort.VERY_HARD: "very hard",
}

WATERS: dict[str, str] = {"stream": "a stream to fill up at", "snow": "snow is melted there"}
BASES: dict[str, str] = {
    "published": "Published source",
    "common-practice": "Common practice",
    "law-or-permit": "Law or permit",
    "outfit": "Rule of this outfit",
}


def number(value: float, places: int = 0) -> str:
    """A number with a real minus sign and commas from 1,000 on; never "−0". Places below 0 round to tens."""
    text = f"{round(abs(value), places):,.{max(places, 0)}f}"
    negative = value < 0 and any(digit in "123456789" for digit in text)
    return f"−{text}" if negative else text


def plain_number(value: float, most_places: int = 1) -> str:
    """A number with as many decimals as it needs, at most `most_places`."""
    text = number(value, most_places)
    return text.rstrip("0").rstrip(".") if "." in text else text


def count(how_many: int, one: str, many: str | None = None) -> str:
    """ "1 stop", "6 stops"; `many` where the plural is not one + s."""
    return f"{how_many:,}{_NBSP}{one if how_many == 1 else many if many is not None else one + 's'}"


def join(parts: Iterable[str], word: str = "and") -> str:
    """ "a", "a and b", "a, b and c"."""
    listed = [part for part in parts if part]
    if len(listed) < 2:
        return "".join(listed)
    return f"{', '.join(listed[:-1])} {word} {listed[-1]}"


def sentence(text: str) -> str:
    """The text with a capital first letter and a full stop at its end."""
    text = text.strip()
    if not text:
        return ""
    ended = text if text.endswith((".", "!", "?", "…")) else f"{text}."
    return ended[0].upper() + ended[1:]


def _measured(value: float | None, kind: Kind, units: Units, *, places: int = 0) -> str:
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    symbol = SYSTEMS[units.value][kind]
    return f"{number(from_inside(value, symbol, kind), places)}{_NBSP}{symbol}"


def elevation(metres: float | None, units: Units = Units.METRIC) -> str:
    """An elevation [m]: "3,350 m" or, to the nearest ten, "10,990 ft"."""
    if units is Units.US:
        return _measured(metres, Kind.LENGTH, units, places=-1)
    return _measured(metres, Kind.LENGTH, units)


def temperature(celsius: float | None, units: Units = Units.METRIC, places: int = 0) -> str:
    """A temperature [°C]: "−7 °C" or "19 °F"."""
    return _measured(celsius, Kind.TEMPERATURE, units, places=places)


def speed(mps: float | None, units: Units = Units.METRIC) -> str:
    """A wind speed [m/s]: "45 km/h" or "28 mph"."""
    return _measured(mps, Kind.SPEED, units)


def rain(millimetres: float | None, units: Units = Units.METRIC) -> str:
    """Water that falls [mm]: "2.5 mm" or "0.10 in"; "none" when it is nothing."""
    if millimetres is not None and millimetres < 0.05:
        return "none"
    return _measured(millimetres, Kind.DEPTH, units, places=2 if units is Units.US else 1)


def quantity(value: float | None, unit: str, units: Units = Units.METRIC) -> str:
    """A number in the unit of the metric registry, in the reader's units.

    Temperatures keep one decimal, because a threshold may lie between two whole degrees.
    """
    if value is None or not math.isfinite(value):
        return NOT_KNOWN
    match unit:
        case "m":
            return elevation(value, units)
        case "°C":
            return temperature(value, units, places=0 if value == round(value) else 1)
        case "m/s":
            return speed(value, units)
        case "mm":
            return rain(value, units)
        case "cm" if units is Units.US:
            return _measured(value * 10, Kind.DEPTH, units, places=1)
        case "h":
            return duration(timedelta(hours=value))
        case "1":
            return plain_number(value)
        case _:
            return f"{plain_number(value)}{_NBSP}{unit}"


def duration(span: timedelta) -> str:
    """How long: "35 min", "2 h 10 min", "3 days 4 h". The sign is dropped."""
    minutes = round(abs(span).total_seconds() / 60)
    hours, minutes_left = divmod(minutes, 60)
    if hours < 1:
        return f"{minutes}{_NBSP}min"
    if hours < 48:
        return f"{hours}{_NBSP}h" + (f" {minutes_left}{_NBSP}min" if minutes_left else "")
    days, hours_left = divmod(round(minutes / 60), 24)
    return f"{days}{_NBSP}days" + (f" {hours_left}{_NBSP}h" if hours_left else "")


def from_now(at: datetime, now: datetime) -> str:
    """ "in 2 h 10 min", "35 min ago", "now"."""
    span = at - now
    if abs(span) < timedelta(minutes=1):
        return "now"
    return f"in {duration(span)}" if span > timedelta(0) else f"{duration(span)} ago"


def age(hours: float) -> str:
    """How old something is: "35 min old", "3 h old"."""
    return f"{duration(timedelta(hours=max(hours, 0.0)))} old"


def day(on: date) -> str:
    """ "Sat 12 Sep"; a datetime must already be in the zone it is meant in."""
    return f"{_DAYS[on.weekday()]}{_NBSP}{on.day}{_NBSP}{_MONTHS[on.month - 1][:3]}"


def long_date(on: date) -> str:
    """ "12 September 2026"."""
    return f"{on.day}{_NBSP}{_MONTHS[on.month - 1]} {on.year}"


def month(on: date) -> str:
    """ "September 2026"."""
    return f"{_MONTHS[on.month - 1]} {on.year}"


def date_span(first: date, last: date) -> str:
    """ "12–15 September 2026", "30 August – 2 September 2026"."""
    if first == last:
        return long_date(first)
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day}–{last.day}{_NBSP}{_MONTHS[last.month - 1]} {last.year}"
    if first.year == last.year:
        return f"{first.day}{_NBSP}{_MONTHS[first.month - 1]} – {long_date(last)}"
    return f"{long_date(first)} – {long_date(last)}"


def tally_parts(counts: Tally) -> list[tuple[Standing, str]]:
    """Findings in words, worst first, each with what it makes of someone: [(stop, "6 stops"), ...]."""
    parts = (
        (counts.stop, Standing.STOP, count(counts.stop, "stop")),
        (counts.fix, Standing.FIX, f"{counts.fix:,}{_NBSP}to{_NBSP}fix"),
        (counts.unknown, Standing.UNKNOWN, f"{counts.unknown:,}{_NBSP}not{_NBSP}known"),
        (counts.advise, Standing.ADVISE, f"{counts.advise:,}{_NBSP}advised"),
        (counts.accepted, Standing.ACCEPTED, f"{counts.accepted:,}{_NBSP}accepted"),
    )
    return [(standing, text) for how_many, standing, text in parts if how_many]


def tally(counts: Tally) -> str:
    """Open findings in words: "6 stops, 3 to fix, 2 not known, 1 advised", or "nothing known missing"."""
    return ", ".join(text for _, text in tally_parts(counts)) or NOTHING_MISSING


def acclimatised(counts: AcclimatisationCounts) -> str:
    """How many people stand where against the guideline: "4 within the guideline, 2 not known"."""
    told = ((getattr(counts, word.value), text) for word, text in SHORT_WORDS.items())
    return ", ".join(f"{how_many} {text}" for how_many, text in told if how_many) or "nobody is on this trip"


def role(written: str) -> str:
    """A role as an entry carries it, in words; one of another kind stays as it is."""
    return next((words for known, words in ROLES.items() if known.value == written), written)


def answered(question: str, answer: str) -> str:
    """A question with its answer, such as "Side cover: no." or "Has it a hood? No."."""
    return f"{question} {sentence(answer)}" if question.endswith("?") else sentence(f"{question}: {answer}")


def how_known(evidence: Evidence) -> str:
    """ "seen, fits", "said, not there"."""
    return f"{KNOWN[evidence.known]}, {STATES[evidence.state]}"


@dataclass(frozen=True, slots=True)
class Say:
    """Words for one reader: their units, and the time zone of the trip."""

    units: Units = Units.METRIC
    zone: tzinfo = UTC
    now: datetime | None = None
    """The moment the page is for; without it, relative times cannot be said."""

    def elevation(self, metres: float | None) -> str:
        return elevation(metres, self.units)

    def distance(self, metres: float) -> str:
        symbol = "mi" if self.units is Units.US else "km"
        return f"{plain_number(from_inside(metres, symbol, Kind.LENGTH))}{_NBSP}{symbol}"

    def temperature(self, celsius: float | None) -> str:
        return temperature(celsius, self.units)

    def speed(self, mps: float | None) -> str:
        return speed(mps, self.units)

    def rain(self, millimetres: float | None) -> str:
        return rain(millimetres, self.units)

    def quantity(self, value: float | None, unit: str) -> str:
        return quantity(value, unit, self.units)

    def local(self, at: datetime) -> datetime:
        """The moment in the trip's time zone."""
        return at.astimezone(self.zone)

    def time(self, at: datetime) -> str:
        """ "14:00"."""
        return f"{self.local(at):%H:%M}"

    def day(self, at: datetime) -> str:
        """ "Sat 12 Sep"."""
        return day(self.local(at).date())

    def day_time(self, at: datetime) -> str:
        """ "Sat 12 Sep, 14:00"."""
        return f"{self.day(at)}, {self.time(at)}"

    def when(self, at: datetime) -> str:
        """The time alone when it is today, else with its day."""
        if self.now is not None and self.local(self.now).date() == self.local(at).date():
            return self.time(at)
        return self.day_time(at)

    def iso(self, at: datetime) -> str:
        """For the `datetime` attribute of a time element, to the minute."""
        return self.local(at).isoformat(timespec="minutes")

    def from_now(self, at: datetime) -> str:
        """ "in 2 h 10 min". Raises ValueError when this reader's page has no moment."""
        if self.now is None:
            raise ValueError("this page has no moment to count from; make Say with now=")
        return from_now(at, self.now)

    def trigger(self, trigger: Trigger) -> str:
        """One number that made a requirement apply: "freezing level 3,350 m, line 3,600 m, from 02:00"."""
        since = f", from {self.when(trigger.at)}" if trigger.at else ""
        if trigger.comparison == "terrain":
            return f"{trigger.title}{since}"
        if trigger.value is None or not math.isfinite(trigger.value):
            return f"{trigger.title} {NOT_KNOWN}, so it is asked"
        text = f"{trigger.title} {self.quantity(trigger.value, trigger.unit)}"
        if trigger.threshold is not None:
            word = (
                "line" if trigger.line else "asked below" if trigger.comparison == "below" else "asked from"
            )
            text += f", {word} {self.quantity(trigger.threshold, trigger.unit)}"
        return text + since

    def triggers(self, triggers: Sequence[Trigger]) -> str:
        """Several numbers in one sentence."""
        return "; ".join(self.trigger(trigger) for trigger in triggers)
