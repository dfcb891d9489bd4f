"""A planned trip, with forecast services on loopback configured."""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
import stamina
from fastapi import FastAPI
from starlette.testclient import TestClient

from api.clock import FixedClock
from api.ids import new_id
from api.journal import store
from api.journal.entry import Actor, Entry
from api.journal.kinds import TripPlanned
from api.journal.queries import create_outfit, create_trip
from api.settings import Settings
from tests.conditions.building import place, stage, trip
from tests.support.weather_answers import RUN, Standin
from tests.support.weather_standin import standing_in

OUTFIT, TRIP = "quillstone", "peak"
URL = f"/api/trips/{TRIP}/forecasts"
START = RUN + timedelta(hours=12)
CLIMB = trip(
    stage("up", START, 6, 1500, 3000),
    stage("top", START + timedelta(hours=12), 6, 3000, 4400),
    at=place(zone="Europe/Zurich"),
)
NOW = RUN + timedelta(hours=5)


@pytest.fixture(autouse=True)
def _no_waiting() -> Iterator[None]:
    with stamina.set_testing(True, attempts=2):
        yield


@pytest.fixture
def standin() -> Iterator[Standin]:
    with standing_in() as standin:
        yield standin


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(NOW)


@pytest.fixture
def settings(settings: Settings, standin: Standin) -> Settings:
    """Three services configured, asked only by the button."""
    return settings.model_copy(
        update={
            "forecast_user_agent": "quillstone-board ops@example.org",
            "forecast_refresh_min": 0,
            "forecast_openjson_url": standin.url,
            "forecast_openjson_models": "invented_2km",
            "forecast_metno_url": standin.url,
            "forecast_edr_url": f"{standin.url}/edr",
            "forecast_edr_collections": "peaks",
        }
    )


@pytest.fixture
def client(app: FastAPI) -> Iterator[TestClient]:
    """A client that does not mind connections in use after an answer: services are asked meanwhile."""
    with TestClient(app, base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def planned(client: TestClient, app: FastAPI) -> TestClient:
    """A trip with a plan."""
    lead = Actor(id="lead", name="Lead guide", role="lead")
    with app.state.db.writing() as work:
        create_outfit(work, OUTFIT, "Quillstone Mountain Guides")
        for name, plan in ((TRIP, CLIMB), ("over", trip(stage("x", NOW - timedelta(days=9), 5, 1000, 2000)))):
            create_trip(work, name, OUTFIT, NOW)
            body = TripPlanned(plan=plan)
            entry = Entry(id=new_id(NOW), trip=name, body=body, actor=lead, device="test", happened_at=NOW)
            store.append(work, name, OUTFIT, [entry], NOW)
    return client


def sources(client: TestClient) -> dict[str, Any]:
    return {one["provider"]: one for one in client.get(f"{URL}/sources").json()["sources"]}


def refreshed(client: TestClient) -> dict[str, Any]:
    """Ask the services, and what the sources are once all have answered."""
    begun = client.post(f"{URL}/refresh")
    assert begun.status_code == 202, begun.text
    expected = set(begun.json()["asking"])
    deadline = time.monotonic() + 15
    while time.monotonic() < deadline:
        found = sources(client)
        if expected <= {p for p, one in found.items() if one["state"] in ("done", "failed")}:
            return found
        time.sleep(0.05)
    raise AssertionError(f"services still being asked: {sources(client)}")


def entries(app: FastAPI) -> list[Any]:
    with app.state.db.reading() as conn:
        return [entry for entry in store.read(conn, TRIP) if entry.kind.startswith("forecast")]


OPEN, MET, EDR = "openjson invented_2km", "metno", "edr peaks"
