"""The large picture of the mountain: what `sheet` draws, and what the weather does on the way. Pure geometry.

On the rope stand needles of frost, longer the colder it feels on bare skin at that hour; around the freezing
level lies the spread of the scenarios; under the ground run lanes with what it feels like, the wind, and what
falls.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan
from api.readiness.outlook import Spread
from api.readiness.scenarios import spread_of
from api.science.cold import wind_chill_f
from api.science.snow import SNOW_BELOW_C
from api.units import SYSTEMS, Kind
from web import words
from web.charts.levels import FREEZING, Levels, levels_of
from web.charts.sheet import Drawing, Mark, Scale, Size, Threshold, draw, line_of, runs_of, scale_of
from web.charts.way import Point, elevation_at, way_of

Floats = npt.NDArray[np.float64]

NARROW = Size("narrow", width=390, height=470, gutter=92)
WIDE = Size("wide", width=1180, height=520, gutter=150)

LANE = 40.0
MPH_PER_MPS = 3600.0 / 1609.344
NEEDLE_FROM_C, NEEDLE_TO_C, LONGEST_NEEDLE = 0.0, -40.0, 34.0
_NEEDLES_APART = 7.0
_AROUND = timedelta(minutes=20)
_SLOT = {"narrow": 46.0, "wide": 54.0}
_TALLEST_BAR = 20.0
_MOST_FALLS_MM_H = 4.0
"""What fills a bar; more is drawn as full."""


@dataclass(frozen=True, slots=True)
class Column:
    """The time of a stage on the sheet, until the next begins."""

    stage: str
    number: int
    name: str
    x: float
    width: float


@dataclass(frozen=True, slots=True)
class Lane:
    """A strip of numbers under the sheet."""

    title: str
    unit: str
    y: float
    marks: tuple[Mark, ...]


@dataclass(frozen=True, slots=True)
class Bar:
    """What falls in a stretch of time."""

    x: float
    width: float
    height: float
    snow: bool


@dataclass(frozen=True, slots=True)
class Face:
    """One sheet of the large picture."""

    drawing: Drawing
    height: float
    columns: tuple[Column, ...]
    outer: tuple[str, ...]
    """Areas from the lowest to the highest scenario."""
    inner: tuple[str, ...]
    """Areas from the tenth to the ninetieth of a hundred members; ensembles only."""
    middle: tuple[str, ...]
    """Curves of the member in the middle; ensembles only."""
    needles: str
    lanes: tuple[Lane, ...]
    bars: tuple[Bar, ...]
    """In the last lane."""
    thunder: tuple[Mark, ...]


def faces(
    plan: TripPlan,
    conditions: StageConditions,
    *,
    now: datetime,
    lines: Sequence[Threshold],
    say: words.Say,
) -> tuple[Face, ...]:
    """The large picture on a narrow and on a wide sheet; none while the plan has no stages."""
    way = way_of(plan)
    if len(way) < 2 or way[0].at == way[-1].at:
        return ()
    levels = levels_of(conditions)
    return tuple(_face(size, plan, way, levels, conditions, lines, now, say) for size in (NARROW, WIDE))


def _face(
    size: Size,
    plan: TripPlan,
    way: Sequence[Point],
    levels: Levels,
    conditions: StageConditions,
    lines: Sequence[Threshold],
    now: datetime,
    say: words.Say,
) -> Face:
    scale = scale_of(size, way, levels, lines)
    spread = spread_of(conditions.scenarios)
    edges = _quantiles(conditions) if levels.at and spread is Spread.ENSEMBLE else None
    hours = _Hours(conditions, scale, _SLOT[size.name]) if levels.at else None
    told: tuple[tuple[str, Kind, Iterable[Mark]], ...] = (
        ("Feels like", Kind.TEMPERATURE, hours.feels(say) if hours else ()),
        ("Wind", Kind.SPEED, hours.highest("wind_mps", say.speed) if hours else ()),
        ("Rain, snow", Kind.DEPTH, hours.sums(say) if hours else ()),
    )
    lanes = tuple(
        Lane(title, SYSTEMS[say.units.value][kind], size.height + LANE * n, tuple(marks))
        for n, (title, kind, marks) in enumerate(told)
    )
    return Face(
        drawing=draw(size, plan, way, levels, lines, now, say),
        height=size.height + LANE * len(lanes) + 12,
        columns=tuple(_columns(plan, scale)),
        outer=tuple(_areas(levels, levels.low, levels.high, scale)) if spread is not Spread.NONE else (),
        inner=tuple(_areas(levels, edges[0], edges[2], scale)) if edges else (),
        middle=tuple(line_of(run) for run in runs_of(levels.at, edges[1], scale)) if edges else (),
        needles=_needles(conditions, way, scale),
        lanes=lanes,
        bars=tuple(_bars(conditions, scale)),
        thunder=tuple(hours.thunder()) if hours else (),
    )


def _columns(plan: TripPlan, scale: Scale) -> Iterator[Column]:
    ends = [*(stage.starts_at for stage in plan.stages[1:]), plan.stages[-1].ends_at]
    for n, (stage, until) in enumerate(zip(plan.stages, ends, strict=True)):
        x = scale.x(stage.starts_at)
        yield Column(stage.id, n + 1, stage.name, x, round(scale.x(until) - x, 1))


def _quantiles(conditions: StageConditions) -> tuple[tuple[float, ...], ...]:
    """The tenth, fiftieth and ninetieth hundredth of the freezing level by hour; NaN where too few say."""
    values = conditions.hourly[FREEZING]
    enough = np.isfinite(values).sum(axis=0) >= max(10.0, 0.8 * values.shape[0])
    found = np.full((3, values.shape[1]), np.nan)
    if enough.any():
        found[:, enough] = np.nanquantile(values[:, enough], (0.1, 0.5, 0.9), axis=0)
    return tuple(tuple(row.tolist()) for row in found)


def _areas(levels: Levels, low: Sequence[float], high: Sequence[float], scale: Scale) -> Iterator[str]:
    """The areas between two curves, each stretch that is known by itself."""
    pairs = zip(runs_of(levels.at, low, scale), runs_of(levels.at, high, scale), strict=False)
    for under, over in pairs:
        yield line_of([*under, *reversed(over)]) + "Z"


def _needles(conditions: StageConditions, way: Sequence[Point], scale: Scale) -> str:
    """Needles square to the rope, upwards, while the party moves, of the wind chill's length."""
    chill = conditions.hourly.get("wind_chill_c")
    if chill is None or not len(conditions.steps_epoch_s):
        return ""
    values = chill[conditions.base]
    strokes: list[str] = []
    last = (-math.inf, -math.inf)
    for step in np.flatnonzero(conditions.step_moving & np.isfinite(values)).tolist():
        at = conditions.moment(step)
        x, y = scale.x(at), scale.y(elevation_at(way, at))
        share = (NEEDLE_FROM_C - float(values[step])) / (NEEDLE_FROM_C - NEEDLE_TO_C)
        length = LONGEST_NEEDLE * min(max(share, 0.0), 1.0)
        if length < 2.0 or math.dist(last, (x, y)) < _NEEDLES_APART:
            continue
        last = (x, y)
        dx, dy = _square(scale, way, at)
        strokes.append(f"M{x + 3 * dx:.1f},{y + 3 * dy:.1f}l{length * dx:.1f},{length * dy:.1f}")
    return "".join(strokes)


def _square(scale: Scale, way: Sequence[Point], at: datetime) -> tuple[float, float]:
    """The direction square to the rope at a moment, up the sheet, of length 1."""
    before, after = at - _AROUND, at + _AROUND
    run = scale.x(after) - scale.x(before)
    rise = scale.y(elevation_at(way, after)) - scale.y(elevation_at(way, before))
    length = math.hypot(run, rise)
    return (rise / length, -run / length) if length > 0.0 else (0.0, -1.0)


class _Hours:
    """What is told in numbers under the sheet, in slots wide enough to read."""

    def __init__(self, conditions: StageConditions, scale: Scale, slot: float) -> None:
        self.conditions, self.scale = conditions, scale
        self.x = np.array([scale.x(conditions.moment(i)) for i in range(len(conditions.steps_epoch_s))])
        count = max(1, int((scale.right - scale.left) / slot))
        self.edges = np.linspace(scale.left, scale.right, count + 1)
        self.slot = np.clip(np.searchsorted(self.edges, self.x, "right") - 1, 0, count - 1)

    def _slots(self, base: Floats) -> Iterator[tuple[float, Floats]]:
        for slot in range(self.edges.size - 1):
            here = base[(self.slot == slot) & np.isfinite(base)]
            if here.size:
                yield float(self.edges[slot] + self.edges[slot + 1]) / 2, here

    def feels(self, say: words.Say) -> Iterator[Mark]:
        """The coldest it feels, by the wind chill formula of the reader's units."""
        chill = chill_by_hour(self.conditions, say.units)
        for x, values in self._slots(chill):
            yield Mark(round(x, 1), 0.0, words.number(float(values.min())))

    def highest(self, metric: str, tell: Callable[[float], str]) -> Iterator[Mark]:
        for x, values in self._slots(_of_base(self.conditions, metric)):
            yield Mark(round(x, 1), 0.0, _figure(tell(float(values.max()))))

    def thunder(self) -> Iterator[Mark]:
        """Where thunder is possible (1) or expected (2)."""
        for x, values in self._slots(_of_base(self.conditions, "thunder")):
            if values.max() >= 1.0:
                yield Mark(round(x, 1), 0.0, "expected" if values.max() >= 2.0 else "possible")

    def sums(self, say: words.Say) -> Iterator[Mark]:
        """How much falls in each slot, where anything does."""
        rates = self.conditions.hourly.get("precipitation_mm")
        if rates is None:
            return
        amount = _per_step(self.conditions, rates[self.conditions.base])
        for slot in range(self.edges.size - 1):
            total = float(np.nansum(amount[self.slot == slot]))
            if total >= 0.05:
                x = float(self.edges[slot] + self.edges[slot + 1]) / 2
                yield Mark(round(x, 1), 0.0, _figure(say.rain(total)))


def chill_by_hour(conditions: StageConditions, units: words.Units) -> Floats:
    """Wind chill hour by hour, by the formula of the reader's units and in them: °C or, by the US one, °F."""
    if units is words.Units.METRIC:
        return _of_base(conditions, "wind_chill_c")
    air, wind = _of_base(conditions, "air_temperature_c"), _of_base(conditions, "wind_mps")
    return wind_chill_f(air * 1.8 + 32.0, wind * MPH_PER_MPS)


def _of_base(conditions: StageConditions, metric: str) -> Floats:
    """A metric hour by hour in the forecast itself; NaN where it is not there."""
    values = conditions.hourly.get(metric)
    if values is None:
        return np.full(len(conditions.steps_epoch_s), np.nan)
    return np.asarray(values[conditions.base])


def _figure(told: str) -> str:
    """A number without its unit, which stands beside the lane."""
    return told.split("\N{NO-BREAK SPACE}")[0]


def _per_step(conditions: StageConditions, rate_per_h: Floats) -> Floats:
    """What comes together from one step to the next of the same stage."""
    hours = np.append(np.diff(conditions.steps_epoch_s), 0) / 3600.0
    same = np.append(np.diff(conditions.step_stage) == 0, False)
    return np.where(same, rate_per_h * hours, 0.0)


def _bars(conditions: StageConditions, scale: Scale) -> Iterator[Bar]:
    """What falls from step to step, as snow where the air at the party is cold enough for it."""
    rates, air = conditions.hourly.get("precipitation_mm"), conditions.hourly.get("air_temperature_c")
    if rates is None or air is None:
        return
    rate, cold = rates[conditions.base], air[conditions.base] < SNOW_BELOW_C
    for start, end in _stretches(rate, cold, conditions.step_stage):
        x = scale.x(conditions.moment(start))
        width = scale.x(conditions.moment(end)) - x
        height = _TALLEST_BAR * min(float(rate[start]) / _MOST_FALLS_MM_H, 1.0)
        if width > 0:
            yield Bar(x, round(width, 1), round(max(height, 2.0), 1), bool(cold[start]))


def _stretches(
    rate: Floats, cold: npt.NDArray[np.bool_], stage: npt.NDArray[np.int64]
) -> Iterator[tuple[int, int]]:
    """Runs of steps in which equally much of one kind falls, as their first and last step."""
    start: int | None = None
    for step in range(rate.size):
        goes_on = (
            start is not None
            and rate[step] == rate[start]
            and cold[step] == cold[start]
            and stage[step] == stage[start]
        )
        if start is not None and not goes_on:
            yield start, step
            start = None
        if start is None and rate[step] > 0.0:
            start = step
    if start is not None:
        yield start, rate.size - 1
