"""The yard on SQLite, and a client that reads as a guide."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from fastapi import FastAPI

from api.clock import FixedClock
from api.main import create_app
from api.settings import Settings
from tests.handson.yard import furnish, read_by_cookie
from tests.readiness.building import START
from tests.support.client import IsolatedTestClient


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(START)


@pytest.fixture
def app(settings: Settings, clock: FixedClock) -> FastAPI:
    app = create_app(settings, clock=clock)
    read_by_cookie(app)
    return app


@pytest.fixture
def yard(app: FastAPI) -> Iterator[IsolatedTestClient]:
    """A client of the furnished app, reading as the lead guide."""
    with IsolatedTestClient(app) as client:
        furnish(app.state.db)
        yield client
