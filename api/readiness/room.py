"""How much group gear people have room for where they have not said, by what the climbs ask of them. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from api.body.load import spare_kg
from api.body.settings import BodySettings
from api.readiness.bodies import people_of
from api.readiness.evaluation import Evaluation


def room_g(evaluation: Evaluation) -> Mapping[str, float]:
    """By member, g: the group gear they could take before a climb asks more than its effort.

    Left out: those for whom it cannot be worked out.
    """
    if not evaluation.plan.stages:
        return {}
    people = [replace(one, shared_kg=0.0) for one in people_of(evaluation.picture, evaluation.lacks)]
    spare = spare_kg(people, evaluation.plan, evaluation.conditions, BodySettings())
    return {
        person.id: round(kilos, 1) * 1000.0
        for person, kilos in zip(people, spare.tolist(), strict=True)
        if np.isfinite(kilos)
    }
