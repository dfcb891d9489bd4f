"""CoverageJSON in and out. Shapes and rules: OGC 21-069r2 (CoverageJSON community standard, 2023)."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest
from covjson_pydantic.coverage import CoverageCollection

from api.conditions import variables as cf
from api.conditions.canonical import to_bytes
from api.conditions.forecast import Forecast, Point, epoch_s
from api.conditions.sources.covjson import Told, read
from api.conditions.sources.covjson_document import MAX_BYTES
from api.conditions.sources.covjson_write import write
from api.errors import Invalid, TooLarge
from tests.conditions.building import ensemble
from tests.conditions.kessandry import issue
from tests.support.weather_answers import grid

RUN = datetime(2026, 7, 4, tzinfo=UTC)
TOLD = Told(Point(45.94, 7.86, 4400.0), "a valley office", issued_at=RUN)
NAMES = ["air_temperature", "geopotential_height", "wind_speed"]
Json = dict[str, Any]


def coverage(times: int = 2, levels: tuple[int, ...] = (850, 700, 600)) -> Json:
    """A grid of one cell, as a service sends it."""
    return grid(7.86, 45.94, list(levels), [RUN + timedelta(hours=3 * i) for i in range(times)], NAMES)


def of(document: Any, told: Told = TOLD, *, strict: bool = True) -> Forecast:
    return read(json.dumps(document).encode(), told, strict=strict)


def refused(document: Any, told: Told = TOLD) -> str:
    """The field and reason with which a document is refused."""
    with pytest.raises(Invalid) as raised:
        of(document, told)
    (field,) = raised.value.fields
    assert field.remedy
    return f"{field.field}: {field.message}"


# -- the forms that are read


def test_a_grid_of_one_cell() -> None:
    forecast = of(coverage())
    assert forecast.levels.tolist() == [85_000.0, 70_000.0, 60_000.0]
    assert forecast.series[cf.TEMPERATURE].values.shape == (1, 2, 3)
    assert forecast.series[cf.TEMPERATURE].values[0, 0, 1] == pytest.approx(273.15 + 300 * 0.0065)
    assert forecast.source_point == Point(45.94, 7.86)
    assert forecast.provenance.issued_at == RUN


def test_a_vertical_profile_with_its_single_axes_left_out() -> None:
    document = coverage(times=1)
    document["domain"]["domainType"] = "VerticalProfile"
    for ranged in document["ranges"].values():
        ranged |= {"axisNames": ["z"], "shape": [3]}
    assert of(document).series[cf.WIND].values.shape == (1, 1, 3)


def test_series_at_several_levels_are_a_collection() -> None:
    forecasts = []
    for level in (850, 700, 600):
        one = coverage(levels=(level,))
        one["domain"]["domainType"] = "PointSeries"
        forecasts.append(one)
    shared = forecasts[0].pop("parameters")
    for one in forecasts[1:]:
        del one["parameters"]
    document = {"type": "CoverageCollection", "parameters": shared, "coverages": forecasts}
    assert to_bytes(of(document)) == to_bytes(of(coverage()))


def test_profiles_at_several_times_are_a_collection() -> None:
    whole, profiles = coverage(), []
    for step in range(2):
        one = copy.deepcopy(whole)
        one["domain"]["domainType"] = "VerticalProfile"
        one["domain"]["axes"]["t"]["values"] = whole["domain"]["axes"]["t"]["values"][step : step + 1]
        for ranged in one["ranges"].values():
            ranged |= {"shape": [1, 3], "values": ranged["values"][3 * step : 3 * step + 3]}
        profiles.append(one)
    assert to_bytes(of({"type": "CoverageCollection", "coverages": profiles})) == to_bytes(of(whole))


def test_members_are_coverages_with_a_realization() -> None:
    members = []
    for number in range(3):
        one = coverage()
        one["rb:realization"] = number
        one["ranges"]["wind_speed"]["values"] = [10.0 + number] * 6
        members.append(one)
    forecast = of({"type": "CoverageCollection", "coverages": members})
    assert forecast.kind == "ensemble"
    assert forecast.members == ("0", "1", "2")
    assert forecast.series[cf.WIND].values[:, 0, 0].tolist() == [10.0, 11.0, 12.0]


def test_a_compact_axis_and_any_order_of_axes() -> None:
    document = coverage()
    document["domain"]["axes"]["z"] = {"start": 850, "stop": 650, "num": 3}
    for ranged in document["ranges"].values():
        values = np.array(ranged["values"]).reshape(2, 3).T
        ranged |= {"axisNames": ["z", "t"], "shape": [3, 2], "values": values.ravel().tolist()}
    forecast = of(document)
    assert forecast.levels.tolist() == [85_000.0, 75_000.0, 65_000.0]
    assert (
        forecast.series[cf.TEMPERATURE].values.tolist()
        == of(coverage()).series[cf.TEMPERATURE].values.tolist()
    )


def test_missing_stays_missing() -> None:
    document = coverage()
    document["ranges"]["wind_speed"]["values"] = [None, 5.0, None, None, None, None]
    wind = of(document).series[cf.WIND].values[0]
    assert np.isnan(wind).tolist() == [[True, False, True], [True, True, True]]


@pytest.mark.parametrize(
    ("unit", "levels", "kind", "first"),
    [("Pa", [85000, 70000, 60000], "pressure", 85_000.0), ("hPa", [850, 700, 600], "pressure", 85_000.0)],
)
def test_pressures_in_hpa_and_pa(unit: str, levels: list[int], kind: str, first: float) -> None:
    document = coverage()
    document["domain"]["axes"]["z"]["values"] = levels
    document["domain"]["referencing"][1]["system"]["cs"]["csAxes"][0]["unit"]["symbol"] = unit
    forecast = of(document)
    assert (forecast.level_kind, forecast.levels[0]) == (kind, first)


def vertical(name: str, unit: str, **more: str) -> Json:
    axis = {"name": {"en": name}, "direction": "up", "unit": {"symbol": unit}}
    return {"coordinates": ["z"], "system": {"type": "VerticalCRS", "cs": {"csAxes": [axis]}, **more}}


def test_heights_above_the_sea_in_feet() -> None:
    document = coverage()
    document["domain"]["axes"]["z"]["values"] = [5000, 10000, 15000]
    document["domain"]["referencing"][1] = vertical("Gravity-related height", "ft")
    forecast = of(document)
    assert forecast.level_kind == "altitude"
    assert forecast.levels == pytest.approx([1524.0, 3048.0, 4572.0])


def test_one_height_above_the_ground_is_kept_apart_from_levels() -> None:
    document = coverage(levels=(850,))
    document["domain"]["axes"]["z"]["values"] = [10]
    document["domain"]["referencing"][1] = vertical("Height above ground", "m")
    wind = of(document).series[cf.WIND]
    assert not wind.by_level
    assert wind.above_ground_m == 10.0


def test_sums_hold_for_the_bounds_of_their_times() -> None:
    document = coverage(levels=(850,))
    document["parameters"] = {
        "tp": {
            "type": "Parameter",
            "observedProperty": {"id": "x/precipitation_amount", "label": {"en": "Rain"}},
            "unit": {"symbol": {"value": "mm", "type": "http://www.opengis.net/def/uom/UCUM/"}},
        }
    }
    document["ranges"] = {"tp": {**document["ranges"]["wind_speed"], "values": [1.5, 2.5]}}
    del document["domain"]["axes"]["z"]
    document["ranges"]["tp"] |= {"axisNames": ["t"], "shape": [2]}
    assert "for which periods" in refused(document)
    start, end = document["domain"]["axes"]["t"]["values"]
    document["domain"]["axes"]["t"]["bounds"] = [start, end, end, "2026-07-04T06:00:00Z"]
    rain = of(document).series[cf.PRECIPITATION]
    assert rain.cell == "sum"
    assert rain.bounds_epoch_s is not None
    assert (rain.bounds_epoch_s[0] - epoch_s(RUN)).tolist() == [0, 10_800]


# -- what is refused, with its reason


def at(*path: Any, put: Any) -> Callable[[Json], None]:
    """A change of one part of a document."""

    def change(document: Json) -> None:
        inner: Any = document
        for step in path[:-1]:
            inner = inner[step]
        inner[path[-1]] = put

    return change


def drop(*path: Any) -> Callable[[Json], None]:
    def change(document: Json) -> None:
        inner: Any = document
        for step in path[:-1]:
            inner = inner[step]
        del inner[path[-1]]

    return change


Z = ("domain", "axes", "z", "values")
WIND = ("ranges", "wind_speed")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (at("domain", put="http://127.0.0.1/d"), "coverage.domain: is an address"),
        (at(*WIND, put="http://127.0.0.1/r"), "coverage.ranges.wind_speed: is an address"),
        (at(*WIND, "type", put="TiledNdArray"), "is split into tiles"),
        (at(*WIND, "shape", put=[3, 2]), "coverage.ranges.wind_speed.shape: does not fit the axes"),
        (at(*WIND, "shape", put=[2, 4]), "coverage.ranges.wind_speed"),
        (at(*WIND, "shape", put=[4000, 4000]), "holds too many values"),
        (at(*WIND, "axisNames", put=["t", "height"]), "is no axis of the domain"),
        (at(*WIND, "dataType", put="string"), "coverage.ranges.wind_speed"),
        (drop(*WIND, "dataType"), "coverage.ranges.wind_speed"),
        (drop("domain", "referencing"), "coverage.domain.referencing: is missing"),
        (at("domain", "referencing", put=[]), "coverage.domain.referencing"),
        (drop("domain", "referencing", 1), "does not say what z means"),
        (drop("domain", "referencing", 2), "does not say what t means"),
        (at("domain", "referencing", 1, put=vertical("Height", "m")), "does not say what z means"),
        (at("domain", "referencing", 1, put=vertical("Height above ground", "m")), "above the ground"),
        (at("domain", "referencing", 1, put=vertical("Sigma", "1")), "does not say what z means"),
        (at(*Z, put=[850, 600, 700]), "coverage.domain.axes.z: goes up and down"),
        (at(*Z, put=[850, 850, 700]), "coverage.domain.axes.z"),
        (at(*Z, put=["850", "700", "600"]), "coverage.domain.axes.z: is not a number"),
        (at("domain", "axes", "x", "values", put=[7.86, 7.9]), "is not one single place"),
        (at("domain", "axes", "x", "values", put=[786.0]), "no longitude and latitude"),
        (drop("domain", "axes", "t"), "coverage.domain.axes.t: is missing"),
        (at("domain", "axes", "t", "values", put=["2026-07-04T00:00", "2026-07-04T03:00"]), "axes.t"),
        (at("domain", "domainType", put="PointSeries"), "coverage"),
        (at("domain", "domainType", put="Trajectory"), "coverage"),
        (at("domain", "axes", "number", put={"values": [0, 1]}), "coverage.domain.axes.number"),
        (drop("parameters", "wind_speed"), "has no parameter of this name"),
        (at("parameters", "wind_speed", "unit", "symbol", put="furlong"), "parameters.wind_speed.unit"),
        (drop("parameters", "wind_speed", "unit"), "parameters.wind_speed.unit"),
        (at("type", put="Domain"), "type: is not a document with values"),
        (at("ranges", put={}), "holds no variable"),
    ],
)
def test_what_cannot_be_read_is_refused_by_its_part(change: Callable[[Json], None], says: str) -> None:
    document = coverage()
    change(document)
    assert says in refused(document)


def test_the_type_of_a_collection_is_checked_in_each_of_its_members() -> None:
    """The package does not look at what members inherit: three levels are no PointSeries."""
    one = coverage()
    del one["domain"]["domainType"]
    document = {"type": "CoverageCollection", "domainType": "PointSeries", "coverages": [one]}
    assert refused(document).startswith("coverages.0")


@pytest.mark.parametrize("word", ["NaN", "Infinity", "-Infinity"])
def test_numbers_that_json_does_not_have_are_refused(word: str) -> None:
    body = json.dumps(coverage()).replace("3.0", word, 1).encode()
    assert word.encode() in body
    with pytest.raises(Invalid, match=f"holds {word}"):
        read(body, TOLD)


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b'{"type": "Cov', "is not JSON"),
        (b"[1, 2]", "is not a JSON object"),
        (b"\xff\xfe", "not text in UTF-8"),
        (b'{"type": "CoverageCollection", "coverages": []}', "missing, empty or too long"),
        (b'{"type": "CoverageCollection", "coverages": [1]}', "is not a coverage"),
        (b"[" * 100_000, "nested too deeply"),
    ],
)
def test_what_is_no_document_is_refused(body: bytes, says: str) -> None:
    with pytest.raises(Invalid, match=says):
        read(body, TOLD)


def test_too_large_a_file_is_refused() -> None:
    with pytest.raises(TooLarge, match="5 MB"):
        read(b" " * (MAX_BYTES + 1), TOLD)


def test_without_an_issue_time_it_is_asked_for() -> None:
    assert "issued_at" in refused(coverage(), Told(TOLD.place, "x"))


def test_levels_without_a_meaning_are_asked_for_not_guessed() -> None:
    document = coverage()
    del document["domain"]["referencing"][1]
    assert "Say which" not in refused(document)
    assert of(document, Told(TOLD.place, "x", issued_at=RUN, levels="hPa")).levels[0] == 85_000.0


def test_two_places_or_two_values_for_one_are_refused() -> None:
    other = coverage()
    other["domain"]["axes"]["x"]["values"] = [8.0]
    assert "another place" in refused({"type": "CoverageCollection", "coverages": [coverage(), other]})
    other = coverage()
    other["ranges"]["wind_speed"]["values"] = [1.0] * 6
    assert "another value" in refused({"type": "CoverageCollection", "coverages": [coverage(), other]})


def test_a_service_may_send_what_is_not_used() -> None:
    document = coverage()
    document["parameters"]["wind_speed"]["unit"]["symbol"] = "furlong"
    document["parameters"]["ozone"] = document["parameters"]["air_temperature"] | {
        "observedProperty": {"id": "x/ozone", "label": {"en": "Ozone"}}
    }
    document["ranges"]["ozone"] = document["ranges"]["air_temperature"]
    forecast = of(document, strict=False)
    assert set(forecast.series) == {cf.TEMPERATURE, cf.LEVEL_HEIGHT}
    assert len(forecast.provenance.warnings) == 2


# -- written and read back


@pytest.mark.parametrize(
    "forecast",
    [
        pytest.param(issue("F3"), id="typed in"),
        pytest.param(ensemble(1, 24, kind="deterministic", names=["run"]), id="single run"),
        pytest.param(ensemble(5, 48, delivered=False), id="ensemble"),
        pytest.param(ensemble(3, 48, step_h=3, surface_m=2100.0), id="with its ground"),
    ],
)
def test_what_is_written_is_read_back_to_the_same_bytes(forecast: Forecast) -> None:
    written = write(forecast)
    CoverageCollection.model_validate_json(written)
    assert to_bytes(read(written, Told(Point(0.0, 0.0), "other"))) == to_bytes(forecast)
