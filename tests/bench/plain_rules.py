"""The rules of a kit list worked out plainly: one member, one person, one requirement, one stage at a time.

The honest baseline that `flag_scenarios` is measured against and proven to agree with. It takes the metrics
of each stage and what each person lacks as given, and works out what is asked of whom without any array.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

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
    GradeRule,
    OnTerrain,
    Requirement,
    Threshold,
)
from api.readiness.findings import BADNESS
from api.readiness.lacks import Lacks
from api.readiness.schemas import GapKind

Answer = tuple[bool, bool]
"""Whether something possibly holds (it is treated as holding), and whether it surely does."""


class Plainly:
    """One member's flags. `conditions` have one scenario."""

    def __init__(
        self,
        edition: Edition,
        plan: TripPlan,
        conditions: StageConditions,
        lacks: Lacks,
        amounts: Mapping[str, float],
    ) -> None:
        self.edition, self.plan, self.lacks, self.amounts = edition, plan, lacks, amounts
        self.low = {name: rows[0].tolist() for name, rows in conditions.low.items()}
        self.high = {name: rows[0].tolist() for name, rows in conditions.high.items()}
        self.complete = {name: rows[0].tolist() for name, rows in conditions.complete.items()}
        over = conditions.over.tolist() or [False] * len(plan.stages)
        self.ahead = [True] * len(over) if all(over) else [not gone for gone in over]
        self.lines = {line.id: line for line in edition.lines}
        self.spans: dict[int, list[int]] = {}
        for c, check in enumerate(lacks.checks):
            self.spans.setdefault(check.requirement, []).append(c)

    def flags(self, p: int) -> list[tuple[int, Answer]]:
        """For each requirement that concerns a subject, whether a flag possibly and surely appears."""
        return [
            (r, self.flag(p, r))
            for r in range(len(self.edition.requirements))
            if (p, r) in self.lacks.holdings
        ]

    def flag(self, p: int, r: int) -> Answer:
        """Whether one requirement of one subject makes a flag."""
        requirement = self.edition.requirements[r]
        if requirement.optional:
            return False, False
        failing: tuple[dict[tuple[int, int], list[int]], ...] = ({}, {})
        stages = self.stages_of(requirement)
        for c in self.spans[r]:
            for t in stages:
                asked = self.asked(requirement, c, t)
                for side in (0, 1):
                    kind = self.wrong(requirement, p, r, c, t, side) if asked[side] else None
                    if kind is not None:
                        failing[side].setdefault((BADNESS[kind], c), []).append(t)
        possibly, surely = (
            bool(found) and self.graded(requirement, *min(found.items())) for found in failing
        )
        return possibly, surely and possibly

    def stages_of(self, requirement: Requirement) -> list[int]:
        """The stages ahead on which a requirement can be asked at all."""
        nights = [stage.night for stage in self.plan.stages]
        supplied = [night is not None and requirement.id in night.supplied for night in nights]
        here = [
            not any(supplied) or (night is not None and not by)
            for night, by in zip(nights, supplied, strict=True)
        ]
        return [t for t, ahead in enumerate(self.ahead) if ahead and here[t]]

    def asked(self, requirement: Requirement, c: int, t: int) -> Answer:
        """Whether a check is asked on a stage."""
        check = self.lacks.checks[c]
        answers = [self.holds(requirement.when, t)]
        if check.question is not None and check.limit is not None:
            answers += [self.holds(check.question.when, t), self.holds(check.limit.when, t)]
        return all(answer[0] for answer in answers), all(answer[1] for answer in answers)

    def wrong(self, requirement: Requirement, p: int, r: int, c: int, t: int, side: int) -> GapKind | None:
        """What is wrong with a check on a stage, if anything; on side 1 only what surely is."""
        check, gap = self.lacks.checks[c], self.lacks.gaps.get((p, c))
        if gap is not None:
            return gap.kind
        if (p, c) in self.lacks.values:
            return self.against_weather(c, self.lacks.values[p, c], t, side)
        if (p, c) in self.lacks.counts:
            amount = self.amounts.get(requirement.how_many.computed or "", math.nan)
            short = amount > self.lacks.counts[p, c]
            return GapKind.SHORT if short or (math.isnan(amount) and side == 0) else None
        if check.question is None:
            return self.stands_in(requirement, p, r, t, side)
        return None

    def against_weather(self, c: int, value: float, t: int, side: int) -> GapKind | None:
        limit, bound = self.lacks.checks[c].limit, self.lacks.checks[c].relative
        assert limit is not None
        assert bound is not None
        upper = limit.at_most is not None
        known = (self.low if upper else self.high).get(bound.metric, [math.nan] * len(self.ahead))[t]
        plus = in_unit(bound.plus, METRICS[bound.metric].unit, difference=True) if bound.plus else 0.0
        if value > known + plus if upper else value < known + plus:
            return GapKind.UNFIT
        if math.isnan(value) or (side == 0 and not self.is_complete(bound.metric, t)):
            return GapKind.UNANSWERED
        return None

    def stands_in(self, requirement: Requirement, p: int, r: int, t: int, side: int) -> GapKind | None:
        record = self.lacks.holdings[p, r].record
        if record is None or record.body.stand_in is None:
            return None
        stand_in = next((s for s in requirement.stands_in if s.id == record.body.stand_in), None)
        if stand_in is None:
            return GapKind.UNFIT
        possibly, surely = self.holds(stand_in.when, t)
        enough = surely if side == 0 else possibly
        return None if enough else GapKind.UNFIT

    def graded(self, requirement: Requirement, worst: tuple[int, int], stages: list[int]) -> bool:
        """Whether the worst thing that is wrong has a grade on any stage on which it is wrong."""
        limit = self.lacks.checks[worst[1]].limit
        unfit = worst[0] == BADNESS[GapKind.UNFIT]
        rules: tuple[GradeRule, ...] = (limit.grades if limit and unfit else ()) or requirement.grades
        return any(self.holds(rule.when, t)[0] for rule in rules for t in stages)

    def holds(self, condition: Condition | None, t: int) -> Answer:
        """Whether a condition holds on a stage."""
        match condition:
            case None:
                return True, True
            case AllOf(all_=parts):
                answers = [self.holds(part, t) for part in parts]
                return all(a for a, _ in answers), all(b for _, b in answers)
            case AnyOf(any_=parts):
                answers = [self.holds(part, t) for part in parts]
                return any(a for a, _ in answers), any(b for _, b in answers)
            case OnTerrain(terrain=traits):
                there = bool(self.plan.stages[t].terrain & set(traits))
                return there, there
            case Below(metric=metric, below=threshold):
                limit = self.threshold(threshold, metric, t)
                crossed = self.low[metric][t] < limit if metric in self.low else False
            case AtLeast(metric=metric, at_least=threshold):
                limit = self.threshold(threshold, metric, t)
                crossed = self.high[metric][t] >= limit if metric in self.high else False
        return crossed or (not math.isnan(limit) and not self.is_complete(metric, t)), crossed

    def is_complete(self, metric: str, t: int) -> bool:
        return bool(self.complete[metric][t]) if metric in self.complete else False

    def threshold(self, threshold: Threshold, metric: str, t: int) -> float:
        match threshold:
            case str():
                return in_unit(threshold, METRICS[metric].unit)
            case FromAnchor(anchor=anchor, offset=offset):
                return self.anchor(anchor, t) + in_unit(offset, "m", difference=True)
            case FromLine(line=line):
                if line in self.plan.lines:
                    return float(self.plan.lines[line])
                return self.threshold(self.lines[line].value, self.lines[line].metric, t)

    def anchor(self, anchor: Anchor, t: int) -> float:
        plan, stage = self.plan, self.plan.stages[t]
        camps = [s.night.elevation_m for s in plan.stages if s.night is not None]
        level: float | None
        match anchor:
            case Anchor.STAGE_CAMP:
                level = stage.night.elevation_m if stage.night else None
            case Anchor.STAGE_HIGH:
                level = max(stage.from_m, stage.to_m, *(via.elevation_m for via in stage.via))
            case Anchor.HIGH_POINT:
                level = plan.place.high_point_m
            case Anchor.BASE:
                level = plan.place.base_elevation_m
            case Anchor.HIGHEST_CAMP:
                level = max(camps, default=None)
            case Anchor.LOWEST_CAMP:
                level = min(camps, default=None)
            case Anchor.USUAL_FREEZING_LEVEL:
                level = plan.usual_freezing_level_m
        return math.nan if level is None else float(level)
