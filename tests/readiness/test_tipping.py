"""Tipping points: against arithmetic by hand, and against whole evaluations on both sides of each."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast, epoch_s
from api.conditions.many import base_member
from api.conditions.quantities import quantities
from api.conditions.shifts import NO_SHIFT, Shift
from api.conditions.sources.manual import parse, to_forecast
from api.journal.fold import Picture
from api.journal.kinds import GearState
from api.journal.trip import TripPlan
from api.kitlist.schemas import Edition
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.tipping import REACHES, Axis, TippingPoint, tipping_points
from api.science.cold import wind_chill_c
from tests.conditions import kessandry
from tests.readiness import big
from tests.readiness.building import edition, entry, member, picture, requirement, sighting


def evaluated(
    plan: TripPlan, asked: Edition, known: Picture, forecast: Forecast, shift: Shift = NO_SHIFT
) -> Evaluation:
    alone = base_member(forecast)
    found = stage_conditions(plan, alone, None, shift)
    return evaluate("t", 1, known, plan, asked, found, quantities(plan, found, len(known.members)))


def ann_lacks(*requirements: dict[str, Any], **sightings: Any) -> tuple[Edition, Picture]:
    asked = edition(*requirements)
    bodies = [sighting(r["id"], **sightings.get(r["id"], {"state": GearState.ABSENT})) for r in requirements]
    return asked, picture(kessandry.PLAN, member("ann"), *(entry(body) for body in bodies))


def four_days(level_m: float, wind_kmh: float = 30.0) -> Forecast:
    """One figure for the whole climb: so much above the sea it is 0 °C, and so much wind on top."""
    block = {
        "starts_at": kessandry.at(11, "18:00"),
        "ends_at": kessandry.at(16, "00:00"),
        "freezing_level": {"best": level_m},
        "wind": [{"altitude": kessandry.TOP, "wind": wind_kmh}],
    }
    about = {"issued_at": kessandry.at(11, "18:00"), "who": "Maren", "label": "four days"}
    typed = {**about, "source_text": "invented", "blocks": [block]}
    return to_forecast(parse(typed), kessandry.PLACE)


def points_of(
    forecast: Forecast, *requirements: dict[str, Any], **sightings: Any
) -> tuple[TippingPoint, ...]:
    asked, known = ann_lacks(*requirements, **sightings)
    evaluation = evaluated(kessandry.PLAN, asked, known, forecast)
    return tipping_points(evaluation, forecast, start_of="summit")


def along(points: tuple[TippingPoint, ...], axis: Axis) -> list[TippingPoint]:
    return [point for point in points if point.axis is axis]


MITTS = requirement("mitts", when={"metric": "freezing_level_m", "below": "3600 m"})


def test_a_line_on_the_freezing_level_is_met_exactly() -> None:
    """0 °C at 3,900 m: mitts that are asked below 3,600 m come in at 300 m lower."""
    points = along(points_of(four_days(3900), MITTS), Axis.FREEZING_LEVEL)
    assert [point.shift for point in points] == [pytest.approx(-300.0, abs=1e-9)]
    assert [point.within for point in points] == [0.0]
    assert [flag.id for flag in points[0].appear] == ["ann.mitts"]
    assert points[0].go == ()


def test_a_flag_that_is_there_goes_when_the_level_comes_in_higher() -> None:
    """0 °C at 3,350 m: mitts that are asked below 3,600 m are not from 250 m higher on."""
    (point,) = along(points_of(four_days(3350), MITTS), Axis.FREEZING_LEVEL)
    assert point.shift == pytest.approx(250.0, abs=1e-9)
    assert [flag.id for flag in point.go] == ["ann.mitts"]


def test_air_cools_by_the_standard_lapse_with_the_freezing_level() -> None:
    """6.5 °C/km: what takes 3.25 °C by temperature takes 500 m of freezing level."""
    cold = requirement("parka", when={"metric": "air_temperature_c", "below": "-8 °C"})
    points = points_of(four_days(3900), cold)
    (by_level,) = along(points, Axis.FREEZING_LEVEL)
    (by_air,) = along(points, Axis.TEMPERATURE)
    assert by_level.within == by_air.within == 0.0
    assert by_air.shift == pytest.approx(by_level.shift * 0.0065)


def test_wind_is_met_in_proportion() -> None:
    """30 km/h at the top: 60 km/h is twice that."""
    windy = requirement("face", when={"metric": "wind_mps", "at_least": "60 km/h"})
    (point,) = along(points_of(four_days(3900), windy), Axis.WIND)
    assert point.shift == pytest.approx(2.0)
    assert point.within == 0.0


def test_wind_chill_is_closed_in_on() -> None:
    """Against the wind chill of the coldest hour worked out at the shift that was found."""
    chill = requirement("face", when={"metric": "wind_chill_c", "below": "-20 °C"})
    (point,) = along(points_of(four_days(3900), chill), Axis.TEMPERATURE)
    conditions = stage_conditions(kessandry.PLAN, four_days(3900))
    air, wind = conditions.hourly["air_temperature_c"], conditions.hourly["wind_mps"]
    assert 0.0 < point.within <= 0.05
    assert np.nanmin(wind_chill_c(air + point.shift, wind)) < -20.0
    assert np.nanmin(wind_chill_c(air + point.shift + point.within, wind)) >= -20.0


def test_a_start_moves_the_party_into_the_dark() -> None:
    torch = requirement("spare-torch", when={"metric": "dark_h", "at_least": "6 h"})
    points = along(points_of(four_days(3900), torch), Axis.START)
    assert [point.shift < 0 for point in points] == [True]
    assert points[0].stage == "summit"
    for minutes, dark in ((points[0].shift, True), (points[0].shift + 5.0, False)):
        shifted = stage_conditions(
            kessandry.PLAN, four_days(3900), shift=Shift(start_min=minutes, stage="summit")
        )
        assert (shifted.high["dark_h"][0, kessandry.SUMMIT] >= 6.0) == dark


def test_a_bag_meets_its_limit_exactly() -> None:
    """A limit measured from the weather: the planning minimum comes down to the bag's own figure."""
    bag = requirement(
        "bag",
        questions=[
            {
                "id": "comfort",
                "ask": "Comfort limit",
                "kind": "number",
                "unit": "°C",
                "limits": [{"at_most": {"metric": "sleep_min_c"}, "says": "too thin"}],
            }
        ],
    )
    points = along(points_of(four_days(3900), bag, bag={"answers": {"comfort": -12.0}}), Axis.TEMPERATURE)
    lowest = np.nanmin(stage_conditions(kessandry.PLAN, four_days(3900)).low["sleep_min_c"])
    assert [point.shift for point in points] == [pytest.approx(-12.0 - lowest)]


MITTS_BY_GRADE = requirement(
    "mitts",
    grades=[
        {"at": "summit-start", "grade": "stop", "when": {"metric": "freezing_level_m", "below": "3300 m"}},
        {"at": "summit-start", "grade": "fix", "when": {"metric": "freezing_level_m", "below": "3600 m"}},
        {"at": "summit-start", "grade": "advise"},
    ],
)


@pytest.mark.parametrize(
    ("level_m", "shifts", "grades"),
    [
        (3900, [-300.0, -600.0], [("advise", "fix"), ("fix", "stop")]),
        (3500, [100.0, -200.0], [("fix", "advise"), ("fix", "stop")]),
        (3200, [100.0, 400.0], [("stop", "fix"), ("fix", "advise")]),
    ],
)
def test_a_flag_that_stays_and_is_graded_otherwise_is_told(
    level_m: float, shifts: list[float], grades: list[tuple[str, str]]
) -> None:
    """Mitts are advice, to fix below 3,600 m and a stop below 3,300 m: one point where each line is met."""
    points = along(points_of(four_days(level_m), MITTS_BY_GRADE), Axis.FREEZING_LEVEL)
    assert [point.shift for point in points] == pytest.approx(shifts)
    assert [point.within for point in points] == [0.0, 0.0]
    assert [(flag.was_grade, flag.grade) for point in points for flag in point.regraded] == grades
    assert all(not point.appear and not point.go for point in points)


def test_a_flag_that_appears_says_how_it_is_graded_and_where_that_gets_worse() -> None:
    graded = {**MITTS_BY_GRADE, "when": {"metric": "freezing_level_m", "below": "3800 m"}}
    points = along(points_of(four_days(3900), graded), Axis.FREEZING_LEVEL)
    assert [point.shift for point in points] == pytest.approx([-100.0, -300.0, -600.0])
    assert [flag.grade for flag in points[0].appear] == ["advise"]
    assert [[flag.grade for flag in point.regraded] for point in points] == [[], ["fix"], ["stop"]]


def test_what_no_shift_in_reach_changes_has_no_tipping_point() -> None:
    always = requirement("rope")
    never = requirement("raft", when={"metric": "freezing_level_m", "below": "1000 m"})
    assert points_of(four_days(3900), always, never) == ()


def test_without_an_edition_there_are_none() -> None:
    found = stage_conditions(kessandry.PLAN, four_days(3900))
    bare = evaluate("t", 1, picture(kessandry.PLAN), kessandry.PLAN, None, found)
    assert tipping_points(bare, four_days(3900)) == ()


def test_a_line_just_met_tips_at_once() -> None:
    """0 °C exactly at the line: any lower and it is crossed, so the smallest shift is none at all."""
    at_line = requirement("mitts", when={"metric": "freezing_level_m", "below": "3900 m"})
    (point,) = along(points_of(four_days(3900), at_line), Axis.FREEZING_LEVEL)
    assert (point.shift, point.within, point.nearness) == (0.0, 0.0, 0.0)


def shift_by(axis: Axis, value: float) -> Shift:
    if axis is Axis.START:
        return Shift(start_min=value, stage="s06")
    return Shift(**{axis.value: value})  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def large() -> tuple[Forecast, Evaluation, tuple[TippingPoint, ...]]:
    forecast = big.forecast(1, seed=4)
    evaluation = evaluated(big.plan(), big.edition(), big.party(), forecast)
    return forecast, evaluation, tipping_points(evaluation, forecast, start_of="s06")


Standings = dict[str, tuple[str, str]]


def flags(forecast: Forecast, axis: Axis, value: float) -> Standings:
    """Every finding under a shift, with its grade and hold point."""
    found = evaluated(big.plan(), big.edition(), big.party(), forecast, shift_by(axis, value))
    return standings(found)


def standings(found: Evaluation) -> Standings:
    return {finding.id: (finding.grade, finding.hold_name) for finding in found.findings}


@pytest.mark.parametrize("axis", list(Axis))
def test_flags_change_at_each_point_and_not_before(
    axis: Axis, large: tuple[Forecast, Evaluation, tuple[TippingPoint, ...]]
) -> None:
    """Whole evaluations, findings, grades and all, on both sides of every point found."""
    forecast, evaluation, points = large
    mine = along(points, axis)
    assert mine
    now, neutral = standings(evaluation), REACHES[axis].neutral
    for point in mine:
        outward = 1.0 if point.shift >= neutral else -1.0
        past = flags(forecast, axis, point.shift + outward * (1e-6 if axis is not Axis.START else 0.0))
        short = flags(
            forecast, axis, point.shift - outward * (point.within + (1e-6 if point.within == 0 else 0))
        )
        for flag in point.appear:
            assert flag.id not in now
            assert past[flag.id] == (flag.grade, flag.hold_name)
            assert flag.id not in short
        for flag in point.go:
            assert flag.id in now
            assert flag.id not in past
            assert short[flag.id] == (flag.grade, flag.hold_name)
        for flag in point.regraded:
            assert past[flag.id] == (flag.grade, flag.hold_name)
            assert short[flag.id] == (flag.was_grade, flag.was_hold_name)
            assert past[flag.id] != short[flag.id]


@pytest.mark.parametrize("axis", list(Axis))
def test_nothing_changes_nearer_than_what_is_told(
    axis: Axis, large: tuple[Forecast, Evaluation, tuple[TippingPoint, ...]]
) -> None:
    """Wherever a whole evaluation finds a flag otherwise than now, a point no further off says so."""
    forecast, evaluation, points = large
    now, reach = standings(evaluation), REACHES[axis]
    told: dict[tuple[str, bool], list[TippingPoint]] = {}
    for point in along(points, axis):
        for flag in (*point.appear, *point.go, *point.regraded):
            told.setdefault((flag.id, point.shift > reach.neutral), []).append(point)
    for value in np.linspace(reach.low, reach.high, 14).tolist():
        found = flags(forecast, axis, value)
        for changed in {flag for flag in now.keys() | found.keys() if now.get(flag) != found.get(flag)}:
            point = min(told[changed, value > reach.neutral], key=lambda one: one.nearness)
            assert abs(value - reach.neutral) >= abs(point.shift - reach.neutral) - point.within - 1e-6


def test_nearest_come_first(large: tuple[Forecast, Evaluation, tuple[TippingPoint, ...]]) -> None:
    nearness = [point.nearness for point in large[2]]
    assert nearness == sorted(nearness)
    assert all(0.0 <= value <= 1.0 for value in nearness)


def test_a_start_cannot_be_shifted_into_the_stage_before() -> None:
    """The shift stops where the stage before has ended; from there on nothing more changes."""
    earliest = kessandry.PLAN.stages[kessandry.TO_SHELF].ends_at
    far = stage_conditions(kessandry.PLAN, None, shift=Shift(start_min=-2000, stage="summit"))
    first = far.steps_epoch_s[far.step_stage == kessandry.SUMMIT][0]
    assert first == epoch_s(earliest)
    assert kessandry.PLAN.stages[kessandry.SUMMIT].starts_at - earliest > timedelta(hours=6)
