"""Answers that came whole and are odd all the same: read rightly, warned about, or refused with the reason.

Most are from the public trackers of the services and of their clients.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from api.conditions import variables as cf
from api.conditions.forecast import Point
from api.conditions.sources.asking import Unusable, Window
from tests.conditions.sources.conftest import (
    KINDS,
    MAIN_PATH,
    RUN,
    Asker,
    utc,
)
from tests.support.weather_answers import Standin

Change = Callable[[dict[str, Any]], Any]


def in_hourly(**columns: Any) -> Change:
    def change(answer: dict[str, Any]) -> dict[str, Any]:
        for name, value in columns.items():
            for key in [key for key in answer["hourly"] if key.startswith(name)]:
                answer["hourly"][key] = [value] * len(answer["hourly"]["time"])
        return answer

    return change


@pytest.mark.parametrize("code", [None, -9999, -99999, -100000, 99999, 9.96921e36])
def test_codes_for_missing_are_missing_and_never_a_number(
    code: float | None, asker: Asker, standin: Standin
) -> None:
    standin.changes["/v1/forecast"] = in_hourly(
        freezing_level_height=code, precipitation=code, temperature_700hPa=code
    )
    forecast = asker("openjson")
    assert cf.FREEZING_LEVEL not in forecast.series
    assert cf.PRECIPITATION not in forecast.series
    assert np.isnan(forecast.series[cf.TEMPERATURE].values[..., 1]).all()
    assert np.isfinite(forecast.series[cf.TEMPERATURE].values[..., 0]).all()


def test_an_impossible_number_is_left_out_and_said(asker: Asker, standin: Standin) -> None:
    standin.changes["/v1/forecast"] = in_hourly(temperature_700hPa=-200.0)
    forecast = asker("openjson")
    assert np.isnan(forecast.series[cf.TEMPERATURE].values[..., 1]).all()
    assert any(
        "Air temperature" in warning and "impossible" in warning for warning in forecast.provenance.warnings
    )


def test_a_hardly_possible_freezing_level_is_said(asker: Asker, standin: Standin) -> None:
    standin.changes["/v1/forecast"] = in_hourly(freezing_level_height=8_200.0)
    assert any("8200 m" in warning for warning in asker("openjson").provenance.warnings)


@pytest.mark.parametrize(
    ("variable", "unit", "value", "si"),
    [
        (cf.TEMPERATURE, "°F", 32.0, 273.15),
        (cf.TEMPERATURE, "K", 270.0, 270.0),
        (cf.TEMPERATURE, "\u02daC", 1.0, 274.15),
        (cf.WIND, "km/h", 36.0, 10.0),
        (cf.WIND, "kn", 36.0, 18.52),
        (cf.WIND, "mp/h", 10.0, 4.4704),
        (cf.LEVEL_HEIGHT, "ft", 10_000.0, 3048.0),
    ],
)
def test_units_are_read_from_the_answer(
    variable: str, unit: str, value: float, si: float, asker: Asker, standin: Standin
) -> None:
    name = {cf.TEMPERATURE: "temperature", cf.WIND: "wind_speed", cf.LEVEL_HEIGHT: "geopotential_height"}[
        variable
    ]

    def change(answer: dict[str, Any]) -> dict[str, Any]:
        for key in answer["hourly"]:
            if key.startswith(name):
                answer["hourly_units"][key] = unit
                answer["hourly"][key] = [value] * len(answer["hourly"]["time"])
        return answer

    standin.changes["/v1/forecast"] = change
    assert asker("openjson").series[variable].values[0, 0, 0] == pytest.approx(si)


@pytest.mark.parametrize(("unit", "metres"), [("cm", 0.07), ("mm", 0.007), ("inch", 0.1778)])
def test_new_snow_is_depth_in_metres(unit: str, metres: float, asker: Asker, standin: Standin) -> None:
    def change(answer: dict[str, Any]) -> dict[str, Any]:
        answer["hourly_units"]["snowfall"] = unit
        return in_hourly(snowfall=7.0)(answer)

    standin.changes["/v1/forecast"] = change
    assert asker("openjson").series[cf.NEW_SNOW].values[0, 0] == pytest.approx(metres)


def test_a_variable_in_an_unknown_unit_is_left_out_and_said(asker: Asker, standin: Standin) -> None:
    def change(answer: dict[str, Any]) -> dict[str, Any]:
        answer["hourly_units"] |= {"freezing_level_height": "furlong", "precipitation": None}
        return answer

    standin.changes["/v1/forecast"] = change
    forecast = asker("openjson")
    assert cf.FREEZING_LEVEL not in forecast.series
    assert cf.PRECIPITATION not in forecast.series
    assert sum("its unit" in warning for warning in forecast.provenance.warnings) == 2


def whole(**parts: Any) -> Change:
    return lambda answer: {**answer, **parts}


def without_zone(answer: dict[str, Any]) -> dict[str, Any]:
    answer["hourly_units"]["time"] = "iso8601"
    answer["hourly"]["time"] = ["2026-07-03T00:00"] * len(answer["hourly"]["time"])
    return answer


def shorter_column(answer: dict[str, Any]) -> dict[str, Any]:
    answer["hourly"]["temperature_700hPa"].pop()
    return answer


def with_text(answer: dict[str, Any]) -> dict[str, Any]:
    answer["hourly"]["temperature_700hPa"][0] = "warm"
    return answer


def backwards(answer: dict[str, Any]) -> dict[str, Any]:
    answer["hourly"]["time"].reverse()
    return answer


@pytest.mark.parametrize(
    ("change", "says"),
    [
        pytest.param(without_zone, "zone", id="local times"),
        pytest.param(lambda _: [{"latitude": 1.0}, {"latitude": 2.0}], "single place", id="a list"),
        pytest.param(whole(hourly=None), "no hourly", id="no values"),
        pytest.param(whole(error=True, reason="model gone"), "model gone", id="error with 200"),
        pytest.param(whole(latitude=-45.94), "km away", id="sign of the latitude lost"),
        pytest.param(whole(longitude=-7.86), "km away", id="sign of the longitude lost"),
        pytest.param(shorter_column, "values for", id="column too short"),
        pytest.param(with_text, "not a number", id="text for a number"),
        pytest.param(backwards, "order", id="times backwards"),
        pytest.param(in_hourly(**dict.fromkeys(("temp", *"gwfpsuc"), None)), "no value", id="all null"),
        pytest.param(lambda answer: json.dumps(answer).replace("270.0", "NaN").encode(), "NaN", id="NaN"),
        pytest.param(whole(latitude=400.0), "impossible place", id="no latitude"),
    ],
)
def test_an_answer_that_cannot_be_trusted_is_refused(
    change: Change, says: str, asker: Asker, standin: Standin
) -> None:
    standin.changes["/v1/forecast"] = change
    with pytest.raises(Unusable, match=says):
        asker("openjson")


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "answer", [{}, [], None, 7, "x", {"properties": 1}, {"hourly": [], "hourly_units": {}}]
)
def test_nothing_at_all_is_refused_by_every_source(
    kind: str, answer: Any, asker: Asker, standin: Standin
) -> None:
    standin.changes[MAIN_PATH[kind]] = lambda _: answer
    with pytest.raises(Unusable):
        asker(kind)


@pytest.mark.parametrize("kind", ["edr", "openjson", "nws"])
def test_nothing_on_the_way_to_the_forecast_is_refused(kind: str, asker: Asker, standin: Standin) -> None:
    path = {"edr": "/edr/collections/peaks/instances", "openjson": "/data", "nws": "/points"}[kind]
    standin.changes[path] = lambda _: {}
    with pytest.raises(Unusable):
        asker(kind)


# -- members


def test_members_that_differ_by_variable_are_missing_there(asker: Asker, standin: Standin) -> None:
    def change(answer: dict[str, Any]) -> dict[str, Any]:
        del answer["hourly"]["precipitation_member05"]
        return in_hourly(**{key: None for key in answer["hourly"] if key.endswith("_member04")})(answer)

    standin.changes["/v1/ensemble"] = change
    forecast = asker("openjson-ensemble")
    assert len(forecast.members) == 6
    assert np.isnan(forecast.series[cf.PRECIPITATION].values[5]).all()
    for series in forecast.series.values():
        assert np.isnan(series.values[4]).all()
    told = " ".join(forecast.provenance.warnings)
    assert "Not every variable has all members" in told
    assert "Without any value: member 4" in told


def test_an_ensemble_of_one_is_refused(asker: Asker, standin: Standin) -> None:
    def change(answer: dict[str, Any]) -> dict[str, Any]:
        answer["hourly"] = {key: v for key, v in answer["hourly"].items() if "_member" not in key}
        return answer

    standin.changes["/v1/ensemble"] = change
    with pytest.raises(Unusable, match="1 member"):
        asker("openjson-ensemble")


def test_a_control_of_another_run_is_said(asker: Asker, standin: Standin) -> None:
    def change(answer: dict[str, Any]) -> dict[str, Any]:
        for level in (850, 700, 600, 500):
            key = f"temperature_{level}hPa"
            answer["hourly"][key] = [value - 9.0 for value in answer["hourly"][key]]
        return answer

    assert not any("control" in w for w in asker("openjson-ensemble").provenance.warnings)
    standin.changes["/v1/ensemble"] = change
    standin.run = utc(3, 1)  # Another run: the answer of the first is kept.
    assert any("control" in w for w in asker("openjson-ensemble").provenance.warnings)


# -- place, run, window, seam


@pytest.mark.parametrize("kind", ["openjson", "metno"])
def test_another_elevation_than_was_wanted_is_said(kind: str, asker: Asker, standin: Standin) -> None:
    def change(answer: dict[str, Any]) -> dict[str, Any]:
        if "geometry" in answer:
            answer["geometry"]["coordinates"][2] = 1400
        else:
            answer["elevation"] = 1400.0
        return answer

    standin.changes[MAIN_PATH[kind]] = change
    assert any("1400 m instead of 4400 m" in w for w in asker(kind).provenance.warnings)


def test_a_place_beyond_the_cell_is_said(asker: Asker, standin: Standin) -> None:
    standin.changes["/v1/forecast"] = whole(latitude=46.5)
    assert any("62 km away" in w for w in asker("openjson").provenance.warnings)


@pytest.mark.parametrize("kind", KINDS)
def test_an_old_run_is_said(kind: str, asker: Asker, standin: Standin) -> None:
    standin.run = utc(1, 12)
    assert any(
        "run is 41 hours old" in w for w in asker(kind, window=Window(utc(2), utc(3))).provenance.warnings
    )


@pytest.mark.parametrize("kind", ["edr", "metno", "nws"])
def test_a_forecast_shorter_than_the_trip_is_said(kind: str, asker: Asker) -> None:
    warnings = asker(kind, window=Window(RUN, utc(12))).provenance.warnings
    assert any("before the trip does" in w for w in warnings)


def test_a_run_that_changes_between_two_questions_is_said(asker: Asker, standin: Standin) -> None:
    later: list[int] = []

    def change(answer: dict[str, Any]) -> dict[str, Any]:
        later.append(0)
        if len(later) > 1:
            answer["last_run_initialisation_time"] += 6 * 3600
        return answer

    standin.changes["/data"] = change
    forecast = asker("openjson")
    assert forecast.provenance.issued_at == RUN
    assert any("may mix both" in w for w in forecast.provenance.warnings)
    assert forecast.provenance.expires_at is not None


def test_a_seam_between_two_models_is_said(asker: Asker, standin: Standin) -> None:
    def change(answer: dict[str, Any]) -> dict[str, Any]:
        column = answer["hourly"]["temperature_700hPa"]
        column[20:] = [value + 9.0 for value in column[20:]]
        return answer

    assert not any("jumps" in w for w in asker("openjson").provenance.warnings)
    standin.changes["/v1/forecast"] = change
    standin.run = utc(3, 1)
    assert any("jumps on a level at 03 Jul 20:00" in w for w in asker("openjson").provenance.warnings)


def test_a_change_of_the_clocks_moves_nothing(asker: Asker, standin: Standin) -> None:
    """Zurich leaves summer time on 25 October 2026 at 01:00 UTC: times are UTC all the way."""
    standin.run = RUN.replace(month=10, day=24)
    window = Window(standin.run, RUN.replace(month=10, day=26))
    for kind in ("openjson", "metno", "edr"):
        times = asker(kind, window=window, now=standin.run).times_epoch_s
        assert set(np.diff(times).tolist()) <= {3600, 10_800, 21_600}
        assert times[0] == int(standin.run.timestamp())


def test_coordinates_are_rounded_and_longitude_comes_first_where_it_must(
    asker: Asker, standin: Standin
) -> None:
    where = Point(45.940049, 7.860051, 4400.0)
    asker("metno", place=where)
    assert (standin.log[-1].query["lat"], standin.log[-1].query["lon"]) == (["45.94"], ["7.8601"])
    asker("edr", place=where)
    assert standin.log[-1].query["coords"] == ["POINT(7.8601 45.94)"]
