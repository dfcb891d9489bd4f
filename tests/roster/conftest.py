"""A client that may do everything on the trips of one outfit, and the invented trip of these tests."""

from collections.abc import Iterator

import pytest
from fastapi import FastAPI

from api.access.current import Reader, current_reader
from api.journal.queries import create_outfit
from api.roster.export import roster_rows, to_xlsx
from tests.support.client import IsolatedTestClient

from .people import PEOPLE, ROPES
from .plans import plan_json

LEAD = Reader(outfit="quillstone", staff="maren", name="Maren", role="lead", everywhere=True)
OFFICE = Reader(outfit="quillstone", staff="petra", name="Petra", role="office", everywhere=True)


@pytest.fixture
def client(app: FastAPI) -> Iterator[IsolatedTestClient]:
    """A client who reads as the lead guide of the outfit `quillstone`."""
    read_as(app, LEAD)
    with IsolatedTestClient(app) as client:
        with app.state.db.writing() as work:
            create_outfit(work, "quillstone", "Quillstone Mountain Guides")
            create_outfit(work, "other", "Another outfit")
        yield client


def read_as(app: FastAPI, reader: Reader) -> None:
    """From now on, every request comes from this person."""
    app.dependency_overrides[current_reader] = lambda: reader


@pytest.fixture
def trip(client: IsolatedTestClient) -> str:
    """A trip with its plan, nobody on it."""
    answer = client.post("/api/trips", json={"plan": plan_json()})
    assert answer.status_code == 201, answer.text
    return str(answer.json()["id"])


@pytest.fixture
def manned(client: IsolatedTestClient, trip: str) -> str:
    """The trip with four people on two ropes, taken from a file."""
    content = to_xlsx(*roster_rows(PEOPLE.items(), ROPES))
    shown = client.post(f"/api/trips/{trip}/roster/preview", files={"file": ("r.xlsx", content)}).json()
    body = {"fingerprint": shown["fingerprint"], "table": shown["table"]}
    assert client.post(f"/api/trips/{trip}/roster/confirm", json=body).status_code == 200
    return trip


def seq(client: IsolatedTestClient, trip: str) -> int:
    """The number of the trip's last entry."""
    return client.get(f"/api/trips/{trip}").json()["seq"]


@pytest.fixture
def full(client: IsolatedTestClient, trip: str) -> str:
    """The trip with four people on two ropes, under the ids of `PEOPLE`."""
    for member, profile in PEOPLE.items():
        body = {"seen_seq": 1, "profile": profile.model_dump(mode="json")}
        assert client.put(f"/api/trips/{trip}/members/{member}", json=body).status_code == 200
    ropes = [
        {"id": "r-1", "name": "Rope 1", "members": ["m-1", "m-3"]},
        {"id": "r-2", "name": "Rope 2", "members": ["m-2", "m-4"]},
    ]
    assert client.put(f"/api/trips/{trip}/ropes", json={"seen_seq": 5, "ropes": ropes}).status_code == 200
    return trip
