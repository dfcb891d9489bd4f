"""Flags about bodies in every scenario, beside those about things. Pure."""

from __future__ import annotations

from collections.abc import Container

import numpy as np
import numpy.typing as npt

from api.body.whole import Body
from api.readiness.asks import Asks, grade_in_force
from api.readiness.body_findings import BodyGap, body_finding, body_gaps
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import Lacks
from api.readiness.outlook import PossibleFlag
from api.readiness.scenarios import FlagScenarios, frequencies, possible_flag

Bools = npt.NDArray[np.bool_]


def body_flags(
    asked: Asks, lacking: Lacks, found: Body, lines: Container[int] | None = None
) -> FlagScenarios:
    """What is amiss with bodies, over all scenarios; `lines`: indices of the requirements to look at."""
    gaps = tuple(body_gaps(asked, lacking, found, lines=lines))
    scenarios = len(asked.conditions.scenarios)
    appears = np.zeros((scenarios, len(gaps)), dtype=np.bool_)
    surely = np.zeros_like(appears)
    for n, gap in enumerate(gaps):
        appears[:, n] = [_graded(gap, asked, lacking, s) for s in range(scenarios)]
        surely[:, n] = (gap.amiss & gap.certain).any(axis=0) & appears[:, n]
    shape = (len(lacking.subjects), len(lacking.edition.requirements))
    return FlagScenarios(shape, tuple(gap.pair for gap in gaps), appears, surely | ~appears)


def _graded(gap: BodyGap, asked: Asks, lacking: Lacks, scenario: int) -> bool:
    where = gap.where(scenario)
    grades = lacking.edition.requirements[gap.pair[1]].grades
    return bool(where.any()) and grade_in_force(grades, asked.weather, where, scenario) is not None


def possible_of_bodies(evaluation: Evaluation, flags: FlagScenarios) -> tuple[PossibleFlag, ...]:
    """Flags about bodies that the forecast itself does not raise but another scenario surely does."""
    asked, lacking, found = evaluation.asks, evaluation.lacks, evaluation.bodies
    if asked is None or lacking is None or found is None:
        return ()
    counted, surely = frequencies(evaluation, flags), flags.appears & flags.decided
    there = []
    for n, gap in enumerate(body_gaps(asked, lacking, found)):
        if flags.appears[asked.base, n] or not surely[:, n].any():
            continue
        scenario = int(np.argmax(surely[:, n]))
        finding = body_finding(gap, asked, lacking, evaluation.picture, scenario)
        if finding is not None:
            there.append(possible_flag(finding, counted[finding.id]))
    return tuple(there)
