"""The picture of the mountain: the way up and down over time, and the freezing level coming down on it.

`picture` works out where everything goes, for a narrow and for a wide sheet, and says the same in sentences.
`templates/board/_mountain.html` draws it. Pure.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from api.conditions.stages import StageConditions
from api.journal.trip import Stage, TripPlan
from web import words
from web.charts.dark import dark_spans, dark_time
from web.charts.levels import Levels, levels_of
from web.charts.sheet import Drawing, Size, Threshold, draw
from web.charts.way import Point, way_of

NARROW = Size("narrow", width=390, height=440, gutter=96)
WIDE = Size("wide", width=760, height=430, gutter=122)


@dataclass(frozen=True, slots=True)
class MountainPicture:
    """The picture on both sheets, and the same in words."""

    title: str
    says: tuple[str, ...]
    spreads: bool
    """Whether the lowest and highest scenario are drawn besides the forecast itself."""
    lines: tuple[str, ...]
    """The thresholds in words, in the order they are drawn."""
    sheets: tuple[Drawing, ...]


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
    levels, thresholds = levels_of(conditions), tuple(lines)
    top = f"{plan.place.high_point_name}, {say.elevation(plan.place.high_point_m)}"
    return MountainPicture(
        title=f"{top}: the way of the party over the days, and the freezing level",
        says=tuple(_sentences(plan, levels, thresholds, say)),
        spreads=levels.spreads,
        lines=tuple(f"{say.elevation(line.elevation_m)}, {line.title}" for line in thresholds),
        sheets=tuple(draw(size, plan, way, levels, thresholds, now, say) for size in (NARROW, WIDE)),
    )


def _sentences(
    plan: TripPlan, levels: Levels, thresholds: Sequence[Threshold], say: words.Say
) -> Iterable[str]:
    start, end = plan.stages[0].starts_at, plan.stages[-1].ends_at
    spans = dark_spans(start, end, plan.place.latitude_deg, plan.place.longitude_deg)
    ends = [*(stage.starts_at for stage in plan.stages[1:]), plan.stages[-1].ends_at]
    for stage, until in zip(plan.stages, ends, strict=True):
        top = _top_of(stage)
        known = [level for _, level in levels.known(stage.starts_at, until)]
        parts = (
            _way_words(stage, top, say),
            _dark_words(dark_time(spans, stage.starts_at, stage.ends_at)),
            _level_words(known, top, say),
        )
        yield " ".join(part for part in parts if part)
    for line in thresholds:
        under = [at for at, level in levels.known(start, end) if level < line.elevation_m]
        when = f"crossed from {say.day_time(under[0])} on" if under else "not crossed in the hours forecast"
        yield f"{words.sentence(line.title)[:-1]}, {say.elevation(line.elevation_m)}: {when}."


def _top_of(stage: Stage) -> Point:
    ends = (Point(stage.starts_at, stage.from_m), Point(stage.ends_at, stage.to_m))
    passed = (Point(via.at, via.elevation_m) for via in stage.via)
    return max((*ends, *passed), key=lambda point: point.elevation_m)


def _way_words(stage: Stage, top: Point, say: words.Say) -> str:
    text = f"{say.day(stage.starts_at)}, {stage.name}: {say.time(stage.starts_at)} "
    text += f"from {stage.from_name}, {say.elevation(stage.from_m)}"
    if top.elevation_m > max(stage.from_m, stage.to_m):
        text += f", {say.time(top.at)} on {say.elevation(top.elevation_m)}"
    return f"{text}, {say.time(stage.ends_at)} at {stage.to_name}, {say.elevation(stage.to_m)}."


def _dark_words(dark: timedelta) -> str:
    return f"{words.duration(dark)} of it in the dark." if dark >= timedelta(minutes=5) else ""


def _level_words(known: Sequence[float], top: Point, say: words.Say) -> str:
    if not known:
        return f"Freezing level {words.NOT_KNOWN}."
    low, high = min(known), max(known)
    text = f"Freezing level {say.elevation(low)}"
    if round(high) > round(low):
        text += f" to {say.elevation(high)}"
    if low < top.elevation_m:
        text += f", at its lowest {say.elevation(top.elevation_m - low)} under the highest point of the stage"
    return text + "."
