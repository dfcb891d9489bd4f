"""The party as a moving point: the moments at which conditions are looked at, and where the party is at each.

A stage's window runs from its start to the start of the next stage; the last one's to its end, or to the
morning after when a night is planned there. Every window is stepped through every half hour of local time,
and besides at each point of the plan and each moment at which the forecast changes. Its first step looks
forward in time, its last one (`closing`) looks back, so that a summit reached at the very end of a stage
belongs to that stage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from api.journal.trip import Stage, TripPlan

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

STEP_S = 30 * 60
MOST_STEPS = 5_000
"""A plan with months in it gets longer steps rather than more."""

NIGHT_FROM = time(18)
NIGHT_TO = time(8)
"""Local hours between which the party lies in camp; the night low is looked for there. Common practice, no
published source."""


@dataclass(frozen=True, slots=True)
class Leg:
    """One stage with its window, shifted as asked, UTC seconds."""

    stage: Stage
    start_s: int
    end_s: int
    window_end_s: int
    shifted_s: int

    def path(self) -> tuple[Ints, Floats]:
        """Times and elevations of the points of the way, m."""
        points = [(self.start_s, self.stage.from_m)]
        points += [(int(via.at.timestamp()) + self.shifted_s, via.elevation_m) for via in self.stage.via]
        points.append((self.end_s, self.stage.to_m))
        times, heights = zip(*points, strict=True)
        return np.array(times, dtype=np.int64), np.array(heights, dtype=np.float64)

    @property
    def rest_m(self) -> float:
        """Where the party is between the end of the stage and the next start."""
        return self.stage.night.elevation_m if self.stage.night else self.stage.to_m


@dataclass(frozen=True, slots=True, eq=False)
class Itinerary:
    """Steps of the whole trip, stage after stage. A boundary is there twice: as the end of one, as the start
    of the next.

    Arrays are [step] unless said otherwise; `first` is [stage], the index of each stage's first step.
    """

    legs: tuple[Leg, ...]
    times_s: Ints
    stage: Ints
    first: Ints
    elevation_m: Floats
    moving: Bools
    closing: Bools
    lying: Bools
    """At camp in the hours of the night; for a night spent by day, the whole time at camp."""
    lasts_h: Floats
    """Hours to the next step of the same stage; 0 for a closing one."""


def legs_of(plan: TripPlan, start_shift_min: float = 0.0, shift_stage: str | None = None) -> tuple[Leg, ...]:
    """The stages with their windows. A shift moves one stage, or all, later by so many minutes (negative:
    earlier).

    With a stage go those that follow on it without a night between: who sets out later comes down later. They
    never begin before the stage before them has ended, nor end after the next begins: the shift stops there.
    """
    shift_s = round(start_shift_min * 60)
    starts = [int(stage.starts_at.timestamp()) for stage in plan.stages]
    ends = [int(stage.ends_at.timestamp()) for stage in plan.stages]
    moved = _moved_with(plan, shift_stage)
    bounded_s = _bounded_shift(starts, ends, moved, shift_s) if moved else 0
    shifts = [bounded_s if i in moved else 0 for i in range(len(plan.stages))]
    legs = []
    for i, stage in enumerate(plan.stages):
        start, end = starts[i] + shifts[i], ends[i] + shifts[i]
        if i + 1 < len(plan.stages):
            window_end = starts[i + 1] + shifts[i + 1]
        else:
            window_end = _morning_after(end, plan.place.zone) if stage.night else end
        legs.append(Leg(stage, start, end, window_end, shifts[i]))
    return tuple(legs)


def itinerary(legs: Sequence[Leg], zone: tzinfo, edges_s: Ints) -> Itinerary:
    """Step through the legs. `edges_s` are further moments to look at, wherever they fall inside a window."""
    if not legs:
        nothing, none, no = np.empty(0), np.empty(0, dtype=np.int64), np.empty(0, dtype=np.bool_)
        return Itinerary((), none, none, none, nothing, no, no, no, nothing)
    step_s = STEP_S * max(1, -(-(legs[-1].window_end_s - legs[0].start_s) // (STEP_S * MOST_STEPS)))
    offset_s = _offset_s(legs[0].start_s, zone)
    parts = [_steps_of(leg, step_s, offset_s, edges_s) for leg in legs]
    sizes = np.array([part.size for part in parts])
    times = np.concatenate(parts)
    first = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64)
    closing = np.zeros(times.size, dtype=np.bool_)
    closing[first + sizes - 1] = True
    lasts = np.append(np.diff(times), 0) / 3600.0
    stage = np.repeat(np.arange(len(legs)), sizes)
    starts, ends, rests, windows = (
        np.array(column)[stage]
        for column in zip(*((g.start_s, g.end_s, g.rest_m, g.window_end_s) for g in legs), strict=True)
    )
    on_the_way = np.concatenate([np.interp(part, *leg.path()) for part, leg in zip(parts, legs, strict=True)])
    moving = (times < ends) | (closing & (windows == ends))
    lying = _lying(
        times, closing, moving, stage, np.array([leg.stage.night is not None for leg in legs]), zone
    )
    return Itinerary(
        legs=tuple(legs),
        times_s=times,
        stage=stage,
        first=first,
        elevation_m=np.where(times > ends, rests, on_the_way),
        moving=moving & (times >= starts),
        closing=closing,
        lying=lying,
        lasts_h=np.where(closing, 0.0, lasts),
    )


def night_before(leg: Leg, zone: tzinfo) -> Ints:
    """Half-hours from the evening before a stage to its start, at most to the end of that night."""
    start = datetime.fromtimestamp(leg.start_s, tz=zone)
    day = start.date() - timedelta(days=1)
    begins = int(datetime.combine(day, NIGHT_FROM, zone).timestamp())
    over = int(datetime.combine(start.date(), NIGHT_TO, zone).timestamp())
    return np.arange(begins, min(over, leg.start_s), STEP_S, dtype=np.int64)


def nights_at(leg: Leg, zone: tzinfo, ends_on_ordinal: int, last: bool) -> int:
    """How many nights are planned at the camp after a stage: calendar days to the next start, at least
    one.
    """
    if leg.stage.night is None:
        return 0
    came = datetime.fromtimestamp(leg.end_s, tz=zone).date().toordinal()
    left = ends_on_ordinal if last else datetime.fromtimestamp(leg.window_end_s, tz=zone).date().toordinal()
    return max(1, left - came)


def _moved_with(plan: TripPlan, stage: str | None) -> range:
    """The stages that move with one: itself and those after it until a night; all of them for None."""
    if stage is None:
        return range(len(plan.stages))
    first = next((i for i, one in enumerate(plan.stages) if one.id == stage), len(plan.stages))
    last = next((i for i, one in enumerate(plan.stages) if i >= first and one.night), len(plan.stages) - 1)
    return range(first, last + 1)


def _bounded_shift(starts: list[int], ends: list[int], moved: range, shift_s: int) -> int:
    earliest = ends[moved.start - 1] - starts[moved.start] if moved.start else shift_s
    latest = starts[moved.stop] - ends[moved.stop - 1] if moved.stop < len(starts) else shift_s
    return min(max(shift_s, earliest), latest)


def _steps_of(leg: Leg, step_s: int, offset_s: int, edges_s: Ints) -> Ints:
    # Whole local half-hours: what is shown is 07:30, not 07:15, also where the zone is a quarter hour off.
    first = -(-(leg.start_s + offset_s) // step_s) * step_s - offset_s
    regular = np.arange(first, leg.window_end_s, step_s)
    inside = edges_s[(edges_s > leg.start_s) & (edges_s < leg.window_end_s)]
    return np.unique(np.concatenate([regular, inside, leg.path()[0], [leg.window_end_s]])).astype(np.int64)


def _lying(times: Ints, closing: Bools, moving: Bools, stage: Ints, sleeps: Bools, zone: tzinfo) -> Bools:
    camp = ~moving & sleeps[stage]
    # Clocks change on the half hour of UTC at the finest, so one look at each will do.
    halves, at = np.unique(times // 1800, return_inverse=True)
    offsets = np.array([_offset_s(half * 1800, zone) for half in halves.tolist()], dtype=np.int64)
    of_day = (times + offsets[at]) % 86_400
    evening, morning = NIGHT_FROM.hour * 3600, NIGHT_TO.hour * 3600
    # A closing step looks back: 18:00 closes an afternoon, 08:00 closes a night.
    night = np.where(
        closing, (of_day > evening) | (of_day <= morning), (of_day >= evening) | (of_day < morning)
    )
    lying = camp & night
    by_day = np.bincount(stage[lying], minlength=sleeps.size) == 0
    result: Bools = lying | (camp & by_day[stage])
    return result


def _morning_after(end_s: int, zone: tzinfo) -> int:
    end = datetime.fromtimestamp(end_s, tz=zone)
    morning = datetime.combine(end.date(), NIGHT_TO, zone)
    if morning.astimezone(UTC) <= end.astimezone(UTC):
        morning = datetime.combine(end.date() + timedelta(days=1), NIGHT_TO, zone)
    return int(morning.timestamp())


@lru_cache(maxsize=4096)
def _offset_s(at_s: int, zone: tzinfo) -> int:
    offset = datetime.fromtimestamp(at_s, tz=zone).utcoffset()
    return 0 if offset is None else round(offset.total_seconds())
