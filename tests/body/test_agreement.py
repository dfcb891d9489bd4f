"""The fast way against the plain one, cell by cell.

Tolerance 1e-9 relative: both ways solve the same published equations to the last digits; what is left is
rounding in different orders.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest

from api.body.settings import EFFORT_WPM2
from api.body.whole import Body, body
from api.conditions.itinerary import legs_of, nights_at
from api.conditions.needs import WALKING_L_PER_H
from api.science import cold
from tests.body import plainly
from tests.body.building import WEIGHT_G, crowd, weather
from tests.readiness import big

EXACT = 1e-9
PEOPLE, SCENARIOS = range(12), range(0, 51, 5)


@cache
def whole() -> Body:
    return body(crowd(), big.plan(), weather(), packed_fuel_g=9000.0)


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
            further = found.wardrobes[p].further_clo
            assert same(found.standing_further_min[p, t, s], standing.hours(further, True) * 60.0)
            looked_at += 1
        else:
            assert np.isnan(found.margin_neutral_clo[p, t, s])
        assert same(found.air.bare_skin_min[t, s], air(t, s)[2])
    assert looked_at > 200


def test_the_further_layer_is_the_one_that_helps_most() -> None:
    for person, chosen in zip(crowd(), whole().warmth.wardrobes, strict=True):
        lacking = {name: value for name, value in plainly.CLO_OF.items() if not person.has(name)}
        here = plainly.PARKA[str(person.answer("parka", "warmth"))] if person.has("parka") else 0.0
        lacking["parka"] = plainly.PARKA["heavy"] - here
        best = max(lacking.values()) or 0.40
        assert chosen.further_clo == pytest.approx(plainly.icl(person, best), rel=EXACT)


def test_sleep() -> None:
    plan, found = big.plan(), whole().sleep
    for p, t, s in cells():
        low = float(weather().low["night_low_c"][s, t])
        bag = crowd()[p]
        figure = math.nan if bag.answer("sleeping-bag", "figure") else bag.number("sleeping-bag", "limit-c")
        expected = low - 3.0 - figure if plan.stages[t].night else math.nan
        assert same(found.margin_c[p, t, s], expected)
        assert same(found.open_margin_c[p, t, s], expected - 2.0)


def test_light() -> None:
    found, settings = whole().light, whole().settings
    for p, t, s in cells():
        usable = plainly.light_h(crowd()[p], air(t, s)[0], settings)
        so_far = sum(
            float(np.broadcast_to(weather().low["dark_h"], (51, 12))[s, earlier]) for earlier in range(t + 1)
        )
        assert same(found.usable_h[p, t, s], usable)
        assert same(found.margin_h[p, t, s], usable - so_far)


def test_fuel() -> None:
    plan, conditions, found = big.plan(), weather(), whole().water_fuel
    legs = legs_of(plan)
    for s in SCENARIOS:
        total = 0.0
        for t, stage in enumerate(plan.stages):
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
            onward = 0.0
            for later in range(t + 1, len(plan.stages)):
                spent = plan.stages[later].ends_at - plan.stages[later].starts_at
                onward += WALKING_L_PER_H[plan.stages[later].effort] * spent.total_seconds() / 3600.0
                if plan.stages[later].night is not None:
                    break
            cool, boiled = nights * 1.0 + onward, nights * 1.5
            low = float(conditions.low["night_low_c"][s, t])
            snow = -20.0 if math.isnan(low) else min(max(low, -20.0), 0.0)
            melt = 333.55 - 2.1 * snow
            if stage.night.running_water and not any(level < stage.night.elevation_m for level in levels):
                heat = math.nan if any(map(math.isnan, levels)) else boiled * 4.186 * (boils - 1.0)
            else:
                heat = cool * (melt + 41.86) + boiled * (melt + 4.186 * boils)
            total += heat / (45.55 * 0.4)
        assert same(float(found.fuel_g["party"][s]), 12 * total)
        assert same(float(found.fuel_g["r0"][s]), 4 * total)


def test_load() -> None:
    plan, found = big.plan(), whole().load
    for p, t, s in cells():
        stage = plan.stages[t]
        body_kg, items = (
            70.0,
            WEIGHT_G / 1000.0 * sum(thing.fits is not False for thing in crowd()[p].things.values()),
        )
        carried = items + float(whole().water_fuel.set_out_l[t])
        assert same(float(found.carried_kg[p, t]), carried)
        steep = "steep-snow" in stage.terrain
        grade = (30.0 if steep else 15.0) * (1.0 if stage.to_m > stage.from_m else -1.0)
        fresh = min(float(weather().high["new_snow_cm"][s, t]) * (1.0 - 0.1 / 1.186), 20.0)
        soft = 0.0005 * fresh**3 + 0.0001 * fresh**2 + 0.1072 * fresh + 1.2604
        ground = max(soft, 1.3) if stage.terrain else 1.2
        hours = (stage.ends_at - stage.starts_at).total_seconds() / 3600.0
        along = abs(stage.to_m - stage.from_m) * math.hypot(1.0, grade / 100.0) / (abs(grade) / 100.0)
        power = plainly.pandolf(body_kg, carried, along / (hours * 3600.0 * 5.0 / 6.0), grade, ground)
        assert same(float(found.power_w[p, t, s]), power * 5.0 / 6.0 + 117.0 / 6.0)
        made = min(max(min(EFFORT_WPM2[stage.effort], power / 1.8), 70.0), 400.0)
        assert same(float(found.metabolic_wpm2[p, t, s]), made)
        fastest = 0.6 if steep else 1.2
        if grade < 0:
            pace = fastest
        else:
            at_effort = EFFORT_WPM2[stage.effort] * 1.8
            pace = plainly.pace(at_effort, carried, grade, ground, fastest)
        assert same(float(found.hours[p, t, s]), along / pace / 3600.0 * 6.0 / 5.0)


def test_energy() -> None:
    plan, found = big.plan(), whole().load
    days = [stage.starts_at.astimezone(plan.place.zone).date() for stage in plan.stages]
    for p, t, s in cells():
        busy = spent = 0.0
        for other, stage in enumerate(plan.stages):
            if days[other] == days[t]:
                hours = (stage.ends_at - stage.starts_at).total_seconds() / 3600.0
                busy += hours
                spent += hours * float(found.power_w[p, other, s])
        assert same(float(found.energy_kj[p, t, s]), 3.6 * (spent + 117.0 * (24.0 - busy)))
