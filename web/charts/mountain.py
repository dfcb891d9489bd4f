"""The picture of the mountain: the way up and down over time, and the freezing level coming down on it.

`picture` works out where everything goes, twice, for a narrow and a wide sheet, and says the same in sentences.
`templates/board/_mountain.html` draws it. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np

from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan
from api.science.sun import level_crossings
from web import words
from web.charts.way import Point, elevation_at, way_of

FREEZING = "freezing_level_m"
_HEADROOM_M = 250.0
_FOOTROOM_M = 220.0
_LOWEST_TOP_OVER_PARTY_M = 420.0
"""The sheet reaches at least this far over the highest point, so that a freezing level over it is still seen."""


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
class Drawing:
    """One sheet: what goes where, in its own units, top left first."""

    name: str
    width: float
    height: float
    ground_y: float
    dark: tuple[Band, ...]
    ground: str
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
class MountainPicture:
    """The picture on both sheets, and the same in words."""

    title: str
    says: tuple[str, ...]
    sheets: tuple[Drawing, ...]


@dataclass(frozen=True, slots=True)
class _Scale:
    """From time and elevation to the sheet."""

    first: datetime
    last: datetime
    low_m: float
    high_m: float
    width: float
    top: float
    bottom: float

    def x(self, at: datetime) -> float:
        share = (at - self.first) / (self.last - self.first)
        return round(min(max(share, 0.0), 1.0) * self.width, 1)

    def y(self, elevation_m: float) -> float:
        share = (min(max(elevation_m, self.low_m), self.high_m) - self.low_m) / (self.high_m - self.low_m)
        return round(self.bottom - share * (self.bottom - self.top), 1)


def picture(
    plan: TripPlan,
    conditions: StageConditions | None,
    *,
    now: datetime,
    lines: Iterable[Threshold] = (),
    units: words.Units = words.Units.METRIC,
) -> MountainPicture | None:
    """The picture of a trip; None while the plan has no stages.

    Parameters
    ----------
    plan : the itinerary; elevations in metres, times with their zone.
    conditions : freezing level by hour and scenario; None or unknown hours leave gaps, nothing is filled in.
    now : the moment of the page.
    lines : thresholds on the freezing level to show across the sheet.
    units : the reader's.
    """
    way = way_of(plan)
    if len(way) < 2 or way[0].at == way[-1].at:
        return None
    say = words.Say(units=units, zone=plan.place.zone, now=now)
    thresholds = tuple(lines)
    level = _levels(conditions)
    sheets = (
        _draw("narrow", 390, 470, plan, way, level, thresholds, now, say),
        _draw("wide", 760, 430, plan, way, level, thresholds, now, say),
    )
    return MountainPicture(
        title=f"{plan.place.high_point_name}, {say.elevation(plan.place.high_point_m)}, over the days of the trip",
        says=tuple(_sentences(plan, way, level, thresholds, say)),
        sheets=sheets,
    )


@dataclass(frozen=True, slots=True)
class _Levels:
    """Freezing level by hour: moments, the forecast itself [m], and the spread of the scenarios [m]."""

    at: tuple[datetime, ...] = ()
    base: tuple[float, ...] = ()
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()

    def between(self, start: datetime, end: datetime) -> list[float]:
        return [
            m for at, m in zip(self.at, self.base, strict=True) if start <= at <= end and math.isfinite(m)
        ]


def _levels(conditions: StageConditions | None) -> _Levels:
    if conditions is None or FREEZING not in conditions.hourly or not len(conditions.steps_epoch_s):
        return _Levels()
    values = conditions.hourly[FREEZING]
    known = np.isfinite(values).any(axis=0)
    low = np.where(known, np.nanmin(np.where(known, values, 0.0), axis=0), np.nan)
    high = np.where(known, np.nanmax(np.where(known, values, 0.0), axis=0), np.nan)
    return _Levels(
        at=tuple(conditions.moment(step) for step in range(len(conditions.steps_epoch_s))),
        base=tuple(values[conditions.base].tolist()),
        low=tuple(low.tolist()),
        high=tuple(high.tolist()),
    )


def _draw(
    name: str,
    width: float,
    height: float,
    plan: TripPlan,
    way: Sequence[Point],
    level: _Levels,
    thresholds: Sequence[Threshold],
    now: datetime,
    say: words.Say,
) -> Drawing:
    scale = _scale(way, level, thresholds, width, top=26.0, bottom=height - 46.0)
    corners = [(scale.x(point.at), scale.y(point.elevation_m)) for point in way]
    known = _runs(level.at, level.base, scale)
    return Drawing(
        name=name,
        width=width,
        height=height,
        ground_y=scale.bottom,
        dark=_dark(plan, scale),
        ground=_line([(0, scale.bottom), *corners, (scale.width, scale.bottom)]) + "Z",
        way=_line(corners),
        cold=tuple(_line([(run[0][0], 0), *run, (run[-1][0], 0)]) + "Z" for run in known),
        freezing=tuple(_line(run) for run in known),
        spread=_spread(level, scale),
        freezing_marks=_freezing_marks(level, scale, say),
        places=_places(plan, scale, say),
        camps=_camps(plan, scale),
        holds=tuple(
            Mark(scale.x(hold.at), scale.y(elevation_at(way, hold.at)), hold.name)
            for hold in plan.hold_points
        ),
        thresholds=tuple(
            Mark(scale.width, scale.y(line.elevation_m), line.title, say.elevation(line.elevation_m))
            for line in thresholds
        ),
        days=_days(scale, say),
        now=Mark(scale.x(now), scale.y(elevation_at(way, now)), f"now, {say.time(now)}")
        if scale.first <= now <= scale.last
        else None,
    )


def _scale(
    way: Sequence[Point],
    level: _Levels,
    thresholds: Sequence[Threshold],
    width: float,
    *,
    top: float,
    bottom: float,
) -> _Scale:
    party_high = max(point.elevation_m for point in way)
    party_low = min(point.elevation_m for point in way)
    seen = [m for m in level.base if math.isfinite(m)] + [line.elevation_m for line in thresholds]
    return _Scale(
        first=way[0].at - timedelta(hours=2),
        last=way[-1].at + timedelta(hours=2),
        low_m=min([party_low, *(m for m in seen if m > party_low - 600)]) - _FOOTROOM_M,
        high_m=max(
            party_high + _HEADROOM_M, min(max(seen, default=0.0), party_high + _LOWEST_TOP_OVER_PARTY_M)
        ),
        width=width,
        top=top,
        bottom=bottom,
    )


def _line(corners: Iterable[tuple[float, float]]) -> str:
    return "M" + "L".join(f"{x:g},{y:g}" for x, y in corners)


def _runs(
    moments: Sequence[datetime], values: Sequence[float], scale: _Scale
) -> list[list[tuple[float, float]]]:
    """The stretches of a curve that are known and on the sheet, each of two points at least."""
    runs: list[list[tuple[float, float]]] = [[]]
    for at, value in zip(moments, values, strict=True):
        if not math.isfinite(value):
            runs.append([])
        elif scale.first <= at <= scale.last:
            runs[-1].append((scale.x(at), scale.y(value)))
    return [run for run in runs if len(run) > 1]


def _spread(level: _Levels, scale: _Scale) -> tuple[str, ...]:
    if level.low == level.high:
        return ()
    return tuple(_line(run) for values in (level.low, level.high) for run in _runs(level.at, values, scale))


def _dark(plan: TripPlan, scale: _Scale) -> tuple[Band, ...]:
    light_at_first, turns = level_crossings(
        scale.first, scale.last, plan.place.latitude_deg, plan.place.longitude_deg
    )
    dark_since = None if light_at_first else scale.first
    bands = []
    for at, rises in turns:
        if rises and dark_since is not None:
            bands.append((dark_since, at))
        dark_since = None if rises else at
    if dark_since is not None:
        bands.append((dark_since, scale.last))
    return tuple(Band(scale.x(start), round(scale.x(end) - scale.x(start), 1)) for start, end in bands)


def _freezing_marks(level: _Levels, scale: _Scale, say: words.Say) -> tuple[Mark, ...]:
    """A word at the lowest known hour on the sheet."""
    on_sheet = [
        (value, at)
        for at, value in zip(level.at, level.base, strict=True)
        if math.isfinite(value) and scale.first <= at <= scale.last
    ]
    if not on_sheet:
        return ()
    value, at = min(on_sheet)
    return (Mark(scale.x(at), scale.y(value), f"0 °C at {say.elevation(value)}"),)


def _places(plan: TripPlan, scale: _Scale, say: words.Say) -> tuple[Mark, ...]:
    """Named elevations, each once, for the rules across the sheet; those too close to a more important one go."""
    named = [
        (plan.place.high_point_m, plan.place.high_point_name),
        (plan.place.base_elevation_m, plan.place.base_name),
    ]
    named += [(stage.night.elevation_m, stage.night.place) for stage in plan.stages if stage.night]
    kept: list[Mark] = []
    for elevation_m, name in dict.fromkeys(named):
        mark = Mark(0, scale.y(elevation_m), name, say.elevation(elevation_m))
        if all(abs(mark.y - other.y) >= 17 for other in kept):
            kept.append(mark)
    return tuple(kept)


def _camps(plan: TripPlan, scale: _Scale) -> tuple[Mark, ...]:
    """A tent in the middle of each planned night."""
    tents = []
    for stage, following in pairwise(plan.stages):
        if stage.night:
            middle = stage.ends_at + (following.starts_at - stage.ends_at) / 2
            tents.append(Mark(scale.x(middle), scale.y(stage.night.elevation_m), stage.night.place))
    return tuple(tents)


def _days(scale: _Scale, say: words.Say) -> tuple[Mark, ...]:
    """Midnights with the name of the day that begins; the first day at the edge of the sheet."""
    marks = []
    midnight = say.local(scale.first).replace(hour=0, minute=0, second=0, microsecond=0)
    while midnight < scale.last:
        start, end = max(midnight, scale.first), min(midnight + timedelta(days=1), scale.last)
        wide_enough = scale.x(end) - scale.x(start) > 40
        marks.append(Mark(scale.x(start), scale.bottom, words.day(midnight.date()) if wide_enough else ""))
        midnight += timedelta(days=1)
    return tuple(marks)


def _sentences(
    plan: TripPlan,
    way: Sequence[Point],
    level: _Levels,
    thresholds: Sequence[Threshold],
    say: words.Say,
) -> Iterable[str]:
    ends = [*(stage.starts_at for stage in plan.stages[1:]), plan.stages[-1].ends_at]
    for stage, until in zip(plan.stages, ends, strict=True):
        through = [point for point in way if stage.starts_at <= point.at <= stage.ends_at]
        top = max(through, key=lambda point: point.elevation_m)
        text = (
            f"{say.day(stage.starts_at)}, {stage.name}: from {stage.from_name}, {say.elevation(stage.from_m)}"
        )
        if top.elevation_m > max(stage.from_m, stage.to_m):
            text += f", up to {say.elevation(top.elevation_m)} at {say.time(top.at)}"
        text += f", to {stage.to_name}, {say.elevation(stage.to_m)}, {say.time(stage.starts_at)} to {say.time(stage.ends_at)}."
        dark = _dark_words(plan, stage.starts_at, stage.ends_at)
        yield " ".join(
            filter(None, (text, dark, _freezing_words(level.between(stage.starts_at, until), top, say)))
        )
    for line in thresholds:
        crossed = next((at for at, m in zip(level.at, level.base, strict=True) if m < line.elevation_m), None)
        when = (
            f"crossed from {say.day_time(crossed)} on"
            if crossed
            else "not crossed in the hours that are known"
        )
        yield f"{words.sentence(line.title)[:-1]}, {say.elevation(line.elevation_m)}: {when}."


def _dark_words(plan: TripPlan, start: datetime, end: datetime) -> str:
    light, turns = level_crossings(start, end, plan.place.latitude_deg, plan.place.longitude_deg)
    moments = [start, *(at for at, _ in turns), end]
    dark = sum(
        ((b - a) for i, (a, b) in enumerate(pairwise(moments)) if (i % 2 == 0) is not light), timedelta()
    )
    return f"{words.duration(dark)} of it in the dark." if dark >= timedelta(minutes=5) else ""


def _freezing_words(levels: Sequence[float], top: Point, say: words.Say) -> str:
    if not levels:
        return f"Freezing level {words.NOT_KNOWN}."
    low, high = min(levels), max(levels)
    text = f"Freezing level {say.elevation(low)}"
    if round(high) > round(low):
        text += f" to {say.elevation(high)}"
    if low < top.elevation_m:
        text += f", at its lowest {say.elevation(top.elevation_m - low)} under the highest point of the stage"
    return text + "."
