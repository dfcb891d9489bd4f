"""Pandolf and Santee against printed values, and the sign that makes a descent cheaper."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from pythermalcomfort.utilities import body_surface_area

from api.science import load
from tests.reference import values

POUND_KG = 0.45359237
UPHILL = [one for one in values.params("cold_insulation", "pandolf_") if one.values[0].id != "pandolf_pub"]


@pytest.mark.parametrize("case", [*UPHILL, *values.params("cold_insulation", "santee")])
def test_power_up_level_and_down(case: values.Check) -> None:
    """Pandolf 1977 to 0.01 W, with Santee's correction below grade 0 to 0.05 W."""
    i = case.inputs
    got = load.walking_power_w(i["W_kg"], i["L_kg"], i["V_ms"], i["G_pct"], i["eta"])
    assert float(got) == pytest.approx(case.value, abs=case.abs)


@pytest.mark.parametrize(
    ("body", "pack", "speed", "grade", "terrain", "expected"),
    [(80, 25, 0.5, 25, 1.6, 938.508), (80, 25, 1.0, -10, 1.0, 227.51), (80.2, 13.6, 1.34, 0, 1.1, 404.0)],
)
def test_further_values_of_the_same_formulas(
    body: float, pack: float, speed: float, grade: float, terrain: float, expected: float
) -> None:
    """Pandolf 1977 and Santee, worked by plain arithmetic (the level one is printed as 404 W)."""
    got = load.walking_power_w(body, pack, speed, grade, terrain)
    assert float(got) == pytest.approx(expected, abs=0.5 if grade == 0 else 0.01)


def test_published_figure_in_kilocalories() -> None:
    """180 lb with 30 lb at 3.5 mph is published as roughly 410 kcal/h."""
    case = values.check("pandolf_pub")
    i = case.inputs
    power = load.walking_power_w(i["W_lb"] * POUND_KG, i["L_lb"] * POUND_KG, i["V_mph"] * 0.44704, 0.0)
    assert float(power) * 3.6 / 4.184 == pytest.approx(case.value, abs=case.abs)


def test_trap_downhill_keeps_the_sign_of_the_grade() -> None:
    """With the grade's size, -8.6 % would cost 729 W against 404 W on the level; measured cost falls (trap
    8).
    """
    down = float(load.walking_power_w(80.2, 13.6, 1.34, -8.6, 1.1))
    level = float(load.walking_power_w(80.2, 13.6, 1.34, 0.0, 1.1))
    assert down == pytest.approx(310.33, abs=0.05)
    assert down < level < 729.0


def test_trap_the_step_at_grade_zero_is_about_a_twentieth() -> None:
    """The two published models do not meet at grade 0: +20.8 W for 80.2 + 13.6 kg at 1.34 m/s (trap 8)."""
    level = float(load.walking_power_w(80.2, 13.6, 1.34, 0.0, 1.1))
    barely_down = float(load.walking_power_w(80.2, 13.6, 1.34, -1e-9, 1.1))
    assert barely_down - level == pytest.approx(20.8, abs=0.05)
    assert (barely_down - level) / level == pytest.approx(0.05, abs=0.005)


@pytest.mark.parametrize("case", values.params("cold_insulation", "snow_eta"))
def test_snow_factor(case: values.Check) -> None:
    assert float(load.snow_factor(case.inputs["z_cm"])) == pytest.approx(case.value, abs=case.abs)


def test_sinkage_by_density() -> None:
    """ERDC abstract: z = depth (1 - density / 1.186)."""
    assert float(load.sinkage_cm(20.0, 0.593)) == pytest.approx(10.0, abs=1e-12)
    assert float(load.sinkage_cm(20.0, 0.0)) == 20.0
    assert np.isnan(load.sinkage_cm([-1, 5, 5], [0.3, 0.93, math.nan])).all()


def test_terrain_table() -> None:
    """Factors as quoted in public codes; sand is from memory."""
    factors = {name: one.factor for name, one in load.TERRAIN.items()}
    assert factors["paved"] == 1.0
    assert factors["hard snow"] == 1.3
    assert factors["sand"] == 2.1
    assert "from memory" in load.TERRAIN["sand"].source
    assert float(load.soft_snow_factor(10.0)) == pytest.approx(2.1)
    assert np.isnan(load.soft_snow_factor([-1, 46, math.nan])).all()


@pytest.mark.parametrize("sinkage", [-0.1, 20.1, math.nan])
def test_snow_factor_is_not_stretched(sinkage: float) -> None:
    assert math.isnan(load.snow_factor(sinkage))


@pytest.mark.parametrize(
    "bad",
    [
        {"body_kg": 0},
        {"load_kg": -1},
        {"speed_mps": -0.1},
        {"speed_mps": 2.6},
        {"grade": 25.1},
        {"grade": -20.1},
        {"terrain": 0.9},
        {"body_kg": math.nan},
        {"load_kg": math.nan},
        {"speed_mps": math.nan},
        {"grade": math.nan},
        {"terrain": math.nan},
    ],
)
def test_power_out_of_range_or_unknown_is_nan(bad: dict[str, float]) -> None:
    usual = {"body_kg": 80, "load_kg": 20, "speed_mps": 1.0, "grade": 5, "terrain": 1.2}
    assert math.isnan(load.walking_power_w(**{**usual, **bad}))
    power = {name: value for name, value in {**usual, **bad}.items() if name != "speed_mps"}
    if "speed_mps" not in bad:
        assert math.isnan(load.sustained_speed_mps(600, **power))


def test_beyond_the_trials_only_on_request() -> None:
    steep = load.walking_power_w(80, 20, 0.2, 60.0, 1.3, beyond_trials=True)
    assert float(steep) == pytest.approx(120 + 200 / 16 + 1.3 * 100 * (0.06 + 0.35 * 0.2 * 60), rel=1e-12)
    held = load.walking_power_w(80, 25, 1.0, -45.0, 1.0, beyond_trials=True)
    assert float(held) == pytest.approx(396.26, abs=0.05)
    assert math.isnan(load.walking_power_w(80, 20, 0.2, 101.0, beyond_trials=True))


@given(
    body=st.floats(45, 110),
    pack=st.floats(0, 35),
    speed=st.floats(0.05, 1.19),
    grade=st.floats(-20, 25),
    terrain=st.floats(1, 3),
)
def test_speed_and_power_are_inverse(
    body: float, pack: float, speed: float, grade: float, terrain: float
) -> None:
    power = load.walking_power_w(body, pack, speed, grade, terrain)
    faster = load.walking_power_w(body, pack, speed + 1e-3, grade, terrain)
    assume(
        faster > power
    )  # downhill, very slow walking costs more than a little faster: the faster is the answer
    assert float(load.sustained_speed_mps(power, body, pack, grade, terrain)) == pytest.approx(
        speed, abs=1e-6
    )


@given(body=st.floats(45, 110), pack=st.floats(0, 30), speed=st.floats(0, 2.4), grade=st.floats(0, 24))
def test_more_load_more_grade_and_more_speed_cost_more(
    body: float, pack: float, speed: float, grade: float
) -> None:
    base = load.walking_power_w(body, pack, speed, grade)
    assert load.walking_power_w(body, pack + 1, speed, grade) > base
    assert load.walking_power_w(body, pack, speed, grade + 1) >= base
    assert load.walking_power_w(body, pack, speed + 0.1, grade) > base


def test_speed_is_held_at_the_roped_pace_and_unknown_without_power() -> None:
    assert float(load.sustained_speed_mps(2000, 80, 10, 0)) == load.ROPED_PACE_MPS
    assert float(load.sustained_speed_mps(2000, 80, 10, 0, fastest_mps=9.0)) == load.FASTEST_MPS
    assert math.isnan(load.sustained_speed_mps(100, 80, 10, 5))


def test_skin_area_and_metabolic_rate() -> None:
    """DuBois as in pythermalcomfort; ISO 8996 standard woman 60 kg, 1.70 m is given 1.6 m2 (rounded), man
    1.8.
    """
    assert float(load.skin_area_m2(70, 1.75)) == pytest.approx(body_surface_area(70, 1.75), rel=1e-12)
    assert float(load.skin_area_m2(70, 1.75)) == pytest.approx(1.8, abs=0.06)
    assert float(load.per_skin_area_wpm2(360)) == pytest.approx(200.0)
    assert np.isnan(load.skin_area_m2([19, 201, 70, math.nan], [1.7, 1.7, 2.3, 1.7])).all()
    assert np.isnan(load.per_skin_area_wpm2([100, math.nan], [0, 1.8])).all()


def test_classes_of_effort() -> None:
    """ISO 8996:2004 class values, from memory."""
    rows = values.table("met_rate_classes")["rows"]
    assert {row["c"]: row["Wm2"] for row in rows} == load.METABOLIC_CLASSES_WPM2
    assert pytest.approx(117.0) == load.RESTING_W


def test_pace_arrival_and_turnaround() -> None:
    """Plain arithmetic: 3 km at 0.5 m/s is 1 h 40 on the move and 2 h with ten minutes' rest in the hour."""
    hours = load.stage_hours([3000, 1800], [0.5, 0.3])
    assert hours == pytest.approx([2.0, 2.0])
    assert load.arrival_h(1.5, hours) == pytest.approx([3.5, 5.5])
    assert load.arrival_h([1.0, 2.0], [[1.0, 2.0], [3.0, 4.0]]) == pytest.approx(np.array([[2, 4], [5, 9]]))
    assert float(load.turnaround_h(13.0, [1.5, 2.0])) == pytest.approx(9.5)
    assert float(load.grade_pct(-50, 500)) == pytest.approx(-10.0)


def test_an_unknown_stretch_makes_what_follows_unknown() -> None:
    hours = load.stage_hours([3000, 1000, 1000], [0.5, math.nan, 0.5])
    assert np.isnan(load.arrival_h(0.0, hours)).tolist() == [False, True, True]
    assert math.isnan(load.turnaround_h(12.0, hours))
    assert np.isnan(load.stage_hours([-1, 100, 100], [1, 0, 1], [0, 0, 60])).all()
    assert np.isnan(load.grade_pct([10, math.nan], [0, 10])).all()


def test_energy_of_a_day() -> None:
    """6 h at 500 W and 18 h at 117 W: 3.6 kJ a watt-hour."""
    assert float(load.day_energy_kj([500.0], [6.0])) == pytest.approx(3.6 * (3000 + 18 * 117))
    assert math.isnan(load.day_energy_kj([500.0, 300.0], [14.0, 11.0]))
    assert math.isnan(load.day_energy_kj([500.0, math.nan], [4.0, 1.0]))
    assert math.isnan(load.day_energy_kj([500.0], [-1.0]))
