"""Blocks of time for a forecast form: from the trip's stages and nights, or from a forecast. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

from api.conditions.forecast import Forecast
from api.journal.trip import Stage, TripPlan
from api.units import Kind, from_inside
from web.pages.forecast_figures import Figures

Block = dict[str, str]
"""What is typed for a block, by the form's names without the block's own: `freezing_level-best`."""

KINDS: Mapping[str, Kind] = {
    "altitude": Kind.LENGTH,
    "temperature": Kind.TEMPERATURE,
    "wind": Kind.SPEED,
    "precipitation": Kind.DEPTH,
    "new_snow": Kind.DEPTH,
}
"""What each choice of unit measures."""
NIGHT_BEGINS = time(21)
SHORTEST = timedelta(minutes=30)
_PLACES = {"altitude": 0, "temperature": 1, "wind": 1, "precipitation": 2, "new_snow": 1}


@dataclass(frozen=True, slots=True)
class Stretch:
    """A part of the trip that a bulletin speaks about: on the way up, down, an evening, a night."""

    name: str
    starts_at: datetime
    ends_at: datetime
    high_m: float
    """The highest the party is in it."""


def stretches(plan: TripPlan, since: datetime) -> Sequence[Stretch]:
    """The parts of a trip that are not over at `since`."""
    found: list[Stretch] = []
    after = [stage.starts_at for stage in plan.stages[1:]]
    for at, stage in enumerate(plan.stages):
        found += _on_the_way(stage)
        if at < len(after) and after[at] - stage.ends_at >= SHORTEST:
            found += _in_camp(stage, after[at], plan.place.zone)
    return [stretch for stretch in found if stretch.ends_at > since]


def _on_the_way(stage: Stage) -> Sequence[Stretch]:
    """A stage whole, or up and down when its highest point lies between."""
    ends = max(stage.from_m, stage.to_m)
    top = max(stage.via, key=lambda point: point.elevation_m, default=None)
    if top is None or top.elevation_m <= ends:
        return [Stretch(stage.name, stage.starts_at, stage.ends_at, ends)]
    return [
        Stretch(f"{stage.from_name} up to {top.name}", stage.starts_at, top.at, top.elevation_m),
        Stretch(f"{top.name} down to {stage.to_name}", top.at, stage.ends_at, top.elevation_m),
    ]


def _in_camp(stage: Stage, until: datetime, zone: tzinfo) -> Sequence[Stretch]:
    """The time until the next stage: evening and night, or one stretch when it is short."""
    place = stage.night.place if stage.night else stage.to_name
    height = stage.night.elevation_m if stage.night else stage.to_m
    evening = stage.ends_at.astimezone(zone)
    dark = datetime.combine(evening.date(), NIGHT_BEGINS, zone)
    if dark - stage.ends_at < SHORTEST or until - dark < SHORTEST:
        name = f"Night at {place}" if stage.night else f"At {place}"
        return [Stretch(name, stage.ends_at, until, height)]
    return [
        Stretch(f"Evening at {place}", stage.ends_at, dark, height),
        Stretch(f"Night at {place}", dark, until, height),
    ]


def empty(stretch: Stretch, plan: TripPlan, units: Mapping[str, str]) -> Block:
    """The block of a stretch: its time, and the altitudes one is likely to be told about."""
    zone, top = plan.place.zone, plan.place.high_point_m
    here = number(stretch.high_m, "altitude", units)
    block = {
        "starts_at": local(stretch.starts_at, zone),
        "ends_at": local(stretch.ends_at, zone),
        "temperature-0-altitude": here,
        "wind-0-altitude": here,
    }
    return block if stretch.high_m == top else block | {"wind-1-altitude": number(top, "altitude", units)}


def local(at: datetime, zone: tzinfo) -> str:
    """A moment as a date-and-time field takes it, with its offset when the hour comes twice."""
    there = at.astimezone(zone).replace(second=0, microsecond=0)
    twice = there.replace(fold=0).utcoffset() != there.replace(fold=1).utcoffset()
    return there.isoformat(timespec="minutes") if twice else f"{there:%Y-%m-%dT%H:%M}"


def number(value: float | None, what: str, units: Mapping[str, str]) -> str:
    """A figure in the unit used inside, as it is typed in the unit chosen; empty when not known."""
    if value is None or not math.isfinite(value):
        return ""
    places = _PLACES[what] + (units[what] == "in")
    text = f"{from_inside(value, units[what], KINDS[what]):.{places}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else text


def kind_of(name: str) -> str | None:
    """Which choice of unit a field of a block goes by; None for one without a unit."""
    steps = name.split("-")
    if steps[0] == "freezing_level" or steps[-1] == "altitude":
        return "altitude"
    return steps[0] if steps[0] in KINDS else None


def typed_blocks(
    forecast: Forecast, units: Mapping[str, str], zone: tzinfo, since: datetime
) -> Sequence[Block]:
    """The blocks of a forecast as they would be typed in, without those over at `since`."""
    read = Figures(forecast)
    found = []
    for at in range(forecast.times_epoch_s.size):
        starts, ends = read.span(at)
        if ends > since:
            found.append(
                {"starts_at": local(starts, zone), "ends_at": local(ends, zone)} | _figures(read, at, units)
            )
    return found


def _figures(read: Figures, at: int, units: Mapping[str, str]) -> Block:
    block = {
        f"freezing_level-{name}": number(value, "altitude", units)
        for name, value in read.freezing(at).items()
    }
    for row, (height, spread) in enumerate(read.temperatures(at)):
        block[f"temperature-{row}-altitude"] = number(height, "altitude", units)
        block |= {
            f"temperature-{row}-{name}": number(value, "temperature", units) for name, value in spread.items()
        }
    for row, (height, wind, gust) in enumerate(read.winds(at)):
        block[f"wind-{row}-altitude"] = number(height, "altitude", units)
        block[f"wind-{row}-wind"] = number(wind, "wind", units)
        block[f"wind-{row}-gust"] = number(gust, "wind", units)
    block["precipitation"] = number(read.precipitation(at), "precipitation", units)
    block["new_snow"] = number(read.new_snow_mm(at), "new_snow", units)
    uv = read.uv(at)
    block["uv_max"] = "" if uv is None else f"{uv:g}"
    block["thunder"] = read.thunder(at) or ""
    return {name: text for name, text in block.items() if text}


def since_hour(now: datetime) -> datetime:
    """The full hour before a moment."""
    return now.astimezone(UTC).replace(minute=0, second=0, microsecond=0)
