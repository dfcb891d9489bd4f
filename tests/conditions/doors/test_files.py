"""Files through the door and through the page: previewed, received, or refused exactly."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from tests.conditions.doors.conftest import (
    OPEN,
    START,
    TRIP,
    URL,
    entries,
    refreshed,
    sources,
)
from tests.support.weather_answers import grid


def covjson(zero_lower_k: float = 0.0) -> bytes:
    names = ["air_temperature", "geopotential_height", "wind_speed"]
    times = [START + timedelta(hours=3 * i - 12) for i in range(16)]
    document = grid(7.86, 45.94, [850, 700, 600, 500], times, names)
    values = document["ranges"]["air_temperature"]["values"]
    document["ranges"]["air_temperature"]["values"] = [value - zero_lower_k for value in values]
    return json.dumps(document).encode()


CSV = b"""# model: invented
# reference_time: 2026-07-03T00:00:00Z
time,level[hPa],air_temperature[degC],geopotential_height[m],wind_speed[kt]
2026-07-03T12:00:00Z,700,4.0,3144,19.0
2026-07-03T12:00:00Z,600,-3.0,4395,
"""


def send(client: TestClient, body: bytes, name: str = "f.csv", path: str = "file", **said: str) -> Any:
    return client.post(f"{URL}/{path}", files={"file": (name, body)}, data=said)


def test_a_file_is_previewed_then_received(planned: TestClient, app: FastAPI) -> None:
    shown = send(planned, CSV, path="file/preview", source="Valley office")
    assert shown.status_code == 200, shown.text
    assert shown.json()["would_be"]["provider"] == "file: Valley office"
    assert entries(app) == []
    stored = send(planned, CSV, source="Valley office")
    assert stored.status_code == 201
    assert stored.json()["forecast"]["entered_by"] == "Lead guide"
    assert any("before the trip does" in w for w in stored.json()["forecast"]["warnings"])
    assert send(planned, CSV, source="Valley office").status_code == 200
    assert len(entries(app)) == 1


def test_coverages_can_be_taken_out_and_read_in_again(planned: TestClient) -> None:
    first = send(planned, covjson(), "f.covjson", issued_at="2026-07-03T00:00:00Z")
    assert first.status_code == 201, first.text
    out = planned.get(f"{URL}/{first.json()['forecast']['forecast']}/coverage")
    assert out.headers["content-type"] == "application/vnd.cov+json"
    again = send(planned, out.content, "f.covjson")
    assert again.status_code == 200
    assert again.json()["forecast"]["forecast"] == first.json()["forecast"]["forecast"]


def test_a_file_cannot_pass_for_a_service_or_a_guide(planned: TestClient) -> None:
    refreshed(planned)
    out = planned.get(f"{URL}/{sources(planned)[OPEN]['newest']['forecast']}/coverage").content
    assert send(planned, out, "f.covjson").json()["forecast"]["provider"] == f"file: {OPEN}"
    typed = send(planned, CSV.replace(b"# model", b"# provider: typed in\n# model"))
    assert typed.json()["forecast"]["provider"] == "file: typed in"


def test_two_files_that_disagree_are_said_to(planned: TestClient) -> None:
    for name, lower in (("one", 0.0), ("other", 5.0)):
        sent = send(planned, covjson(lower), "f.covjson", source=name, issued_at="2026-07-03T00:00:00Z")
        assert sent.status_code == 201
    rows = planned.get(f"{URL}/compare").json()["rows"]
    assert all(row["disagree"] for row in rows if row["metric"] == "freezing_level_m")
    page = planned.get(f"/trips/{TRIP}/forecasts/sources").text
    assert "they disagree" in page


@pytest.mark.parametrize(
    ("body", "said", "field"),
    [
        (b"", {}, "file"),
        (b"<html></html>", {}, "file"),
        (b"GRIB\x00\x00", {}, "file"),
        (covjson(), {}, "issued_at"),
        (covjson(), {"issued_at": "2026-07-09T00:00:00Z"}, "issued_at"),
        (covjson().replace(b"45.94", b"-45.94"), {"issued_at": "2026-07-03T00:00:00Z"}, "file"),
        (CSV.replace(b"-3.0", b"cold"), {}, "line 5, column air_temperature[degC]"),
        (CSV.replace(b"[kt]", b"[furlong]"), {}, "line 3, column wind_speed[furlong]"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_exactly(
    body: bytes, said: dict[str, str], field: str, planned: TestClient, app: FastAPI
) -> None:
    answer = send(planned, body, **said)
    assert answer.status_code == 422
    assert [fault["field"] for fault in answer.json()["fields"]] == [field]
    assert entries(app) == []


def test_a_file_goes_through_the_page(planned: TestClient, app: FastAPI) -> None:
    base = f"/trips/{TRIP}/forecasts/sources"
    wrong = planned.post(f"{base}/file", files={"file": ("f.csv", CSV.replace(b"19.0", b"much"))})
    assert wrong.status_code == 422
    assert "line 4, column wind_speed[kt]" in wrong.text
    said = {"source": "Valley office", "issued_at": "2026-07-03T02:00", "levels": ""}
    shown = planned.post(f"{base}/file", files={"file": ("f.covjson", covjson())}, data=said)
    assert shown.status_code == 200
    assert "What the file holds" in shown.text
    assert entries(app) == []
    kept = shown.text.split('name="kept" value="')[1].split('"')[0]
    stored = planned.post(f"{base}/file/store", data={**said, "kept": kept}, follow_redirects=False)
    assert stored.status_code == 303
    (entry,) = entries(app)
    assert entry.body.provider == "file: Valley office"
    assert entry.body.issued_at == datetime(2026, 7, 3, tzinfo=UTC)
    assert planned.get(stored.headers["location"]).status_code == 200
