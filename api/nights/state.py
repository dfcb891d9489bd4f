"""A person's acclimatisation in a word and a line, for the board. Pure, and without opening any note.

Sleeping heights are known to all; of notes only their mark is used. A mark is set by symptoms, danger signs
or the lead guide's private talk, and the words say no more than that.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from api.journal.fold import Picture
from api.journal.health import Mark
from api.nights.rules import Assessment, State
from api.nights.symptoms import Standing, standing

HEIGHT_WORDS: Mapping[State, str] = {
    State.WITHIN: "within the guideline",
    State.ABOVE: "above the guideline",
    State.UNKNOWN: "not known",
}
MARK_WORDS: Mapping[Mark | None, str] = {
    Mark.HOLD: "symptoms or a private talk: goes no higher for now",
    Mark.OPEN: "symptoms to look into",
}
ERASED_WORDS = "notes erased while they held this person back: ask"


class Word(StrEnum):
    """Where a person stands, in a word. What holds somebody back outranks the heights."""

    WITHIN = "within"
    ABOVE = "above"
    UNKNOWN = "unknown"
    SYMPTOMS = "symptoms"
    ERASED = "erased"


SHORT_WORDS: Mapping[Word, str] = {
    Word.WITHIN: HEIGHT_WORDS[State.WITHIN],
    Word.ABOVE: HEIGHT_WORDS[State.ABOVE],
    Word.UNKNOWN: HEIGHT_WORDS[State.UNKNOWN],
    Word.SYMPTOMS: "symptoms or a private talk",
    Word.ERASED: "held back by notes that were erased",
}
"""For counts, where nobody is named."""


@dataclass(frozen=True, slots=True)
class Acclimatisation:
    """The word, and the line that says more."""

    state: Word
    words: str


def heights_in_words(found: Assessment) -> str:
    """The nights alone, in words; never fine where a part is not known."""
    words = HEIGHT_WORDS[found.state]
    if found.state is not State.UNKNOWN and found.not_known:
        words += ", in part not known"
    return words


def acclimatisation(found: Assessment, stands: Standing, *, erased: bool = False) -> Acclimatisation:
    """Where a person stands.

    Parameters
    ----------
    found
        Their nights against the guideline.
    stands
        Where their notes leave them.
    erased
        Whether what that rests on has been erased since.
    """
    heights = heights_in_words(found)
    if stands.mark is None:
        return Acclimatisation(Word(found.state.value), heights)
    if erased or stands.erased:
        return Acclimatisation(Word.ERASED, f"{ERASED_WORDS}; nights {heights}")
    return Acclimatisation(Word.SYMPTOMS, f"{MARK_WORDS[stands.mark]}; nights {heights}")


def everyone(
    picture: Picture, nights: Mapping[str, Assessment], gone: Iterable[str] = ()
) -> dict[str, Acclimatisation]:
    """Where everybody stands, by member. `gone`: those whose notes have been erased since."""
    erased = set(gone)
    return {
        member: acclimatisation(found, standing(picture, member), erased=member in erased)
        for member, found in nights.items()
    }


def erased_since(then: Picture, now: Picture) -> tuple[str, ...]:
    """Those of whom notes were kept at a past moment that have been erased by now, by id."""
    return tuple(
        member
        for member, notes in sorted(then.health_notes.items())
        if any(record.body.key_id in now.health_erased for record in notes)
    )


def held_by_erased(then: Picture, now: Picture) -> tuple[str, ...]:
    """Those of them whom nothing held back but notes that have been erased by now, by id."""
    return tuple(
        member
        for member in erased_since(then, now)
        if (stands := standing(then, member)).records
        and all(record.body.key_id in now.health_erased for record in stands.records)
    )


def names_of(picture: Picture, members: Iterable[str]) -> tuple[str, ...]:
    """Names by id; the id of somebody who is on the trip no more."""
    return tuple(picture.profiles[m].name if m in picture.profiles else m for m in members)
