"""What the ground and the camps of a plan do: distances, water on the way, the mat under the bag."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta
from typing import Literal

import numpy as np
import pytest

from api.body.load import Load, load
from api.body.people import Person
from api.body.settings import BodySettings
from api.body.sleep import MatState, bag_of, sleep
from api.conditions.evaluate import evaluate
from api.conditions.needs import cooking, drinking
from api.journal.trip import Night, Stage, TripPlan, Via
from tests.body import plainly
from tests.body.building import known, one_camp, only, person
from tests.conditions.building import START, TWO_DAYS, stage, trip

ALLOWED = BodySettings().allowance_c


class TestWaterOnTheWay:
    """Litres: 0.30 L an hour at moderate effort, common practice, no published source."""

    def plan(self, water: Literal["stream", "snow"] | None) -> TripPlan:
        """Eight hours up to a camp, with a point after five of them."""
        start = START + timedelta(hours=6)
        point = Via(name="Brook", elevation_m=2400, at=start + timedelta(hours=5), water=water)
        up = stage("up", start, 8.0, 1500, 3000, Night(place="Camp", elevation_m=3000))
        return trip(up.model_copy(update={"via": (point,)}))

    def drunk(
        self, water: Literal["stream", "snow"] | None, level_m: float
    ) -> tuple[float, float, float, float]:
        plan = self.plan(water)
        found = drinking(plan, known(plan, freezing_level_m=level_m))
        return only(found.set_out), only(found.heaviest), only(found.treated), only(found.melted)

    def test_nothing_is_carried_past_a_stream_that_runs(self) -> None:
        assert self.drunk("stream", 2800.0) == pytest.approx((1.5, 1.5, 0.9, 0.0))

    @pytest.mark.parametrize("level_m", [2000.0, math.nan])
    def test_a_stream_that_may_be_frozen_is_not_counted_on(self, level_m: float) -> None:
        assert self.drunk("stream", level_m) == pytest.approx((2.4, 2.4, 0.0, 0.0))

    def test_snow_melted_on_the_way_costs_fuel(self) -> None:
        """0.9 L to 10 °C from snow taken at its coldest, -20 °C: no night is known to set it milder."""
        assert self.drunk("snow", 1000.0) == pytest.approx((1.5, 1.5, 0.0, 0.9))
        melted, none = (
            only(cooking(plan, known(plan, freezing_level_m=1000.0)).fuel_g)
            for plan in (self.plan("snow"), self.plan(None))
        )
        heat_kj = 0.9 * (333.55 + 2.1 * 20.0 + 4.186 * 10.0)
        assert melted - none == pytest.approx(heat_kj / (45.55 * 0.4))

    def test_the_pack_is_lighter_by_what_is_filled_on_the_way(self) -> None:
        packs = []
        for water in (None, "stream"):
            plan = self.plan(water)
            found = load([person()], plan, known(plan, freezing_level_m=2800.0), BodySettings())
            packs.append(only(found.pack_kg))
        assert packs[0] - packs[1] == pytest.approx(0.9)

    def test_a_stage_that_is_over_had_its_stream(self) -> None:
        plan = self.plan("stream")
        past = replace(known(plan, freezing_level_m=math.nan), over=np.array([True]))
        assert only(drinking(plan, past).treated) == pytest.approx(0.9)


class TestDistance:
    """Grade and pace follow from what the map has, where the plan has it."""

    def found(self, distance_m: float | None, to_m: float = 3400, hours: float = 4.0) -> Load:
        leg = stage("leg", START + timedelta(hours=8), hours, 3000, to_m)
        plan = trip(leg.model_copy(update={"distance_m": distance_m}))
        return load([person()], plan, evaluate(plan, None), BodySettings())

    def test_the_grade_is_height_over_distance(self) -> None:
        assert only(self.found(2000.0).way.grade_pct) == pytest.approx(20.0)
        assert not self.found(2000.0).way.assumed.any()

    def test_without_a_distance_the_usual_grade_is_assumed(self) -> None:
        assumed, measured = self.found(None), self.found(400.0 / 0.15)
        assert assumed.way.assumed.all()
        assert only(assumed.power_w) == pytest.approx(only(measured.power_w))
        assert only(assumed.hours) == pytest.approx(only(measured.hours))

    def test_power_is_pandolfs_at_the_plans_pace(self) -> None:
        """Against the equation as published, on gravel (1.2), ten minutes of rest an hour."""
        found = self.found(2000.0)
        along = math.hypot(2000.0, 400.0)
        speed = along / (4.0 * 3600.0 * 5.0 / 6.0)
        body_kg, carried = 70.0, only(found.carried_kg)
        whole = body_kg + carried
        walking = 1.5 * body_kg + 2.0 * whole * (carried / body_kg) ** 2
        walking += 1.2 * whole * (1.5 * speed**2 + 0.35 * speed * 20.0)
        assert only(found.power_w) == pytest.approx(walking * 5.0 / 6.0 + 117.0 / 6.0)

    def test_level_ground_takes_its_own_pace(self) -> None:
        """6 km at what moderate effort keeps up by Pandolf, with ten minutes of rest an hour."""
        found = self.found(6000.0, to_m=3000)
        speed = plainly.pace(165.0 * 1.8, only(found.carried_kg), 0.0, 1.2, 1.2)
        assert only(found.hours) == pytest.approx(6000.0 / speed / 3600.0 * 1.2)
        assert only(self.found(None, to_m=3000).hours) == 4.0

    def test_longer_is_later(self) -> None:
        hours = [only(self.found(metres).hours) for metres in (2000.0, 4000.0, 8000.0)]
        assert hours == sorted(hours)
        assert hours[0] < hours[2]

    def test_a_way_steeper_than_it_is_long_is_refused(self) -> None:
        leg = stage("leg", START, 4.0, 3000, 3400)
        with pytest.raises(ValueError, match="steeper than 45 degrees; check distance_m"):
            Stage.model_validate(leg.model_dump() | {"distance_m": 390.0})

    def test_plans_written_before_are_the_same_bytes(self) -> None:
        assert "distance_m" not in TWO_DAYS.model_dump_json()
        assert "water" not in Via(name="Brook", elevation_m=2400, at=START).model_dump_json()


class TestMat:
    def night(self, *, on_snow: bool = True, supplied: tuple[str, ...] = ()) -> Night:
        return Night(place="Camp", elevation_m=3000, on_snow=on_snow, supplied=supplied)

    @pytest.mark.parametrize(
        ("who", "on_snow", "state"),
        [
            (person(), True, MatState.THERE),
            (person(sleeping_mat={"r-value": 2.0}), True, MatState.THIN),
            (person(sleeping_mat={"r-value": 2.0}), False, MatState.THERE),
            (person(without=("sleeping-mat",)), True, MatState.NONE),
            (person(sleeping_mat=None), True, MatState.UNKNOWN),
        ],
    )
    def test_what_lies_under_the_bag(self, who: Person, on_snow: bool, state: MatState) -> None:
        """R 4 on snow: common practice, no published source, as in the shipped list."""
        assert bag_of(who).under(self.night(on_snow=on_snow)) is state

    def test_a_mat_of_the_outfit_counts(self) -> None:
        bare = bag_of(person(without=("sleeping-mat",)))
        assert bare.under(self.night(supplied=("sleeping-mat",))) is MatState.SUPPLIED

    def test_without_a_mat_no_label_holds(self) -> None:
        plan = one_camp(3000)
        found = sleep([person(without=("sleeping-mat",))], plan, known(plan, night_low_c=5.0), ALLOWED)
        assert np.isnan(only(found.margin_c))
        assert np.isnan(only(found.limit_margin_c))

    def test_against_comfort_and_against_limit(self) -> None:
        """ISO 23537-1: comfort is warmer than limit, so less is left of it."""
        plan = one_camp(3000)
        found = sleep([person()], plan, known(plan, night_low_c=-8.0), ALLOWED)
        assert (only(found.margin_c), only(found.limit_margin_c)) == (-1.0, 5.0)
