"""Water to drink, melt and treat, and the fuel for it, for everyone, each rope and the party. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.body.people import Person
from api.conditions.needs import Cooking, Kitchen, camp_l, carried_l, cooking, walking_l
from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan
from api.science import water

Floats = npt.NDArray[np.float64]

DOSE_PPM = 4.0
"""Iodine or chlorine, the middle of the published table."""


@dataclass(frozen=True, slots=True)
class WaterFuel:
    """[scenario, stage] unless said otherwise; grams and litres of one person unless said otherwise."""

    drunk_l: Floats
    """On the way, [stage]."""
    set_out_l: Floats
    """Carried at the start of each stage to the next camp, [stage]."""
    cool_l: Floats
    boiled_l: Floats
    """At the camp after each stage, [stage]."""
    cooking: Cooking
    boil_min: Floats
    """Minutes of rolling boil that make stream water safe to drink at this camp, [stage]."""
    chemical_min: float
    """Minutes iodine or chlorine needs in this water; NaN: too cold for the table, boil or filter."""
    fuel_g: Mapping[str, Floats]
    """For the whole trip with reserve days, [scenario], by rope id and "party"."""
    packed_g: float
    """Fuel that was counted; NaN when nobody has."""

    @property
    def spare_g(self) -> Floats:
        """Fuel packed less fuel needed by the party, [scenario]."""
        return np.asarray(self.packed_g - self.fuel_g["party"])


def water_fuel(
    people: Sequence[Person],
    plan: TripPlan,
    conditions: StageConditions,
    kitchen: Kitchen,
    packed_g: float = math.nan,
) -> WaterFuel:
    """Litres and grams. A rope that camps apart cooks for itself and needs its own share."""
    made = cooking(plan, conditions, kitchen)
    each = made.fuel_g.sum(axis=1) + plan.reserve_days * made.reserve_g
    ropes = [person.rope for person in people]
    fuel = {rope: each * ropes.count(rope) for rope in dict.fromkeys(ropes) if rope is not None}
    cool, boiled = camp_l(plan, kitchen)
    camps = np.array([stage.night.elevation_m if stage.night else np.nan for stage in plan.stages])
    return WaterFuel(
        drunk_l=walking_l(plan),
        set_out_l=carried_l(plan),
        cool_l=cool,
        boiled_l=boiled,
        cooking=made,
        boil_min=np.asarray(water.boil_minutes(camps)),
        chemical_min=float(water.contact_minutes(kitchen.stream_c, DOSE_PPM)),
        fuel_g={**fuel, "party": each * len(people)},
        packed_g=packed_g,
    )
