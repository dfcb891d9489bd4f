"""A trip that can be looked at under any shift of the forecast or of a start. Pure."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from api.conditions.forecast import Forecast
from api.conditions.many import Shifted, evaluate_shifts, evaluate_starts
from api.conditions.shifts import Shift
from api.kitlist.schemas import (
    AtLeast,
    Below,
    Grade,
    GradeRule,
    OnTerrain,
    Requirement,
    Threshold,
    conditions_of,
)
from api.readiness.asks import Asks, asks
from api.readiness.evaluation import Evaluation
from api.readiness.findings import HoldPoints
from api.readiness.lacks import Lacks
from api.readiness.scenarios import Pair, graded_scenarios, metrics_of, swayed
from api.science.profile import STANDARD_LAPSE_K_PER_M

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


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


@dataclass(frozen=True, eq=False)
class ShiftedTrip:
    """A trip that can be looked at under any shift."""

    evaluation: Evaluation
    asks: Asks
    lacks: Lacks
    forecast: Forecast
    previous: Forecast | None
    start_of: str | None

    @cached_property
    def alike(self) -> tuple[tuple[Pair, ...], ...]:
        """The flags that some shift may change; together, those with the same amiss with the same thing.

        Whatever the weather, they stand alike: of each group one is looked at for all.
        """
        lacks, groups = self.lacks, dict[tuple[object, ...], list[Pair]]()
        for p, r in swayed(self.asks, lacks):
            amiss = tuple(
                (c, gap.kind if gap else None, lacks.values.get((p, c)), lacks.counts.get((p, c)))
                for c in self.asks.checks_of_requirement(r)
                if (gap := lacks.gaps.get((p, c))) or (p, c) in lacks.values or (p, c) in lacks.counts
            )
            record = lacks.holdings[p, r].record
            groups.setdefault((r, amiss, record.body.stand_in if record else None), []).append((p, r))
        return tuple(map(tuple, groups.values()))

    @cached_property
    def pairs(self) -> tuple[Pair, ...]:
        """One flag of each group."""
        return tuple(group[0] for group in self.alike)

    @cached_property
    def holds(self) -> HoldPoints:
        return HoldPoints(self.evaluation.plan, self.evaluation.picture)

    @cached_property
    def grades(self) -> tuple[tuple[Grade, str], ...]:
        """Every way a flag can be graded, with the name of the hold point; numbered from 1 on."""
        return tuple(dict.fromkeys(self._graded(rule) for r in self.metrics for rule in self._rules(r)))

    @cached_property
    def numbers(self) -> Mapping[int, int]:
        """The number of each rule's grade, by the rule's identity, because hashing a rule is slow."""
        return {
            id(rule): self.grades.index(self._graded(rule)) + 1
            for r in self.metrics
            for rule in self._rules(r)
        }

    def _rules(self, r: int) -> tuple[GradeRule, ...]:
        requirement = self.lacks.edition.requirements[r]
        limits = [limit for question in requirement.questions for limit in question.limits]
        return (*requirement.grades, *(rule for limit in limits for rule in limit.grades))

    def _graded(self, rule: GradeRule) -> tuple[Grade, str]:
        grade, hold = self.holds.in_force(rule)
        return grade, hold.name

    @cached_property
    def metrics(self) -> Mapping[int, frozenset[str]]:
        """What each requirement of these flags looks at, by index."""
        requirements = self.lacks.edition.requirements
        return {r: metrics_of(requirements[r]) for r in dict.fromkeys(r for _, r in self.pairs)}

    @cached_property
    def leaves(self) -> tuple[Below | AtLeast, ...]:
        """Every single threshold that matters to some flag and moves in proportion to some shift."""
        requirements = self.lacks.edition.requirements
        straight = {metric for slopes in SLOPES.values() for metric in slopes}
        found: dict[tuple[object, ...], Below | AtLeast] = {}
        for r in self.metrics:
            for leaf in conditions_of(requirements[r]):
                if not isinstance(leaf, OnTerrain) and leaf.metric in straight:
                    threshold = _threshold(leaf)
                    same = threshold if isinstance(threshold, str) else id(threshold)
                    found.setdefault((type(leaf), leaf.metric, same), leaf)
        return tuple(found.values())

    def look(self, values: Mapping[Axis, Floats], flags: Sequence[int] | None = None) -> dict[Axis, Ints]:
        """How flags stand at some shifts along each axis, [shift, flag]; all shifts of the air at once.

        With `flags`, these alone are looked at, and the others are given as not there.
        """
        looked_at = range(len(self.pairs)) if flags is None else flags
        only = dict.fromkeys(self.pairs[n][1] for n in looked_at)
        people, wanted = len(self.evaluation.picture.members), self._wanted(only)
        plan, previous = self.evaluation.plan, self.previous
        found: dict[Axis, Ints] = {}
        air = [axis for axis in values if axis is not Axis.START]
        if air:
            shifts = [Shift(**_field(axis, value)) for axis in air for value in values[axis].tolist()]
            shifted = evaluate_shifts(plan, self.forecast, shifts, previous, people=people, wanted=wanted)
            ends = np.cumsum([values[axis].size for axis in air])[:-1]
            found.update(zip(air, np.split(self._flags(shifted, looked_at, only), ends), strict=True))
        if Axis.START in values:
            starts, stage = values[Axis.START].tolist(), self.start_of
            shifted = evaluate_starts(
                plan, self.forecast, starts, stage, previous, people=people, wanted=wanted
            )
            found[Axis.START] = self._flags(shifted, looked_at, only)
        return found

    def _wanted(self, requirements: Iterable[int]) -> frozenset[str]:
        return frozenset().union(*(self.metrics[r] for r in requirements))

    def _flags(self, shifted: Shifted, flags: Sequence[int], only: Mapping[int, None]) -> Ints:
        edition, plan, checks = self.asks.edition, self.asks.plan, self.asks.checks
        asked = asks(edition, plan, shifted.conditions, checks=checks, only=only)
        counted = any(edition.requirements[r].how_many.computed is not None for r in only)
        amounts = shifted.quantities if counted else {}
        pairs = [self.pairs[n] for n in flags]
        found = np.zeros((asked.asked.shape[0], len(self.pairs)), dtype=np.int64)
        found[:, list(flags)] = graded_scenarios(
            asked, self.lacks, amounts, pairs, lambda rule: self.numbers[id(rule)]
        )
        return found


def _field(axis: Axis, value: float) -> dict[str, Any]:
    return {axis.value: value}


def thresholds_met(trip: ShiftedTrip, axis: Axis) -> Iterator[float]:
    """The shifts at which a metric that moves in proportion meets a threshold that matters to some flag."""
    if axis is Axis.START:
        return
    asked, lacking = trip.asks, trip.lacks
    for leaf in trip.leaves:
        if leaf.metric in SLOPES[axis]:
            limits = asked.weather.threshold(_threshold(leaf), leaf.metric)
            yield from _meets(asked, axis, leaf.metric, not isinstance(leaf, AtLeast), limits)
    for (_, c), value in lacking.values.items():
        relative, limit = asked.checks[c].relative, asked.checks[c].limit
        if relative is not None and limit is not None:
            side = limit.at_most is not None
            now = (asked.conditions.low if side else asked.conditions.high)[relative.metric][asked.base]
            yield from _meets(asked, axis, relative.metric, side, now + value - asked.bounds[c][asked.base])
    if axis is Axis.FREEZING_LEVEL and lacking.counts:
        yield from _streams_freeze(asked)


def _threshold(leaf: Below | AtLeast) -> Threshold:
    return leaf.below if isinstance(leaf, Below) else leaf.at_least


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


def in_proportion(axis: Axis, requirement: Requirement, metrics: frozenset[str]) -> bool:
    """Whether all that a requirement looks at moves in proportion to a shift, or not at all."""
    if axis is Axis.START or requirement.how_many.computed not in (None, "fuel_plan_g"):
        return False
    return not metrics & BENT[axis]
