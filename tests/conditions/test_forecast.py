"""The neutral forecast: one shape, checked when made, the same bytes for the same content."""

import json
from collections.abc import Callable
from dataclasses import FrozenInstanceError, replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from api.conditions import variables as cf
from api.conditions.canonical import content_hash, from_bytes, to_bytes
from api.conditions.forecast import Forecast, Point, Provenance
from api.conditions.series import Series
from api.errors import Invalid
from tests.conditions.building import START, ensemble
from tests.conditions.kessandry import issue

BOUNDS = np.array([[0, 3600], [3600, 7200]])
ROWS = np.array([[1.0, 2.0]])
LEVEL = np.array([[3000.0, 3100.0]])


@pytest.mark.parametrize(
    ("made", "field"),
    [
        (lambda: Series("air_pressure_of_my_own", ROWS), "series"),
        (lambda: Series(cf.UV, ROWS, "median"), "series.ultraviolet_index.cell"),  # type: ignore[arg-type]
        (lambda: Series(cf.UV, ROWS, "max"), "series.ultraviolet_index.bounds"),
        (lambda: Series(cf.UV, ROWS, "max", BOUNDS[:1]), "series.ultraviolet_index.bounds"),
        (lambda: Series(cf.UV, ROWS, "max", BOUNDS[:, ::-1]), "series.ultraviolet_index.bounds"),
        (
            lambda: Series(cf.UV, ROWS, "max", np.array([[0, 3601], [3600, 7200]])),
            "series.ultraviolet_index.bounds",
        ),
        (
            lambda: Series(cf.UV, ROWS, "max", np.array([[0, 0], [3600, 7200]])),
            "series.ultraviolet_index.bounds",
        ),
        (lambda: Series(cf.UV, ROWS[0]), "series.ultraviolet_index.values"),
        (lambda: Series(cf.UV, np.array([[np.inf, 1.0]])), "series.ultraviolet_index.values"),
        (lambda: Series(cf.UV, np.array([[-9999.0, 1.0]])), "series.ultraviolet_index.values"),
        (lambda: Series(cf.TEMPERATURE, np.array([[12.0, 8.0]])), "series.air_temperature.values"),
        (lambda: Series(cf.UV, ROWS, derived=True), "series.ultraviolet_index.method"),
        (lambda: Series(cf.FREEZING_LEVEL, LEVEL), "series.freezing_level_altitude.datum"),
        (lambda: Series(cf.FREEZING_LEVEL, LEVEL, datum="sea"), "series.freezing_level_altitude.datum"),  # type: ignore[arg-type]
        (lambda: Series(cf.UV, ROWS, datum="geoid"), "series.ultraviolet_index.datum"),
        (lambda: Point(91, 0), "latitude_deg"),
        (lambda: Point(45, float("nan")), "longitude_deg"),
        (lambda: Provenance("p", "l", datetime(2026, 7, 4)), "issued_at"),  # noqa: DTZ001
        (lambda: Provenance(" ", "l", START), "provider"),
        (lambda: Provenance("p", "", START), "label"),
        (lambda: replace(ensemble(2), kind="guess"), "kind"),  # type: ignore[arg-type]
        (lambda: replace(ensemble(2), kind="deterministic"), "members"),
        (lambda: replace(ensemble(2), kind="manual"), "members"),
        (lambda: replace(ensemble(2), members=()), "members"),
        (lambda: replace(ensemble(2), members=("a", "a")), "members"),
        (lambda: replace(ensemble(2), members=("a", "b", "c")), "series.air_temperature.values"),
        (lambda: replace(ensemble(2), times_epoch_s=ensemble(2).times_epoch_s[::-1]), "times"),
        (lambda: replace(ensemble(2), times_epoch_s=np.empty(0)), "times"),
        (lambda: replace(ensemble(2), level_kind=None), "level_kind"),
        (lambda: replace(ensemble(2), level_kind="floor"), "level_kind"),  # type: ignore[arg-type]
        (lambda: replace(ensemble(2), levels=np.array([1.0, 1.0, 2.0, 3.0])), "levels"),
        (lambda: replace(ensemble(2), levels=np.array([1.0, np.nan, 2.0, 3.0])), "levels"),
        (
            lambda: replace(ensemble(2), series={cf.UV: ensemble(2).series[cf.WIND]}),
            "series.ultraviolet_index",
        ),
    ],
)
def test_what_cannot_be_a_forecast_is_refused_by_its_field(made: Callable[[], Any], field: str) -> None:
    with pytest.raises(Invalid) as caught:
        made()
    (fault,) = caught.value.fields
    assert fault.field == field
    assert fault.remedy
    assert fault.message


def test_a_forecast_cannot_be_changed() -> None:
    forecast = ensemble(2)
    with pytest.raises(FrozenInstanceError):
        forecast.kind = "manual"  # type: ignore[misc]
    with pytest.raises(ValueError, match="read-only"):
        forecast.series[cf.WIND].values[0, 0, 0] = 99.0
    with pytest.raises(TypeError):
        forecast.series["other"] = forecast.series[cf.WIND]  # type: ignore[index]


def test_changing_the_source_array_afterwards_does_not_reach_in() -> None:
    values = np.array([[1.0, 2.0]])
    series = Series(cf.UV, values)
    values[0, 0] = 9.0
    assert series.values[0, 0] == 1.0


@pytest.mark.parametrize(
    "forecast",
    [issue("F0"), issue("F3", low=100), ensemble(3), ensemble(2, delivered=False, surface_m=1800.5)],
)
def test_bytes_and_back(forecast: Forecast) -> None:
    body = to_bytes(forecast)
    again = from_bytes(body)
    assert to_bytes(again) == body
    assert again.fingerprint == forecast.fingerprint
    assert again.members == forecast.members
    assert again.provenance == forecast.provenance
    for name, series in forecast.series.items():
        np.testing.assert_array_equal(again.series[name].values, series.values)


@given(arrays.arrays(np.float64, (2, 3), elements=st.floats(0, 50) | st.just(float("nan")) | st.just(-0.0)))
def test_every_number_and_every_gap_survives_exactly(values: Any) -> None:
    forecast = Forecast(
        "ensemble",
        Point(45.94, 7.86),
        np.array([0, 1, 2]),
        ("0", "1"),
        {cf.UV: Series(cf.UV, values)},
        Provenance("invented", "run", START),
    )
    body = to_bytes(forecast)
    np.testing.assert_array_equal(from_bytes(body).series[cf.UV].values, values)
    assert to_bytes(from_bytes(body)) == body
    assert b"NaN" not in body


def test_same_content_same_hash_whatever_the_order_and_zone() -> None:
    one = ensemble(2)
    east = timezone(timedelta(hours=6))
    other = replace(
        one,
        series=dict(reversed(one.series.items())),
        provenance=replace(one.provenance, issued_at=one.provenance.issued_at.astimezone(east)),
    )
    assert content_hash(to_bytes(one)) == content_hash(to_bytes(other))
    assert one.fingerprint == other.fingerprint
    assert content_hash(to_bytes(one)) != content_hash(to_bytes(ensemble(2, seed=2)))
    assert one.fingerprint != ensemble(2, seed=2).fingerprint


def test_hash_of_known_bytes() -> None:
    """FIPS 180-4 example: SHA-256 of "abc"."""
    assert content_hash(b"abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def document(**changes: Any) -> bytes:
    return json.dumps(json.loads(to_bytes(issue("F0"))) | changes).encode()


@pytest.mark.parametrize(
    ("body", "field"),
    [
        (b"", "forecast"),
        (b"{", "forecast"),
        (b"<html>", "forecast"),
        (b"[]", "format"),
        (b"{}", "format"),
        (document(format="other/1"), "format"),
        (document(kind="guess"), "kind"),
        (document(times=["yesterday"]), "forecast"),
        (document(times=None), "forecast"),
        (document(place={"latitude_deg": 95, "longitude_deg": 0, "altitude_m": None}), "latitude_deg"),
        (document(place={}), "forecast"),
        (document(series={"wind_speed": {}}), "forecast"),
        (document(series=[]), "forecast"),
        (document(provenance={"provider": "x"}), "forecast"),
        (document(provenance=None), "forecast"),
    ],
)
def test_bytes_that_are_no_forecast_are_refused(body: bytes, field: str) -> None:
    with pytest.raises(Invalid) as caught:
        from_bytes(body)
    assert [fault.field for fault in caught.value.fields] == [field]


def test_a_unit_other_than_si_is_refused() -> None:
    sheet = json.loads(to_bytes(issue("F0")))
    sheet["series"]["wind_speed"]["unit"] = "km h-1"
    with pytest.raises(Invalid) as caught:
        from_bytes(json.dumps(sheet).encode())
    assert caught.value.fields[0].field == "series.wind_speed.unit"


def test_span_covers_moments_and_bounds() -> None:
    begins, ends = ensemble(1, hours=24).span()
    assert begins == START - timedelta(hours=1)
    assert ends == START + timedelta(hours=24)
    assert begins.tzinfo is UTC
