"""Forecasts through the door: stored once, never changed, and written into the journal in the same work."""

import json
from datetime import datetime, timedelta
from typing import Any

import pytest
from fastapi import FastAPI

from api.clock import FixedClock
from api.conditions import service
from api.conditions.canonical import content_hash, from_bytes
from api.db import Database
from api.errors import NotFound
from api.ids import new_id
from api.journal import store
from api.journal.entry import Actor, Entry
from api.journal.kinds import TripPlanned
from api.journal.queries import create_outfit, create_trip
from tests.conditions.kessandry import PLAN, at, issue, typed
from tests.support.client import IsolatedTestClient

OUTFIT, TRIP = "quillstone", "kessandry"
URL = f"/api/trips/{TRIP}/forecasts"


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(at(13, "18:30"))


@pytest.fixture
def planned(client: IsolatedTestClient, app: FastAPI, clock: FixedClock) -> IsolatedTestClient:
    """A trip with a plan."""
    now = clock.now()
    lead = Actor(id="lead", name="Lead guide", role="lead")
    entry = Entry(
        id=new_id(now), trip=TRIP, body=TripPlanned(plan=PLAN), actor=lead, device="test", happened_at=now
    )
    with app.state.db.writing() as work:
        create_outfit(work, OUTFIT, "Quillstone Mountain Guides")
        create_trip(work, TRIP, OUTFIT, now)
        create_trip(work, "unplanned", OUTFIT, now)
        store.append(work, TRIP, OUTFIT, [entry], now)
    return client


def body(name: str = "F3", **changes: Any) -> dict[str, Any]:
    """An issue as JSON."""
    sheet = json.loads(json.dumps(typed(name), default=datetime.isoformat))
    return {**sheet, **changes}


def test_typed_in_forecast_is_stored_and_in_the_journal(planned: IsolatedTestClient, app: FastAPI) -> None:
    answer = planned.post(URL, json=body())
    assert answer.status_code == 201, answer.text
    receipt = answer.json()
    assert receipt["status"] == "stored"
    assert receipt["seq"] == 2
    forecast = receipt["forecast"]["forecast"]

    whole = planned.get(answer.headers["location"])
    assert whole.status_code == 200
    assert content_hash(whole.content) == forecast
    assert from_bytes(whole.content).fingerprint == issue("F3").fingerprint
    assert "immutable" in whole.headers["cache-control"]

    with app.state.db.reading() as conn:
        entry = store.read(conn, TRIP)[-1]
    assert entry.body.kind == "forecast-received"
    assert entry.body.forecast == forecast
    assert entry.body.issued_at == at(13, "18:00")

    (listed,) = planned.get(URL).json()["forecasts"]
    assert listed == receipt["forecast"]
    assert listed["members"] == ["best"]
    assert "final call rests with licensed guides" in planned.get(URL).json()["caution"]


def test_sent_twice_it_is_there_once(planned: IsolatedTestClient) -> None:
    first, second = planned.post(URL, json=body()), planned.post(URL, json=body())
    assert (first.status_code, second.status_code) == (201, 200)
    assert second.json()["status"] == "already-there"
    assert second.json()["seq"] == first.json()["seq"]
    assert len(planned.get(URL).json()["forecasts"]) == 1


def test_newest_issue_comes_first(planned: IsolatedTestClient) -> None:
    for name in ("F3", "F1", "F2"):
        assert planned.post(URL, json=body(name)).status_code == 201
    assert [f["label"] for f in planned.get(URL).json()["forecasts"]] == ["F3", "F2", "F1"]


def test_refused_forecast_stores_nothing(planned: IsolatedTestClient, app: FastAPI) -> None:
    sheet = body()
    sheet["blocks"][2]["freezing_level"]["best"] = "26500 m"
    sheet["blocks"][1]["wind"][0]["wind"] = "60 furlongs"
    answer = planned.post(URL, json=sheet)
    assert answer.status_code == 422
    fields = {field["field"]: field for field in answer.json()["fields"]}
    assert set(fields) == {"blocks.2.freezing_level.best", "blocks.1.wind.0.wind"}
    assert "km/h" in fields["blocks.1.wind.0.wind"]["remedy"]
    with app.state.db.reading() as conn:
        assert store.head(conn, TRIP).seq == 1
        assert conn.exec_driver_sql("SELECT count(*) FROM forecast").scalar() == 0


def test_refused_entry_takes_the_stored_forecast_back(
    planned: IsolatedTestClient, app: FastAPI, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fails(*_: Any, **__: Any) -> None:
        raise RuntimeError("the journal could not be written")

    monkeypatch.setattr(app.state.journal, "write", fails)
    assert planned.post(URL, json=body()).status_code == 500
    with app.state.db.reading() as conn:
        assert conn.exec_driver_sql("SELECT count(*) FROM forecast").scalar() == 0


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"issued_at": (at(13, "18:30") + timedelta(hours=2)).isoformat()}, "issued_at"),
        ({"issued_at": "2026-09-13T18:00:00"}, "issued_at"),
        ({"blocks": []}, "blocks"),
        ({"units": {"wind": "Beaufort"}}, "units.wind"),
        ({"colour": "blue"}, "colour"),
    ],
)
def test_fields_at_fault_are_named(planned: IsolatedTestClient, changes: dict[str, Any], field: str) -> None:
    answer = planned.post(URL, json=body(**changes))
    assert answer.status_code == 422
    assert field in [fault["field"] for fault in answer.json()["fields"]]


def test_what_is_not_there_is_said(planned: IsolatedTestClient) -> None:
    assert planned.get("/api/trips/nowhere/forecasts").status_code == 404
    assert planned.post("/api/trips/nowhere/forecasts", json=body()).status_code == 404
    assert planned.get(f"{URL}/{'0' * 64}").status_code == 404
    unplanned = planned.post("/api/trips/unplanned/forecasts", json=body())
    assert unplanned.status_code == 409
    assert "no plan yet" in unplanned.json()["detail"]


def test_a_forecast_belongs_to_its_outfit(database: Database, clock: FixedClock) -> None:
    with database.writing() as work:
        create_outfit(work, OUTFIT, "Quillstone Mountain Guides")
        create_outfit(work, "other", "Another outfit")
        kept = service.store(work, OUTFIT, issue("F2"), clock.now())
        again = service.store(work, OUTFIT, issue("F2"), clock.now() + timedelta(hours=1))
    assert kept == again
    with database.reading() as conn:
        found = service.forecast_by_hash(conn, OUTFIT, kept.forecast, service.ForecastCache())
        assert found.fingerprint == issue("F2").fingerprint
        with pytest.raises(NotFound, match="no forecast"):
            service.forecast_by_hash(conn, "other", kept.forecast)


def test_a_forecast_at_hand_costs_no_statement(
    database: Database, clock: FixedClock, query_counter: Any
) -> None:
    with database.writing() as work:
        create_outfit(work, OUTFIT, "Quillstone Mountain Guides")
        kept = service.store(work, OUTFIT, issue("F2"), clock.now())
    cache = service.ForecastCache(most=1)
    with database.reading() as conn:
        service.forecast_by_hash(conn, OUTFIT, kept.forecast, cache)
        with query_counter() as statements:
            service.forecast_by_hash(conn, OUTFIT, kept.forecast, cache)
    assert list(statements) == []
