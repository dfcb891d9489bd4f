"""Sizes: what they mean, and whether a thing of one size fits a person of another. Pure.

A size belongs to a scale, and things may span several sizes. How much larger than stated still works differs
by what is measured; those allowances are common practice, no published source.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

LETTERS = ("XXS", "XS", "S", "M", "L", "XL", "XXL", "XXXL")
_NUMBER = r"\d+(?:\.\d+)?"
_SPAN = re.compile(rf"^({_NUMBER})(?:\s*[-–]\s*({_NUMBER}))?$")
PARIS_POINT_MM = 20 / 3
"""One step of the European shoe scale is two thirds of a centimetre (ISO/TS 19407:2015)."""


class Measure(StrEnum):
    """What on a person a thing is sized by; the names are those under which people state their sizes."""

    NONE = "none"
    BOOT = "boot"
    CLOTHING = "clothing"
    HANDS = "hands"
    HEAD = "head"
    WAIST = "waist"
    HEIGHT = "height"


MEASURE_WORDS: dict[Measure, str] = {
    Measure.NONE: "one size",
    Measure.BOOT: "European shoe size",
    Measure.CLOTHING: "clothing letter",
    Measure.HANDS: "glove letter",
    Measure.HEAD: "head, cm",
    Measure.WAIST: "waist, cm",
    Measure.HEIGHT: "height, cm",
}
_LETTERED = frozenset({Measure.CLOTHING, Measure.HANDS})
_UNIT = {Measure.BOOT: "", Measure.HEAD: " cm", Measure.WAIST: " cm", Measure.HEIGHT: " cm"}

LARGER: dict[Measure, float] = {
    Measure.BOOT: 0.5,
    Measure.CLOTHING: 1,
    Measure.HANDS: 1,
    Measure.HEAD: 0,
    Measure.WAIST: 0,
    Measure.HEIGHT: 15,
}
"""How much larger than stated still works, in steps of the scale: mitts go over liners, a parka over all."""


class SizeUnreadable(ValueError):
    """A size that is not of its scale; `remedy` says how to write it."""

    def __init__(self, text: str, measure: Measure) -> None:
        super().__init__(f"{text!r} is no size on the scale {MEASURE_WORDS[measure]}")
        self.remedy = (
            f"Write one of {', '.join(LETTERS)}, or a span such as M-L."
            if measure in _LETTERED
            else "Write a number such as 42, or a span such as 36-47, in the unit of the scale."
        )


@dataclass(frozen=True, slots=True)
class Span:
    """From the smallest to the largest size, in steps of its scale."""

    low: float
    high: float


class Fit(StrEnum):
    """Whether a thing fits a person, as far as sizes say."""

    FITS = "fits"
    EDGE = "at the edge"
    """Larger than stated, within what works."""
    UNKNOWN = "not known"
    NO = "does not fit"


MISFIT: dict[Fit, int] = {Fit.FITS: 0, Fit.EDGE: 1, Fit.UNKNOWN: 2}


def read_size(text: str, measure: Measure) -> Span:
    """A written size on its scale. Raises SizeUnreadable.

    Letters count from XXS; shoe sizes are European, the others centimetres. A foot length in `mm` is turned
    into a shoe size: the last is 15 mm longer than the foot (from memory).
    """
    written = text.strip().upper().replace(",", ".")
    if measure in _LETTERED:
        parts = [part.strip() for part in re.split(r"[-–/]", written)]
        if not 1 <= len(parts) <= 2 or any(part not in LETTERS for part in parts):
            raise SizeUnreadable(text, measure)
        steps = [float(LETTERS.index(part)) for part in parts]
        return _span(text, measure, steps[0], steps[-1])
    millimetres = measure is Measure.BOOT and written.endswith("MM")
    written = written.removeprefix("EU").removesuffix("MM").removesuffix("CM").strip()
    found = _SPAN.match(written)
    if found is None:
        raise SizeUnreadable(text, measure)
    low, high = float(found[1]), float(found[2] or found[1])
    if millimetres:
        low, high = ((foot_mm + 15) / PARIS_POINT_MM for foot_mm in (low, high))
    return _span(text, measure, low, high)


def _span(text: str, measure: Measure, low: float, high: float) -> Span:
    if high < low:
        raise SizeUnreadable(text, measure)
    return Span(low, high)


STATED_AS: dict[Measure, tuple[str, ...]] = {
    Measure.BOOT: ("boot", "boots", "shoe"),
    Measure.CLOTHING: ("clothing", "jacket", "trousers"),
    Measure.HANDS: ("hands", "mitts", "gloves"),
    Measure.HEAD: ("head",),
    Measure.WAIST: ("waist",),
    Measure.HEIGHT: ("height",),
}
"""Names under which people state their sizes."""


def stated(measure: Measure, sizes: Mapping[str, str]) -> str | None:
    """A person's size on a scale, as they stated it."""
    return next((sizes[name] for name in STATED_AS.get(measure, ()) if sizes.get(name)), None)


def fit(measure: Measure, thing: str, person: str | None) -> Fit:
    """Whether a thing of one size fits a person of a stated one. What cannot be read is not known."""
    if measure is Measure.NONE:
        return Fit.FITS
    if not person or not thing:
        return Fit.UNKNOWN
    try:
        has, wants = read_size(thing, measure), read_size(person, measure)
    except SizeUnreadable:
        return Fit.UNKNOWN
    if has.low <= wants.high and wants.low <= has.high:
        return Fit.FITS
    too_large_by = has.low - wants.high
    return Fit.EDGE if 0 < too_large_by <= LARGER[measure] else Fit.NO


def wanted_in_words(measure: Measure, person: str | None) -> str:
    """What size to look for: "size L or one larger", "head 57 cm", or "" when it is not known."""
    if measure is Measure.NONE or not person:
        return ""
    try:
        wants = read_size(person, measure)
    except SizeUnreadable:
        return ""
    if measure in _LETTERED:
        largest = min(int(wants.high) + 1, len(LETTERS) - 1)
        letter = LETTERS[int(wants.low)]
        return f"size {letter}" if largest == int(wants.low) else f"size {letter} or {LETTERS[largest]}"
    return f"{measure.value} {person.strip().removesuffix('cm').strip()}{_UNIT[measure]}"
