"""A guide's own hours for stages, kept in the journal in place of the estimate."""

from __future__ import annotations

from collections.abc import Mapping

from api.access.current import Reader
from api.db import Work
from api.errors import Invalid
from api.journal.decisions import HoursSet
from api.journal.service import Journal
from api.readiness.bodies import own_hours
from api.readiness.body_settings import HOURS, LONGEST_H, SHORTEST_H, figure
from api.readiness.evaluation import Evaluation

CLOSE_H = 1e-3
"""Hours nearer to each other are the same."""


def keep_hours(
    work: Work,
    journal: Journal,
    reader: Reader,
    evaluation: Evaluation,
    typed: Mapping[str, str],
    seen_seq: int | None = None,
) -> int:
    """Write what differs from the hours in force, as one entry a stage; how many were written.

    Parameters
    ----------
    typed
        By stage id; an empty text gives the stage back to the estimate. What is left out stays.

    Raises Invalid naming every field that cannot be used, and writes nothing then.
    """
    now = own_hours(evaluation.picture, evaluation.plan)
    wanted: list[HoursSet] = []
    wrong = []
    for stage in evaluation.plan.stages:
        text = typed.get(stage.id)
        if text is None:
            continue
        try:
            hours = figure(HOURS + stage.id, text, SHORTEST_H, LONGEST_H) if text.strip() else None
        except Invalid as problem:
            wrong += problem.fields
            continue
        before = now.get(stage.id)
        same = hours == before if hours is None or before is None else abs(hours - before) < CLOSE_H
        if not same:
            wanted.append(HoursSet(stage=stage.id, hours=hours))
    if wrong:
        raise Invalid("Some hours cannot be used, so none was kept.", fields=wrong)
    if wanted:
        journal.write(work, reader, evaluation.trip, *wanted, device="page", seen_seq=seen_seq)
    return len(wanted)
