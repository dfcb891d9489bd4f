"""What would remain of a gap if a thing took the place of what is lacking. Pure."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from api.journal.kinds import Answer, Known
from api.journal.trip import TripPlan
from api.kitlist.schemas import Grade
from api.readiness.asks import Asks, Bools, grade_in_force
from api.readiness.board import Evaluation
from api.readiness.findings import HoldPoints
from api.readiness.lacks import meets


@dataclass(frozen=True, slots=True)
class Residual:
    """What would remain of a gap if a thing with these answers took its place."""

    grade: Grade | None
    remains: tuple[str, ...]
    to_try: tuple[str, ...]
    """Questions open that only trying can answer."""
    unknown: tuple[str, ...]
    """Questions open that could have been answered by looking."""


def residual(evaluation: Evaluation, requirement: int, answers: Mapping[str, Answer]) -> Residual:
    """Hold a thing's answers against everything the conditions ask of a requirement."""
    asks, plan = evaluation.asks, evaluation.plan
    assert asks is not None, "a trip without a kit list has no gaps"
    holds = HoldPoints(plan, evaluation.picture)
    worst: Grade | None = None
    remains: list[str] = []
    to_try: dict[str, None] = {}
    unknown: dict[str, None] = {}
    for c in asks.checks_of_requirement(requirement)[1:]:
        check, where = asks.checks[c], asks.asked[asks.base, :, c]
        question, limit = check.question, check.limit
        if question is None or limit is None or not where.any():
            continue
        answer = answers.get(question.id)
        if answer is None:
            (to_try if question.needs is Known.TRIED else unknown)[question.ask] = None
            continue
        failing = _failing(asks, c, answer, plan)
        if failing is None:
            unknown[question.ask] = None
        elif failing.any():
            rules = limit.grades or asks.edition.requirements[requirement].grades
            graded = grade_in_force(rules, asks.weather, failing, asks.base)
            if graded is not None:
                grade, _ = holds.in_force(graded[0])
                worst = grade if worst is None or grade.weight > worst.weight else worst
                remains.append(limit.says)
    return Residual(worst, tuple(dict.fromkeys(remains)), tuple(to_try), tuple(unknown))


def _failing(asks: Asks, c: int, answer: Answer, plan: TripPlan) -> Bools | None:
    """On which stages an answer misses a limit; None when the forecast does not say."""
    check, where = asks.checks[c], asks.asked[asks.base, :, c]
    question, limit = check.question, check.limit
    assert question is not None
    assert limit is not None
    if check.relative is None:
        return np.zeros_like(where) if meets(limit, question, answer, plan) else where
    if isinstance(answer, bool | str):
        return where
    bound = asks.bounds[c][asks.base]
    with np.errstate(invalid="ignore"):
        crossed: Bools = where & (answer > bound if limit.at_most is not None else answer < bound)
    if crossed.any():
        return crossed
    return None if (where & asks.open_bounds[c][asks.base]).any() else np.zeros_like(where)
