"""Reading a forecast at the party: temperature, wind, freezing level and sums, with their limits."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.conditions import rules
from api.conditions import variables as cf
from api.conditions.evaluate import evaluate
from api.conditions.forecast import Forecast, Point, Provenance, epoch_s
from api.conditions.rules import Moments, Reading, column_temperature_c
from api.conditions.series import Series
from api.conditions.sources.manual import parse, to_forecast
from tests.conditions.building import HEIGHTS_M, PRESSURES_PA, START, TWO_DAYS, ensemble
from tests.conditions.kessandry import PLACE, at

T0 = epoch_s(START)
NAN = float("nan")


def column(levels: list[float], heights: list[float], freezing: float, elevation: float) -> float:
    values = np.array(levels, dtype=float).reshape(1, 1, -1)
    found = column_temperature_c(
        values, np.array(heights, dtype=float), np.array([[freezing]]), np.array([elevation])
    )
    return float(found[0, 0])


def by_hand(**block: object) -> Reading:
    """One block of a typed-in forecast, read at noon."""
    times = {"starts_at": at(13, "06:00"), "ends_at": at(13, "18:00")}
    sheet = {"issued_at": at(12, "18:00"), "source_text": "x", "who": "y", "blocks": [{**times, **block}]}
    forecast = to_forecast(parse(sheet), PLACE)
    return Reading(forecast, Moments.forward(np.array([epoch_s(at(13, "12:00"))])))


# -- temperature ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("levels", "heights", "freezing", "elevation", "expected"),
    [
        ([NAN], [4000], 3500, 4500, -6.5),
        ([NAN], [4000], 3500, 2500, 6.5),
        ([-9], [4500], 3500, 4000, -4.5),
        ([-9], [4500], 3500, 5000, -9 - 3.25),
        ([-9], [4500], 3500, 3000, 3.25),
        ([-9], [4500], 3500, 4500, -9),
        ([-9], [4500], NAN, 4000, -9 + 3.25),
        ([5, -9], [2500, 4500], 3500, 3000, 2.5),
        ([5, -9], [2500, 4500], NAN, 3500, -2),
        # Wrong side of the freezing level: the colder of the two readings, whichever that is.
        ([-2], [3000], 3500, 3000, -2),
        ([3], [4000], 3500, 4000, -3.25),
        ([-2], [3500], 3500, 3500, -2),
    ],
)
def test_column_from_stated_temperatures_and_freezing_level(
    levels: list[float], heights: list[float], freezing: float, elevation: float, expected: float
) -> None:
    assert column(levels, heights, freezing, elevation) == pytest.approx(expected)


def test_column_about_which_nothing_is_stated() -> None:
    assert np.isnan(column([NAN], [4000], NAN, 3000))


@given(st.floats(1000, 5000), st.floats(1500, 5500))
def test_freezing_level_itself_is_at_zero(freezing: float, elevation: float) -> None:
    assert column([NAN], [4000], freezing, freezing) == pytest.approx(0, abs=1e-9)
    assert np.sign(column([NAN], [4000], freezing, elevation)) == np.sign(freezing - elevation)


def test_profile_is_interpolated_and_not_extrapolated() -> None:
    drawn = ensemble(
        1, hours=2, changes={cf.TEMPERATURE: np.full((1, 3, 4), 273.15) - 0.01 * (HEIGHTS_M - 3000)}
    )
    heights = {cf.LEVEL_HEIGHT: np.broadcast_to(HEIGHTS_M, (1, 3, 4))}
    drawn = ensemble(
        1, hours=2, delivered=False, changes={cf.TEMPERATURE: drawn.series[cf.TEMPERATURE].values} | heights
    )
    elevations = np.array([1000.0, 1457.0, 2000.0, 4400.0, 6000.0])
    reading = Reading(drawn, Moments.forward(np.full(5, T0)))
    freezing = reading.freezing_level_m()
    assert freezing[0] == pytest.approx(3000)
    inside = reading.temperature_c(elevations, np.full((1, 5), NAN))[0]
    assert np.isnan(inside[[0, 4]]).all()
    assert inside[1:4] == pytest.approx([15.43, 10, -14])
    # Where the profile does not reach, the freezing level and the standard lapse stand in, and that is said.
    filled = reading.temperature_c(elevations, freezing)[0]
    assert filled[[0, 4]] == pytest.approx([13, -19.5])
    assert reading.methods["air_temperature_c"] == rules.FROM_PROFILE


# -- freezing level ------------------------------------------------------------------------------------------


def profile_c(*celsius: float, surface_m: float | None = None, delivered: float | None = None) -> Reading:
    """One profile at 1457, 3012, 4206 and 5574 m."""
    shape = (1, 2, 4)
    changes = {
        cf.TEMPERATURE: np.broadcast_to(np.array(celsius) + 273.15, shape),
        cf.LEVEL_HEIGHT: np.broadcast_to(HEIGHTS_M, shape),
    }
    if delivered is not None:
        changes[cf.FREEZING_LEVEL] = np.full((1, 2), delivered)
    drawn = ensemble(1, hours=1, delivered=False, changes=changes, surface_m=surface_m)
    return Reading(drawn, Moments.forward(np.array([T0])))


@pytest.mark.parametrize(
    ("celsius", "expected"),
    [
        ((10, 5, -5, -15), 3012 + 1194 / 2),
        ((-2, 4, -4, -15), 3012 + 1194 / 2),  # an inversion: the highest of two crossings
        ((10, 0, -5, -15), 3012),
        ((-1, -5, -10, -15), NAN),  # all below 0 °C: it lies lower than the profile reaches
        ((20, 15, 10, 5), NAN),  # all above: it lies higher
        ((NAN, 5, -5, NAN), 3012 + 1194 / 2),
        ((NAN, NAN, NAN, NAN), NAN),
    ],
)
def test_freezing_level_from_the_profile(celsius: tuple[float, ...], expected: float) -> None:
    reading = profile_c(*celsius)
    assert reading.freezing_level_m()[0, 0] == pytest.approx(expected, nan_ok=True)
    assert reading.methods["freezing_level_m"] == rules.DERIVED_FREEZING_LEVEL


def test_levels_under_the_models_ground_are_not_used() -> None:
    assert profile_c(-1, -5, 5, -15).freezing_level_m()[0, 0] > 4206
    assert np.isnan(profile_c(5, -5, -10, -15, surface_m=2000).freezing_level_m()[0, 0])
    assert profile_c(5, -5, -10, -15, surface_m=1400).freezing_level_m()[0, 0] == pytest.approx(2234.5)


def test_a_delivered_freezing_level_is_taken_before_the_derived_one() -> None:
    reading = profile_c(10, 5, -5, -15, delivered=3456)
    assert reading.freezing_level_m()[0, 0] == 3456
    assert "freezing_level_m" not in reading.methods


@pytest.mark.parametrize(("ground_m", "expected"), [(1200.0, 3700.0), (None, NAN)])
def test_freezing_level_above_ground_needs_the_models_ground(ground_m: float | None, expected: float) -> None:
    forecast = Forecast(
        kind="deterministic",
        place=Point(45.94, 7.86),
        times_epoch_s=np.array([T0]),
        members=("run",),
        series={cf.FREEZING_LEVEL: Series(cf.FREEZING_LEVEL, np.array([[2500.0]]), datum="ground")},
        provenance=Provenance("invented", "run", START),
        source_point=Point(45.9, 7.9, ground_m),
    )
    found = Reading(forecast, Moments.forward(np.array([T0]))).freezing_level_m()
    assert found[0, 0] == pytest.approx(expected, nan_ok=True)


# -- wind ----------------------------------------------------------------------------------------------------


def test_typed_in_wind_between_above_and_below_the_stated_altitudes() -> None:
    reading = by_hand(
        wind=[{"altitude": 4500, "wind": "20 m/s", "gust": "30 m/s"}, {"altitude": 3500, "wind": "10 m/s"}]
    )
    heights = np.array([2000.0, 3500.0, 4000.0, 4500.0, 4800.0, 4801.0])
    found = np.array([reading.wind_mps(cf.WIND, np.array([height]))[0, 0] for height in heights])
    assert found == pytest.approx([10, 10, 15, 20, 20, NAN], nan_ok=True)
    assert reading.wind_mps(cf.GUST, np.array([3500.0]))[0, 0] == pytest.approx(30)
    assert "cautious upper figure" in reading.methods["wind_mps"]


def test_levels_of_a_model_hold_300_m_beyond_and_no_further() -> None:
    speed = np.broadcast_to(np.array([5.0, 10.0, 15.0, 20.0]), (1, 2, 4))
    drawn = ensemble(
        1, hours=1, changes={cf.WIND: speed, cf.LEVEL_HEIGHT: np.broadcast_to(HEIGHTS_M, (1, 2, 4))}
    )
    heights = np.array([1156.0, 1157.0, 1457.0, 3609.0, 5574.0, 5874.0, 5875.0])
    reading = Reading(drawn, Moments.forward(np.full(heights.size, T0)))
    assert reading.wind_mps(cf.WIND, heights)[0] == pytest.approx([NAN, 5, 5, 12.5, 20, 20, NAN], nan_ok=True)


def test_pressure_comes_from_the_levels_where_there_are_heights() -> None:
    drawn = ensemble(1, hours=72, changes={cf.LEVEL_HEIGHT: np.broadcast_to(HEIGHTS_M, (1, 73, 4))})
    reading = Reading(drawn, Moments.forward(np.full(3, T0)))
    found = reading.pressure_hpa(np.array([1457.0, (3012 + 4206) / 2, 1400.0]))[0]
    assert found == pytest.approx([850, np.sqrt(700 * 600), NAN], nan_ok=True)
    conditions = evaluate(TWO_DAYS, drawn)
    assert conditions.complete["pressure_hpa"].all()
    assert conditions.low["pressure_hpa"][0, 1] == pytest.approx(600 * (500 / 600) ** (194 / 1368))


def test_pressure_levels_without_heights_say_nothing() -> None:
    drawn = ensemble(1, hours=2)
    series = {name: given for name, given in drawn.series.items() if name != cf.LEVEL_HEIGHT}
    bare = Forecast(
        drawn.kind,
        drawn.place,
        drawn.times_epoch_s,
        drawn.members,
        series,
        drawn.provenance,
        PRESSURES_PA,
        "pressure",
    )
    reading = Reading(bare, Moments.forward(np.array([T0])))
    assert np.isnan(reading.wind_mps(cf.WIND, np.array([3012.0]))).all()
    assert np.isnan(reading.pressure_hpa(np.array([3012.0]))).all()
    freezing = reading.freezing_level_m()
    assert reading.temperature_c(np.array([3012.0]), freezing) == pytest.approx((freezing - 3012) * 0.0065)


# -- time ----------------------------------------------------------------------------------------------------


def test_a_block_holds_from_its_start_up_to_its_end() -> None:
    bounds = np.array([[0, 100], [100, 200], [300, 400]])
    series = Series(cf.THUNDER, np.array([[0.0, 1.0, 2.0]]), "max", bounds)
    times = np.array([-1, 0, 99, 100, 199, 200, 300, 399, 400])
    ahead = rules.at_moments(series, bounds[:, 0], Moments.forward(times))
    np.testing.assert_array_equal(ahead[0], [NAN, 0, 0, 1, 1, NAN, 2, 2, NAN])
    back = rules.at_moments(series, bounds[:, 0], Moments(times, np.ones(9, dtype=bool)))
    np.testing.assert_array_equal(back[0], [NAN, NAN, 0, 0, 1, 1, NAN, 2, 2])


def test_instants_are_joined_and_a_missing_one_leaves_only_its_neighbourhood_open() -> None:
    times = np.arange(5) * 3600
    series = Series(cf.UV, np.array([[0.0, 2.0, NAN, 6.0, 8.0], [0.0, 2.0, 4.0, 6.0, 8.0]]))
    wanted = np.array([0, 1800, 3600, 5400, 7200, 9000, 10800, 14400, 14401])
    found = rules.at_moments(series, times, Moments.forward(wanted))
    np.testing.assert_array_equal(found[0], [0, 1, 2, NAN, NAN, NAN, 6, 8, NAN])
    np.testing.assert_array_equal(found[1], [0, 1, 2, 3, 4, 5, 6, 8, NAN])


def test_variables_with_their_own_steps_share_one_axis() -> None:
    """Hourly instants and a six-hour sum: rows that say nothing are passed over, not read as gaps."""
    times = np.arange(7) * 3600
    six_hourly = np.full((1, 7), NAN)
    six_hourly[0, [0, 6]] = [0.0, 6.0]
    found = rules.at_moments(Series(cf.UV, six_hourly), times, Moments.forward(np.array([3 * 3600])))
    assert found[0, 0] == 3
    sums = np.full((1, 7), NAN)
    sums[0, 6] = 12.0
    bounds = np.stack([times, times], axis=1)
    bounds[6] = [0, 6 * 3600]
    forecast = Forecast(
        kind="deterministic",
        place=Point(45.94, 7.86),
        times_epoch_s=times,
        members=("run",),
        series={cf.PRECIPITATION: Series(cf.PRECIPITATION, sums, "sum", bounds)},
        provenance=Provenance("invented", "run", START),
    )
    reading = Reading(forecast, Moments.forward(np.array([3600, 20_000])))
    np.testing.assert_array_equal(reading.rate_per_h(cf.PRECIPITATION), [[2, 2]])
