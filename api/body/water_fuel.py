"""Water to drink, melt and treat, and the fuel for it, for everyone, each rope and the party. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.body.people import Person
from api.conditions.needs import (
    Cooking,
    Drinking,
    Kitchen,
    camp_l,
    cooking,
    drinking,
    party_fuel_g,
    walking_l,
)
from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan
from api.science import water

Floats = npt.NDArray[np.float64]

PARTY = "party"
DOSES_PPM = (2.0, 4.0, 8.0)
"""Iodine or chlorine, as in the published table."""


@dataclass(frozen=True, slots=True)
class WaterFuel:
    """[scenario, stage] unless said otherwise; grams and litres of one person unless said otherwise."""

    drunk_l: Floats
    """On the way, [stage]."""
    carried: Drinking
    """From water to water."""
    cool_l: Floats
    """At the camp after each stage."""
    boiled_l: Floats
    """There too, [stage]."""
    cooking: Cooking
    boil_min: Floats
    """Minutes of rolling boil that treat stream water at this camp, [stage]."""
    chemical_min: Mapping[float, float]
    """Minutes iodine or chlorine needs in this water, by dose in ppm; NaN: too cold for the table, boil or
    filter."""
    fuel_g: Mapping[str, Floats]
    """For the whole trip with reserve days, [scenario], by rope id and "party"."""
    packed_g: Mapping[str, float]
    """Fuel that was counted, by rope id and "party": a list may ask it of ropes. The party's is that of all
    ropes where it is counted by rope. Missing or NaN where nobody has counted."""

    def spare_g(self, who: str = PARTY) -> Floats:
        """Fuel packed less fuel needed by the party or a rope, [scenario]; NaN where it is not known."""
        return np.asarray(self.packed_g.get(who, math.nan) - self.fuel_g[who])


def water_fuel(
    people: Sequence[Person],
    plan: TripPlan,
    conditions: StageConditions,
    kitchen: Kitchen,
    packed_g: Mapping[str, float] | None = None,
    drunk: Drinking | None = None,
) -> WaterFuel:
    """Litres and grams. A rope that camps apart cooks for itself and needs its own share."""
    drunk = drunk or drinking(plan, conditions)
    made = cooking(plan, conditions, kitchen, drunk)
    each = party_fuel_g(plan, made, 1)
    ropes = [person.rope for person in people]
    fuel = {rope: each * ropes.count(rope) for rope in dict.fromkeys(ropes) if rope is not None}
    cool, boiled = camp_l(plan, kitchen, drunk.set_out)
    camps = np.array([stage.night.elevation_m if stage.night else np.nan for stage in plan.stages])
    return WaterFuel(
        drunk_l=walking_l(plan),
        carried=drunk,
        cool_l=cool,
        boiled_l=boiled,
        cooking=made,
        boil_min=np.asarray(water.boil_minutes(camps)),
        chemical_min={dose: float(water.contact_minutes(kitchen.stream_c, dose)) for dose in DOSES_PPM},
        fuel_g={**fuel, PARTY: each * len(people)},
        packed_g=packed_g or {},
    )
