"""Everything the stages ask of the bodies of a party, worked out together. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from api.body.light import Light, light
from api.body.load import Load, load
from api.body.people import Person
from api.body.settings import BodySettings
from api.body.sleep import Sleep, sleep
from api.body.warmth import Warmth, air_on_the_way, warmth
from api.body.water_fuel import WaterFuel, water_fuel
from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan


@dataclass(frozen=True, slots=True)
class Body:
    """Arrays are [person, stage, scenario] unless their part says otherwise."""

    people: tuple[Person, ...]
    plan: TripPlan
    conditions: StageConditions
    settings: BodySettings
    load: Load
    warmth: Warmth
    sleep: Sleep
    water_fuel: WaterFuel
    light: Light


def body(
    people: Sequence[Person],
    plan: TripPlan,
    conditions: StageConditions,
    settings: BodySettings | None = None,
    packed_fuel_g: float = math.nan,
) -> Body:
    """What each stage asks, and what is there against it, in every scenario.

    Parameters
    ----------
    people
        In the order in which they are to be shown.
    plan, conditions
        Of the same trip; the forecast may be missing, then what rests on it is not known.
    settings
        What the estimates take for given.
    packed_fuel_g
        Fuel that was counted, g; NaN when nobody has.
    """
    chosen = settings or BodySettings()
    carried = load(people, plan, conditions, chosen)
    air = air_on_the_way(conditions, chosen.wind_share)
    return Body(
        people=tuple(people),
        plan=plan,
        conditions=conditions,
        settings=chosen,
        load=carried,
        warmth=warmth(people, air, carried.metabolic_wpm2),
        sleep=sleep(people, plan, conditions, chosen.allowance_c),
        water_fuel=water_fuel(people, plan, conditions, chosen.kitchen, packed_fuel_g),
        light=light(people, conditions, air.low_c, chosen.usable_share, chosen.body_warm_c),
    )
