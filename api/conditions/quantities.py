"""Amounts that a kit list can ask for by name, worked out from the plan and what its stages will be like."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from api.conditions.itinerary import legs_of, nights_at
from api.conditions.stages import StageConditions
from api.journal.trip import Night, TripPlan
from api.science.water import planning_fuel_g

Floats = npt.NDArray[np.float64]


def quantities(plan: TripPlan, conditions: StageConditions, people: int) -> dict[str, Floats]:
    """All computed amounts by their name in the metric registry, each [scenario], in the registry's unit."""
    return {"fuel_plan_g": fuel_plan_g(plan, conditions, people)}


def fuel_plan_g(plan: TripPlan, conditions: StageConditions, people: int) -> Floats:
    """Fuel for the whole party by the planning rule, g, [scenario].

    Parameters
    ----------
    plan
        Its stages with their nights, and its reserve days.
    conditions
        What the stages will be like, of this same plan.
    people
        How many eat and drink.

    Returns
    -------
    60 g a person and night where water runs at camp, 150 g where all of it is melted, and 150 g a person for
    each reserve day. A stream counts as frozen on a stage's nights when the freezing level goes below the
    camp while the party lies there, and as planned in a night that was over when the forecast was issued. NaN
    where the forecast leaves open whether it does.

    Notes
    -----
    Common practice, no published source.
    """
    zone, last = plan.place.zone, len(plan.stages) - 1
    reserve = planning_fuel_g(0.0, False, float(people * plan.reserve_days))
    total = np.full(len(conditions.scenarios), float(reserve))
    for index, leg in enumerate(legs_of(plan)):
        night = leg.stage.night
        if night is not None:
            nights = nights_at(leg, zone, plan.ends_on.toordinal(), index == last)
            total += _camp_fuel_g(night, float(people * nights), conditions, index)
    return total


def _camp_fuel_g(night: Night, person_nights: float, conditions: StageConditions, stage: int) -> Floats:
    melted = planning_fuel_g(person_nights, True)
    if not night.running_water:
        return melted
    lying = conditions.step_lying & (conditions.step_stage == stage)
    level = conditions.hourly["freezing_level_m"][:, lying]
    freezes = (level < night.elevation_m).any(axis=-1)
    past = conditions.over.size > 0 and bool(conditions.over[stage])
    known = freezes | ~np.isnan(level).any(axis=-1) | past
    running = planning_fuel_g(person_nights, False)
    return np.where(freezes, melted, np.where(known, running, np.nan))
