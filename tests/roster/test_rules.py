"""Plans: local times and clock changes, moving by days, hold points, what looks odd."""

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.journal.trip import HoldKind, Stage
from api.roster.rules import FieldError, default_hold_points, hints, local_input, moment, moved, rebuilt

from .plans import PLAN, at

ZURICH = ZoneInfo("Europe/Zurich")
"""Clocks go forward on 29 March 2026 at 02:00, back on 25 October at 03:00 (IANA time zone database)."""


def test_a_local_time_is_read_in_the_zone():
    assert moment("2026-09-12T11:30", ZURICH, "x") == datetime(2026, 9, 12, 9, 30, tzinfo=UTC)
    assert moment("2026-09-12 11:30", ZURICH, "x") == datetime(2026, 9, 12, 9, 30, tzinfo=UTC)
    assert moment("2026-09-12T11:30+06:00", ZURICH, "x") == datetime(2026, 9, 12, 5, 30, tzinfo=UTC)


def test_a_time_that_does_not_exist_is_refused_with_what_may_be_meant():
    with pytest.raises(FieldError) as error:
        moment("2026-03-29T02:30", ZURICH, "starts_at")
    assert error.value.field == "starts_at"
    assert "02:30 on 29 March 2026 does not exist in Europe/Zurich" in error.value.message
    assert error.value.remedy == "Write 01:30 or 03:30, whichever is meant."


def test_a_time_that_happens_twice_is_refused_with_both_offsets():
    with pytest.raises(FieldError) as error:
        moment("2026-10-25T02:30", ZURICH, "ends_at")
    assert "happens twice" in error.value.message
    assert "02:30+0200 or 02:30+0100" in error.value.remedy
    assert moment("2026-10-25T02:30+0100", ZURICH, "ends_at") == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)


@pytest.mark.parametrize("text", ["", "noon", "2026-02-30T10:00", "12.09.2026 11:30", "0001-01-01T00:00"])
def test_what_is_no_time_is_refused(text):
    with pytest.raises(FieldError) as error:
        moment(text, ZoneInfo("Pacific/Auckland"), "starts_at")
    assert error.value.remedy


@given(
    st.integers(0, 2**31).map(lambda seconds: datetime(1990, 1, 1, tzinfo=UTC) + timedelta(seconds=seconds)),
    st.sampled_from(
        ["Europe/Zurich", "Asia/Bishkek", "America/La_Paz", "Australia/Lord_Howe", "Asia/Kathmandu"]
    ),
)
def test_what_a_form_shows_reads_back_as_the_same_moment(when, name):
    zone = ZoneInfo(name)
    assert moment(local_input(when, zone), zone, "x") == when


def test_a_moved_plan_keeps_its_times_of_day():
    later = moved(PLAN, 7)
    assert (later.starts_on, later.ends_on) == (PLAN.starts_on + timedelta(7), PLAN.ends_on + timedelta(7))
    for old, new in zip(PLAN.stages, later.stages, strict=True):
        assert new.starts_at - old.starts_at == timedelta(7)
        assert [point.at - before.at for before, point in zip(old.via, new.via, strict=True)] == [
            timedelta(7)
        ] * len(old.via)
    assert moved(later, -7) == PLAN


def test_moving_over_a_clock_change_keeps_the_clock_on_the_wall():
    place = PLAN.place.model_copy(update={"time_zone": "Europe/Zurich"})
    plan = rebuilt(PLAN, place=place, starts_on="2026-09-10")
    later = moved(plan, 60)
    for old, new in zip(plan.stages, later.stages, strict=True):
        assert old.starts_at.astimezone(ZURICH).time() == new.starts_at.astimezone(ZURICH).time()
        assert new.starts_at - old.starts_at == timedelta(days=60, hours=1)


def test_moving_into_a_clock_change_names_the_stage():
    place = PLAN.place.model_copy(update={"time_zone": "Europe/Zurich"})
    stage = PLAN.stages[0].model_copy(
        update={
            "starts_at": datetime(2026, 9, 13, 2, 30, tzinfo=ZURICH),
            "ends_at": datetime(2026, 9, 13, 9, tzinfo=ZURICH),
        }
    )
    with pytest.raises(FieldError) as error:
        moved(rebuilt(PLAN, place=place, stages=[stage]), 42)
    assert error.value.field == "stages.walk-in.starts_at"


@pytest.mark.parametrize("days", [5000, -5000, 10**9])
def test_a_plan_is_not_moved_out_of_range(days):
    with pytest.raises(FieldError):
        moved(PLAN, days)


def test_hold_points_follow_from_the_stages():
    holds = default_hold_points(PLAN.stages, PLAN.place)
    assert [(hold.kind, hold.at, hold.elevation_m) for hold in holds] == [
        (HoldKind.BASE, at(12, 11, 30), 2640),
        (HoldKind.GLACIER_EDGE, at(13, 8), 3240),
        (HoldKind.HIGH_CAMP, at(13, 8), 3240),
        (HoldKind.SUMMIT_START, at(14, 1, 30), 3780),
    ]
    assert rebuilt(PLAN, hold_points=holds).hold_points == holds


def test_hold_points_without_a_place_in_the_plan_are_left_out():
    assert default_hold_points((), PLAN.place) == ()
    assert [hold.kind for hold in default_hold_points(PLAN.stages[3:], PLAN.place)] == [HoldKind.BASE]


@given(st.permutations(PLAN.stages), st.sets(st.sampled_from(PLAN.stages), max_size=4))
def test_hold_points_do_not_depend_on_the_order_of_stages(stages, left_out):
    kept = [stage for stage in stages if stage not in left_out]
    holds = default_hold_points(kept, PLAN.place)
    assert holds == default_hold_points(sorted(kept, key=lambda stage: stage.starts_at), PLAN.place)
    rebuilt(PLAN, stages=kept, hold_points=holds)


def test_a_sound_plan_has_only_the_hint_about_hold_points():
    assert {hint.field for hint in hints(PLAN)} == {"hold_points"}
    assert hints(rebuilt(PLAN, hold_points=default_hold_points(PLAN.stages, PLAN.place))) == ()


def changed(stage_id: str, **changes) -> set[str]:
    stages: list[Stage] = [
        stage.model_copy(update=changes) if stage.id == stage_id else stage for stage in PLAN.stages
    ]
    return {hint.field for hint in hints(rebuilt(PLAN, stages=stages))} - {"hold_points"}


def test_slips_are_pointed_out_by_field():
    assert changed("walk-in", to_m=3500.0, night=PLAN.stages[0].night) == {
        "stages.walk-in.night",
        "stages.to-shelf.from_m",
    }
    assert changed("to-shelf", night=None) == {"stages.to-shelf.night"}
    assert changed("top", via=()) == {"stages"}
    assert changed("top", from_m=12402.0 / 2) == {"stages.top.to_m", "stages.top.from_m"}
    assert changed("walk-out", starts_at=at(16, 8), ends_at=at(17, 9)) == {
        "stages.walk-out.starts_at",
        "stages.walk-out.ends_at",
    }
    low = PLAN.place.model_copy(update={"high_point_m": 2000.0})
    fields = {hint.field for hint in hints(rebuilt(PLAN, place=low, usual_freezing_level_m=None))}
    assert {"place.high_point_m", "usual_freezing_level_m"} <= fields
