"""Where everything goes on one sheet of the picture of the mountain. Pure geometry, no drawing."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import pairwise

from api.journal.trip import TripPlan
from web import words
from web.charts.dark import dark_spans
from web.charts.levels import Levels
from web.charts.way import Point, elevation_at

Corner = tuple[float, float]

_BEFORE = timedelta(hours=4)
_AFTER = timedelta(hours=3)
_HEADROOM_M = 230.0
_FOOTROOM_M = 200.0
_MOST_OVER_PARTY_M = 420.0
"""How far over the party's highest point the sheet reaches for a freezing level that lies above."""
_TOP = 24.0
_FOOT = 34.0
_PLACES_APART = 36.0
_HACHURES_APART = 7.0


@dataclass(frozen=True, slots=True)
class Threshold:
    """A named line at an elevation [m] that something is asked from."""

    title: str
    elevation_m: float


@dataclass(frozen=True, slots=True)
class Mark:
    """A word or a sign at a place on the sheet."""

    x: float
    y: float
    text: str = ""
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Band:
    """A stretch of time on the sheet."""

    x: float
    width: float


@dataclass(frozen=True, slots=True)
class Size:
    """Name and size of a sheet, in its own units; the gutter is the strip at the left that names places."""

    name: str
    width: float
    height: float
    gutter: float


@dataclass(frozen=True, slots=True)
class Drawing:
    """One sheet: what goes where, from the top left; curves are SVG path data."""

    size: Size
    ground_y: float
    dark: tuple[Band, ...]
    ground: str
    hachures: str
    """Strokes down the slopes, as on an engraved map."""
    way: str
    cold: tuple[str, ...]
    """Areas of air below 0 °C."""
    freezing: tuple[str, ...]
    spread: tuple[str, ...]
    """The lowest and the highest of several scenarios."""
    freezing_marks: tuple[Mark, ...]
    places: tuple[Mark, ...]
    camps: tuple[Mark, ...]
    holds: tuple[Mark, ...]
    thresholds: tuple[Mark, ...]
    days: tuple[Mark, ...]
    now: Mark | None


@dataclass(frozen=True, slots=True)
class Scale:
    """From time and elevation to the sheet; what lies outside is put on its edge."""

    first: datetime
    last: datetime
    low_m: float
    high_m: float
    left: float
    right: float
    top: float
    bottom: float

    def x(self, at: datetime) -> float:
        share = min(max((at - self.first) / (self.last - self.first), 0.0), 1.0)
        return round(self.left + share * (self.right - self.left), 1)

    def y(self, elevation_m: float) -> float:
        share = (min(max(elevation_m, self.low_m), self.high_m) - self.low_m) / (self.high_m - self.low_m)
        return round(self.bottom - share * (self.bottom - self.top), 1)


def draw(
    size: Size,
    plan: TripPlan,
    way: Sequence[Point],
    levels: Levels,
    thresholds: Sequence[Threshold],
    now: datetime,
    say: words.Say,
) -> Drawing:
    """Place everything on a sheet. `way` has two points at least, at different times."""
    scale = scale_of(size, way, levels, thresholds)
    corners = [(scale.x(point.at), scale.y(point.elevation_m)) for point in way]
    slopes = [(scale.left, corners[0][1]), *corners, (scale.right, corners[-1][1])]
    curves = runs_of(levels.at, levels.base, scale)
    return Drawing(
        size=size,
        ground_y=scale.bottom,
        dark=_dark(plan, scale),
        ground=line_of([(scale.left, scale.bottom), *slopes, (scale.right, scale.bottom)]) + "Z",
        hachures=_hachures(slopes, scale.bottom),
        way=line_of(corners),
        cold=tuple(line_of([(curve[0][0], 0), *curve, (curve[-1][0], 0)]) + "Z" for curve in curves),
        freezing=tuple(line_of(curve) for curve in curves),
        spread=tuple(
            line_of(curve)
            for bound in ((levels.low, levels.high) if levels.spreads else ())
            for curve in runs_of(levels.at, bound, scale)
        ),
        freezing_marks=_lowest(levels, scale, say),
        places=_places(plan, scale, say),
        camps=_camps(plan, scale),
        holds=tuple(
            Mark(scale.x(hold.at), scale.y(elevation_at(way, hold.at)), hold.name)
            for hold in plan.hold_points
        ),
        thresholds=tuple(
            Mark(scale.right, scale.y(line.elevation_m), line.title, say.elevation(line.elevation_m))
            for line in thresholds
        ),
        days=_days(scale, say),
        now=Mark(scale.x(now), scale.y(elevation_at(way, now)), f"now, {say.time(now)}")
        if scale.first <= now <= scale.last
        else None,
    )


def scale_of(size: Size, way: Sequence[Point], levels: Levels, thresholds: Sequence[Threshold]) -> Scale:
    """How time and elevation lie on a sheet: the whole way, and what is near enough over and under it."""
    first, last = (way[0].at - _BEFORE).astimezone(UTC), (way[-1].at + _AFTER).astimezone(UTC)
    high = max(point.elevation_m for point in way)
    low = min(point.elevation_m for point in way)
    shown = [level for _, level in levels.known(first, last)] + [line.elevation_m for line in thresholds]
    return Scale(
        first=first,
        last=last,
        low_m=min(low, max(min(shown, default=low), low - _MOST_OVER_PARTY_M)) - _FOOTROOM_M,
        high_m=max(high + _HEADROOM_M, min(max(shown, default=high), high + _MOST_OVER_PARTY_M)),
        left=size.gutter,
        right=size.width,
        top=_TOP,
        bottom=size.height - _FOOT,
    )


def line_of(corners: Iterable[Corner]) -> str:
    """Corners as SVG path data."""
    return "M" + "L".join(f"{x:g},{y:g}" for x, y in corners)


def runs_of(moments: Sequence[datetime], values: Sequence[float], scale: Scale) -> list[list[Corner]]:
    """The stretches of a curve that are known, each of two points at least, cut at the edges of the sheet."""
    first, last = scale.first - timedelta(hours=1), scale.last + timedelta(hours=1)
    runs: list[list[Corner]] = [[]]
    for at, value in zip(moments, values, strict=True):
        if not math.isfinite(value):
            runs.append([])
        elif first < at < last:
            runs[-1].append((scale.x(at), scale.y(value)))
    return [_bends(run) for run in runs if len(run) > 1]


def _bends(run: Sequence[Corner]) -> list[Corner]:
    """The points at which a curve bends; those between them would be drawn by the line anyway."""
    kept = [run[0]]
    for (_, before), point, (_, after) in zip(run, run[1:], run[2:], strict=False):
        if before != point[1] or point[1] != after:
            kept.append(point)
    return [*kept, run[-1]]


def _hachures(slopes: Sequence[Corner], bottom: float) -> str:
    """Short strokes under the slopes, as if the light came from the left: long on the far side of the top."""
    strokes = []
    for (x0, y0), (x1, y1) in pairwise(slopes):
        run, rise = x1 - x0, y1 - y0
        length = math.hypot(run, rise)
        if length < 2 * _HACHURES_APART or abs(rise) < 8:
            continue
        lean, reach = (-0.75, 22.0) if rise > 0 else (0.75, 9.0)
        count = int(length / _HACHURES_APART)
        for number in range(1, count):
            x, y = x0 + run * number / count, y0 + rise * number / count
            stroke = reach * (0.5 + 0.5 * ((number * 5) % 7) / 6)
            start, end = (x + lean * 5, y + 5), (x + lean * stroke, y + 5 + stroke)
            if end[1] < bottom - 3:
                strokes.append(f"M{start[0]:.1f},{start[1]:.1f}L{end[0]:.1f},{end[1]:.1f}")
    return "".join(strokes)


def _dark(plan: TripPlan, scale: Scale) -> tuple[Band, ...]:
    place = plan.place
    spans = dark_spans(scale.first, scale.last, place.latitude_deg, place.longitude_deg)
    return tuple(Band(scale.x(start), round(scale.x(end) - scale.x(start), 1)) for start, end in spans)


def _lowest(levels: Levels, scale: Scale, say: words.Say) -> tuple[Mark, ...]:
    """A word in the middle of the lowest hours that are known."""
    known = [(level, at) for at, level in levels.known(scale.first, scale.last)]
    if not known:
        return ()
    lowest = min(level for level, _ in known)
    plateau = [(level, at) for level, at in known if level - lowest < 1.0]
    level, at = plateau[len(plateau) // 2]
    return (Mark(scale.x(at), scale.y(level), f"{say.temperature(0.0)} at {say.elevation(level)}"),)


def _places(plan: TripPlan, scale: Scale, say: words.Say) -> tuple[Mark, ...]:
    """Named elevations, each once; one that lies too close to a more important one is left out."""
    place = plan.place
    named = [(place.high_point_m, place.high_point_name), (place.base_elevation_m, place.base_name)]
    named += [(stage.night.elevation_m, stage.night.place) for stage in plan.stages if stage.night]
    kept: list[Mark] = []
    for elevation_m, name in dict.fromkeys(named):
        mark = Mark(0, scale.y(elevation_m), name, say.elevation(elevation_m))
        if all(abs(mark.y - other.y) >= _PLACES_APART for other in kept):
            kept.append(mark)
    return tuple(kept)


def _camps(plan: TripPlan, scale: Scale) -> tuple[Mark, ...]:
    """A tent in the middle of each planned night."""
    tents = []
    for stage, following in pairwise(plan.stages):
        if stage.night:
            middle = stage.ends_at + (following.starts_at - stage.ends_at) / 2
            tents.append(Mark(scale.x(middle), scale.y(stage.night.elevation_m), stage.night.place))
    return tuple(tents)


def _days(scale: Scale, say: words.Say) -> tuple[Mark, ...]:
    """Where each day begins, with its name where there is room for it."""
    marks = []
    midnight = say.local(scale.first).replace(hour=0, minute=0, second=0, microsecond=0)
    while midnight < scale.last:
        following = midnight + timedelta(days=1)
        x, room = scale.x(midnight), scale.x(following) - scale.x(midnight)
        name = words.day(midnight.date())
        marks.append(Mark(x, scale.bottom, name if room > 78 else name[:3] if room > 34 else ""))
        midnight = following
    return tuple(marks)
