"""Each planned night against the bag's label. Pure.

The label's figures hold for someone on a mat in dry underwear who has eaten. A label that gives only an
extreme figure, or none, cannot be judged, and that is a result.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.body.people import Person
from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan
from api.science.sleep import BagLabel, LabelReading, LabelState, planning_minimum_c, read_label

Floats = npt.NDArray[np.float64]

BAG, MAT = "sleeping-bag", "sleeping-mat"


@dataclass(frozen=True, slots=True)
class Bag:
    """What is known of one person's bag and mat."""

    there: bool | None
    reading: LabelReading
    rests_on: str
    """The figure the margin is measured from: "comfort", "limit", or "" when there is none."""
    mat: bool | None
    r_value: float

    @property
    def figure_c(self) -> float:
        return {"comfort": self.reading.comfort_c, "limit": self.reading.limit_c}.get(self.rests_on, math.nan)


@dataclass(frozen=True, slots=True)
class Sleep:
    """Nights by [person, stage, scenario]; NaN: no night, not known, or a bag that cannot be judged."""

    bags: tuple[Bag, ...]
    minimum_c: Floats
    """What to plan by in the shelter of the plan, [stage, scenario]."""
    open_minimum_c: Floats
    """The same without it: a night out."""
    margin_c: Floats
    open_margin_c: Floats


def bag_of(person: Person) -> Bag:
    """Read a person's bag: comfort where it is stated, else the limit."""
    kind = person.answer(BAG, "figure")
    label = BagLabel(
        comfort_c=_stated(person.number(BAG, "comfort-c")), limit_c=_stated(person.number(BAG, "limit-c"))
    )
    if kind in ("extreme-only", "none"):
        state = LabelState.ONLY_EXTREME if kind == "extreme-only" else LabelState.NO_FIGURES
        reading = LabelReading(state, math.nan, math.nan, False)
    else:
        reading = read_label(label)
    rests_on = "" if not reading.can_be_judged else "limit" if math.isnan(reading.comfort_c) else "comfort"
    return Bag(person.has(BAG), reading, rests_on, person.has(MAT), person.number(MAT, "r-value"))


def sleep(
    people: Sequence[Person], plan: TripPlan, conditions: StageConditions, allowance_c: Mapping[str, float]
) -> Sleep:
    """Margins of every night in every scenario, K; positive is warm enough by the label."""
    low = conditions.low["night_low_c"].T
    shelters = [stage.night.shelter if stage.night else "tent" for stage in plan.stages]
    taken = np.array([allowance_c[shelter] for shelter in shelters])[:, np.newaxis]
    inside = np.asarray(planning_minimum_c(low, taken))
    outside = np.asarray(planning_minimum_c(low, allowance_c["bivouac"]))
    bags = tuple(bag_of(person) for person in people)
    figures = np.array([bag.figure_c for bag in bags]).reshape(-1, 1, 1)
    return Sleep(bags, inside, outside, inside - figures, outside - figures)


def _stated(value: float) -> float | None:
    return None if math.isnan(value) else value
