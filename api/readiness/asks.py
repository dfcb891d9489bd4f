"""What the mountain asks: for every check of a kit list, on which stages of which scenarios it applies. Pure.

A condition has three answers: it holds, it does not, or it is not known (no forecast for those hours).
They are carried as two
masks, `certain` and `possible`; where a condition is possible but not certain it is treated as holding,
and the finding
says that the forecast is missing. A condition joined by `all` is looked at stage by stage: each part may
hold in an
hour of its own. That is the cautious reading.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import numpy.typing as npt

from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan
from api.kitlist.metrics import METRICS
from api.kitlist.quantities import in_unit
from api.kitlist.schemas import (
    AllOf,
    Anchor,
    AnyOf,
    AtLeast,
    Below,
    Condition,
    Edition,
    FromAnchor,
    FromLine,
    FromMetric,
    GradeRule,
    Limit,
    OnTerrain,
    Question,
    Requirement,
    Threshold,
)

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Truth:
    """Where a condition holds, by [scenario, stage]."""

    certain: Bools
    possible: Bools

    def __and__(self, other: "Truth") -> "Truth":
        return Truth(self.certain & other.certain, self.possible & other.possible)

    def __or__(self, other: "Truth") -> "Truth":
        return Truth(self.certain | other.certain, self.possible | other.possible)


@dataclass(frozen=True, slots=True)
class Check:
    """One thing that can be lacking: a requirement's presence, or one limit of one of its questions."""

    requirement: int
    """Index in the edition."""
    question: Question | None = None
    limit: Limit | None = None

    @property
    def relative(self) -> FromMetric | None:
        """The metric that the limit is measured from, when it is."""
        if self.limit is None:
            return None
        bound = self.limit.at_least if self.limit.at_least is not None else self.limit.at_most
        return bound if isinstance(bound, FromMetric) else None


@dataclass(frozen=True, slots=True)
class Asks:
    """Which checks apply where. `asked[s, t, c]` includes what cannot be ruled out; `certain` does not."""

    edition: Edition
    plan: TripPlan
    conditions: StageConditions
    checks: tuple[Check, ...]
    asked: Bools
    certain: Bools
    bounds: Mapping[int, Floats]
    """For limits measured from a metric: check index to the limit by [scenario, stage]; NaN where not
    known, or
    where there is nothing to measure from (then `open_bounds` is False)."""
    open_bounds: Mapping[int, Bools]
    """Where a bound is not known though it should be."""
    spans: tuple[range, ...]
    weather: "Weather"

    @property
    def base(self) -> int:
        return self.conditions.base

    @property
    def ahead(self) -> Bools:
        """By stage: what is over asks nothing any more; when all is over, the list stands as it was."""
        return _ahead(self.conditions)

    def checks_of_requirement(self, requirement: int) -> range:
        """The indices of a requirement's checks: its presence first, then its limits."""
        return self.spans[requirement]


@dataclass(frozen=True)
class Weather:
    """Evaluates conditions of one edition for one plan and forecast; each distinct condition once."""

    edition: Edition
    plan: TripPlan
    conditions: StageConditions
    _truths: dict[Condition, Truth] = field(default_factory=dict)

    @property
    def shape(self) -> tuple[int, int]:
        return len(self.conditions.scenarios), len(self.conditions.stages)

    @cached_property
    def _always(self) -> Truth:
        everywhere = np.ones(self.shape, dtype=bool)
        everywhere.flags.writeable = False
        return Truth(everywhere, everywhere)

    def truth(self, condition: Condition | None) -> Truth:
        """Where a condition holds; None always does."""
        if condition is None:
            return self._always
        if condition not in self._truths:
            self._truths[condition] = self._work_out(condition)
        return self._truths[condition]

    def _work_out(self, condition: Condition) -> Truth:
        match condition:
            case AllOf(all_=parts):
                result = self.truth(parts[0])
                for part in parts[1:]:
                    result = result & self.truth(part)
                return result
            case AnyOf(any_=parts):
                result = self.truth(parts[0])
                for part in parts[1:]:
                    result = result | self.truth(part)
                return result
            case OnTerrain(terrain=traits):
                row = np.array([bool(stage.terrain & set(traits)) for stage in self.plan.stages], dtype=bool)
                there = np.broadcast_to(row, self.shape)
                return Truth(there, there)
            case Below(metric=metric, below=threshold):
                return self._crossed(metric, threshold, below=True)
            case AtLeast(metric=metric, at_least=threshold):
                return self._crossed(metric, threshold, below=False)

    def _crossed(self, metric: str, threshold: Threshold, *, below: bool) -> Truth:
        limit = self.threshold(threshold, metric)[np.newaxis, :]
        missing = np.full(self.shape, np.nan)
        extreme = (self.conditions.low if below else self.conditions.high).get(metric, missing)
        complete = self.complete(metric)
        with np.errstate(invalid="ignore"):
            known = extreme < limit if below else extreme >= limit
        # With nothing to measure from (no camp on this stage, no usual level) a threshold does not apply.
        unknown = ~complete & ~np.isnan(np.broadcast_to(limit, self.shape))
        return Truth(known, known | unknown)

    def threshold(self, threshold: Threshold, metric: str) -> Floats:
        """A threshold in the metric's unit, by stage; NaN where the elevation it is measured from is not
        known."""
        stages = len(self.plan.stages)
        match threshold:
            case str():
                return np.full(stages, in_unit(threshold, METRICS[metric].unit))
            case FromAnchor(anchor=anchor, offset=offset):
                return self._anchor(anchor) + in_unit(offset, "m", difference=True)
            case FromLine(line=line_id):
                if line_id in self.plan.lines:
                    return np.full(stages, float(self.plan.lines[line_id]))
                line = next(line for line in self.edition.lines if line.id == line_id)
                return self.threshold(line.value, line.metric)

    def _anchor(self, anchor: Anchor) -> Floats:
        plan = self.plan
        camps = [stage.night.elevation_m for stage in plan.stages if stage.night is not None]
        match anchor:
            case Anchor.STAGE_CAMP:
                return np.array(
                    [s.night.elevation_m if s.night else np.nan for s in plan.stages], dtype=float
                )
            case Anchor.STAGE_HIGH:
                return np.array(
                    [max(s.from_m, s.to_m, *(v.elevation_m for v in s.via)) for s in plan.stages], dtype=float
                )
            case Anchor.HIGH_POINT:
                level: float | None = plan.place.high_point_m
            case Anchor.BASE:
                level = plan.place.base_elevation_m
            case Anchor.HIGHEST_CAMP:
                level = max(camps, default=None)
            case Anchor.LOWEST_CAMP:
                level = min(camps, default=None)
            case Anchor.USUAL_FREEZING_LEVEL:
                level = plan.usual_freezing_level_m
        return np.full(len(plan.stages), np.nan if level is None else level)

    def complete(self, metric: str) -> Bools:
        """Where every hour of a metric is known, by [scenario, stage]."""
        return self.conditions.complete.get(metric, np.zeros(self.shape, dtype=bool))

    def bound(self, bound: FromMetric, *, at_most: bool) -> Floats:
        """A limit measured from a metric, by [scenario, stage]; NaN where the metric is not known.

        Taken on the side that asks more: the lowest value for an upper limit, the highest for a lower one.
        """
        side = self.conditions.low if at_most else self.conditions.high
        values = side.get(bound.metric, np.full(self.shape, np.nan))
        plus = in_unit(bound.plus, METRICS[bound.metric].unit, difference=True) if bound.plus else 0.0
        return values + plus


def checks_of(edition: Edition) -> tuple[Check, ...]:
    """Every check of an edition, requirement by requirement: presence first, then each limit of each
    question."""
    found: list[Check] = []
    for index, requirement in enumerate(edition.requirements):
        found.append(Check(index))
        found.extend(
            Check(index, question, limit) for question in requirement.questions for limit in question.limits
        )
    return tuple(found)


def spans_of(checks: tuple[Check, ...]) -> tuple[range, ...]:
    """For each requirement, the range of indices of its checks."""
    starts = [c for c, check in enumerate(checks) if check.question is None]
    return tuple(range(a, b) for a, b in zip(starts, [*starts[1:], len(checks)], strict=True))


def asks(
    edition: Edition,
    plan: TripPlan,
    conditions: StageConditions,
    *,
    checks: tuple[Check, ...] | None = None,
    only: Collection[int] | None = None,
) -> Asks:
    """The asks matrix of an edition over all scenarios and stages.

    Parameters
    ----------
    edition
        The kit list in force.
    plan
        The trip's plan; its stages are the stages of `conditions`, in the same order.
    conditions
        Stage conditions; metrics that are missing there are not known.
    checks
        The edition's checks, where they are at hand already.
    only
        Requirements to work out, by index; the others are left as not asked.

    Returns
    -------
    Asks
        `asked` and `certain` with shape [scenario, stage, check].
    """
    weather = Weather(edition, plan, conditions)
    checks = checks_of(edition) if checks is None else checks
    # One check after another in memory, because they are filled and read check by check.
    shape = (len(checks), *weather.shape)
    asked = np.zeros(shape, dtype=bool).transpose(1, 2, 0)
    certain = np.zeros(shape, dtype=bool).transpose(1, 2, 0)
    bounds: dict[int, Floats] = {}
    open_bounds: dict[int, Bools] = {}
    ahead = _ahead(conditions)
    worked_out = range(len(edition.requirements)) if only is None else only
    on_stage = {r: _where_needed(edition.requirements[r], plan) & ahead for r in worked_out}
    for c, check in enumerate(checks):
        requirement = edition.requirements[check.requirement]
        if requirement.optional or check.requirement not in on_stage:
            continue
        truth = weather.truth(requirement.when)
        if check.question is not None and check.limit is not None:
            truth = truth & weather.truth(check.question.when) & weather.truth(check.limit.when)
        asked[:, :, c] = truth.possible & on_stage[check.requirement]
        certain[:, :, c] = truth.certain & on_stage[check.requirement]
        if check.relative is not None and check.limit is not None:
            bounds[c] = weather.bound(check.relative, at_most=check.limit.at_most is not None)
            open_bounds[c] = ~weather.complete(check.relative.metric)
    return Asks(
        edition, plan, conditions, checks, asked, certain, bounds, open_bounds, spans_of(checks), weather
    )


def _ahead(conditions: StageConditions) -> Bools:
    """By stage: what is over asks nothing any more; when all is over, the list stands as it was."""
    if conditions.over.size == 0 or conditions.over.all():
        return np.ones(len(conditions.stages), dtype=bool)
    return ~conditions.over


def _where_needed(requirement: Requirement, plan: TripPlan) -> Bools:
    """By stage: everywhere, unless the outfit supplies the item at night; then only where it does not."""
    supplied = [stage.night is not None and requirement.id in stage.night.supplied for stage in plan.stages]
    if not any(supplied):
        return np.ones(len(plan.stages), dtype=bool)
    return np.array(
        [stage.night is not None and not here for stage, here in zip(plan.stages, supplied, strict=True)],
        dtype=bool,
    )


def grade_in_force(
    rules: tuple[GradeRule, ...], weather: Weather, stages: Bools, scenario: int
) -> tuple[GradeRule, tuple[GradeRule, ...]] | None:
    """The first grade rule that holds on any of some stages, and what else it brings at other hold points."""
    for rule in rules:
        if bool((weather.truth(rule.when).possible[scenario] & stages).any()):
            also = tuple(
                extra
                for extra in rule.also
                if bool((weather.truth(extra.when).possible[scenario] & stages).any())
            )
            return rule, also
    return None
