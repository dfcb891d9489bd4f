"""The fast way against the plain one, cell by cell.

Tolerance 1e-9 relative: both ways solve the same published equations to the last digits; what is left is
rounding in different orders.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from functools import cache

import numpy as np
import pytest

from api.body.load import latest_turn_h
from api.body.people import Person
from api.body.settings import EFFORT_WPM2, BodySettings
from api.body.whole import Body, body
from api.conditions.itinerary import legs_of, nights_at
from api.conditions.needs import WALKING_L_PER_H, water_l
from api.journal.trip import Stage
from api.science import cold, sun
from tests.body import plainly
from tests.body.building import OWN_HOURS, WEIGHT_G, crowd, measured, weather
from tests.readiness import big

EXACT = 1e-9
PEOPLE, SCENARIOS = range(12), range(0, 51, 5)


@cache
def whole() -> Body:
    packed = {"party": 9000.0, "r0": 3000.0}
    return body(crowd(), measured(), weather(), BodySettings(hours=OWN_HOURS), packed)


def cells() -> Iterator[tuple[int, int, int]]:
    """Every person and stage in every fifth scenario."""
    for s in SCENARIOS:
        for t in range(big.STAGES):
            for p in PEOPLE:
                yield p, t, s


def moving_steps(t: int) -> list[int]:
    conditions = weather()
    return [
        i
        for i in range(conditions.step_stage.size)
        if conditions.step_stage[i] == t and conditions.step_moving[i]
    ]


@cache
def air(t: int, s: int) -> tuple[float, float, float]:
    """Coldest, windiest at the body, and minutes of bare skin on the way."""
    temperature, wind = (weather().hourly[name][s] for name in ("air_temperature_c", "wind_mps"))
    steps = moving_steps(t)
    skin = [float(cold.frostbite_minutes_shortest(temperature[i], wind[i])) for i in steps]
    return min(temperature[i] for i in steps), max(wind[i] for i in steps) * 2.0 / 3.0, min(skin)


def same(mine: float, theirs: float) -> bool:
    return (math.isnan(mine) and math.isnan(theirs)) or mine == pytest.approx(theirs, rel=EXACT, abs=EXACT)


def exposure(p: int, t: int, s: int, m: float) -> plainly.Cold:
    low, wind, _ = air(t, s)
    return plainly.Cold(m, low, wind, plainly.cloth(crowd()[p]))


def test_warmth() -> None:
    found, looked_at = whole().warmth, 0
    for p, t, s in cells():
        if (p + t + s) % 4:
            continue
        person = crowd()[p]
        moving = exposure(p, t, s, float(whole().load.metabolic_wpm2[p, t, s]))
        standing = exposure(p, t, s, 70.0)
        worn = plainly.icl(person)
        if moving.valid:
            need = moving.needed_clo(False), moving.needed_clo(True)
            assert same(found.margin_min_clo[p, t, s], worn - need[0])
            assert same(found.margin_neutral_clo[p, t, s], worn - need[1])
            assert same(found.moving_h[p, t, s], moving.hours(worn, True))
            assert same(found.standing_min_min[p, t, s], standing.hours(worn, False) * 60.0)
            assert same(found.standing_neutral_min[p, t, s], standing.hours(worn, True) * 60.0)
            layer = found.wardrobes[p].further
            more = plainly.Cold(70.0, standing.ta, standing.wind, layer.permeability_lpm2s)
            assert same(found.standing_further_min[p, t, s], more.hours(layer.icl_clo, True) * 60.0)
            looked_at += 1
        else:
            assert np.isnan(found.margin_neutral_clo[p, t, s])
        assert same(found.air.bare_skin_min[t, s], air(t, s)[2])
    assert looked_at > 200


def test_the_further_layer_is_the_one_that_helps_most() -> None:
    """Every garment is put on in turn, and what is left of all in 5 m/s of wind compared."""

    def left(person: Person) -> float:
        return plainly.icl(person) * plainly.Cold(70.0, 0.0, 5.0, plainly.cloth(person)).left_standing

    for person, chosen in zip(crowd(), whole().warmth.wardrobes, strict=True):
        tried = []
        for name in (*plainly.CLO_OF, "parka"):
            answers = {"warmth": "heavy"} if name == "parka" else {}
            thing = replace(person.things[name], fits=True, answers=answers)
            tried.append(replace(person, things={**person.things, name: thing}))
        best = max(tried, key=left)
        if left(best) > left(person) + 1e-9:
            assert chosen.further.icl_clo == pytest.approx(plainly.icl(best), rel=EXACT)
            assert chosen.further.permeability_lpm2s == plainly.cloth(best)
        else:
            assert chosen.further.icl_clo == pytest.approx(plainly.icl(person, 0.40), rel=EXACT)
    assert len({chosen.further.layer for chosen in whole().warmth.wardrobes}) > 2


def test_sleep() -> None:
    plan, found = measured(), whole().sleep
    for p, t, s in cells():
        low = float(weather().low["night_low_c"][s, t])
        bag = crowd()[p]
        figure = math.nan if bag.answer("sleeping-bag", "figure") else bag.number("sleeping-bag", "limit-c")
        no_mat = bag.has("sleeping-mat") is False
        expected = low - 3.0 - figure if plan.stages[t].night and not no_mat else math.nan
        assert same(found.margin_c[p, t, s], expected)
        assert same(found.open_margin_c[p, t, s], expected - 2.0)
        assert same(found.limit_margin_c[p, t, s], expected)


def walks(t: int) -> tuple[datetime, datetime]:
    """When a stage is walked, with own hours in place of the plan's."""
    stages = measured().stages
    stage = stages[t]
    begins = stage.starts_at
    if t and stages[t - 1].night is None:
        begins = max(begins, walks(t - 1)[1])
    own = OWN_HOURS.get(stage.id)
    return begins, begins + (stage.ends_at - stage.starts_at if own is None else timedelta(hours=own))


def dark_h(t: int) -> float:
    place = measured().place
    return sun.dark_hours(*walks(t), place.latitude_deg, place.longitude_deg)


def test_light() -> None:
    found, settings = whole().light, whole().settings
    dark = [dark_h(t) for t in range(big.STAGES)]
    for p, t, s in cells():
        usable = plainly.light_h(crowd()[p], air(t, s)[0], settings)
        assert same(found.dark_h[t, s], dark[t])
        assert same(found.usable_h[p, t, s], usable)
        assert same(found.margin_h[p, t, s], usable - sum(dark[: t + 1]))


@cache
def drunk(t: int, s: int) -> tuple[float, float, float, float]:
    """Set out with, the most carried, filled at streams, melted on the way; one stage in one scenario."""
    stages, levels = measured().stages, weather().hourly["freezing_level_m"][s]
    stage = stages[t]
    rate, times = WALKING_L_PER_H[stage.effort], weather().steps_epoch_s
    carried = 0.0 if stage.night is not None or t + 1 == len(stages) else drunk(t + 1, s)[0]
    most, filled, until = 0.0, {"stream": 0.0, "snow": 0.0}, stage.ends_at
    for via in reversed(stage.via):
        if via.water is None:
            continue
        carried += rate * (until - via.at).total_seconds() / 3600.0
        (step,) = [i for i in moving_steps(t) if times[i] == via.at.timestamp()]
        most, until = max(most, carried), via.at
        if via.water == "snow" or levels[step] >= via.elevation_m:
            filled[via.water] += carried
            carried = 0.0
    carried += rate * (until - stage.starts_at).total_seconds() / 3600.0
    return carried, max(most, carried), filled["stream"], filled["snow"]


def test_water() -> None:
    found, streams = whole().water_fuel.carried, set()
    for s in SCENARIOS:
        for t in range(big.STAGES):
            mine = (found.set_out[s, t], found.heaviest[s, t], found.treated[s, t], found.melted[s, t])
            assert all(map(same, mine, drunk(t, s)))
            streams.add(bool(mine[2] > 0.0))
        most = max(drunk(t, s)[1] for t in range(big.STAGES))
        assert same(float(water_l(measured(), weather())[s]), most)
    assert streams == {True, False}


def test_fuel() -> None:
    plan, conditions, found = measured(), weather(), whole().water_fuel
    legs = legs_of(plan)
    for s in SCENARIOS:
        total = dearest = 0.0
        most = max(WALKING_L_PER_H[one.effort] * hours_of(one) for one in plan.stages)
        for t, stage in enumerate(plan.stages):
            low = float(conditions.low["night_low_c"][s, t])
            snow = -20.0 if math.isnan(low) else min(max(low, -20.0), 0.0)
            melt = 333.55 - 2.1 * snow
            total += drunk(t, s)[3] * (melt + 41.86) / (45.55 * 0.4)
            if stage.night is None:
                continue
            lying = [
                i
                for i in range(conditions.step_stage.size)
                if conditions.step_stage[i] == t and conditions.step_lying[i]
            ]
            levels = [float(conditions.hourly["freezing_level_m"][s, i]) for i in lying]
            pressure = max(float(conditions.hourly["pressure_hpa"][s, i]) for i in lying)
            boils = min(plainly.boiling_c(pressure), 100.0)
            nights = nights_at(legs[t], plan.place.zone, plan.ends_on.toordinal(), t == len(legs) - 1)
            onward = drunk(t + 1, s)[0] if t + 1 < len(plan.stages) else 0.0
            cool, boiled = nights * 1.0 + onward, nights * 1.5
            reserve = (1.0 + most) * (melt + 41.86) + 1.5 * (melt + 4.186 * boils)
            dearest = max(dearest, reserve / (45.55 * 0.4))
            if stage.night.running_water and not any(level < stage.night.elevation_m for level in levels):
                heat = math.nan if any(map(math.isnan, levels)) else boiled * 4.186 * (boils - 1.0)
            else:
                heat = cool * (melt + 41.86) + boiled * (melt + 4.186 * boils)
            total += heat / (45.55 * 0.4)
        total += 2 * dearest
        assert same(float(found.fuel_g["party"][s]), 12 * total)
        assert same(float(found.fuel_g["r0"][s]), 4 * total)
        assert same(float(found.spare_g()[s]), 9000.0 - 12 * total)
        assert same(float(found.spare_g("r0")[s]), 3000.0 - 4 * total)


def hours_of(stage: Stage) -> float:
    return (stage.ends_at - stage.starts_at).total_seconds() / 3600.0


def test_load() -> None:
    plan, found, kinds = measured(), whole().load, set()
    for p, t, s in cells():
        stage = plan.stages[t]
        there = [thing.fits is not False for thing in crowd()[p].things.values()]
        carried = WEIGHT_G / 1000.0 * sum(there) + drunk(t, s)[1]
        assert same(float(found.carried_kg[p, t, s]), carried)
        ground = plainly.ground_of(stage, OWN_HOURS.get(stage.id))
        kinds.add((ground.level_m > 0.0, stage.distance_m is None))
        fresh = min(float(weather().high["new_snow_cm"][s, t]) * (1.0 - 0.1 / 1.186), 20.0)
        soft = 0.0005 * fresh**3 + 0.0001 * fresh**2 + 0.1072 * fresh + 1.2604
        factor = max(soft, 1.3) if stage.terrain else 1.2
        effort = EFFORT_WPM2[stage.effort]
        parts = [
            plainly.pandolf(70.0, carried, metres / (hours * 3000.0), grade, factor) * hours
            for metres, hours, grade in ground.parts
        ]
        power = sum(parts) / sum(hours for _, hours, _ in ground.parts)
        assert same(float(found.power_w[p, t, s]), power * 5.0 / 6.0 + 117.0 / 6.0)
        weakest = min(part / hours for part, (_, hours, _) in zip(parts, ground.parts, strict=True)) / 1.8
        assert same(float(found.metabolic_wpm2[p, t, s]), min(max(min(effort, weakest), 70.0), 400.0))
        hours = 0.0
        fastest = 0.6 if ground.steep else 1.2
        for metres, _, grade in ground.parts:
            pace = fastest if grade < 0.0 else plainly.pace(effort * 1.8, carried, grade, factor, fastest)
            hours += metres / pace / 3000.0
        assert same(float(found.hours[p, t, s]), hours)
    assert kinds == {(False, True), (False, False), (True, False)}


def test_arrival_and_turning_round() -> None:
    plan, found = measured(), whole().load
    for s in SCENARIOS:
        for t, stage in enumerate(plan.stages):
            party = OWN_HOURS.get(stage.id, max(float(found.hours[p, t, s]) for p in PEOPLE))
            assert same(float(found.party_h[t, s]), party)
            assert same(float(found.arrival_h[t, s]), party)  # every stage but the last has a night after it
    no_night = plan.stages[5].model_copy(update={"night": None})
    joined = plan.model_copy(update={"stages": (*plan.stages[:5], no_night, *plan.stages[6:])})
    until = (joined.stages[6].ends_at - joined.stages[5].starts_at).total_seconds() / 3600.0
    turn = latest_turn_h(joined, found.party_h, 5)
    for s in SCENARIOS:
        assert same(float(turn[s]), until - float(found.party_h[6, s]))


def test_energy() -> None:
    plan, found = measured(), whole().load
    days = [stage.starts_at.astimezone(plan.place.zone).date() for stage in plan.stages]
    for p, t, s in cells():
        busy = spent = 0.0
        for other, stage in enumerate(plan.stages):
            if days[other] == days[t]:
                hours = OWN_HOURS.get(stage.id, hours_of(stage))
                busy += hours
                spent += hours * float(found.power_w[p, other, s])
        expected = 3.6 * (spent + 117.0 * (24.0 - busy)) if busy <= 24.0 else math.nan
        assert same(float(found.energy_kj[p, t, s]), expected)
