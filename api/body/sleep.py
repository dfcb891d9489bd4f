"""Each planned night against the bag's label. Pure.

The label's figures hold for someone on a mat in dry underwear who has eaten. A label that gives only an
extreme figure, or none, cannot be judged, and that is a result; nor can a label be held against a night
without a mat. By how many degrees a thin mat falls short is not judged, because no source was found for it:
it is named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from api.body.people import Person
from api.conditions.stages import StageConditions
from api.journal.trip import Night, TripPlan
from api.science.sleep import BagLabel, LabelReading, LabelState, planning_minimum_c, read_label

Floats = npt.NDArray[np.float64]

BAG, MAT = "sleeping-bag", "sleeping-mat"
LEAST_R_ON_SNOW = 4.0
"""R-value below which a mat on snow is named as thin, as the shipped list asks it: common practice, no
published source. R-values of mats on top of each other add (ASTM F3340 measures one mat; that they add, from
memory): the sum is what is answered."""


class MatState(StrEnum):
    """What lies under the bag in one night."""

    SUPPLIED = "supplied"
    """By the outfit at that camp; its R-value is not known."""
    THERE = "there"
    THIN = "thin"
    NONE = "none"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Bag:
    """What is known of one person's bag and mat."""

    there: bool | None
    reading: LabelReading
    rests_on: str
    """The figure the margin is measured from: "comfort", "limit", or "" when there is none."""
    mat: bool | None
    r_value: float

    def under(self, night: Night | None) -> MatState:
        """What lies under it in a night; thin only where the camp is on snow."""
        if night is not None and MAT in night.supplied:
            return MatState.SUPPLIED
        if self.mat is None:
            return MatState.UNKNOWN
        if not self.mat:
            return MatState.NONE
        thin = night is not None and night.on_snow and self.r_value < LEAST_R_ON_SNOW
        return MatState.THIN if thin else MatState.THERE

    @property
    def figure_c(self) -> float:
        return {"comfort": self.reading.comfort_c, "limit": self.reading.limit_c}.get(self.rests_on, math.nan)


@dataclass(frozen=True, slots=True)
class Sleep:
    """Nights by [person, stage, scenario]; NaN: no night, not known, no mat, or a bag nobody can judge."""

    bags: tuple[Bag, ...]
    minimum_c: Floats
    """What to plan by in the shelter of the plan, [stage, scenario]."""
    open_minimum_c: Floats
    """The same without it: a night out."""
    margin_c: Floats
    """From comfort, or from limit where comfort is not stated."""
    open_margin_c: Floats
    limit_margin_c: Floats
    """From limit; NaN where it is not stated."""


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
    bare = np.array(
        [[bag.under(one.night) is MatState.NONE for one in plan.stages] for bag in bags], dtype=np.bool_
    ).reshape(len(bags), len(plan.stages), 1)
    held, limit = (
        np.where(bare, np.nan, np.array(figures).reshape(-1, 1, 1))
        for figures in ([bag.figure_c for bag in bags], [bag.reading.limit_c for bag in bags])
    )
    return Sleep(bags, inside, outside, inside - held, outside - held, inside - limit)


def _stated(value: float) -> float | None:
    return None if math.isnan(value) else value
