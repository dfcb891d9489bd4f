"""What a plan makes people drink, melt and light, whoever they are. Pure, by scenario.

How much water a body needs is planned by round figures (common practice, no published source); what melting
and boiling it costs is an energy balance at the pressure of the camp.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.conditions.itinerary import Leg, legs_of, nights_at
from api.conditions.stages import StageConditions
from api.journal.trip import Effort, TripPlan
from api.science import water

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

WALKING_L_PER_H: Mapping[Effort, float] = {
    Effort.EASY: 0.25,
    Effort.MODERATE: 0.30,
    Effort.HARD: 0.35,
    Effort.VERY_HARD: 0.40,
}
"""Litres a person drinks an hour on the way, in the cold: common practice, no published source. Nothing is
taken to be filled up between two camps."""


@dataclass(frozen=True)
class Kitchen:
    """How a camp cooks. Common practice, no published source."""

    boiled_l: float = 1.5
    """Litres brought to the boil, a person and night: meals and hot drinks."""
    cool_l: float = 1.0
    """Litres drunk cool in camp, a person and night."""
    efficiency: float = 0.4
    """Share of the fuel's heat that ends in the pot; people reckon with 0.3 to 0.6."""
    fuel: str = "isobutane"
    """A name of ``api.science.water.FUELS``."""
    coldest_snow_c: float = -20.0
    """Snow is taken as cold as the night's low, not colder than this; this where the low is not known."""
    stream_c: float = 1.0


@dataclass(frozen=True, slots=True)
class Streams:
    """Whether the stream at the camp after a stage runs, [scenario, stage]."""

    freezes: Bools
    known: Bools

    def melts(self, plan: TripPlan, over: Bools) -> Floats:
        """1 where all water is melted, 0 where a stream runs, NaN where it is not known; [scenario, stage].

        In a night that was over when the forecast was issued it ran as planned.
        """
        planned = np.array(
            [stage.night is not None and stage.night.running_water for stage in plan.stages], dtype=np.bool_
        )
        past = over if over.size else np.zeros(planned.size, dtype=np.bool_)
        open_ = ~self.freezes & ~self.known & planned & ~past
        return np.where(open_, np.nan, (self.freezes | ~planned).astype(np.float64))


def streams(plan: TripPlan, conditions: StageConditions) -> Streams:
    """A stream freezes when the freezing level goes below the camp while the party lies there."""
    shape = (len(conditions.scenarios), len(plan.stages))
    first = np.searchsorted(conditions.step_stage, np.arange(shape[1]))
    if not first.size or not conditions.step_stage.size:
        return Streams(np.zeros(shape, dtype=np.bool_), np.ones(shape, dtype=np.bool_))
    levels = conditions.hourly["freezing_level_m"]
    camps = [np.nan if stage.night is None else stage.night.elevation_m for stage in plan.stages]
    lowest = np.fmin.reduceat(np.where(conditions.step_lying, levels, np.nan), first, axis=1)
    open_ = np.logical_or.reduceat(np.isnan(levels) & conditions.step_lying, first, axis=1)
    return Streams(lowest < np.array(camps), ~open_)


def hours_on_the_way(legs: tuple[Leg, ...]) -> Floats:
    """Planned hours of each stage, [stage]."""
    return np.array([(leg.end_s - leg.start_s) / 3600.0 for leg in legs])


def walking_l(plan: TripPlan) -> Floats:
    """Litres a person drinks on the way, [stage]."""
    rates = np.array([WALKING_L_PER_H[stage.effort] for stage in plan.stages])
    return np.asarray(rates * hours_on_the_way(legs_of(plan)))


def stretches(plan: TripPlan) -> npt.NDArray[np.int64]:
    """Numbers the stretches between two camps, [stage]: stages without a night between them share one."""
    nights = [stage.night is not None for stage in plan.stages]
    return np.concatenate([[0], np.cumsum(nights)[:-1]]).astype(np.int64) if nights else np.empty(0, np.int64)


def carried_l(plan: TripPlan) -> Floats:
    """Litres a person sets out with on a stage to reach the next camp, [stage]."""
    drunk, stretch = walking_l(plan), stretches(plan)
    left = [drunk[t:][stretch[t:] == stretch[t]].sum() for t in range(len(plan.stages))]
    return np.array(left)


def camp_l(plan: TripPlan, kitchen: Kitchen) -> tuple[Floats, Floats]:
    """Litres a person needs cool and boiled at the camp after each stage, [stage] each; 0 without a camp.

    The water for the stretch that follows is made at the camp before it.
    """
    ends_on, last = plan.ends_on.toordinal(), len(plan.stages) - 1
    legs = legs_of(plan)
    nights = np.array([nights_at(leg, plan.place.zone, ends_on, t == last) for t, leg in enumerate(legs)])
    onward = np.append(carried_l(plan)[1:], 0.0) if len(legs) else np.empty(0)
    cool = np.where(nights > 0, nights * kitchen.cool_l + onward, 0.0)
    return cool, nights * kitchen.boiled_l


@dataclass(frozen=True, slots=True)
class Cooking:
    """Grams of fuel for one person, and what they come from, [scenario, stage] each."""

    melts: Floats
    pressure_hpa: Floats
    boiling_c: Floats
    snow_c: Floats
    fuel_g: Floats
    """0 without a camp; NaN where it is not known whether a stream runs."""
    reserve_g: Floats
    """[scenario]: for one person and reserve day, all of it melted, at the camp where that costs most."""


def cooking(plan: TripPlan, conditions: StageConditions, kitchen: Kitchen | None = None) -> Cooking:
    """Fuel by energy balance: snow to water, water to the boil at the pressure of the camp."""
    kitchen = kitchen or Kitchen()
    melts = streams(plan, conditions).melts(plan, conditions.over)
    pressure = _camp_pressure_hpa(plan, conditions)
    boiling = np.minimum(water.boiling_point_c(pressure), 100.0)
    low = np.where(np.isnan(conditions.low["night_low_c"]), -np.inf, conditions.low["night_low_c"])
    snow = np.clip(low, kitchen.coldest_snow_c, 0.0)
    cool, boiled = camp_l(plan, kitchen)
    value = water.FUELS[kitchen.fuel].lower_heating_mjpkg

    def grams(cool_l: npt.ArrayLike, boiled_l: npt.ArrayLike, melted: Floats | bool) -> Floats:
        heat = water.water_heat_kj(
            cool_l, boiled_l, boiling, snow_c=snow, from_snow=melted, stream_c=kitchen.stream_c
        )
        return np.asarray(water.fuel_g(heat, value, kitchen.efficiency))

    fuel = np.where(np.isnan(melts), np.nan, grams(cool, boiled, melts == 1.0))
    camps = np.array([stage.night is not None for stage in plan.stages], dtype=np.bool_)
    drunk = float(np.max(walking_l(plan), initial=0.0))
    day = grams(kitchen.cool_l + drunk, kitchen.boiled_l, True)
    dearest = np.max(day, axis=1, where=camps[np.newaxis, :], initial=0.0)
    return Cooking(melts, pressure, boiling, snow, np.where(camps, fuel, 0.0), dearest)


def fuel_g(plan: TripPlan, conditions: StageConditions, people: int) -> Floats:
    """Fuel for the whole party by energy balance, with the plan's reserve days, g, [scenario]."""
    made = cooking(plan, conditions)
    return np.asarray(people * (made.fuel_g.sum(axis=1) + plan.reserve_days * made.reserve_g))


def water_l(plan: TripPlan, conditions: StageConditions) -> Floats:
    """Litres a person carries on the longest stretch between two camps, [scenario]."""
    most = float(np.max(carried_l(plan), initial=0.0))
    return np.full(len(conditions.scenarios), most)


def light_h(conditions: StageConditions) -> Floats:
    """Hours on the move in the dark over the whole trip, [scenario]."""
    return np.asarray(conditions.low["dark_h"].sum(axis=1))


def _camp_pressure_hpa(plan: TripPlan, conditions: StageConditions) -> Floats:
    """The highest pressure while the party lies in camp: water then boils hottest, which costs most."""
    pressure = np.array(np.broadcast_to(conditions.high["pressure_hpa"], conditions.low["night_low_c"].shape))
    hourly = conditions.hourly["pressure_hpa"]
    for t in range(len(plan.stages)):
        here = conditions.step_lying & (conditions.step_stage == t)
        if here.any():
            pressure[:, t] = np.broadcast_to(hourly, (pressure.shape[0], here.size))[:, here].max(axis=1)
    return pressure
