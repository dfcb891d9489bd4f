"""Pictures of the review: a share with its span, a requirement through time, and how fast gaps close. Pure.

Geometry only; the templates draw it. Every picture comes with the same in words.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from api.science.survival import Survival
from api.seasons.rules import Point, Rate
from web import words

SPAN_WIDTH = 240.0
LEFT, TOP, RIGHT, BOTTOM = 84.0, 18.0, 24.0, 46.0
CHART_WIDTH, CHART_HEIGHT = 720.0, 260.0
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
MOST_MARKS = 12


@dataclass(frozen=True, slots=True)
class Span:
    """A share on a line from 0 to the end of the scale."""

    start: float
    end: float
    at: float
    says: str


@dataclass(frozen=True, slots=True)
class Mark:
    """A word beside an axis."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True)
class Dot:
    """One month: its share, and the span it may truly be."""

    x: float
    y: float
    upper_y: float
    lower_y: float
    outside: bool
    says: str


@dataclass(frozen=True, slots=True)
class TimePicture:
    """A requirement month by month between its control limits."""

    left: float
    width: float
    height: float
    centre_y: float
    limits: tuple[str, ...]
    """Paths of the upper and of the lower limit, where there are enough people to set one."""
    dots: tuple[Dot, ...]
    rows: tuple[Mark, ...]
    columns: tuple[Mark, ...]
    says: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ClearingPicture:
    """Share of gaps still open over time."""

    left: float
    width: float
    height: float
    path: str
    band: str
    rows: tuple[Mark, ...]
    columns: tuple[Mark, ...]
    says: tuple[str, ...]


def percent(share: float) -> str:
    """A share as people read it; "not known" from nobody."""
    if not math.isfinite(share):
        return words.NOT_KNOWN
    return f"{words.number(share * 100, 1 if share < 0.0995 else 0)}\u00a0%"


def chance_words(p: float) -> str:
    """How likely something is by chance alone: "0.042", "under 0.001"; "not known" for NaN."""
    if not math.isfinite(p):
        return words.NOT_KNOWN
    return "under 0.001" if p < 0.001 else words.number(p, 3)


def rate_words(rate: Rate) -> str:
    """ "34 of 190 (18 %, likely 13 to 24 %)"."""
    span = f"likely {words.number(rate.lower * 100)} to {percent(rate.upper)}"
    return f"{rate.hits:,} of {rate.total:,} ({percent(rate.share)}, {span})"


def span(rate: Rate, scale: float) -> Span:
    """A share with its interval on a line that ends at `scale`."""

    def at(share: float) -> float:
        return round(min(share / scale, 1.0) * SPAN_WIDTH, 1)

    return Span(at(rate.lower), at(rate.upper), at(rate.share), rate_words(rate))


def scale_of(rates: Sequence[Rate]) -> float:
    """Where the common line of some shares ends: a round share that holds the intervals of all that rest on
    enough people; what rests on few is cut off there."""
    enough = [rate for rate in rates if not rate.too_few] or [rate for rate in rates if rate.total]
    highest = max((rate.upper for rate in enough), default=0.1)
    return min(1.0, math.ceil(highest * 20) / 20)


def time_picture(centre: float, points: Sequence[Point]) -> TimePicture | None:
    """A requirement through time; None without a point."""
    if not points:
        return None
    scale = scale_of([point.rate for point in points])
    width, height = CHART_WIDTH - LEFT - RIGHT, CHART_HEIGHT - TOP - BOTTOM

    def x(at: int) -> float:
        return round(LEFT + width * (at + 0.5) / len(points), 1)

    def y(share: float) -> float:
        return round(TOP + height * (1 - min(share, scale) / scale), 1)

    every = max(1, math.ceil(len(points) / MOST_MARKS))
    return TimePicture(
        left=LEFT,
        width=CHART_WIDTH,
        height=CHART_HEIGHT,
        centre_y=y(centre),
        limits=tuple(
            path
            for side in ("upper", "lower")
            if (path := _path([(x(at), getattr(p, side)) for at, p in enumerate(points)], y))
        ),
        dots=tuple(
            Dot(x(at), y(p.rate.share), y(p.rate.upper), y(p.rate.lower), p.outside or p.run, _month(p))
            for at, p in enumerate(points)
            if p.rate.total
        ),
        rows=_rows(scale, y),
        columns=tuple(
            Mark(x(at), CHART_HEIGHT - 18, f"{MONTHS[p.month - 1]} {p.season}")
            for at, p in enumerate(points)
            if at % every == 0
        ),
        says=tuple(_month(point) for point in points),
    )


def _month(point: Point) -> str:
    told = f"{MONTHS[point.month - 1]} {point.season}: {rate_words(point.rate)}"
    if point.outside:
        return f"{told}. Outside the control limits."
    if point.run:
        return f"{told}. The eighth month in a row on one side of the centre."
    return f"{told}."


def _rows(scale: float, y: object) -> tuple[Mark, ...]:
    assert callable(y)
    return tuple(Mark(LEFT - 8, y(scale * part / 4), percent(scale * part / 4)) for part in range(5))


def _path(steps: Sequence[tuple[float, float]], y: object) -> str:
    """A line through what is known; a gap where it is not."""
    assert callable(y)
    parts, pen = [], "M"
    for x, value in steps:
        if not math.isfinite(value):
            pen = "M"
            continue
        parts.append(f"{pen}{x},{y(value)}")
        pen = "L"
    return "".join(parts)


def clearing_picture(survival: Survival | None) -> ClearingPicture | None:
    """How fast gaps close; None without gaps."""
    if survival is None:
        return None
    hours = survival.times.tolist()
    longest = max(24.0, max(hours, default=24.0))
    width, height = CHART_WIDTH - LEFT - RIGHT, CHART_HEIGHT - TOP - BOTTOM

    def x(hour: float) -> float:
        return round(LEFT + width * hour / longest, 1)

    def y(share: float) -> float:
        return round(TOP + height * (1 - share), 1)

    def steps(shares: Sequence[float]) -> str:
        path = f"{x(0)},{y(1)}"
        for hour, share in zip(hours, shares, strict=True):
            if math.isfinite(share):
                path += f"H{x(hour)}V{y(share)}"
        return f"M{path}H{x(longest)}"

    lower, upper = survival.lower.tolist(), survival.upper.tolist()
    return ClearingPicture(
        left=LEFT,
        width=CHART_WIDTH,
        height=CHART_HEIGHT,
        path=steps(survival.share.tolist()),
        band=steps(upper) + steps(lower),
        rows=_rows(1.0, y),
        columns=tuple(
            Mark(x(longest * part / 4), CHART_HEIGHT - 18, f"{longest * part / 4 / 24:.0f} days")
            for part in range(5)
        ),
        says=_clearing_words(survival),
    )


def _clearing_words(survival: Survival) -> tuple[str, ...]:
    told = []
    for label, hours in (("an hour", 1.0), ("a day", 24.0), ("three days", 72.0), ("a week", 168.0)):
        told.append(f"After {label} {percent(float(survival.at(hours)))} were still open.")
    if math.isinf(survival.median):
        told.append("Fewer than half were ever seen to close.")
    else:
        told.append(f"Half were closed within {hours_words(survival.median)}.")
    return tuple(told)


def hours_words(hours: float) -> str:
    """A time to clear: "2 hours", "3 days"; "not reached" for an infinite one."""
    if math.isnan(hours):
        return words.NOT_KNOWN
    if math.isinf(hours):
        return "not reached"
    if hours < 48:
        return words.count(max(1, round(hours)), "hour")
    return words.count(round(hours / 24), "day")
