"""Amounts that a kit list can ask for by name, worked out from the plan and what its stages will be like."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import partial

import numpy as np
import numpy.typing as npt

from api.conditions.itinerary import legs_of, nights_at
from api.conditions.needs import fuel_g, light_h, streams, water_l
from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan
from api.science.water import planning_fuel_g

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


class WhenAsked(Mapping[str, Floats]):
    """Amounts that are worked out when they are looked up, once each."""

    def __init__(self, makers: Mapping[str, Callable[[], Floats]]) -> None:
        self._makers, self._made = makers, dict[str, Floats]()

    def __getitem__(self, name: str) -> Floats:
        if name not in self._made:
            self._made[name] = self._makers[name]()
        return self._made[name]

    def __contains__(self, name: object) -> bool:
        return name in self._makers

    def __iter__(self) -> Iterator[str]:
        return iter(self._makers)

    def __len__(self) -> int:
        return len(self._makers)


def quantities(plan: TripPlan, conditions: StageConditions, people: int) -> Mapping[str, Floats]:
    """All computed amounts by their name in the metric registry, each [scenario], in the registry's unit."""
    return WhenAsked({name: partial(amount, plan, conditions, people) for name, amount in BY_NAME.items()})


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
    stream = streams(plan, conditions)
    return camp_fuel_g(plan, people, stream.freezes, stream.known, conditions.over)


def camp_fuel_g(plan: TripPlan, people: int, freezes: Bools, known: Bools, over: Bools) -> Floats:
    """Fuel by the planning rule where it is worked out at which camps a stream freezes, g, [scenario].

    Parameters
    ----------
    freezes, known
        Whether the freezing level goes below the camp of each stage while the party lies there, and whether
        all those hours are known, [scenario, stage].
    over
        The stages that were over when the forecast was issued; empty: none.
    """
    zone, last = plan.place.zone, len(plan.stages) - 1
    total = np.full(freezes.shape[0], float(planning_fuel_g(0.0, False, float(people * plan.reserve_days))))
    for t, leg in enumerate(legs_of(plan)):
        night = leg.stage.night
        if night is not None:
            nights = float(people * nights_at(leg, zone, plan.ends_on.toordinal(), t == last))
            melted = float(planning_fuel_g(nights, True))
            running = float(planning_fuel_g(nights, False)) if night.running_water else melted
            past = over.size > 0 and bool(over[t])
            decided = known[:, t] | past | (running == melted)
            total += np.where(freezes[:, t], melted, np.where(decided, running, np.nan))
    return total


BY_NAME: Mapping[str, Callable[[TripPlan, StageConditions, int], Floats]] = {
    "fuel_plan_g": fuel_plan_g,
    "fuel_g": fuel_g,
    "water_l": lambda plan, conditions, people: water_l(plan, conditions),
    "light_h": lambda plan, conditions, people: light_h(conditions),
}
"""Each from the plan, its conditions and how many people there are."""
