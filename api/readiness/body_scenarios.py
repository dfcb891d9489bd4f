"""Flags about bodies in every scenario, beside those about things. Pure."""

from __future__ import annotations

from collections.abc import Container, Sequence

import numpy as np
import numpy.typing as npt

from api.body.whole import Body
from api.readiness.asks import Asks, grade_in_force
from api.readiness.body_findings import BodyGap, body_finding, body_gaps
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import Lacks
from api.readiness.outlook import PossibleFlag
from api.readiness.scenarios import FlagScenarios, always_graded, frequencies, possible_flag

Bools = npt.NDArray[np.bool_]


def body_flags(
    asked: Asks, lacking: Lacks, found: Body, lines: Container[int] | None = None
) -> FlagScenarios:
    """What is amiss with bodies, over all scenarios; `lines`: indices of the requirements to look at."""
    return flags_of(tuple(body_gaps(asked, lacking, found, lines=lines)), asked, lacking)


def flags_of(gaps: Sequence[BodyGap], asked: Asks, lacking: Lacks) -> FlagScenarios:
    """The flags that some gaps amount to, in the order of the gaps."""
    appears = np.zeros((len(asked.conditions.scenarios), len(gaps)), dtype=np.bool_)
    surely = np.zeros_like(appears)
    for n, gap in enumerate(gaps):
        appears[:, n] = _graded(gap, asked, lacking)
        surely[:, n] = (gap.amiss & gap.certain).any(axis=0) & appears[:, n]
    shape = (len(lacking.subjects), len(lacking.edition.requirements))
    return FlagScenarios(shape, tuple(gap.pair for gap in gaps), appears, surely | ~appears)


def _graded(gap: BodyGap, asked: Asks, lacking: Lacks) -> Bools:
    """In which scenarios the gap has a grade. A grade without conditions is there wherever the gap is."""
    there: Bools = np.asarray((gap.amiss | gap.unknown).any(axis=0))
    requirement = lacking.edition.requirements[gap.pair[1]]
    if always_graded(requirement):
        return there
    graded = [
        grade_in_force(requirement.grades, asked.weather, gap.where(s), s) is not None
        for s in np.flatnonzero(there).tolist()
    ]
    there[there] = graded
    return there


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
