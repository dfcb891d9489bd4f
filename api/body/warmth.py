"""Warmth on each stage: moving at its effort, and standing still in the same air. Pure.

An estimate for the whole body of an average person who starts warm and dry. Hands, feet and face freeze
long before it; for them stand the minutes for bare skin and the hand layers that are there.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from api.body.garments import Wardrobe, wardrobe
from api.body.people import Person
from api.conditions.stages import StageConditions
from api.science import cold
from api.science.clothing import (
    Exposure,
    RequiredInsulation,
    exposure_limit,
    minutes_standing,
    required_insulation,
)

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

WARMEST_C = 10.0
"""Above this ISO 11079 says nothing."""
STRONGEST_MPS = 18.0
"""Wind at the body above this is outside ISO 11079."""
HAND_LAYERS = ("liner-gloves", "work-gloves", "mitts", "backup-mitts")
DELAY_MIN = 60.0
"""The delay by night that a person should be able to stand out."""


@dataclass(frozen=True, slots=True)
class Air:
    """The air on the way, [stage, scenario] each: NaN where any hour is not known."""

    low_c: Floats
    wind_mps: Floats
    """As forecast, at 10 m."""
    body_wind_mps: Floats
    bare_skin_min: Floats
    """Shortest published minutes to frostbite of bare skin; infinite where the tables give none."""
    walked: Bools = field(default_factory=lambda: np.zeros((1, 1), dtype=np.bool_))
    """[stage, 1]: whether all of the way lay before the issue of the forecast."""

    @property
    def too_warm(self) -> Bools:
        return np.asarray(self.low_c > WARMEST_C)

    @property
    def too_windy(self) -> Bools:
        return np.asarray(self.body_wind_mps > STRONGEST_MPS)


@dataclass(frozen=True, eq=False)
class Warmth:
    """Warmth by [person, stage, scenario]; NaN: not known, or outside the standard. By ISO 11079, each number
    worked out when it is asked for."""

    wardrobes: tuple[Wardrobe, ...]
    air: Air
    metabolic_wpm2: Floats
    """Heat made on the move."""

    @cached_property
    def worn_clo(self) -> Floats:
        return _each([one.icl_clo for one in self.wardrobes])

    @cached_property
    def moving(self) -> Exposure:
        cloth = _each([one.permeability_lpm2s for one in self.wardrobes])
        return Exposure(self.metabolic_wpm2, self.air.low_c, self.air.body_wind_mps, permeability_lpm2s=cloth)

    @cached_property
    def _needed(self) -> RequiredInsulation:
        return required_insulation(self.moving)

    @property
    def needed_min_clo(self) -> Floats:
        """Basic insulation asked for on the move, at the strain a fit person can bear."""
        return self._needed.icl_min_clo

    @property
    def needed_neutral_clo(self) -> Floats:
        """The same without strain."""
        return self._needed.icl_neutral_clo

    @cached_property
    def margin_min_clo(self) -> Floats:
        return np.asarray(self.worn_clo - self.needed_min_clo)

    @cached_property
    def margin_neutral_clo(self) -> Floats:
        return np.asarray(self.worn_clo - self.needed_neutral_clo)

    @cached_property
    def moving_h(self) -> Floats:
        """Hours on the move until the limit, without strain; infinite beyond eight."""
        return exposure_limit(self.worn_clo, self.moving).limit_neutral_h

    @cached_property
    def _standing(self) -> tuple[Floats, Floats]:
        return minutes_standing(self.worn_clo, self.moving)

    @property
    def standing_min_min(self) -> Floats:
        """Minutes standing still until the limit, at the strain; infinite beyond eight hours."""
        return self._standing[0]

    @property
    def standing_neutral_min(self) -> Floats:
        """The same without strain."""
        return self._standing[1]

    @cached_property
    def standing_further_min(self) -> Floats:
        """Without strain, with the one layer that helps most."""
        layers = [one.further for one in self.wardrobes]
        there = replace(self.moving, permeability_lpm2s=_each([one.permeability_lpm2s for one in layers]))
        return minutes_standing(_each([one.icl_clo for one in layers]), there)[1]


def air_on_the_way(conditions: StageConditions, wind_share: float) -> Air:
    """The coldest and the windiest moment of each stage while the party is on its way, from the issue of the
    forecast on.

    They are taken together though they may lie hours apart, which is the cautious reading.
    """
    scenarios, stages = len(conditions.scenarios), len(conditions.stages)
    low, wind, skin = (np.full((stages, scenarios), np.nan) for _ in range(3))
    shape = (scenarios, conditions.step_stage.size)
    air = np.broadcast_to(conditions.hourly["air_temperature_c"], shape)
    blowing = np.broadcast_to(conditions.hourly["wind_mps"], shape)
    walked, past = np.zeros((stages, 1), dtype=np.bool_), conditions.step_past
    for t in range(stages):
        here = conditions.step_moving & (conditions.step_stage == t)
        walked[t] = here.any() and past[here].all()
        here = here & ~past
        if here.any():
            low[t] = air[:, here].min(axis=1)
            wind[t] = blowing[:, here].max(axis=1)
            skin[t] = cold.frostbite_minutes_shortest(air[:, here], blowing[:, here]).min(axis=1)
    return Air(low, wind, wind * wind_share, skin, walked)


def warmth(people: Sequence[Person], air: Air, metabolic_wpm2: Floats) -> Warmth:
    """Hold what people can put on against what the cold asks.

    Parameters
    ----------
    people
        With what is sighted for each.
    air
        Of each stage, [stage, scenario].
    metabolic_wpm2
        Heat made on the move, [person, stage, scenario].

    Returns
    -------
    Warmth
        By ISO 11079. NaN for air above 10 °C, wind at the body above 18 m/s, anything not known, and
        people of whose clothing nothing is known.
    """
    return Warmth(tuple(wardrobe(person) for person in people), air, metabolic_wpm2)


def hands_of(person: Person) -> tuple[tuple[str, bool | None], ...]:
    """The hand layers asked of a person, and whether each is there; None: not known."""
    return tuple((person.things[id_].item, person.has(id_)) for id_ in HAND_LAYERS if id_ in person.things)


def _each(values: Sequence[float]) -> Floats:
    return np.array(values, dtype=np.float64).reshape(-1, 1, 1)
