"""The invented scenario's own table. Source: invented scenario, arithmetic checked."""

import numpy as np
import pytest

from api.conditions.evaluate import evaluate
from api.conditions.forecast import epoch_s
from api.conditions.rules import Moments, Reading
from api.conditions.stages import StageConditions
from tests.conditions.kessandry import (
    PLAN,
    SUMMIT,
    TO_SHELF,
    WALK_IN,
    WALK_OUT,
    at,
    issue,
)

# issue, valid, freezing level m, T at 2640, 3240, 3780, 4586 m, wind on top km/h, wind chill on top
TABLE = [
    ("F0", (12, "02:00"), 4450, (11.8, 7.9, 4.4, -0.9), 20, -6.4),
    ("F0", (14, "02:00"), 4350, (11.1, 7.2, 3.7, -1.5), 20, -7.2),
    ("F0", (14, "06:00"), 4300, (10.8, 6.9, 3.4, -1.9), 20, -7.6),
    ("F1", (13, "02:00"), 4250, (10.5, 6.6, 3.1, -2.2), 30, -9.3),
    ("F1", (14, "02:00"), 4000, (8.8, 4.9, 1.4, -3.8), 30, -11.4),
    ("F1", (14, "06:00"), 3900, (8.2, 4.3, 0.8, -4.5), 30, -12.3),
    ("F2", (14, "02:00"), 3500, (5.6, 1.7, -1.8, -7.1), 45, -17.3),
    ("F2", (14, "06:00"), 3350, (4.6, 0.7, -2.8, -8.0), 45, -18.6),
    ("F2", (14, "12:00"), 3200, (3.6, -0.3, -3.8, -9.0), 45, -20.0),
    ("F2", (15, "06:00"), 3100, (3.0, -0.9, -4.4, -9.7), 45, -20.8),
    ("F3", (14, "02:00"), 2950, (2.0, -1.9, -5.4, -10.6), 60, -23.5),
    ("F3", (14, "06:00"), 2800, (1.0, -2.9, -6.4, -11.6), 60, -24.8),
    ("F3", (14, "12:00"), 2650, (0.1, -3.8, -7.3, -12.6), 60, -26.2),
    ("F3", (15, "06:00"), 2700, (0.4, -3.5, -7.0, -12.3), 40, -23.8),
]


@pytest.mark.parametrize(("name", "valid", "level", "temperatures", "wind", "chill"), TABLE)
def test_column(
    name: str,
    valid: tuple[int, str],
    level: float,
    temperatures: tuple[float, ...],
    wind: float,
    chill: float,
) -> None:
    from api.science.cold import wind_chill_c

    heights = np.array([2640.0, 3240.0, 3780.0, 4586.0])
    reading = Reading(issue(name), Moments.forward(np.full(4, epoch_s(at(*valid)))))
    freezing = reading.freezing_level_m()
    air = reading.temperature_c(heights, freezing)
    blowing = reading.wind_mps("wind_speed", heights)
    assert freezing[0] == pytest.approx(level)
    assert air[0] == pytest.approx(np.array(temperatures), abs=0.1)
    assert blowing[0] * 3.6 == pytest.approx([wind / 2, wind / 2, wind / 2, wind])
    assert wind_chill_c(air, blowing)[0, 3] == pytest.approx(chill, abs=0.1)


def step_at(conditions: StageConditions, moment: int, stage: int) -> int:
    (found,) = np.flatnonzero((conditions.steps_epoch_s == moment) & (conditions.step_stage == stage))
    return int(found)


@pytest.mark.parametrize(("name", "chill"), [("F0", -7.6), ("F1", -12.3), ("F2", -18.6), ("F3", -24.8)])
def test_wind_chill_when_the_party_is_on_top(name: str, chill: float) -> None:
    conditions = evaluate(PLAN, issue(name))
    top = step_at(conditions, epoch_s(at(14, "08:00")), SUMMIT)
    assert conditions.step_elevation_m[top] == 4586
    assert conditions.hourly["wind_chill_c"][0, top] == pytest.approx(chill, abs=0.1)
    assert conditions.low["wind_chill_c"][0, SUMMIT] <= chill + 0.1


@pytest.mark.parametrize(
    ("name", "shelf", "moraine"),
    [("F0", 0.7, None), ("F1", -1.6, None), ("F2", -4.8, -3.9), ("F3", -8.4, -6.5)],
)
def test_sleeping_minimum(name: str, shelf: float, moraine: float | None) -> None:
    conditions = evaluate(PLAN, issue(name))
    assert conditions.low["sleep_min_c"][0, TO_SHELF] == pytest.approx(shelf, abs=0.1)
    assert conditions.complete["sleep_min_c"][0, TO_SHELF]
    if moraine is None:
        assert np.isnan(conditions.low["sleep_min_c"][0, SUMMIT])
        assert not conditions.complete["sleep_min_c"][0, SUMMIT]
    else:
        assert conditions.low["sleep_min_c"][0, SUMMIT] == pytest.approx(moraine, abs=0.1)
        assert conditions.complete["sleep_min_c"][0, SUMMIT]


@pytest.mark.parametrize(
    ("name", "previous", "fall"), [("F1", "F0", 400), ("F2", "F1", 550), ("F3", "F2", 550)]
)
def test_fall_of_the_freezing_level(name: str, previous: str, fall: float) -> None:
    """On the climb itself, before the night at Moraine."""
    climb = PLAN.stages[SUMMIT].model_copy(update={"night": None})
    conditions = evaluate(PLAN.model_copy(update={"stages": (climb,)}), issue(name), issue(previous))
    assert conditions.high["freezing_level_fall_m"][0, 0] == pytest.approx(fall)


@pytest.mark.parametrize(
    ("name", "top", "shelf", "moraine"),
    [
        ("F0", False, False, None),
        ("F1", False, False, None),
        ("F2", True, True, True),
        ("F3", True, True, True),
    ],
)
def test_freezing_level_codes(name: str, top: bool, shelf: bool, moraine: bool | None) -> None:
    """FZ-TOP: 1000 m or more below the top on summit day. FZ-COLD: no higher than the camp, at night."""
    conditions = evaluate(PLAN, issue(name))
    level = conditions.hourly["freezing_level_m"][0]
    stage, when = conditions.step_stage, conditions.steps_epoch_s
    to_the_top = (stage == SUMMIT) & (when <= epoch_s(at(14, "10:00")))
    assert (np.nanmin(level[to_the_top]) <= 4586 - 1000) is np.bool_(top)
    night = (stage == TO_SHELF) & (when >= epoch_s(at(13, "18:00")))
    assert (level[night].min() <= 3780) is np.bool_(shelf)
    night = (stage == SUMMIT) & (when >= epoch_s(at(14, "18:00")))
    if moraine is None:
        assert np.isnan(level[night]).all()
    else:
        assert (level[night].min() <= 3240) is np.bool_(moraine)


def test_dark_travel_from_half_past_one_to_civil_dawn_is_4_h_29() -> None:
    conditions = evaluate(PLAN, None)
    assert conditions.low["dark_h"][0].tolist() == pytest.approx([0, 0, 4 + 29 / 60, 0], abs=1.5 / 60)
    assert conditions.low["daylight_on_snow_h"][0, SUMMIT] == pytest.approx(14 - (6 + 27 / 60), abs=1.5 / 60)
    assert conditions.low["daylight_on_snow_h"][0, [WALK_IN, WALK_OUT]].tolist() == [0, 0]


def test_gains_between_sleeping_elevations() -> None:
    conditions = evaluate(PLAN, None)
    gains = conditions.low["sleeping_gain_m"][0]
    assert gains[:3].tolist() == [600, 540, -540]
    assert np.isnan(gains[WALK_OUT])
    assert conditions.complete["sleeping_gain_m"][0, WALK_OUT]
    assert conditions.low["trip_nights"][0].tolist() == [3, 3, 3, 3]


def test_the_glacier_refreezes_only_in_the_last_issue() -> None:
    """The way touches 3240 m: above freezing there in F0 to F2 (at +1.7 it would take a clear sky)."""
    for name, frozen in (("F0", 0), ("F1", 0), ("F2", 0), ("F3", 1)):
        conditions = evaluate(PLAN, issue(name))
        assert conditions.low["refreeze"][0, SUMMIT] == frozen
        assert conditions.complete["refreeze"][0, SUMMIT]


def test_sums_of_snow_and_rain() -> None:
    conditions = evaluate(PLAN, issue("F3"))
    # Of 8 cm from 18:00 to 05:00 three and a half hours of eleven fall after the start at 01:30.
    expected = 8 * 3.5 / 11 + 2 + 1 * (24 - 18 + 8) / 19
    assert conditions.low["new_snow_cm"][0, SUMMIT] == pytest.approx(expected)
    assert conditions.complete["new_snow_cm"][0, SUMMIT]
    assert conditions.low["rain_mm"][0, SUMMIT] == 0
    walk_out = conditions.low["rain_mm"][0, WALK_OUT]
    assert 0 < walk_out < conditions.low["precipitation_mm"][0, WALK_OUT]
