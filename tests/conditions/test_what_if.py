"""What-ifs: the air or the start comes in otherwise, plainly marked, and nothing else moves."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.conditions.evaluate import evaluate, version
from api.conditions.forecast import epoch_s
from api.conditions.itinerary import legs_of
from api.conditions.many import base_member, evaluate_shifts, evaluate_starts
from api.conditions.quantities import quantities
from api.conditions.shifts import Shift
from api.kitlist.metrics import CONDITION_METRICS
from tests.conditions import kessandry
from tests.conditions.building import TWO_DAYS, assert_equal, ensemble
from tests.conditions.kessandry import PLAN, SUMMIT, TO_SHELF, issue


def test_a_what_if_is_marked_and_has_its_own_version() -> None:
    forecast = issue("F2")
    shift = Shift(freezing_level_m=-300)
    conditions = evaluate(PLAN, forecast, shift=shift)
    assert [scenario.id for scenario in conditions.scenarios] == ["what-if"]
    assert conditions.version == version(PLAN, forecast, shift=shift)
    assert conditions.version != evaluate(PLAN, forecast).version
    assert "what-if" in conditions.methods["freezing_level_m"]
    drawn = evaluate(TWO_DAYS, ensemble(2), shift=shift)
    assert [scenario.id for scenario in drawn.scenarios] == ["what-if-0", "what-if-1"]
    assert_equal(evaluate(PLAN, forecast, shift=Shift()), evaluate(PLAN, forecast))


@given(st.floats(-1500, 1500))
def test_a_freezing_level_shift_moves_the_whole_column(metres: float) -> None:
    for plan, forecast in (
        (PLAN, issue("F2")),
        (TWO_DAYS, ensemble(2)),
        (TWO_DAYS, ensemble(2, delivered=False)),
    ):
        before = evaluate(plan, forecast)
        after = evaluate(plan, forecast, shift=Shift(freezing_level_m=metres))
        for name, by in (("freezing_level_m", metres), ("air_temperature_c", metres * 0.0065)):
            np.testing.assert_allclose(after.hourly[name], before.hourly[name] + by, atol=1e-9)


def test_temperature_and_wind_shifts() -> None:
    before = evaluate(PLAN, issue("F3"))
    after = evaluate(PLAN, issue("F3"), shift=Shift(temperature_c=-4, wind_factor=1.5))
    np.testing.assert_allclose(after.low["air_temperature_c"], before.low["air_temperature_c"] - 4)
    np.testing.assert_allclose(after.high["wind_mps"], before.high["wind_mps"] * 1.5)
    np.testing.assert_array_equal(after.low["freezing_level_m"], before.low["freezing_level_m"])
    assert (after.low["wind_chill_c"][0, TO_SHELF:] < before.low["wind_chill_c"][0, TO_SHELF:]).all()


def test_a_later_start_moves_the_party_not_the_weather() -> None:
    held = evaluate(PLAN, issue("F3"), shift=Shift(start_min=120, stage="summit"))
    summit = held.steps_epoch_s[held.step_stage == SUMMIT]
    assert held.moment(int(np.flatnonzero(held.step_stage == SUMMIT)[0])) == kessandry.at(14, "03:30")
    assert summit[-1] == epoch_s(kessandry.at(15, "08:00"))
    assert held.low["dark_h"][0, SUMMIT] == pytest.approx(2 + 29 / 60, abs=1.5 / 60)
    top = (held.steps_epoch_s == epoch_s(kessandry.at(14, "10:00"))) & (held.step_stage == SUMMIT)
    assert held.step_elevation_m[top].tolist() == [4586]
    # Snow falls until 05:00, so less of it on the way; the night before it is longer by what is gained.
    before = evaluate(PLAN, issue("F3"))
    assert held.low["new_snow_cm"][0, SUMMIT] < before.low["new_snow_cm"][0, SUMMIT]
    total = before.low["new_snow_cm"][0, [TO_SHELF, SUMMIT]].sum()
    assert held.low["new_snow_cm"][0, [TO_SHELF, SUMMIT]].sum() == pytest.approx(total)


def test_a_start_shift_stops_at_the_neighbouring_stages() -> None:
    far = evaluate(PLAN, None, shift=Shift(start_min=48 * 60, stage="summit"))
    ends = far.steps_epoch_s[far.step_stage == SUMMIT][-1]
    assert ends == epoch_s(kessandry.at(15, "08:00"))
    early = evaluate(PLAN, None, shift=Shift(start_min=-48 * 60, stage="summit"))
    assert early.steps_epoch_s[early.step_stage == SUMMIT][0] == epoch_s(kessandry.at(13, "14:00"))
    everything = evaluate(PLAN, None, shift=Shift(start_min=60))
    assert everything.moment(0) == kessandry.at(12, "12:30")


def test_version_follows_everything_the_numbers_rest_on() -> None:
    plan, forecast, before = PLAN, issue("F2"), issue("F1")
    found = {
        version(plan, None),
        version(plan, forecast),
        version(plan, forecast, before),
        version(plan, before),
        version(plan, forecast, shift=Shift(wind_factor=1.1)),
        version(plan.model_copy(update={"usual_freezing_level_m": 4000}), forecast),
    }
    assert len(found) == 6
    assert version(plan, issue("F2")) == version(plan, forecast)


def test_who_sets_out_later_comes_down_later() -> None:
    """The way down follows on the way up without a night, so it moves along; the next day does not."""
    up, down = TWO_DAYS.stages[1], TWO_DAYS.stages[2]
    assert (up.night, up.ends_at) == (None, down.starts_at)
    legs = legs_of(TWO_DAYS, 90, "top")
    assert [leg.shifted_s for leg in legs] == [0, 5400, 5400]
    assert [leg.shifted_s for leg in legs_of(PLAN, 90, "summit")] == [0, 0, 5400, 0]
    assert [leg.shifted_s for leg in legs_of(PLAN, 90, None)] == [5400] * 4
    assert [leg.shifted_s for leg in legs_of(PLAN, 90, "no such stage")] == [0] * 4


MANY = (
    Shift(),
    Shift(freezing_level_m=-725),
    Shift(temperature_c=6.5),
    Shift(wind_factor=2.25),
    Shift(freezing_level_m=300, temperature_c=-2, wind_factor=0.5),
)


@pytest.mark.parametrize("issues", [("F2", "F1"), ("F3", "F2"), ("F0", None)])
def test_many_shifts_at_once_are_each_shift_in_turn(issues: tuple[str, str | None]) -> None:
    forecast, before = issue(issues[0]), issue(issues[1]) if issues[1] else None
    together = evaluate_shifts(PLAN, forecast, MANY, before, people=11)
    for row, shift in enumerate(MANY):
        alone = evaluate(PLAN, base_member(forecast), before, shift)
        assert_equal(alone, together.conditions, [row])
        fuel = quantities(PLAN, alone, 11)["fuel_plan_g"]
        np.testing.assert_array_equal(fuel, together.quantities["fuel_plan_g"][[row]])


def test_many_shifts_of_an_ensemble_move_its_base_member() -> None:
    forecast, before = ensemble(3, delivered=False), ensemble(2, seed=4)
    together = evaluate_shifts(TWO_DAYS, forecast, MANY, before)
    alone = [evaluate(TWO_DAYS, forecast, before, shift) for shift in MANY]
    for row, one in enumerate(alone):
        for name in CONDITION_METRICS:
            np.testing.assert_array_equal(
                one.low[name][forecast.base], together.conditions.low[name][row], name
            )


@pytest.mark.parametrize("stage", ["summit", None])
def test_many_starts_at_once_are_each_start_in_turn(stage: str | None) -> None:
    starts = [-360.0, -95.0, 0.0, 30.0, 240.0]
    forecast, before = issue("F3"), issue("F2")
    together = evaluate_starts(PLAN, forecast, starts, stage, before, people=11)
    for row, minutes in enumerate(starts):
        alone = evaluate(PLAN, base_member(forecast), before, Shift(start_min=minutes, stage=stage))
        for name in CONDITION_METRICS:
            for kind in ("low", "high", "complete"):
                mine, theirs = getattr(alone, kind)[name][0], getattr(together.conditions, kind)[name][row]
                np.testing.assert_array_equal(mine, theirs, err_msg=f"{kind} {name} {minutes}")
        amounts = quantities(PLAN, alone, 11)
        assert set(together.quantities) == set(amounts)
        for name, amount in amounts.items():
            np.testing.assert_array_equal(amount, together.quantities[name][[row]], err_msg=name)


def test_a_start_is_no_shift_of_the_air() -> None:
    with pytest.raises(ValueError, match="evaluate_starts"):
        evaluate_shifts(PLAN, issue("F3"), [Shift(start_min=30)])
