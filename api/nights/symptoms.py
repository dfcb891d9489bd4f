"""What a note means for going on, and how scores go from camp to camp. Pure.

A score is a self-score, no diagnosis. A reading is never judged.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from api.journal.fold import Picture, Record
from api.journal.health import HealthNote, Mark
from api.nights.schemas import Content, DangerSigns, PrivateTalk, Score, SymptomScore
from api.science.altitude import LakeLouise, lake_louise_2018

THRESHOLD = 3
"""Points from which, with a headache, the Lake Louise rule of 2018 is met."""


def lake_louise(score: SymptomScore) -> LakeLouise:
    """The score by the published rule."""
    return lake_louise_2018(
        score.headache,
        score.gastrointestinal,
        score.fatigue,
        score.dizziness,
        hours_since_gain=score.hours_since_gain,
    )


def scored(content: Content | None) -> Score | None:
    """What the rule makes of a note, if it is a score."""
    if not isinstance(content, SymptomScore):
        return None
    found = lake_louise(content)
    return Score(
        total=found.total,
        at_least=found.at_least,
        rule_met=found.rule_met,
        severity=found.severity.value if found.severity else None,
        too_early=found.too_early,
        without_headache=found.high_without_headache,
    )


def mark_of(content: Content, *, held: bool = False) -> Mark | None:
    """What a note lets others know about going on.

    Parameters
    ----------
    content
        What it says.
    held
        Whether something holds the person back whatever a score says, as `held_by_word` tells.

    Returns
    -------
    hold: the rule is met, a danger sign was seen, or the lead decided so. open: an item that is not known
    could meet the rule, or there are as many points without a headache. clear: the score is below, and
    nothing outranks it; or the lead decided so. None: it says nothing about going on, as a reading.
    """
    match content:
        case DangerSigns():
            return Mark.HOLD
        case PrivateTalk(decided=decided):
            return {"goes-no-higher": Mark.HOLD, "may-go-on": Mark.CLEAR, None: None}[decided]
        case SymptomScore():
            found = lake_louise(content)
            if found.rule_met:
                return Mark.HOLD
            if found.rule_met is None or found.high_without_headache:
                return Mark.OPEN
            return None if held else Mark.CLEAR
    return None


@dataclass(frozen=True, slots=True)
class Standing:
    """Where a person stands by the marks of their notes.

    Attributes
    ----------
    mark
        hold or open; None: nothing holds the person back.
    records
        The notes it rests on.
    erased
        Whether the notes were erased while it stood: what it was about is not known any more.
    """

    mark: Mark | None
    records: tuple[Record[HealthNote], ...] = ()
    erased: bool = False


def standing(picture: Picture, member: str) -> Standing:
    """Where a person stands. Only a guide's note clears: people hide symptoms near the top."""
    mark: Mark | None = None
    resting: list[Record[HealthNote]] = []
    for record in picture.health_notes.get(member, ()):
        given = record.body.mark
        if given is None or (given is Mark.CLEAR and record.actor.role not in ("lead", "assistant")):
            continue
        if given is Mark.CLEAR:
            mark, resting = None, []
        elif given is Mark.OPEN and mark is Mark.HOLD:
            resting.append(record)
        else:
            mark, resting = given, [record]
    erased = bool(resting) and all(r.body.key_id in picture.health_erased for r in resting)
    return Standing(mark, tuple(resting), erased)


def held_by_word(contents: Iterable[Content]) -> bool:
    """Whether danger signs or the lead's decision hold a person back, whatever scores say.

    Takes the notes in order. Only the lead's decision that the person may go on ends it.
    """
    held = False
    for content in contents:
        if isinstance(content, DangerSigns):
            held = True
        elif isinstance(content, PrivateTalk) and content.decided is not None:
            held = content.decided == "goes-no-higher"
    return held


class Trend(StrEnum):
    """How scores go."""

    FALLING = "falling"
    LEVEL = "level"
    RISING = "rising"
    UNKNOWN = "unknown"


def trend(totals: Sequence[int | None]) -> Trend:
    """How the last score compares with the one before it; not known unless both are."""
    if len(totals) < 2:
        return Trend.UNKNOWN
    before, now = totals[-2:]
    if before is None or now is None:
        return Trend.UNKNOWN
    return Trend.FALLING if now < before else Trend.RISING if now > before else Trend.LEVEL
