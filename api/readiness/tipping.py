"""Tipping points: the smallest shift of the forecast, or of a start, at which a flag appears or goes. Pure.

Many shifts are evaluated at once as scenarios. Where everything a requirement looks at moves in proportion to
the shift, the shifts at which a threshold is met are known beforehand, and one evaluation between each two of
them finds every change exactly. Else (wind chill, minutes to frostbite, refreeze, rain, and every shift of a
start) changes are looked for on a grid and then closed in on; one that comes and goes between two points of
the grid is not seen.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

from api.conditions.forecast import Forecast
from api.conditions.many import Shifted, evaluate_shifts, evaluate_starts
from api.conditions.shifts import Shift
from api.kitlist.schemas import AtLeast, Below, OnTerrain, Requirement, conditions_of
from api.readiness.asks import Asks, asks
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import Lacks
from api.readiness.scenarios import Pair, flag_scenarios, metrics_of, swayed
from api.science.profile import STANDARD_LAPSE_K_PER_M

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]


class Axis(StrEnum):
    """What is shifted."""

    FREEZING_LEVEL = "freezing_level_m"
    TEMPERATURE = "temperature_c"
    WIND = "wind_factor"
    START = "start_min"


@dataclass(frozen=True, slots=True)
class Reach:
    """Over which range an axis is looked at, how finely at first, and how closely in the end."""

    low: float
    high: float
    points: int
    within: float
    neutral: float = 0.0

    @property
    def grid(self) -> Floats:
        """Evenly spaced points with the neutral one among them; for a factor evenly in proportion."""
        if self.neutral:
            return np.unique([self.neutral, *np.geomspace(self.low, self.high, self.points)])
        return np.unique([self.neutral, *np.linspace(self.low, self.high, self.points)])


REACHES: Mapping[Axis, Reach] = {
    Axis.FREEZING_LEVEL: Reach(-1500.0, 1500.0, 31, 5.0),
    Axis.TEMPERATURE: Reach(-15.0, 15.0, 31, 0.05),
    Axis.WIND: Reach(0.3, 3.0, 24, 0.01, neutral=1.0),
    Axis.START: Reach(-360.0, 360.0, 25, 5.0),
}

_WITH_TEMPERATURE = ("air_temperature_c", "night_low_c", "sleep_min_c")
SLOPES: Mapping[Axis, Mapping[str, float]] = {
    Axis.FREEZING_LEVEL: {
        "freezing_level_m": 1.0,
        "freezing_level_drop_m": -1.0,
        "freezing_level_fall_m": -1.0,
        **dict.fromkeys(_WITH_TEMPERATURE, STANDARD_LAPSE_K_PER_M),
    },
    Axis.TEMPERATURE: dict.fromkeys(_WITH_TEMPERATURE, 1.0),
    Axis.WIND: {"wind_mps": 1.0, "gust_mps": 1.0},
}
"""How much a metric moves with each unit of a shift; wind in proportion to its own value."""
BENT: Mapping[Axis, frozenset[str]] = {
    Axis.FREEZING_LEVEL: frozenset({"wind_chill_c", "frostbite_min", "rain_mm", "refreeze"}),
    Axis.TEMPERATURE: frozenset({"wind_chill_c", "frostbite_min", "rain_mm", "refreeze"}),
    Axis.WIND: frozenset({"wind_chill_c", "frostbite_min"}),
}
"""Metrics that move with a shift, but not in proportion to it. All others stand still."""


@dataclass(frozen=True, slots=True)
class Tipped:
    """A flag that changes at a tipping point."""

    id: str
    subject: str
    subject_name: str
    requirement: str
    item: str
    there: bool
    """Whether they have the thing: then it is not enough for it, rather than missing."""


@dataclass(frozen=True, slots=True)
class TippingPoint:
    """The smallest shift one way at which some flags change: at it or, for a threshold, just past it.

    `shift` is in the unit of its axis: m, °C, times, minutes. `within`: how much nearer to no shift the true
    one may lie; 0 is exact.
    """

    axis: Axis
    shift: float
    within: float
    appear: tuple[Tipped, ...] = ()
    go: tuple[Tipped, ...] = ()
    stage: str | None = None
    """The stage whose start is shifted."""

    @property
    def nearness(self) -> float:
        """How large the shift is, in parts of the range looked at: what is nearest has the least."""
        reach = REACHES[self.axis]
        if reach.neutral:
            return float(
                abs(np.log(self.shift)) / np.log(reach.high if self.shift > 1.0 else 1.0 / reach.low)
            )
        return abs(self.shift) / reach.high


MOST_PARTS = 30
"""Into how many parts a change is split at a time to close in on it."""


@dataclass(frozen=True, slots=True)
class _Change:
    """The first change of one flag one way: it lies past `near` and not past `far`, which is further off."""

    axis: Axis
    flag: int
    near: float
    far: float
    within: float

    @property
    def open(self) -> bool:
        """Whether it still has to be closed in on."""
        return abs(self.far - self.near) > self.within * (1.0 + 1e-9)


def tipping_points(
    evaluation: Evaluation,
    forecast: Forecast,
    previous: Forecast | None = None,
    *,
    start_of: str | None = None,
) -> tuple[TippingPoint, ...]:
    """All tipping points of a trip, nearest first, for the member that stands for the forecast itself.

    Parameters
    ----------
    evaluation
        The trip under `forecast`, unshifted.
    forecast, previous
        The issue in force and the one before.
    start_of
        Id of the stage whose start is shifted; None leaves starts alone.
    """
    if evaluation.asks is None or evaluation.lacks is None or not evaluation.plan.stages:
        return ()
    trip = _Trip(evaluation, evaluation.asks, evaluation.lacks, forecast, previous, start_of)
    axes = [axis for axis in Axis if axis is not Axis.START or start_of is not None]
    met = {axis: _within(REACHES[axis], _thresholds_met(trip, axis)) for axis in axes}
    values = {axis: _looked_at(REACHES[axis], met[axis]) for axis in axes}
    appears = trip.look(values)
    changes = [
        _at_threshold(trip, met[axis], change)
        for axis in axes
        for change in _first_changes(axis, values[axis], appears[axis])
    ]
    if not changes:
        return ()
    at_no_shift = appears[axes[0]][int(np.searchsorted(values[axes[0]], REACHES[axes[0]].neutral))]
    points = _points(trip, _closed_in(trip, changes, at_no_shift), at_no_shift)
    return tuple(sorted(points, key=lambda point: point.nearness))


@dataclass(frozen=True, eq=False)
class _Trip:
    """A trip that can be looked at under any shift."""

    evaluation: Evaluation
    asks: Asks
    lacks: Lacks
    forecast: Forecast
    previous: Forecast | None
    start_of: str | None

    @cached_property
    def pairs(self) -> tuple[Pair, ...]:
        """The flags that some shift may change: they depend on the weather, and something is amiss."""
        return swayed(self.asks, self.lacks)

    @cached_property
    def metrics(self) -> Mapping[int, frozenset[str]]:
        """What each requirement of these flags looks at, by index."""
        requirements = self.lacks.edition.requirements
        return {r: metrics_of(requirements[r]) for r in dict.fromkeys(r for _, r in self.pairs)}

    @cached_property
    def leaves(self) -> frozenset[Below | AtLeast | OnTerrain]:
        """Every single threshold that matters to some of these flags."""
        requirements = self.lacks.edition.requirements
        return frozenset(leaf for r in self.metrics for leaf in conditions_of(requirements[r]))

    @cached_property
    def wanted(self) -> frozenset[str]:
        return frozenset().union(*self.metrics.values())

    def look(self, values: Mapping[Axis, Floats]) -> dict[Axis, Bools]:
        """Which flags appear at some shifts along each axis, [shift, flag]; all shifts of the air at once."""
        plan, people = self.evaluation.plan, len(self.evaluation.picture.members)
        found: dict[Axis, Bools] = {}
        air = [axis for axis in values if axis is not Axis.START]
        if air:
            shifts = [Shift(**_field(axis, value)) for axis in air for value in values[axis].tolist()]
            shifted = evaluate_shifts(
                plan, self.forecast, shifts, self.previous, people=people, wanted=self.wanted
            )
            ends = np.cumsum([values[axis].size for axis in air])[:-1]
            found.update(zip(air, np.split(self._flags(shifted), ends), strict=True))
        if Axis.START in values:
            starts, stage = values[Axis.START].tolist(), self.start_of
            shifted = evaluate_starts(
                plan, self.forecast, starts, stage, self.previous, people=people, wanted=self.wanted
            )
            found[Axis.START] = self._flags(shifted)
        return found

    def _flags(self, shifted: Shifted) -> Bools:
        edition, plan, checks = self.asks.edition, self.asks.plan, self.asks.checks
        asked = asks(edition, plan, shifted.conditions, checks=checks, only=self.metrics)
        amounts = shifted.quantities if self.lacks.counts else {}
        return flag_scenarios(asked, self.lacks, amounts, only=self.pairs).appears


def _field(axis: Axis, value: float) -> dict[str, Any]:
    return {axis.value: value}


def _within(reach: Reach, shifts: Iterable[float]) -> Floats:
    return np.unique([shift for shift in shifts if reach.low < shift < reach.high])


def _looked_at(reach: Reach, met: Floats) -> Floats:
    """The grid, and a point between each two thresholds."""
    between = [(a + b) / 2 for a, b in pairwise([reach.low, *met.tolist(), reach.high])]
    return np.unique([*reach.grid, *between])


def _first_changes(axis: Axis, values: Floats, appears: Bools) -> Iterator[_Change]:
    """For each flag and each way, the two neighbouring shifts between which it first changes."""
    reach = REACHES[axis]
    start = int(np.searchsorted(values, reach.neutral))
    differs = appears != appears[start]
    for shifts, rows in ((values[start:], differs[start:]), (values[start::-1], differs[start::-1])):
        for n in np.flatnonzero(rows.any(axis=0)).tolist():
            first = int(np.argmax(rows[:, n]))
            yield _Change(axis, n, float(shifts[first - 1]), float(shifts[first]), reach.within)


def _points(trip: _Trip, changes: Iterable[_Change], at_no_shift: Bools) -> Iterator[TippingPoint]:
    """Changes at one and the same shift, together."""
    together: dict[tuple[Axis, float, float], list[int]] = {}
    for change in changes:
        together.setdefault((change.axis, change.far, change.within), []).append(change.flag)
    for (axis, shift, within), flags in together.items():
        yield TippingPoint(
            axis=axis,
            shift=shift,
            within=within,
            appear=tuple(_tipped(trip.asks, trip.lacks, trip.pairs[n]) for n in flags if not at_no_shift[n]),
            go=tuple(_tipped(trip.asks, trip.lacks, trip.pairs[n]) for n in flags if at_no_shift[n]),
            stage=trip.start_of if axis is Axis.START else None,
        )


def _at_threshold(trip: _Trip, met: Floats, change: _Change) -> _Change:
    """The change put on the one threshold that can have made it, where that is certain."""
    low, high = sorted((change.near, change.far))
    inside = met[(met >= low) & (met <= high)]
    r = trip.pairs[change.flag][1]
    requirement = trip.lacks.edition.requirements[r]
    if inside.size != 1 or not _in_proportion(change.axis, requirement, trip.metrics[r]):
        return change
    shift = float(inside[0])
    return replace(change, near=shift, far=shift, within=0.0)


def _closed_in(trip: _Trip, changes: Sequence[_Change], at_no_shift: Bools) -> list[_Change]:
    """Split what is still open into parts, again and again, until all is within the reach's closeness."""
    kept = list(changes)
    while wide := {(change.axis, change.near, change.far, change.within) for change in kept if change.open}:
        steps = {(axis, near, far): _steps(near, far, within) for axis, near, far, within in wide}
        values = {
            axis: np.unique(np.concatenate([inner for key, inner in steps.items() if key[0] is axis]))
            for axis in {key[0] for key in steps}
        }
        appears = trip.look(values)
        for i, change in enumerate(kept):
            if change.open:
                inner = steps[change.axis, change.near, change.far]
                rows = np.searchsorted(values[change.axis], inner)
                turned = appears[change.axis][rows, change.flag] != at_no_shift[change.flag]
                ends = [change.near, *inner.tolist(), change.far]
                first = int(np.argmax(turned)) if turned.any() else inner.size
                kept[i] = replace(change, near=ends[first], far=ends[first + 1])
    return kept


def _steps(near: float, far: float, within: float) -> Floats:
    """Points that split the way from one shift to another, without its ends."""
    parts = max(2, min(MOST_PARTS, round(abs(far - near) / within)))
    return np.linspace(near, far, parts + 1)[1:-1]


def _thresholds_met(trip: _Trip, axis: Axis) -> Iterator[float]:
    """The shifts at which a metric that moves in proportion meets a threshold that matters to some flag."""
    if axis is Axis.START:
        return
    asked, lacking = trip.asks, trip.lacks
    for leaf in trip.leaves:
        if not isinstance(leaf, OnTerrain) and leaf.metric in SLOPES[axis]:
            threshold = leaf.below if isinstance(leaf, Below) else leaf.at_least
            limits = asked.weather.threshold(threshold, leaf.metric)
            yield from _meets(asked, axis, leaf.metric, not isinstance(leaf, AtLeast), limits)
    for (_, c), value in lacking.values.items():
        relative, limit = asked.checks[c].relative, asked.checks[c].limit
        if relative is not None and limit is not None:
            side = limit.at_most is not None
            now = (asked.conditions.low if side else asked.conditions.high)[relative.metric][asked.base]
            yield from _meets(asked, axis, relative.metric, side, now + value - asked.bounds[c][asked.base])
    if axis is Axis.FREEZING_LEVEL and lacking.counts:
        yield from _streams_freeze(asked)


def _meets(asked: Asks, axis: Axis, metric: str, lowest: bool, limits: Floats) -> Iterator[float]:
    """The shifts at which the lowest or highest of a metric on each stage meets its limit there."""
    slope = SLOPES[axis].get(metric)
    conditions = asked.conditions
    now = (conditions.low if lowest else conditions.high).get(metric)
    if slope is None or now is None:
        return
    now = now[conditions.base]
    rate = now if axis is Axis.WIND else np.full(now.shape, slope)
    with np.errstate(divide="ignore", invalid="ignore"):
        shifts = REACHES[axis].neutral + (limits - now) / rate
    yield from shifts[np.isfinite(shifts)].tolist()


def _streams_freeze(asked: Asks) -> Iterator[float]:
    """The shifts at which the freezing level meets a camp with running water: more has to be melted there."""
    conditions = asked.conditions
    levels = conditions.hourly["freezing_level_m"][conditions.base]
    for t, stage in enumerate(asked.plan.stages):
        lying = levels[conditions.step_lying & (conditions.step_stage == t)]
        if stage.night is not None and np.isfinite(lying).any():
            yield stage.night.elevation_m - float(np.nanmin(lying))


def _in_proportion(axis: Axis, requirement: Requirement, metrics: frozenset[str]) -> bool:
    """Whether all that a requirement looks at moves in proportion to a shift, or not at all."""
    if axis is Axis.START or requirement.how_many.computed not in (None, "fuel_plan_g"):
        return False
    return not metrics & BENT[axis]


def _tipped(asked: Asks, lacks: Lacks, pair: Pair) -> Tipped:
    p, r = pair
    subject, requirement = lacks.subjects[p], lacks.edition.requirements[r]
    return Tipped(
        id=f"{subject.id}.{requirement.id}",
        subject=subject.id,
        subject_name=subject.name,
        requirement=requirement.id,
        item=requirement.item,
        there=(p, asked.checks_of_requirement(r)[0]) not in lacks.gaps,
    )
