"""What of a trip is read beside the numbers: what was learnt, and what the forecast surprised with. Pure."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from api.journal.fold import Picture
from api.kitlist.schemas import Edition
from api.seasons.gaps import Story

FORECAST = "forecast"


@dataclass(frozen=True, slots=True)
class Note:
    """One note. `requirement` is empty when it is about none."""

    about: str
    requirement: str
    text: str


def notes_of(
    picture: Picture, story: Story, gaps: tuple[tuple[str, str], ...], edition: Edition
) -> tuple[Note, ...]:
    """Debrief remarks, without who was named, and forecast surprises by requirement."""
    notes = [
        Note(record.body.about, record.body.requirement or "", record.body.text.replace("\0", ""))
        for record in picture.decided.debrief
    ]
    known = {requirement.id for requirement in edition.requirements}
    surprised: Counter[str] = Counter()
    because: dict[str, str] = {}
    for subject, requirement in gaps:
        event = story.surprised(subject, requirement) if requirement in known else None
        if event is not None:
            surprised[requirement] += 1
            because.setdefault(requirement, event.because)
    for requirement, people in sorted(surprised.items()):
        who = "1 person" if people == 1 else f"{people} people"
        notes.append(Note(FORECAST, requirement, f"{who}. {because[requirement]}"))
    return tuple(notes)
