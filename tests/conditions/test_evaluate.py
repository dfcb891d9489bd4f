"""Stage conditions: what is known, where the party is, and that nothing is made up."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from api.conditions import variables as cf
from api.conditions.evaluate import PLAN_METRICS, evaluate, metric_methods
from api.conditions.forecast import Forecast, epoch_s
from api.conditions.series import Series
from api.conditions.sources.manual import parse, to_forecast
from api.conditions.stages import StageConditions
from api.kitlist.metrics import CONDITION_METRICS
from tests.conditions import kessandry
from tests.conditions.building import START, TWO_DAYS, assert_equal, camp, ensemble, place, stage, trip
from tests.conditions.kessandry import PLAN, SUMMIT, TO_SHELF, WALK_OUT, issue, typed

UP, TOP, DOWN = range(3)


# -- what is there -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("forecast", [None, issue("F2", low=100), ensemble(5)])
def test_every_metric_of_the_registry_for_every_scenario_and_stage(forecast: Forecast | None) -> None:
    plan = PLAN if forecast is None or forecast.kind == "manual" else TWO_DAYS
    conditions = evaluate(plan, forecast)
    shape = (len(conditions.scenarios), len(plan.stages))
    for kind in (conditions.low, conditions.high, conditions.complete):
        assert list(kind) == list(CONDITION_METRICS)
        assert {values.shape for values in kind.values()} == {shape}
    hourly = {name for name, metric in CONDITION_METRICS.items() if metric.span == "hour"}
    assert hourly <= set(conditions.hourly)
    steps = conditions.steps_epoch_s.size
    assert {values.shape for values in conditions.hourly.values()} == {(shape[0], steps)}
    for name in CONDITION_METRICS:
        low, high = conditions.low[name], conditions.high[name]
        assert (np.isnan(low) == np.isnan(high)).all()
        assert (np.isnan(low) | (low <= high)).all()
    assert all(metric_methods(conditions).values())


def test_without_a_forecast_only_the_plan_is_known() -> None:
    conditions = evaluate(PLAN, None)
    assert [scenario.id for scenario in conditions.scenarios] == ["none"]
    for name in CONDITION_METRICS:
        if name in PLAN_METRICS:
            assert conditions.complete[name].all(), name
        else:
            assert np.isnan(conditions.low[name]).all(), name
            assert np.isnan(conditions.high[name]).all(), name
    # No night after the last stage, and no glacier on two of them: that is known, and needs no forecast.
    assert conditions.complete["night_low_c"][0].tolist() == [False, False, False, True]
    assert conditions.complete["refreeze"][0].tolist() == [True, False, False, True]
    assert not conditions.complete["freezing_level_m"].any()


def test_a_plan_without_stages() -> None:
    for forecast in (None, issue("F1")):
        conditions = evaluate(trip(), forecast)
        assert conditions.stages == ()
        assert conditions.steps_epoch_s.size == 0
        assert conditions.low["wind_chill_c"].shape == (1, 0)


def test_scenarios_carry_the_members_names() -> None:
    by_hand = evaluate(PLAN, issue("F2", low=100, high=50))
    assert [(s.id, s.label) for s in by_hand.scenarios] == [
        ("low", "low"),
        ("best", "best"),
        ("high", "high"),
    ]
    assert by_hand.base == 1
    drawn = evaluate(TWO_DAYS, ensemble(3))
    assert [s.label for s in drawn.scenarios] == ["member 0", "member 1", "member 2"]
    assert drawn.base == 0
    single = evaluate(TWO_DAYS, ensemble(1, kind="deterministic", names=["run"]))
    assert [s.label for s in single.scenarios] == ["single run"]


# -- where the party is --------------------------------------------------------------------------------------


def test_a_summit_reached_at_the_end_of_a_stage_belongs_to_it() -> None:
    conditions = evaluate(TWO_DAYS, None)
    assert conditions.high["altitude_m"][0].tolist() == [3000, 4400, 4400]
    assert conditions.low["altitude_m"][0].tolist() == [1500, 3000, 1500]


def test_elevation_runs_through_the_points_of_the_way_and_stays_at_camp() -> None:
    conditions = evaluate(PLAN, None)
    when = conditions.steps_epoch_s
    for clock, elevation in (
        ("01:30", 3780),
        ("06:00", 4250),
        ("07:00", 4418),
        ("08:00", 4586),
        ("20:00", 3240),
    ):
        here = (when == epoch_s(kessandry.at(14, clock))) & (conditions.step_stage == SUMMIT)
        assert conditions.step_elevation_m[here].tolist() == [elevation]
        assert conditions.step_moving[here].tolist() == [clock != "20:00"]


@pytest.mark.parametrize(("zone", "offset_min"), [("Asia/Kathmandu", 345), ("Asia/Bishkek", 360), ("UTC", 0)])
def test_steps_fall_on_local_half_hours(zone: str, offset_min: int) -> None:
    start = datetime(2026, 7, 4, 5, 10, tzinfo=ZoneInfo(zone))
    conditions = evaluate(trip(stage("a", start, 3, 2000, 2500), at=place(zone)), None)
    local_min = (conditions.steps_epoch_s // 60 + offset_min) % 60
    assert local_min.tolist() == [10, 30, 0, 30, 0, 30, 0, 10]


def test_window_of_a_last_night_lasts_until_morning() -> None:
    plan = trip(stage("a", START + timedelta(hours=9), 5, 2000, 2500, camp(2500)))
    conditions = evaluate(plan, ensemble(1))
    assert conditions.moment(-1) == START + timedelta(hours=32)
    assert conditions.complete["night_low_c"].all()


@pytest.mark.parametrize(("day", "hours"), [(datetime(2026, 10, 24), 25), (datetime(2026, 3, 28), 23)])  # noqa: DTZ001
def test_clock_change_inside_the_window(day: datetime, hours: int) -> None:
    """The night of the change is an hour longer or shorter; no hour is lost or counted twice."""
    zone = ZoneInfo("Europe/Zurich")
    start = (day + timedelta(hours=9)).replace(tzinfo=zone)
    following = (day + timedelta(hours=33)).replace(tzinfo=zone)
    plan = trip(
        stage("a", start, 5, 2000, 2500, camp(2500)),
        stage("b", following, 3, 2500, 3000),
        at=place("Europe/Zurich"),
    )
    until = following.astimezone(UTC) + timedelta(hours=3)
    block = {
        "starts_at": start,
        "ends_at": until,
        "freezing_level": {"best": 2800},
        "precipitation": float(hours + 3),
    }
    sheet = {"issued_at": start, "source_text": "x", "who": "y", "blocks": [block]}
    conditions = evaluate(plan, to_forecast(parse(sheet), plan.place))
    steps = conditions.steps_epoch_s[conditions.step_stage == 0]
    assert (np.diff(steps) == 1800).all()
    assert (steps[-1] - steps[0]) / 3600 == hours
    assert conditions.low["precipitation_mm"][0].tolist() == pytest.approx([hours, 3])
    assert conditions.complete["precipitation_mm"].all()
    assert conditions.low["trip_nights"][0].tolist() == [1, 1]


def test_polar_night_and_midnight_sun() -> None:
    """At 78° north the Sun stays more than 6° under the horizon all December day, and never sets in June."""
    svalbard = place("Arctic/Longyearbyen", 78.2, 15.6)
    for month, dark, day in ((12, 8.0, 0.0), (6, 0.0, 8.0)):
        start = datetime(2026, month, 20, 8, tzinfo=svalbard.zone)
        plan = trip(stage("a", start, 8, 200, 900, None, TWO_DAYS.stages[0].terrain), at=svalbard)
        block = {"starts_at": start, "ends_at": start + timedelta(hours=8), "uv_max": 3}
        sheet = {"issued_at": start, "source_text": "x", "who": "y", "blocks": [block]}
        conditions = evaluate(plan, to_forecast(parse(sheet), plan.place))
        assert conditions.low["dark_h"][0, 0] == pytest.approx(dark)
        assert conditions.low["daylight_on_snow_h"][0, 0] == pytest.approx(day)
        assert conditions.high["uv_index"][0, 0] == (3 if day else 0)


# -- nothing is made up --------------------------------------------------------------------------------------


def with_gaps(forecast: Forecast, kept: list[bool]) -> Forecast:
    """The forecast with the values of whole blocks taken out."""
    series = {}
    for name, given_series in forecast.series.items():
        values = given_series.values.copy()
        values[:, ~np.array(kept)] = np.nan
        series[name] = replace(given_series, values=values)
    return replace(forecast, series=series)


@given(st.lists(st.booleans(), min_size=4, max_size=4))
def test_what_is_not_forecast_never_becomes_a_number(kept: list[bool]) -> None:
    whole, part = evaluate(PLAN, issue("F2")), evaluate(PLAN, with_gaps(issue("F2"), kept))
    for name, values in part.hourly.items():
        assert ((values == whole.hourly[name]) | np.isnan(values)).all(), name
    for name in CONDITION_METRICS:
        known = part.complete[name]
        for kind in ("low", "high"):
            np.testing.assert_array_equal(
                getattr(part, kind)[name][known], getattr(whole, kind)[name][known], err_msg=name
            )
        if not any(kept) and name not in PLAN_METRICS:
            assert np.isnan(part.low[name]).all(), name


def test_hours_between_blocks_are_unknown_and_the_stage_incomplete() -> None:
    conditions = evaluate(PLAN, with_gaps(issue("F2"), [True, True, False, True]))
    level = conditions.hourly["freezing_level_m"][0]
    open_hours = np.isnan(level) & (conditions.step_stage == SUMMIT)
    assert conditions.moment(int(np.flatnonzero(open_hours)[0])) == kessandry.at(14, "10:00")
    assert conditions.low["freezing_level_m"][0, SUMMIT] == 3100
    assert not conditions.complete["freezing_level_m"][0, SUMMIT]
    assert conditions.complete["freezing_level_m"][0, WALK_OUT]
    assert not conditions.complete["new_snow_cm"][0, SUMMIT]


@pytest.mark.parametrize(("step_h", "known"), [(1, True), (3, True), (6, True), (12, False)])
def test_instants_far_apart_are_not_joined(step_h: int, known: bool) -> None:
    conditions = evaluate(TWO_DAYS, ensemble(2, step_h=step_h))
    assert conditions.complete["freezing_level_m"].all() == known
    assert conditions.complete["air_temperature_c"].all() == known


def test_a_forecast_that_ends_early_leaves_the_later_stages_open() -> None:
    conditions = evaluate(TWO_DAYS, ensemble(2, hours=24))
    assert conditions.complete["air_temperature_c"].tolist() == [[False, False, False]] * 2
    assert np.isfinite(conditions.low["air_temperature_c"][:, UP]).all()
    assert np.isnan(conditions.low["air_temperature_c"][:, [TOP, DOWN]]).all()
    assert np.isnan(conditions.low["precipitation_mm"][:, [TOP, DOWN]]).all()


def test_a_member_without_values_is_unknown_and_harms_no_other() -> None:
    full = ensemble(4)
    emptied = {}
    for name, series in full.series.items():
        values = series.values.copy()
        values[2] = np.nan
        emptied[name] = replace(series, values=values)
    conditions = evaluate(TWO_DAYS, replace(full, series=emptied))
    whole = evaluate(TWO_DAYS, full)
    for name in CONDITION_METRICS:
        np.testing.assert_array_equal(conditions.low[name][[0, 1, 3]], whole.low[name][[0, 1, 3]])
        if name in PLAN_METRICS:
            continue
        assert np.isnan(conditions.low[name][2]).all(), name
    assert not conditions.complete["wind_chill_c"][2].any()
    assert conditions.complete["wind_chill_c"][[0, 1, 3]].all()


@settings(max_examples=20)
@given(st.permutations(range(5)))
def test_order_of_members_does_not_matter(order: list[int]) -> None:
    drawn = ensemble(5)
    shuffled = replace(
        drawn,
        members=tuple(drawn.members[i] for i in order),
        series={name: replace(series, values=series.values[order]) for name, series in drawn.series.items()},
    )
    assert_equal(evaluate(TWO_DAYS, shuffled), evaluate(TWO_DAYS, drawn), rows=order)


@given(
    levels=st.lists(st.floats(1500, 5500), min_size=4, max_size=4),
    falls=st.lists(st.floats(0, 1000), min_size=4, max_size=4),
)
def test_a_lower_freezing_level_is_nowhere_warmer(levels: list[float], falls: list[float]) -> None:
    def of(freezing: list[float]) -> StageConditions:
        sheet = typed("F2")
        for block, level in zip(sheet["blocks"], freezing, strict=True):
            block["freezing_level"] = {"best": level}
        return evaluate(PLAN, to_forecast(parse(sheet), PLAN.place))

    now, lower = of(levels), of([level - fall for level, fall in zip(levels, falls, strict=True)])
    for name in ("air_temperature_c", "wind_chill_c", "frostbite_min", "freezing_level_m"):
        known = ~np.isnan(now.hourly[name])
        assert (np.isnan(lower.hourly[name]) == ~known).all()
        assert (lower.hourly[name][known] <= now.hourly[name][known]).all(), name
    known = ~np.isnan(now.low["night_low_c"])
    assert (lower.low["night_low_c"][known] <= now.low["night_low_c"][known]).all()
    known = ~np.isnan(now.low["rain_mm"])
    assert (lower.low["rain_mm"][known] <= now.low["rain_mm"][known] + 1e-9).all()


# -- two issues ----------------------------------------------------------------------------------------------


def test_there_is_no_fall_without_an_issue_before() -> None:
    conditions = evaluate(PLAN, issue("F2"))
    assert np.isnan(conditions.high["freezing_level_fall_m"]).all()
    assert conditions.complete["freezing_level_fall_m"].all()


def test_each_scenario_is_compared_with_its_own_of_the_issue_before() -> None:
    conditions = evaluate(PLAN, issue("F3", low=300, high=100), issue("F2", low=100))
    fall = dict(
        zip(
            ("low", "best", "high"), conditions.high["freezing_level_fall_m"][:, SUMMIT].tolist(), strict=True
        )
    )
    # F2 gives no high, so its best stands there.
    assert fall == {"low": 3000 - 2350, "best": 3100 - 2650, "high": 3100 - 2750}


def test_fall_over_hours_the_issue_before_does_not_give_is_open() -> None:
    conditions = evaluate(PLAN, issue("F2"), issue("F1"))
    assert conditions.high["freezing_level_fall_m"][0, SUMMIT] == 550
    assert not conditions.complete["freezing_level_fall_m"][0, SUMMIT]
    assert np.isnan(conditions.high["freezing_level_fall_m"][0, WALK_OUT])


def test_hours_before_the_issue_are_past_and_nothing_is_missing_there() -> None:
    """F3 is of the evening of the 13th: the walk in and its night are over, the day to Shelf is half over."""
    conditions = evaluate(PLAN, issue("F3"), issue("F2"))
    assert conditions.over.tolist() == [True, False, False, False]
    for name in ("freezing_level_m", "wind_chill_c", "new_snow_cm", "night_low_c", "freezing_level_fall_m"):
        assert np.isnan(conditions.low[name][0, 0]), name
        assert conditions.complete[name][0].all(), name
    assert conditions.low["freezing_level_m"][0, TO_SHELF] == 2950
    assert evaluate(PLAN, issue("F0")).over.tolist() == [False, False, False, False]
    assert not evaluate(PLAN, issue("F0")).complete["freezing_level_m"][0, WALK_OUT]


def test_series_of_the_wrong_kind_are_not_read() -> None:
    """Precipitation as an instant has no amount; wind near the ground says nothing of the party's height."""
    drawn = ensemble(2)
    wrong = dict(drawn.series)
    wrong[cf.PRECIPITATION] = Series(cf.PRECIPITATION, drawn.series[cf.PRECIPITATION].values)
    wrong[cf.WIND] = Series(cf.WIND, drawn.series[cf.WIND].values[:, :, 0], above_ground_m=10)
    conditions = evaluate(TWO_DAYS, replace(drawn, series=wrong))
    assert np.isnan(conditions.low["precipitation_mm"]).all()
    assert np.isnan(conditions.low["wind_mps"]).all()
    assert np.isnan(conditions.low["wind_chill_c"]).all()
    assert not conditions.complete["wind_mps"].any()
