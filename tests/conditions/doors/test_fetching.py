"""Fetching: what comes is received once, and the last good forecast stays whatever happens."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
from fastapi import FastAPI
from starlette.testclient import TestClient

from api.clock import FixedClock
from api.conditions import queries
from api.conditions.canonical import from_bytes
from api.conditions.refresh import same_issue, spread, window_of
from api.settings import Settings
from tests.conditions.building import ensemble
from tests.conditions.doors.conftest import (
    CLIMB,
    EDR,
    MET,
    NOW,
    OPEN,
    START,
    TRIP,
    URL,
    entries,
    refreshed,
    sources,
)
from tests.conditions.kessandry import PLAN, at, issue
from tests.support.weather_answers import RUN, Fault, Standin


def test_before_anything_was_asked_the_sources_are_listed(planned: TestClient) -> None:
    found = sources(planned)
    assert set(found) == {OPEN, MET, EDR}
    assert all(one["newest"] is None and one["gives"] and one["lacks"] for one in found.values())
    assert "final call rests with licensed guides" in planned.get(f"{URL}/sources").json()["caution"]


def test_asked_services_bring_forecasts_into_the_journal(planned: TestClient, app: FastAPI) -> None:
    found = refreshed(planned)
    assert {one["state"] for one in found.values()} == {"done"}
    written = entries(app)
    assert {entry.body.provider for entry in written} == {OPEN, MET, EDR}
    assert {(entry.actor.role, entry.device) for entry in written} == {("system", "refresh")}
    newest = found[OPEN]["newest"]
    assert newest["licence"] == "CC BY 4.0"
    assert newest["attribution"]
    whole = planned.get(f"{URL}/{newest['forecast']}")
    assert from_bytes(whole.content).provenance.provider == OPEN


def test_the_same_issue_is_not_received_twice(planned: TestClient, app: FastAPI) -> None:
    refreshed(planned)
    before = len(entries(app))
    refreshed(planned)
    assert len(entries(app)) == before


def test_a_newer_run_is_received(
    planned: TestClient, app: FastAPI, standin: Standin, clock: FixedClock
) -> None:
    standin.expires_s = -1
    refreshed(planned)
    standin.run = RUN + timedelta(hours=6)
    clock.advance(timedelta(hours=3))
    found = refreshed(planned)
    assert {one["newest"]["issued_at"] for one in found.values()} == {"2026-07-03T06:00:00Z"}
    assert len(entries(app)) == 6


@pytest.mark.parametrize(
    "fault",
    [
        Fault(403, b"<html/>", "text/html"),
        Fault(429, b'{"reason":"Daily API request limit exceeded."}'),
        Fault(503, b'{"title":"Forecast Grid Expired"}'),
        Fault(200, b'{"cut":'),
        Fault(200, b"{}"),
        Fault(200, b"[]"),
        Fault(cut=True),
    ],
    ids=["403", "429", "503", "cut", "empty", "list", "connection"],
)
def test_a_failing_service_loses_nothing(
    fault: Fault, planned: TestClient, app: FastAPI, standin: Standin, clock: FixedClock
) -> None:
    standin.expires_s = -1
    before = refreshed(planned)
    standin.run = RUN + timedelta(hours=3)
    for path in ("/v1", "/data", "/weatherapi", "/edr"):
        standin.faults[path] += [fault] * 4
    after = refreshed(planned)
    for provider, one in after.items():
        assert one["state"] == "failed", provider
        assert one["problem"]
        assert one["newest"] == before[provider]["newest"]
    assert len(entries(app)) == 3
    assert planned.get(f"/trips/{TRIP}").status_code == 200


def test_one_failing_service_holds_up_no_other(planned: TestClient, standin: Standin) -> None:
    standin.faults["/weatherapi"] += [Fault(500, b"{}")] * 4
    found = refreshed(planned)
    assert {p: one["state"] for p, one in found.items()} == {OPEN: "done", MET: "failed", EDR: "done"}
    assert "500" in found[MET]["problem"]


def test_a_fault_of_our_own_is_said_and_ends_nothing(
    planned: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    from api.conditions import refresh

    def fails(*_: Any) -> bytes:
        raise RuntimeError("unforeseen")

    monkeypatch.setattr(refresh, "to_bytes", fails)
    assert {one["state"] for one in refreshed(planned).values()} == {"failed"}
    monkeypatch.undo()
    assert {one["state"] for one in refreshed(planned).values()} == {"done"}


def test_pages_do_not_wait_for_a_slow_service(planned: TestClient, standin: Standin) -> None:
    answer = threading.Event()
    standin.faults["/weatherapi"].append(Fault(held=answer))
    assert planned.post(f"{URL}/refresh").status_code == 202
    assert planned.get(f"/trips/{TRIP}/forecasts/sources").status_code == 200
    assert sources(planned)[MET]["state"] == "asking"
    answer.set()


def test_a_trip_that_is_over_is_not_asked_for(planned: TestClient, standin: Standin) -> None:
    answer = planned.post("/api/trips/over/forecasts/refresh")
    assert answer.status_code == 409
    assert "over" in answer.json()["detail"]
    assert standin.log == []


class TestByItself:
    @pytest.fixture
    def settings(self, settings: Settings) -> Settings:
        return settings.model_copy(update={"forecast_refresh_min": 30})

    def test_what_is_due_is_asked_for(
        self, planned: TestClient, app: FastAPI, standin: Standin, clock: FixedClock
    ) -> None:
        refresher = app.state.forecast_refresher
        assert planned.portal is not None
        planned.portal.call(refresher.look)
        assert {entry.body.provider for entry in entries(app)} == {OPEN, MET, EDR}
        asked = len(standin.log)
        planned.portal.call(refresher.look)
        assert len(standin.log) == asked
        clock.advance(timedelta(minutes=40))
        planned.portal.call(refresher.look)
        assert len(standin.log) > asked

    def test_one_process_at_a_time_looks(
        self, planned: TestClient, app: FastAPI, standin: Standin, database_kind: str
    ) -> None:
        """PostgreSQL only; with SQLite there is one process."""
        look = app.state.forecast_refresher.look
        assert planned.portal is not None
        engine, _ = app.state.db.engines()
        with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as other:
            assert queries.try_to_lead(other)
            planned.portal.call(look)
            assert (standin.log == []) == (database_kind == "postgres")
            queries.stop_leading(other)
        planned.portal.call(look)
        assert {entry.body.provider for entry in entries(app)} == {OPEN, MET, EDR}


class TestNothingConfigured:
    @pytest.fixture
    def settings(self, settings: Settings) -> Settings:
        return settings.model_copy(update={"forecast_user_agent": " "})

    def test_no_service_is_asked_and_the_reason_is_said(self, planned: TestClient, standin: Standin) -> None:
        answer = planned.post(f"{URL}/refresh")
        assert answer.status_code == 409
        assert "RIMAYE_FORECAST_USER_AGENT" in answer.json()["detail"]
        assert sources(planned) == {}
        assert standin.log == []


# -- when, and whether it is new


def test_the_window_begins_at_a_full_day_and_ends_after_the_last_night() -> None:
    window = window_of(CLIMB, NOW)
    assert window is not None
    assert window.starts_at == RUN
    assert window.ends_at == START + timedelta(hours=18 + 15)
    assert window_of(CLIMB, START + timedelta(days=3)) is None
    assert window_of(CLIMB, START - timedelta(days=30)) is None
    assert window_of(PLAN, at(13, "18:30")) is not None


Change = Callable[[Any], Any]


def test_an_issue_without_its_first_hours_says_nothing_new() -> None:
    whole = ensemble(2, 24)
    assert same_issue(whole, ensemble(2, 24))
    assert not same_issue(whole, ensemble(2, 24, seed=2))
    assert not same_issue(whole, ensemble(3, 24))
    assert not same_issue(ensemble(2, 12), whole)
    assert not same_issue(whole, issue("F3"))


def test_questions_are_spread_over_a_fifth_of_the_interval() -> None:
    hour = timedelta(hours=1)
    found = {spread(f"trip-{i}", MET, hour) for i in range(50)}
    assert len(found) > 30
    assert all(timedelta(0) <= one <= hour / 5 for one in found)
