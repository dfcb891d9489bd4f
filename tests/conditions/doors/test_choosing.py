"""Sources beside each other, and which one the board rests on."""

from __future__ import annotations

import html
import threading
from datetime import timedelta

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from api.clock import FixedClock
from api.conditions.sources.covjson_write import write
from tests.conditions.building import ensemble
from tests.conditions.doors.conftest import (
    EDR,
    MET,
    OPEN,
    TRIP,
    URL,
    entries,
    refreshed,
    sources,
)
from tests.support.pages import html_errors
from tests.support.readers import read_as
from tests.support.weather_answers import RUN, Fault, Standin


def test_the_choice_moves_the_board(planned: TestClient, app: FastAPI) -> None:
    refreshed(planned)
    answer = planned.put(f"{URL}/choice", json={"provider": MET})
    assert answer.status_code == 200, answer.text
    assert answer.json()["in_force"] == MET
    board = planned.get(f"/api/trips/{TRIP}/board").json()
    assert board["forecast"]["provider"] == MET
    assert "does not cover" in " ".join(
        f["title"] for f in board["findings"] if f["requirement"] == "forecast"
    )
    assert planned.put(f"{URL}/choice", json={"provider": OPEN}).json()["in_force"] == OPEN
    assert planned.get(f"/api/trips/{TRIP}/board").json()["forecast"]["provider"] == OPEN
    assert planned.put(f"{URL}/choice", json={"provider": None}).json()["provider"] is None
    seq = entries(app)[-1].seq
    planned.put(f"{URL}/choice", json={"provider": None})
    assert entries(app)[-1].seq == seq


def test_whose_data_it_is_stands_wherever_its_numbers_do(planned: TestClient) -> None:
    refreshed(planned)
    planned.put(f"{URL}/choice", json={"provider": MET})
    forecast = planned.get(f"/api/trips/{TRIP}/board").json()["forecast"]
    assert "MET Norway" in forecast["attribution"]
    assert "CC BY 4.0" in forecast["licence"]
    pages = ("", "/mountain", "/mountain/what-if?freezing_level=-200", "/forecasts/sources", "/call")
    for page in pages:
        text = planned.get(f"/trips/{TRIP}{page}").text
        assert forecast["attribution"] in text, page
        assert forecast["licence"] in text, page


def test_a_choice_of_nothing_is_refused(planned: TestClient) -> None:
    answer = planned.put(f"{URL}/choice", json={"provider": "crystal ball"})
    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "provider"


def test_the_office_does_not_choose(planned: TestClient, app: FastAPI) -> None:
    read_as(app, "office")
    assert planned.put(f"{URL}/choice", json={"provider": None}).status_code == 403


def test_sources_stand_beside_each_other(planned: TestClient) -> None:
    refreshed(planned)
    rows = planned.get(f"{URL}/compare").json()["rows"]
    assert [row["stage"] for row in rows[::4]] == ["up", "top"]
    level = next(row for row in rows if (row["stage"], row["metric"]) == ("top", "freezing_level_m"))
    assert level["said"][MET]["value"] is None
    assert level["said"][OPEN]["value"] == pytest.approx(level["said"][EDR]["value"], abs=60.0)
    assert not level["disagree"]
    wind = next(row for row in rows if (row["stage"], row["metric"]) == ("top", "wind_mps"))
    assert wind["said"][MET]["value"] is None
    assert wind["said"][OPEN]["value"] == pytest.approx(4400 / 500.0, abs=0.2)


def test_the_page_shows_sources_with_age_licence_and_warnings(planned: TestClient) -> None:
    refreshed(planned)
    page = planned.get(f"/trips/{TRIP}/forecasts/sources").text
    shown = (
        "In force: the board rests on it",
        "5\u00a0h ago",
        "CC BY 4.0",
        f"rest on {MET}",
        "second opinion",
    )
    for words in shown:
        assert words in page
    assert "every 2s" not in page


def test_the_page_says_while_services_are_asked(planned: TestClient, standin: Standin) -> None:
    answer = threading.Event()
    standin.faults["/weatherapi"].append(Fault(held=answer))
    sent = planned.post(f"/trips/{TRIP}/forecasts/sources/refresh", follow_redirects=False)
    assert sent.status_code == 303
    page = planned.get(sent.headers["location"]).text
    assert "Services are being asked now" in page
    assert "every 2s" in page
    answer.set()


def test_the_choice_goes_through_the_page(planned: TestClient) -> None:
    refreshed(planned)
    sent = planned.post(
        f"/trips/{TRIP}/forecasts/sources/choice", data={"provider": EDR}, follow_redirects=False
    )
    assert sent.status_code == 303
    assert sources(planned)[EDR]["in_force"]
    planned.post(f"/trips/{TRIP}/forecasts/sources/choice", data={"provider": "default"})
    assert planned.get(f"{URL}/sources").json()["chosen"] is None


@pytest.mark.one_database
def test_every_forecast_has_a_page_of_its_own(planned: TestClient, clock: FixedClock) -> None:
    clock.set(RUN + timedelta(hours=24))
    members = write(ensemble(12, 48))
    sent = planned.post(f"{URL}/file", files={"file": ("members.covjson", members)})
    assert sent.status_code == 201, sent.text
    for source in refreshed(planned).values():
        page = planned.get(f"/trips/{TRIP}/forecasts/{source['newest']['forecast']}")
        assert page.status_code == 200
        assert html.escape(source["newest"]["attribution"]) in page.text
    assert planned.get(f"/trips/{TRIP}").status_code == 200


@pytest.mark.one_database
def test_the_pages_keep_to_the_standard(planned: TestClient) -> None:
    empty = planned.get(f"/trips/{TRIP}/forecasts/sources").text
    refreshed(planned)
    planned.put(f"{URL}/choice", json={"provider": EDR})
    wrong = planned.post(f"/trips/{TRIP}/forecasts/sources/file", files={"file": ("f.csv", b"nothing")}).text
    row = b"time,wind_speed[m/s]\n2026-07-03T12:00Z,5\n"
    said = {"issued_at": "2026-07-03T02:00"}
    shown = planned.post(
        f"/trips/{TRIP}/forecasts/sources/file", files={"file": ("f.csv", row)}, data=said
    ).text
    full = planned.get(f"/trips/{TRIP}/forecasts/sources").text
    assert html_errors({"empty": empty, "full": full, "wrong": wrong, "shown": shown}) == []
