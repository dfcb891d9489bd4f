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
from api.journal.trip import Effort, TripPlan, Via
from api.science import water

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

WALKING_L_PER_H: Mapping[Effort, float] = {
    Effort.EASY: 0.25,
    Effort.MODERATE: 0.30,
    Effort.HARD: 0.35,
    Effort.VERY_HARD: 0.40,
}
"""Litres a person drinks an hour on the way, in the cold: common practice, no published source."""


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

    @classmethod
    def of(cls, plan: TripPlan) -> Kitchen:
        """As usual, with the stove efficiency that the plan has."""
        return cls() if plan.stove_efficiency is None else cls(efficiency=plan.stove_efficiency)


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


@dataclass(frozen=True, slots=True)
class Drinking:
    """What one person carries and fills on the way, L, [scenario, stage] each."""

    set_out: Floats
    """At the start of the stage, to the next water or camp."""
    heaviest: Floats
    """The most that is carried at any moment of the stage."""
    treated: Floats
    """Filled at streams on the way."""
    melted: Floats
    """Melted on the way."""


def drinking(plan: TripPlan, conditions: StageConditions) -> Drinking:
    """Litres from water to water: what is drunk until the next camp or the next named water on the way.

    A stream on the way counts only where the freezing level is known to be above it when the party passes, or
    where it had passed when the forecast was issued. Snow that is melted on the way always counts.
    """
    shape = (len(conditions.scenarios), len(plan.stages))
    found = Drinking(*(np.zeros(shape) for _ in range(4)))
    ahead = np.zeros(shape[0])
    for t in range(shape[1] - 1, -1, -1):
        stage = plan.stages[t]
        rate, until = WALKING_L_PER_H[stage.effort] / 3600.0, stage.ends_at.timestamp()
        carried = np.zeros(shape[0]) if stage.night is not None else ahead
        most = np.zeros(shape[0])
        for via in reversed(stage.via):
            if via.water is None:
                continue
            at = via.at.timestamp()
            carried = carried + rate * (until - at)
            there = _runs(plan, conditions, t, via) if via.water == "stream" else np.ones(shape[0], np.bool_)
            filled = found.treated if via.water == "stream" else found.melted
            filled[:, t] += np.where(there, carried, 0.0)
            most = np.maximum(most, carried)
            carried, until = np.where(there, 0.0, carried), at
        ahead = carried + rate * (until - stage.starts_at.timestamp())
        found.set_out[:, t], found.heaviest[:, t] = ahead, np.maximum(most, ahead)
    return found


def _runs(plan: TripPlan, conditions: StageConditions, t: int, via: Via) -> Bools:
    """Whether a stream on the way surely runs as the party passes, [scenario]."""
    scenarios = len(conditions.scenarios)
    if conditions.over.size and conditions.over[t]:
        return np.ones(scenarios, dtype=np.bool_)
    steps = np.flatnonzero(conditions.step_stage == t)
    if not steps.size:
        return np.zeros(scenarios, dtype=np.bool_)
    times = conditions.steps_epoch_s[steps]
    later = times[0] - plan.stages[t].starts_at.timestamp()  # of a what-if
    passed = np.searchsorted(times, via.at.timestamp() + later)
    step = steps[min(int(passed), steps.size - 1)]
    runs = conditions.hourly["freezing_level_m"][:, step] >= via.elevation_m
    return np.broadcast_to(runs | conditions.step_past[step], (scenarios,))


def camp_l(plan: TripPlan, kitchen: Kitchen, carried: Floats) -> tuple[Floats, Floats]:
    """Litres a person needs cool and boiled at the camp after each stage; 0 without a camp.

    The water for the stretch that follows is made at the camp before it.

    Parameters
    ----------
    carried
        What is set out with on each stage, [scenario, stage]: ``Drinking.set_out``.

    Returns
    -------
    [scenario, stage] and [stage].
    """
    ends_on, last = plan.ends_on.toordinal(), len(plan.stages) - 1
    legs = legs_of(plan)
    nights = np.array([nights_at(leg, plan.place.zone, ends_on, t == last) for t, leg in enumerate(legs)])
    onward = np.concatenate([carried[:, 1:], np.zeros((carried.shape[0], min(1, len(legs))))], axis=1)
    return np.where(nights > 0, nights * kitchen.cool_l + onward, 0.0), nights * kitchen.boiled_l


@dataclass(frozen=True, slots=True)
class Camps:
    """The weather that cooking depends on, [scenario, stage] each."""

    melts: Floats
    """1 where all water is melted, 0 where a stream runs, NaN where it is not known."""
    pressure_hpa: Floats
    low_c: Floats
    """Of the night; NaN where it is not known."""


def camps(plan: TripPlan, conditions: StageConditions) -> Camps:
    """Read from what the stages will be like."""
    melts = streams(plan, conditions).melts(plan, conditions.over)
    return Camps(melts, _camp_pressure_hpa(plan, conditions), conditions.low["night_low_c"])


@dataclass(frozen=True, slots=True)
class Cooking:
    """Grams of fuel for one person, and what they come from, [scenario, stage] each."""

    melts: Floats
    pressure_hpa: Floats
    boiling_c: Floats
    snow_c: Floats
    fuel_g: Floats
    """At the camp after the stage, and for what is melted on its way. 0 where nothing is; NaN where it is not
    known whether a stream runs."""
    reserve_g: Floats
    """[scenario]: for one person and reserve day, all of it melted, at the camp where that costs most."""


def cooking(
    plan: TripPlan, conditions: StageConditions, kitchen: Kitchen | None = None, drunk: Drinking | None = None
) -> Cooking:
    """Fuel by energy balance: snow to water, water to the boil at the pressure of the camp."""
    return cooking_in(plan, camps(plan, conditions), drunk or drinking(plan, conditions), kitchen)


def cooking_in(plan: TripPlan, weather: Camps, drunk: Drinking, kitchen: Kitchen | None = None) -> Cooking:
    """The same in weather that was read already."""
    kitchen = kitchen or Kitchen.of(plan)
    boiling = np.minimum(water.boiling_point_c(weather.pressure_hpa), 100.0)
    low = np.where(np.isnan(weather.low_c), -np.inf, weather.low_c)
    snow = np.clip(low, kitchen.coldest_snow_c, 0.0)
    cool, boiled = camp_l(plan, kitchen, drunk.set_out)
    value = water.FUELS[kitchen.fuel].lower_heating_mjpkg

    def grams(cool_l: npt.ArrayLike, boiled_l: npt.ArrayLike, melted: Floats | bool) -> Floats:
        heat = water.water_heat_kj(
            cool_l, boiled_l, boiling, snow_c=snow, from_snow=melted, stream_c=kitchen.stream_c
        )
        return np.asarray(water.fuel_g(heat, value, kitchen.efficiency))

    fuel = np.where(np.isnan(weather.melts), np.nan, grams(cool, boiled, weather.melts == 1.0))
    pitched = np.array([stage.night is not None for stage in plan.stages], dtype=np.bool_)
    most = float(np.max(walking_l(plan), initial=0.0))
    day = grams(kitchen.cool_l + most, kitchen.boiled_l, True)
    dearest = np.max(day, axis=1, where=pitched[np.newaxis, :], initial=0.0)
    made = np.where(pitched, fuel, 0.0)
    if drunk.melted.any():
        made = made + grams(drunk.melted, 0.0, True)
    return Cooking(weather.melts, weather.pressure_hpa, boiling, snow, made, dearest)


def fuel_g(plan: TripPlan, conditions: StageConditions, people: int) -> Floats:
    """Fuel for the whole party by energy balance, with the plan's reserve days, g, [scenario]."""
    made = cooking(plan, conditions)
    return party_fuel_g(plan, made, people)


def party_fuel_g(plan: TripPlan, made: Cooking, people: int) -> Floats:
    """Fuel of so many people for the trip, with the plan's reserve days, g, [scenario]."""
    return np.asarray(people * (made.fuel_g.sum(axis=1) + plan.reserve_days * made.reserve_g))


def water_l(plan: TripPlan, conditions: StageConditions) -> Floats:
    """The most litres a person carries at any moment, from water to water, [scenario]."""
    return np.asarray(np.max(drinking(plan, conditions).heaviest, axis=1, initial=0.0))


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
