"""A service with a trip weeks ahead, and Ana's personal link to it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from fastapi import FastAPI

from api.clock import FixedClock
from api.journal.fold import Picture
from tests.selfreport.people import ANA, LEAD, OUTFIT, TRIP, WEEKS_BEFORE, furnish, read_as
from tests.support.client import IsolatedTestClient


@dataclass
class House:
    """The service as the tests use it."""

    app: FastAPI
    client: IsolatedTestClient
    clock: FixedClock

    def picture(self, trip: str = TRIP) -> Picture:
        with self.app.state.db.reading() as conn:
            found: Picture = self.app.state.journal.picture(conn, OUTFIT, trip).picture
        return found

    def entries(self, trip: str = TRIP) -> tuple[Any, ...]:
        with self.app.state.db.reading() as conn:
            found: tuple[Any, ...] = self.app.state.journal.picture(conn, OUTFIT, trip).entries
        return found

    def link(self, member: str = ANA, trip: str = TRIP) -> str:
        """The path of a new personal link."""
        made = self.client.post(f"/api/trips/{trip}/self-report-links", json={"members": [member]})
        assert made.status_code == 201, made.text
        return str(made.json()[0]["address"]).removeprefix("http://127.0.0.1")


@pytest.fixture
def house(app: FastAPI, clock: FixedClock) -> Iterator[House]:
    clock.set(WEEKS_BEFORE)
    with IsolatedTestClient(app, follow_redirects=False) as client:
        furnish(app)
        read_as(app, LEAD)
        yield House(app, client, clock)


@pytest.fixture
def link(house: House) -> str:
    """Ana's link."""
    return house.link()
