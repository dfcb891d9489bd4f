"""Every service from the first question to the forecast, against the stand-in."""

import numpy as np
import pytest

from api.conditions import variables as cf
from api.conditions.forecast import epoch_s
from api.conditions.rules import derived_freezing_level
from api.conditions.sources.asking import Window
from tests.conditions.sources.conftest import KINDS, RUN, USER_AGENT, Asker, utc
from tests.support.weather_answers import ISA_M, MEMBERS, Standin, apart_m, zero_at


@pytest.mark.parametrize("kind", KINDS)
def test_each_service_gives_a_forecast_and_is_told_who_asks(
    kind: str, asker: Asker, standin: Standin
) -> None:
    forecast = asker(kind)
    assert forecast.provenance.issued_at == RUN
    assert forecast.provenance.provider.startswith(kind)
    assert {asked.headers["user-agent"] for asked in standin.log} == {USER_AGENT}
    for series in forecast.series.values():
        assert np.isfinite(series.values).any()


def test_single_run_has_levels_in_si_and_one_member(asker: Asker) -> None:
    forecast = asker("openjson")
    assert forecast.kind == "deterministic"
    assert forecast.members == ("run",)
    assert forecast.levels.tolist() == [85_000.0, 70_000.0, 60_000.0, 50_000.0]
    heights = forecast.series[cf.LEVEL_HEIGHT].values[0, 0]
    assert heights.tolist() == [ISA_M[850], ISA_M[700], ISA_M[600], ISA_M[500]]
    wind = forecast.series[cf.WIND]
    assert wind.by_level
    assert wind.values[0, 0, 1] == pytest.approx(6.2)
    assert forecast.series[cf.FREEZING_LEVEL].datum == "geoid"
    assert forecast.provenance.attribution
    assert forecast.provenance.licence == "CC BY 4.0"


def test_its_sums_are_of_the_hour_before(asker: Asker) -> None:
    snow = asker("openjson").series[cf.NEW_SNOW]
    assert snow.cell == "sum"
    assert snow.values[0, 0] == pytest.approx(0.0035)
    assert snow.bounds_epoch_s is not None
    assert snow.bounds_epoch_s[0].tolist() == [epoch_s(RUN) - 3600, epoch_s(RUN)]


def test_its_profile_gives_the_same_freezing_level_as_it_delivers(asker: Asker) -> None:
    forecast = asker("openjson")
    derived = derived_freezing_level(forecast)
    assert derived is not None
    delivered = forecast.series[cf.FREEZING_LEVEL].values[0, :10]
    assert derived.values[0, :10] == pytest.approx(delivered, abs=0.5)


def test_ensemble_members_are_counted_from_the_answer(asker: Asker) -> None:
    forecast = asker("openjson-ensemble")
    assert forecast.kind == "ensemble"
    assert forecast.members == tuple(map(str, range(MEMBERS)))
    derived = derived_freezing_level(forecast)
    assert derived is not None
    assert derived.values[:, 0] == pytest.approx([zero_at(0) + apart_m(m) for m in range(MEMBERS)], abs=0.5)


def test_one_explicit_model_in_metres_a_second_and_unix_time_is_asked_for(
    asker: Asker, standin: Standin
) -> None:
    asker("openjson")
    (asked,) = (asked for asked in standin.log if asked.path == "/v1/forecast")
    query = {name: values[0] for name, values in asked.query.items()}
    assert query["models"] == "invented_2km"
    assert (query["timeformat"], query["wind_speed_unit"]) == ("unixtime", "ms")
    assert query["elevation"] == "4400"
    assert "timezone" not in query
    assert standin.paths()[0] == standin.paths()[-1] == "/data/invented_2km/static/meta.json"


def test_point_forecast_takes_the_shortest_period_and_adds_none_twice(asker: Asker) -> None:
    """The last step has no period at all; that is unknown, not dry."""
    rain = asker("metno", window=Window(RUN, utc(8))).series[cf.PRECIPITATION]
    assert rain.bounds_epoch_s is not None
    hours = (rain.bounds_epoch_s[:, 1] - rain.bounds_epoch_s[:, 0]) / 3600
    assert set(hours.tolist()) == {0.0, 1.0, 6.0}
    held = hours > 0
    assert np.isnan(rain.values[0, -1])
    assert rain.bounds_epoch_s[held][0, 0] == epoch_s(RUN)
    # 48 hours of 0.2 mm, then 6-hour periods of 1.2 mm: the same rate all the way.
    assert np.nansum(rain.values) == pytest.approx(0.2 * float(hours[held].sum()))


def test_point_forecast_is_near_the_ground_and_says_what_it_lacks(asker: Asker) -> None:
    forecast = asker("metno")
    assert forecast.level_kind is None
    assert forecast.series[cf.TEMPERATURE].above_ground_m == 2.0
    assert forecast.series[cf.TEMPERATURE].values[0, 0] == pytest.approx(271.15)
    assert cf.FREEZING_LEVEL not in forecast.series
    assert any("No freezing level" in warning for warning in forecast.provenance.warnings)


def test_grid_layers_are_expanded_each_by_its_own_intervals(asker: Asker) -> None:
    forecast = asker("nws")
    temperature = forecast.series[cf.TEMPERATURE]
    assert temperature.bounds_epoch_s is not None
    spans = {(b - a) // 3600 for a, b in temperature.bounds_epoch_s.tolist() if b > a}
    assert spans == {1, 47}
    assert forecast.series[cf.WIND].values[0, 0] == pytest.approx(10.0)
    rain = forecast.series[cf.PRECIPITATION]
    assert np.nansum(rain.values) == pytest.approx(12.0)
    assert forecast.series["x_snow_level_altitude"].values[0, 0] == pytest.approx(3290.9)
    assert cf.FREEZING_LEVEL not in forecast.series
    assert cf.GUST not in forecast.series
    assert any("3251 m instead of 4392 m" in warning for warning in forecast.provenance.warnings)


def test_edr_pins_the_newest_run_and_stays_inside_it(asker: Asker, standin: Standin) -> None:
    forecast = asker("edr")
    last = standin.log[-1]
    assert last.path == "/edr/collections/peaks/instances/2026070300/position"
    assert last.query["coords"] == ["POINT(7.86 45.94)"]
    assert last.query["z"] == ["850,700,600,500"]
    assert last.query["parameter-name"] == ["air_temperature,geopotential_height,wind_speed"]
    assert last.query["f"] == ["CoverageJSON"]
    assert forecast.provenance.label == "peaks, run 2026070300"
    # Its unit is written with U+02DA RING ABOVE, as a real server does.
    assert forecast.series[cf.TEMPERATURE].values[0, 0, 1] == pytest.approx(273.15 + (3400 - 3100) * 0.0065)


def test_edr_asks_no_further_than_the_run_reaches(asker: Asker, standin: Standin) -> None:
    forecast = asker("edr", window=Window(utc(3), utc(9)))
    assert standin.log[-1].query["datetime"] == ["2026-07-03T00:00:00Z/2026-07-05T12:00:00Z"]
    assert any("before the trip does" in warning for warning in forecast.provenance.warnings)
