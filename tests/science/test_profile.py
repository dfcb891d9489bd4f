"""Profiles: radiosonde soundings with known 0 °C heights, MetPy over random profiles, and every odd
shape."""

from __future__ import annotations

import numpy as np
import pytest

from api.science import profile
from api.science.profile import FreezingState
from tests.reference.values import Check, params, table

SOUNDINGS = table("soundings")["profiles"]


def sounding(name: str) -> tuple[np.ndarray, np.ndarray]:
    """(temperature, height) of a radiosonde ascent: NWS observation, University of Wyoming archive."""
    rows = np.array(SOUNDINGS[name]["p_z_t"], dtype=float)
    return rows[:, 2], rows[:, 1]


@pytest.fixture(scope="module")
def metpy():
    """MetPy (Unidata), a test-only library."""
    import metpy.calc
    import metpy.interpolate
    import metpy.units

    return metpy


@pytest.mark.parametrize("reference", params("freezing_level"))
def test_freezing_level_of_a_sounding(reference: Check) -> None:
    level = profile.freezing_level(*sounding(reference.inputs["profile"]))
    got = level.lowest_m if reference.id.startswith("fzl_low") else level.highest_m
    assert got == pytest.approx(reference.value, abs=reference.abs), str(reference)


@pytest.mark.parametrize("name", list(SOUNDINGS))
def test_all_crossings_of_a_sounding_as_metpy_finds_them(name: str, metpy) -> None:
    """metpy.calc.find_intersections; it lists a level of exactly 0.0 once from each side, hence the
    unique."""
    temperature, height = sounding(name)
    theirs, _ = metpy.calc.find_intersections(height, temperature, np.zeros_like(temperature))
    np.testing.assert_allclose(
        profile.zero_crossings(temperature, height), np.unique(np.round(theirs.magnitude, 6)), atol=0.01
    )


def test_three_crossings_and_a_level_of_exactly_zero_that_counts_once() -> None:
    """OUN 2013-01-20 12 UTC: a frozen layer under a warm nose (MetPy staticdata/jan20_sounding.txt)."""
    temperature, height = sounding("OUN_2013-01-20T12Z")
    found = profile.zero_crossings(temperature, height)
    np.testing.assert_allclose(found, [1279.941, 1662.606, 3077.0], atol=0.01)
    assert profile.freezing_level(temperature, height).state == FreezingState.MULTIPLE
    assert profile.freezing_level(*sounding("OUN_1999-05-04T00Z")).state == FreezingState.OK


@pytest.mark.parametrize("seed", range(5))
def test_random_profiles_cross_zero_where_metpy_says(seed: int, metpy) -> None:
    """metpy.calc.find_intersections over random zigzag profiles, ±1e-6 m."""
    random = np.random.default_rng(seed)
    height = np.cumsum(random.uniform(50.0, 600.0, 12))
    temperature = random.normal(0.0, 5.0, 12)
    theirs, _ = metpy.calc.find_intersections(height, temperature, np.zeros(12))
    shuffled = random.permutation(12)
    found = profile.zero_crossings(temperature[shuffled], height[shuffled])
    np.testing.assert_allclose(found, np.sort(theirs.magnitude), atol=1e-6)


def test_interpolation_against_metpy(metpy) -> None:
    """metpy.interpolate.interpolate_1d over random profiles, ±1e-9; it sorts the heights wanted."""
    random = np.random.default_rng(3)
    height = np.cumsum(random.uniform(50.0, 600.0, 9))
    values = random.normal(0.0, 10.0, 9)
    wanted = np.sort(random.uniform(height[0], height[-1], 40))
    theirs = metpy.interpolate.interpolate_1d(wanted, height, values)
    np.testing.assert_allclose(profile.interpolate_height(values, height, wanted), theirs, atol=1e-9)


def test_moving_party_over_members_and_times() -> None:
    """Members × times × levels with one height a time: the same as numpy.interp profile by profile."""
    random = np.random.default_rng(4)
    height = np.cumsum(random.uniform(100.0, 500.0, (3, 5, 7)), axis=-1)
    values = random.normal(size=(3, 5, 7))
    at = random.uniform(300.0, 1500.0, 5)
    got = profile.interpolate_height(values[..., ::-1], height[..., ::-1], at)
    assert got.shape == (3, 5)
    for member in range(3):
        for time in range(5):
            h, v = height[member, time], values[member, time]
            expected = np.interp(at[time], h, v, left=np.nan, right=np.nan)
            assert got[member, time] == pytest.approx(expected, nan_ok=True)


def test_nothing_is_extrapolated() -> None:
    values, heights = [5.0, -5.0], [1000.0, 2000.0]
    assert np.isnan(profile.interpolate_height(values, heights, [999.9, 2000.1, np.nan])).all()
    assert profile.interpolate_height(values, heights, [1000.0, 1250.0, 2000.0]) == pytest.approx(
        [5.0, 2.5, -5.0]
    )


def test_missing_levels_are_dropped_profile_by_profile() -> None:
    nan = np.nan
    values = [[0.0, nan, 20.0], [0.0, 5.0, nan], [nan, nan, nan]]
    got = profile.interpolate_height(values, [1000.0, 1500.0, 2000.0], 1500.0)
    assert got[:2] == pytest.approx([10.0, 5.0])
    assert np.isnan(got[2])
    heights_missing = profile.interpolate_height([0.0, 7.0, 20.0], [1000.0, nan, 2000.0], 1500.0)
    assert heights_missing == pytest.approx(10.0)
    assert np.isnan(profile.interpolate_height([0.0, 5.0, nan], [1000.0, 1500.0, 2000.0], 1600.0))


def test_scalar_in_gives_a_float() -> None:
    assert isinstance(profile.interpolate_height([0.0, 1.0], [0.0, 10.0], 5.0), float)
    assert isinstance(profile.freezing_level([1.0, -1.0], [0.0, 10.0]).highest_m, float)


@pytest.mark.parametrize(
    ("temperature", "highest", "lowest", "state"),
    [
        ([5.0, 1.0, -3.0], 1250.0, 1250.0, FreezingState.OK),
        ([5.0, 0.0, -3.0], 1000.0, 1000.0, FreezingState.OK),
        ([-1.0, 1.0, -1.0], 1500.0, 500.0, FreezingState.MULTIPLE),
        ([0.0, 0.0, -3.0], 1000.0, 0.0, FreezingState.MULTIPLE),
        ([-5.0, -6.0, -9.0], np.nan, np.nan, FreezingState.BELOW_LOWEST),
        ([15.0, 9.0, 4.0], np.nan, np.nan, FreezingState.ABOVE_HIGHEST),
        ([np.nan, np.nan, np.nan], np.nan, np.nan, FreezingState.MISSING),
        ([np.nan, 4.0, -4.0], 1500.0, 1500.0, FreezingState.OK),
        ([4.0, np.nan, -4.0], 1000.0, 1000.0, FreezingState.OK),
        ([np.nan, np.nan, -4.0], np.nan, np.nan, FreezingState.BELOW_LOWEST),
    ],
)
def test_freezing_states(
    temperature: list[float], highest: float, lowest: float, state: FreezingState
) -> None:
    level = profile.freezing_level(temperature, [0.0, 1000.0, 2000.0])
    assert level.state == state
    assert level.highest_m == pytest.approx(highest, nan_ok=True)
    assert level.lowest_m == pytest.approx(lowest, nan_ok=True)


def test_a_cold_pool_under_warm_air_does_not_pass_for_the_highest_freezing_level() -> None:
    """-2 °C in the valley, +3 °C at the highest level: the glacier's freezing level is higher than the
    profile reaches."""
    level = profile.freezing_level([-2.0, 1.0, 3.0], [500.0, 1500.0, 3000.0])
    assert level.state == FreezingState.ABOVE_HIGHEST
    assert np.isnan(level.highest_m)
    assert level.lowest_m == pytest.approx(500.0 + 2.0 / 3.0 * 1000.0)


def test_levels_under_the_surface_are_dropped() -> None:
    temperature, heights = [-1.0, 2.0, -4.0], [500.0, 1000.0, 2000.0]
    assert profile.zero_crossings(temperature, heights) == pytest.approx(
        [500.0 + 1000.0 / 6.0, 1000.0 + 1000.0 / 3.0]
    )
    assert profile.zero_crossings(temperature, heights, surface_m=900.0) == pytest.approx([1333.333333])
    level = profile.freezing_level(temperature, heights, surface_m=[400.0, 900.0, 1500.0])
    assert level.state.tolist() == [FreezingState.MULTIPLE, FreezingState.OK, FreezingState.BELOW_LOWEST]
    lowest, highest = profile.profile_range_m(temperature, heights, surface_m=[400.0, 900.0, 2500.0])
    np.testing.assert_array_equal(lowest, [500.0, 1000.0, np.nan])
    np.testing.assert_array_equal(highest, [2000.0, 2000.0, np.nan])


def test_many_profiles_agree_with_one_by_one() -> None:
    random = np.random.default_rng(5)
    temperature = random.normal(0.0, 4.0, (4, 6, 8))
    temperature[random.random(temperature.shape) < 0.2] = np.nan
    heights = random.permutation(np.linspace(200.0, 6000.0, 8))
    together = profile.freezing_level(temperature, heights)
    for index in np.ndindex(4, 6):
        found = profile.zero_crossings(temperature[index], heights)
        assert together.lowest_m[index] == pytest.approx(found[0] if found.size else np.nan, nan_ok=True)
        if together.state[index] in (FreezingState.OK, FreezingState.MULTIPLE):
            assert together.highest_m[index] == pytest.approx(found[-1])
        else:
            assert np.isnan(together.highest_m[index])


def test_one_profile_at_a_time_is_asked_for_by_name() -> None:
    with pytest.raises(ValueError, match="freezing_level"):
        profile.zero_crossings([[1.0, -1.0]], [0.0, 10.0])


def test_temperature_from_a_freezing_level_inverts_the_standard_lapse() -> None:
    """6.5 K/km (U.S. Standard Atmosphere 1976): its own freezing level, 2307.7 m, gives its own
    temperatures."""
    freezing_m = 15.0 / 0.0065
    rows = table("isa_0_9000")["rows"]
    got = profile.temperature_at([row["h_m"] for row in rows], freezing_m)
    np.testing.assert_allclose(got, [row["T_C_geopotential"] for row in rows], atol=1e-9)
    assert np.isnan(profile.temperature_at(3000.0, np.nan))


def test_wind_components_against_metpy(metpy) -> None:
    """metpy.calc.wind_components and wind_direction over random winds, ±1e-9."""
    random = np.random.default_rng(6)
    speed, direction = random.uniform(0.1, 60.0, 100), random.uniform(0.0, 360.0, 100)
    units = metpy.units.units
    theirs = metpy.calc.wind_components(units.Quantity(speed, "m/s"), units.Quantity(direction, "deg"))
    u, v = profile.wind_components(speed, direction)
    np.testing.assert_allclose(u, theirs[0].magnitude, atol=1e-9)
    np.testing.assert_allclose(v, theirs[1].magnitude, atol=1e-9)
    back = profile.wind_from_components(u, v)
    np.testing.assert_allclose(back.speed_mps, speed)
    np.testing.assert_allclose(back.direction_deg, direction, atol=1e-6)


def test_a_turning_wind_is_not_made_weaker_and_turns_through_north() -> None:
    wind = profile.wind_at([20.0, 20.0], [350.0, 30.0], [2000.0, 4000.0], 3000.0)
    assert wind.speed_mps == pytest.approx(20.0)
    assert wind.direction_deg == pytest.approx(10.0)
    opposite = profile.wind_at([10.0, 10.0], [0.0, 180.0], [0.0, 100.0], 50.0)
    assert opposite.speed_mps == pytest.approx(10.0)


def test_calm_air_has_no_direction_and_a_negative_speed_is_no_wind() -> None:
    assert np.isnan(profile.wind_from_components(0.0, 0.0).direction_deg)
    assert profile.wind_components(0.0, np.nan) == (0.0, 0.0)
    assert np.isnan(profile.wind_components(-1.0, 90.0)).all()
