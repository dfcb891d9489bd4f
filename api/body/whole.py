"""Everything the stages ask of the bodies of a party, worked out together. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from api.body.light import Light, dark_on_the_move, light
from api.body.load import Load, load
from api.body.people import Person
from api.body.settings import BodySettings
from api.body.sleep import Sleep, sleep
from api.body.warmth import Air, Warmth, air_on_the_way, warmth
from api.body.water_fuel import WaterFuel, water_fuel
from api.conditions.needs import Drinking, drinking
from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan


@dataclass(frozen=True, eq=False)
class Body:
    """Arrays are [person, stage, scenario] unless their part says otherwise. A part is worked out when it is
    asked for: a board that asks about bags alone pays for bags alone."""

    people: tuple[Person, ...]
    """In the order in which they are to be shown."""
    plan: TripPlan
    conditions: StageConditions
    """Of the same trip; the forecast may be missing, then what rests on it is not known."""
    settings: BodySettings = field(default_factory=BodySettings)
    packed_fuel_g: Mapping[str, float] = field(default_factory=dict)
    """Fuel that was counted, g, by rope id and "party"; missing where nobody has."""

    @cached_property
    def air(self) -> Air:
        return air_on_the_way(self.conditions, self.settings.wind_share)

    @cached_property
    def drinking(self) -> Drinking:
        return drinking(self.plan, self.conditions)

    @cached_property
    def load(self) -> Load:
        return load(self.people, self.plan, self.conditions, self.settings, self.drinking)

    @cached_property
    def warmth(self) -> Warmth:
        return warmth(self.people, self.air, self.load.metabolic_wpm2)

    @cached_property
    def sleep(self) -> Sleep:
        return sleep(self.people, self.plan, self.conditions, self.settings.allowance_c)

    def of(self, people: Sequence[Person]) -> Body:
        """The same stages and weather for other people; what does not depend on them is kept."""
        others = replace(self, people=tuple(people))
        others.__dict__.update(air=self.air, drinking=self.drinking)
        return others

    @cached_property
    def water_fuel(self) -> WaterFuel:
        kitchen, packed = self.settings.kitchen, self.packed_fuel_g
        return water_fuel(self.people, self.plan, self.conditions, kitchen, packed, self.drinking)

    @cached_property
    def light(self) -> Light:
        chosen = self.settings
        dark = dark_on_the_move(self.plan, self.conditions, chosen.hours)
        return light(self.people, dark, self.air.low_c, chosen.usable_share, chosen.body_warm_c)


def body(
    people: Sequence[Person],
    plan: TripPlan,
    conditions: StageConditions,
    settings: BodySettings | None = None,
    packed_fuel_g: Mapping[str, float] | None = None,
) -> Body:
    """What each stage asks, and what is there against it, in every scenario; see `Body`."""
    return Body(tuple(people), plan, conditions, settings or BodySettings(), packed_fuel_g or {})
