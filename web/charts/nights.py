"""A person's nights as a small picture: where they slept, the guideline's band, the plan ahead. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from api.nights.rules import Assessment, How
from api.science.ascent import GAIN_PER_NIGHT_M, RULE_FROM_M
from web import words

WIDTH, HEIGHT = 340.0, 132.0
_LEFT, _RIGHT, _TOP, _FOOT = 22.0, 18.0, 26.0, 22.0
_FEWEST_M = 800.0


@dataclass(frozen=True, slots=True)
class Dot:
    """One night."""

    x: float
    y: float
    how: str
    day: str
    gain: str
    """The gain, where it is more than the guideline has."""


@dataclass(frozen=True, slots=True)
class NightsPicture:
    """What goes where, from the top left; lines are SVG path data."""

    width: float
    height: float
    band: tuple[str, ...]
    """How high each night may lie by the guideline, from the night before."""
    told: tuple[str, ...]
    planned: tuple[str, ...]
    dots: tuple[Dot, ...]
    trip_x: float | None
    """Where the trip begins."""
    says: tuple[str, ...]
    """The same in words, one line a night."""


@dataclass(frozen=True, slots=True)
class Span:
    """The heights that all pictures of a page share, m."""

    low_m: float
    high_m: float


def span_of(found: Iterable[Assessment]) -> Span:
    """The heights to show, the same for everyone, so that pictures can be compared."""
    heights = [n.elevation_m for a in found for n in a.nights if n.elevation_m is not None]
    low, high = min(heights, default=RULE_FROM_M), max(heights, default=RULE_FROM_M)
    return Span(low, max(high, low + _FEWEST_M))


def picture(found: Assessment, span: Span, first_of_trip: int, say: words.Say) -> NightsPicture:
    """Draw one person's nights. `first_of_trip` is the index of the first night of the trip."""
    nights = found.nights
    step = (WIDTH - _LEFT - _RIGHT) / max(len(nights) - 1, 1)
    x = [round(_LEFT + step * i, 1) for i in range(len(nights))]

    def y(height_m: float) -> float:
        share = (min(max(height_m, span.low_m), span.high_m) - span.low_m) / (span.high_m - span.low_m)
        return round(HEIGHT - _FOOT - share * (HEIGHT - _TOP - _FOOT), 1)

    above = {gain.night: gain.gain_m or 0.0 for gain in found.above}
    dots = tuple(
        Dot(
            x[i],
            y(night.elevation_m) if night.elevation_m is not None else HEIGHT - _FOOT,
            night.how.value,
            str(night.on.day),
            f"+{say.elevation(above[i])}" if i in above else "",
        )
        for i, night in enumerate(nights)
    )
    pairs = [
        (i, nights[i - 1].elevation_m, nights[i].elevation_m, nights[i].how) for i in range(1, len(nights))
    ]
    return NightsPicture(
        width=WIDTH,
        height=HEIGHT,
        band=tuple(
            _band(x, i, before, y(_ceiling(before)), y(span.low_m)) for i, before, _, _ in pairs if before
        ),
        told=tuple(
            _line(x, i, y(before), y(here))
            for i, before, here, how in pairs
            if before is not None and here is not None and how is not How.PLANNED
        ),
        planned=tuple(
            _line(x, i, y(before), y(here))
            for i, before, here, how in pairs
            if before is not None and here is not None and how is How.PLANNED
        ),
        dots=dots,
        trip_x=round(x[first_of_trip] - step / 2, 1) if 0 < first_of_trip < len(nights) else None,
        says=tuple(in_words(found, say)),
    )


def _ceiling(before_m: float) -> float:
    """How high the next night may lie by the guideline, m."""
    return max(before_m + GAIN_PER_NIGHT_M, RULE_FROM_M)


def _band(x: Sequence[float], i: int, _before: float, top: float, foot: float) -> str:
    left, right = (x[i - 1] + x[i]) / 2, x[i] + (x[i] - x[i - 1]) / 2
    return f"M{left:g},{foot:g}V{top:g}H{right:g}V{foot:g}Z"


def _line(x: Sequence[float], i: int, before: float, here: float) -> str:
    return f"M{x[i - 1]:g},{before:g}L{x[i]:g},{here:g}"


HOW_WORDS = {
    How.SPENT: "slept there",
    How.SAID: "as they said",
    How.PLANNED: "planned",
    How.UNKNOWN: "not known",
}


def in_words(found: Assessment, say: words.Say) -> Iterable[str]:
    """One line a night, such as "Sat 12 Sep: Moraine Camp, 3,240 m, planned; 600 m higher"."""
    gains = {gain.night: gain for gain in found.gains}
    for i, night in enumerate(found.nights):
        parts = [part for part in (night.place, say.elevation(night.elevation_m)) if part]
        if night.elevation_m is not None:
            parts.append(HOW_WORDS[night.how])
        text = f"{words.day(night.on)}: {', '.join(parts)}"
        gain = gains.get(i)
        if gain is not None and gain.gain_m is not None and gain.gain_m > 0:
            text += f"; {say.elevation(gain.gain_m)} higher"
            if gain.over > 1:
                text += f" than {gain.over} nights before"
        if gain is not None and gain.above_limit and gain.excess_m is not None:
            text += f", {say.elevation(gain.excess_m)} over the guideline"
        elif gain is not None and gain.above_limit is None and night.elevation_m is not None:
            text += "; whether that is within the guideline is not known"
        yield text
