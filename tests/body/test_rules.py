"""Published figures, known traps, and what must never look fine, at the level of people and stages.

Sources stand beside each check; tolerances are those that were published with the value, or half its last
digit.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from api.body.garments import FURTHER, GARMENTS, wardrobe
from api.body.light import dark_on_the_move, light
from api.body.load import Load, load
from api.body.people import Person
from api.body.settings import BodySettings
from api.body.sleep import bag_of, sleep
from api.body.warmth import Air, Warmth, air_on_the_way, warmth
from api.body.water_fuel import water_fuel
from api.body.whole import body
from api.conditions.evaluate import evaluate
from api.conditions.needs import Kitchen, camp_l, cooking, drinking, walking_l
from api.journal.trip import Effort, Stage
from api.science.clothing import Exposure, exposure_limit
from api.science.sleep import LabelState
from api.science.sun import dark_hours
from tests.body.building import known, one_camp, only, person
from tests.conditions.building import START, TWO_DAYS, ensemble, stage, trip

ALLOWED: Mapping[str, float] = BodySettings().allowance_c


def still_air(low_c: float, wind_mps: float = 0.4) -> Air:
    """One stage in one scenario; wind at the body."""
    return Air(*(np.array([[value]]) for value in (low_c, wind_mps, wind_mps, math.inf)))


def warm(low_c: float, metabolic: float, who: Person | None = None, wind_mps: float = 0.4) -> Warmth:
    return warmth([who or person()], still_air(low_c, wind_mps), np.full((1, 1, 1), metabolic))


def unseen() -> Person:
    """Someone of whose things nobody has recorded anything."""
    things = {name: replace(thing, fits=None, answers={}) for name, thing in person().things.items()}
    return replace(person(), things=things)


class TestWarmth:
    @pytest.mark.parametrize(
        ("metabolic", "air_c", "least", "neutral"),
        [(116.0, -15.0, 2.698, 3.052), (115.0, -10.0, 2.359, 2.711)],
    )
    def test_insulation_asked_for(self, metabolic: float, air_c: float, least: float, neutral: float) -> None:
        """ISO 11079 by two independent solvers, ±0.01 clo as given with them."""
        found = warm(air_c, metabolic)
        assert only(found.needed_min_clo) == pytest.approx(least, abs=0.01)
        assert only(found.needed_neutral_clo) == pytest.approx(neutral, abs=0.01)

    def test_the_limit_is_eight_hours_and_not_five(self) -> None:
        """Older programs say "more than 8 h" from a loss of 8 W/m2 on, which is five hours."""
        hours = np.array([only(warm(-12.0, m).moving_h) for m in np.linspace(110.0, 150.0, 161)])
        assert ((hours > 5.1) & (hours < 7.9)).any()
        assert hours[np.isfinite(hours)].max() <= 8.0

    def test_in_exactly_what_is_asked_nothing_is_stored(self) -> None:
        """A clothing factor carried from one loop to the other leaves up to 0.06 clo here."""
        for metabolic, air_c in ((100.0, -5.0), (165.0, -18.0), (230.0, -25.0)):
            found = warm(air_c, metabolic)
            exposure = Exposure(metabolic, air_c, 0.4)
            at_least = exposure_limit(only(found.needed_min_clo), exposure)
            at_ease = exposure_limit(only(found.needed_neutral_clo), exposure)
            assert float(at_least.storage_min_wpm2) == pytest.approx(0.0, abs=1e-9)
            assert float(at_ease.storage_neutral_wpm2) == pytest.approx(0.0, abs=1e-9)

    def test_one_more_layer_never_shortens_the_wait(self) -> None:
        found = warm(-10.0, 165.0, person(without=("parka",)), 5.0)
        assert only(found.standing_further_min) > only(found.standing_neutral_min)

    def test_the_neutral_limit_is_the_shorter(self) -> None:
        found = warm(-10.0, 165.0, wind_mps=5.0)
        assert only(found.standing_neutral_min) < only(found.standing_min_min)
        assert only(found.margin_neutral_clo) < only(found.margin_min_clo)

    @pytest.mark.parametrize(
        ("air_c", "wind"), [(11.0, 2.0), (-5.0, 19.0), (math.nan, 2.0), (-5.0, math.nan)]
    )
    def test_outside_the_standard_or_unknown_there_is_no_number(self, air_c: float, wind: float) -> None:
        found = warm(air_c, 165.0, wind_mps=wind)
        assert np.isnan(only(found.margin_min_clo))
        assert np.isnan(only(found.standing_neutral_min))

    def test_of_whom_nothing_is_known_nothing_is_said(self) -> None:
        found = warm(-5.0, 165.0, unseen())
        assert np.isnan(only(found.margin_min_clo))
        assert len(found.wardrobes[0].not_known) == len(GARMENTS)

    def test_wind_is_taken_where_the_party_is_on_its_way(self) -> None:
        conditions = evaluate(TWO_DAYS, ensemble())
        found = air_on_the_way(conditions, 0.5)
        here = conditions.step_moving & (conditions.step_stage == 1)
        assert found.low_c[1, 0] == conditions.hourly["air_temperature_c"][0, here].min()
        assert found.body_wind_mps[1, 0] == 0.5 * conditions.hourly["wind_mps"][0, here].max()


class TestWardrobe:
    def test_sum_by_iso_9920(self) -> None:
        """Icl = 0.161 + 0.835 times the sum (ISO 9920:2009, section 4.3)."""
        pieces = (0.10, 0.05, 0.10, 0.12, 0.25, 0.35, 0.20, 0.25, 0.35, 0.70, 0.05)
        assert wardrobe(person()).icl_clo == pytest.approx(0.161 + 0.835 * sum(pieces))

    @pytest.mark.parametrize(("warmth_", "clo"), [("light", 0.40), ("mid", 0.55), ("heavy", 0.70)])
    def test_a_parka_counts_by_its_answer(self, warmth_: str, clo: float) -> None:
        assert wardrobe(person(parka={"warmth": warmth_})).worn["parka"].clo == clo

    def test_without_an_answer_the_least(self) -> None:
        assert wardrobe(person(parka={})).worn["parka"].clo == 0.40

    def test_wet_insulation_does_not_warm(self) -> None:
        assert "parka" not in wardrobe(person(parka={"warmth": "heavy", "dry": False})).worn

    def test_what_is_not_known_is_not_worn_and_is_named(self) -> None:
        found = wardrobe(person(parka=None))
        assert "parka" not in found.worn
        assert found.not_known == ("parka",)
        assert found.further.layer == "parka"

    def test_a_second_jacket_when_nothing_is_lacking(self) -> None:
        assert wardrobe(person()).further.layer == FURTHER

    def test_what_keeps_the_wind_out_helps_more_than_its_own_warmth(self) -> None:
        """A shell of 0.25 clo beats 0.30 clo of a warmer parka: wind no longer goes through all of it."""
        found = wardrobe(person(without=("hard-shell-jacket",), parka={"warmth": "light"})).further
        assert (found.layer, found.permeability_lpm2s) == ("hard shell jacket", 8.0)
        warmer = wardrobe(person(parka={"warmth": "light"})).further
        assert warmer.layer == "a warmer kind of parka"

    def test_without_shell_trousers_wind_goes_through(self) -> None:
        assert wardrobe(person()).permeability_lpm2s == 8.0
        assert wardrobe(person(without=("shell-trousers",))).permeability_lpm2s == 50.0


class TestSleep:
    @pytest.mark.parametrize(
        ("answers", "state"),
        [
            ({"figure": "extreme-only"}, LabelState.ONLY_EXTREME),
            ({"figure": "none"}, LabelState.NO_FIGURES),
            ({"comfort-c": -10.0, "limit-c": -5.0}, LabelState.OUT_OF_ORDER),
            ({}, LabelState.NO_FIGURES),
        ],
    )
    def test_a_label_that_says_too_little_cannot_be_judged(
        self, answers: dict[str, Any], state: LabelState
    ) -> None:
        who = person(sleeping_bag=answers)
        assert bag_of(who).reading.state is state
        plan = one_camp(3000)
        assert np.isnan(only(sleep([who], plan, known(plan, night_low_c=5.0), ALLOWED).margin_c))

    def test_comfort_where_stated_else_the_limit(self) -> None:
        assert bag_of(person()).rests_on == "comfort"
        assert bag_of(person(sleeping_bag={"limit-c": -9.0})).rests_on == "limit"

    @pytest.mark.parametrize(("shelter", "minimum"), [("tent", -11.0), ("bivouac", -13.0), ("hut", -8.0)])
    def test_the_shelter_of_the_plan(self, shelter: str, minimum: float) -> None:
        """Allowances: common practice, no published source."""
        camp = one_camp(3000)
        night = camp.stages[0].night
        assert night is not None
        housed = camp.stages[0].model_copy(update={"night": night.model_copy(update={"shelter": shelter})})
        plan = camp.model_copy(update={"stages": (housed,)})
        found = sleep([person()], plan, known(plan, night_low_c=-8.0), ALLOWED)
        assert only(found.minimum_c) == minimum
        assert only(found.margin_c) == minimum + 10.0
        assert only(found.open_margin_c) == -3.0


class TestWaterAndFuel:
    def test_a_litre_from_snow(self) -> None:
        """1 kg at 10 °C from snow at -10 °C takes 17.463 g of a gas of 45.4 MJ/kg at 50 %; ours has 45.55."""
        plan, kitchen = one_camp(3000), Kitchen(boiled_l=0.0, cool_l=1.0, efficiency=0.5)
        made = cooking(plan, known(plan, night_low_c=-10.0, freezing_level_m=2000.0), kitchen)
        assert only(made.fuel_g) == pytest.approx(17.463 * 45.4 / 45.55, abs=0.01)

    @pytest.mark.parametrize(("elevation_m", "boils_c"), [(3000, 89.97), (4000, 86.62), (5000, 83.25)])
    def test_water_boils_by_the_pressure_that_is_named(self, elevation_m: float, boils_c: float) -> None:
        """Standard atmosphere and IAPWS, ±0.03; West's equation would say 84.14 at 5000 m."""
        plan = one_camp(elevation_m)
        conditions = evaluate(plan, None)
        assert conditions.methods["pressure_hpa"] == "standard atmosphere"
        assert only(cooking(plan, conditions).boiling_c) == pytest.approx(boils_c, abs=0.03)

    def test_a_stream_costs_nothing_cool_and_less_hot(self) -> None:
        plan = one_camp(3000, water=True)
        runs = cooking(plan, known(plan, freezing_level_m=3500.0, night_low_c=-5.0))
        frozen = cooking(plan, known(plan, freezing_level_m=2500.0, night_low_c=-5.0))
        assert only(runs.melts) == 0.0
        assert only(frozen.melts) == 1.0
        heat_kj = 1.5 * 4.186 * (only(runs.boiling_c) - 1.0)
        assert only(runs.fuel_g) == pytest.approx(heat_kj / (45.55 * 0.4))
        assert only(frozen.fuel_g) > 2.0 * only(runs.fuel_g)

    def test_the_stove_efficiency_of_the_plan_counts(self) -> None:
        plan = one_camp(3000)
        entered = plan.model_copy(update={"stove_efficiency": 0.2})
        usual, poor = (only(cooking(one, evaluate(one, None)).fuel_g) for one in (plan, entered))
        assert poor == pytest.approx(2.0 * usual)
        assert "stove_efficiency" not in plan.model_dump_json()

    def test_without_a_forecast_a_stream_is_not_known_to_run(self) -> None:
        plan = one_camp(3000, water=True)
        assert np.isnan(only(cooking(plan, evaluate(plan, None)).fuel_g))

    def test_reserve_days_are_melted_at_the_dearest_camp(self) -> None:
        plan = one_camp(3000).model_copy(update={"reserve_days": 2})
        conditions = known(plan, night_low_c=-10.0, freezing_level_m=2000.0)
        found = water_fuel([person("a", rope="r1"), person("b", rope="r2")], plan, conditions, Kitchen())
        one = only(found.cooking.fuel_g) + 2.0 * only(found.cooking.reserve_g)
        assert only(found.fuel_g["party"]) == pytest.approx(2.0 * one)
        assert only(found.fuel_g["r1"]) == pytest.approx(one)
        assert np.isnan(only(found.spare_g()))

    def test_a_rope_that_camps_apart_is_held_against_its_own(self) -> None:
        plan, people = one_camp(3000), [person("a", rope="r1"), person("b", rope="r2")]
        conditions = known(plan, night_low_c=-10.0, freezing_level_m=2000.0)
        packed = {"r1": 500.0, "r2": math.nan, "party": math.nan}
        found = water_fuel(people, plan, conditions, Kitchen(), packed)
        assert only(found.spare_g("r1")) == pytest.approx(500.0 - only(found.fuel_g["r1"]))
        assert np.isnan(only(found.spare_g("r2")))
        assert np.isnan(only(found.spare_g()))

    def test_water_for_the_way_is_made_at_the_camp_before(self) -> None:
        carried = drinking(TWO_DAYS, evaluate(TWO_DAYS, None)).set_out
        cool, _ = camp_l(TWO_DAYS, Kitchen(), carried)
        assert carried[0, 1] == pytest.approx(walking_l(TWO_DAYS)[1:].sum())
        assert cool[0, 0] == pytest.approx(1.0 + carried[0, 1])

    @pytest.mark.parametrize(("elevation_m", "minutes"), [(1900, 1.0), (2100, 3.0)])
    def test_minutes_at_a_rolling_boil(self, elevation_m: float, minutes: float) -> None:
        """CDC Yellow Book 2024: one minute, three above 2000 m."""
        plan = one_camp(elevation_m)
        assert only(water_fuel([], plan, evaluate(plan, None), Kitchen()).boil_min) == minutes

    @pytest.mark.parametrize(("stream_c", "minutes"), [(1.0, math.nan), (5.0, 180.0), (16.0, 60.0)])
    def test_halogens_by_water_temperature(self, stream_c: float, minutes: float) -> None:
        """Backer's table at 4 ppm; under 5 °C it says nothing."""
        plan = one_camp(3000)
        found = water_fuel([], plan, evaluate(plan, None), Kitchen(stream_c=stream_c)).chemical_min
        assert found[4.0] == pytest.approx(minutes, nan_ok=True)
        assert list(found) == [2.0, 4.0, 8.0]


class TestLight:
    def hours(self, who: Person, low_c: float = 20.0) -> tuple[float, float]:
        plan = one_camp(3000)
        dark = dark_on_the_move(plan, known(plan, dark_h=3.0), {})
        found = light([who], dark, np.array([[low_c]]), 0.5, 20.0)
        return only(found.usable_h), only(found.margin_h)

    def test_a_label_is_not_light_to_walk_by(self) -> None:
        """FL 1 ends the label at a tenth of the light; half of it counts (common practice)."""
        who = person(
            headlamp={"run-time-h": 40.0, "charge-percent": 100.0}, headlamp_power={"kind": "no-cable"}
        )
        assert self.hours(who) == (20.0, 17.0)

    def test_cold_takes_more_from_alkaline_than_from_lithium(self) -> None:
        alkaline, lithium = ({"kind": "cells", "cold": cold} for cold in ("neither", "lithium"))
        assert self.hours(person(headlamp_power=alkaline), -15.0) < self.hours(
            person(headlamp_power=lithium), -15.0
        )

    def test_below_its_limit_a_cell_promises_nothing(self) -> None:
        who = person(headlamp_power={"kind": "cells", "cold": "neither"})
        assert np.isnan(self.hours(who, -25.0)[0])

    def test_an_unanswered_run_time_is_not_known(self) -> None:
        assert np.isnan(self.hours(person(headlamp={"charge-percent": 100.0}))[1])
        assert np.isnan(self.hours(person(headlamp_power=None))[1])

    def test_without_a_lamp_there_is_no_light(self) -> None:
        assert self.hours(person(without=("headlamp",))) == (0.0, -3.0)

    def test_dark_hours_add_up(self) -> None:
        conditions = known(TWO_DAYS, dark_h=2.0)
        dark = dark_on_the_move(TWO_DAYS, conditions, {})
        found = light([person()], dark, np.full((3, 1), 20.0), 0.5, 20.0)
        assert found.dark_so_far_h[:, 0].tolist() == [2.0, 4.0, 6.0]

    def test_own_hours_move_the_dark(self) -> None:
        """Nine hours on the way up instead of five end after dark; the way down then begins in it."""
        conditions = evaluate(TWO_DAYS, None)
        plan = dark_on_the_move(TWO_DAYS, conditions, {})[:, 0]
        later = dark_on_the_move(TWO_DAYS, conditions, {"top": 15.0})[:, 0]
        place, top, down = TWO_DAYS.place, TWO_DAYS.stages[1], TWO_DAYS.stages[2]
        arrives = top.starts_at + timedelta(hours=15)
        back = arrives + (down.ends_at - down.starts_at)
        assert later[0] == plan[0]
        assert later[1] == dark_hours(top.starts_at, arrives, place.latitude_deg, place.longitude_deg)
        assert later[2] == dark_hours(arrives, back, place.latitude_deg, place.longitude_deg)
        assert later[2] > plan[2] + 3.0


class TestLoad:
    def power(self, from_m: float, to_m: float, grade: float) -> float:
        """At about the same pace along the ground, whichever way."""
        leg = stage("leg", START + timedelta(hours=8), 1.0, from_m, to_m)
        settings = BodySettings(path_grade_pct=grade, rest_min_per_h=0.0)
        plan = trip(leg)
        return only(load([person()], plan, evaluate(plan, None), settings).power_w)

    def test_a_gentle_descent_costs_less_than_the_level(self) -> None:
        """Santee's correction with the signed grade; with its size alone it would cost nearly twice."""
        down, level = self.power(3415, 3000, 8.6), self.power(3000, 3001, 0.0207)
        assert down < level < self.power(3000, 3415, 8.6)

    def test_new_snow_slows(self) -> None:
        plan, who = TWO_DAYS, [person()]
        hours = [
            load(who, plan, known(plan, new_snow_cm=depth), BodySettings()).hours[0, 0, 0]
            for depth in (0.0, 10.0, 20.0)
        ]
        assert hours == sorted(hours)
        assert hours[0] < hours[2]

    def test_a_heavier_pack_is_slower_and_shared_gear_counts(self) -> None:
        light_, heavy = person("a"), replace(person("b"), shared_kg=10.0)
        found = load([light_, heavy], TWO_DAYS, evaluate(TWO_DAYS, None), BodySettings())
        assert found.pack_kg[1, 0, 0] == pytest.approx(found.pack_kg[0, 0, 0] + 10.0)
        assert found.hours[1, 0, 0] > found.hours[0, 0, 0]
        assert found.party_h[0, 0] == found.hours[1, 0, 0]

    def test_the_guides_own_hours_stand(self) -> None:
        found = load([person()], TWO_DAYS, evaluate(TWO_DAYS, None), BodySettings(hours={"top": 9.0}))
        assert found.party_h[1, 0] == 9.0
        assert found.arrival_h[1, 0] == 9.0
        # The way down begins no earlier than the top is reached: planned after 5 h, now after 9.
        assert found.arrival_h[2, 0] == pytest.approx(4.0 + found.party_h[2, 0])

    def test_own_hours_set_the_effort(self) -> None:
        def heat(**hours: float) -> Load:
            return load([person()], TWO_DAYS, evaluate(TWO_DAYS, None), BodySettings(hours=hours))

        slow, fast = heat(top=12.0), heat(top=3.0)
        assert float(slow.metabolic_wpm2[0, 1, 0]) < float(fast.metabolic_wpm2[0, 1, 0])
        assert float(slow.power_w[0, 1, 0]) < float(fast.power_w[0, 1, 0])

    def test_what_is_missing_weighs_nothing_and_what_is_not_known_does(self) -> None:
        without, unknown = person(without=("parka",)), person(parka=None)
        found = load([person(), without, unknown], TWO_DAYS, evaluate(TWO_DAYS, None), BodySettings())
        assert found.items_kg[1] == pytest.approx(found.items_kg[0] - 0.7)
        assert found.items_kg[2] == pytest.approx(found.items_kg[0])

    def test_a_slow_plan_makes_less_heat_than_its_effort(self) -> None:
        def heat(hours: float) -> float:
            leg = stage("leg", START + timedelta(hours=8), hours, 3000, 3400)
            hard: Stage = leg.model_copy(update={"effort": Effort.HARD})
            plan = trip(hard)
            return only(load([person()], plan, evaluate(plan, None), BodySettings()).metabolic_wpm2)

        assert heat(1.0) == 230.0
        assert 70.0 <= heat(8.0) < 130.0


class TestWithoutAForecast:
    def test_nothing_that_rests_on_it_is_known(self) -> None:
        found = body([person()], TWO_DAYS, evaluate(TWO_DAYS, None))
        for values in (
            found.warmth.margin_neutral_clo,
            found.warmth.standing_neutral_min,
            found.sleep.margin_c,
            found.light.usable_h,
            found.warmth.air.bare_skin_min,
        ):
            assert np.isnan(values).all()

    def test_weights_and_water_are(self) -> None:
        found = body([person()], TWO_DAYS, evaluate(TWO_DAYS, None))
        assert np.isfinite(found.load.pack_kg).all()
        assert np.isfinite(found.water_fuel.drunk_l).all()

    def test_a_trip_of_nobody_and_nothing(self) -> None:
        empty = trip()
        assert body([], empty, evaluate(empty, None)).people == ()
        assert body([], TWO_DAYS, evaluate(TWO_DAYS, None)).load.pack_kg.shape == (0, 3, 1)
