"""The demo with its locker, at the moment when everything is laid out and nothing is fixed."""

import pytest
from fastapi import FastAPI

from api.access.current import Reader
from api.clock import FixedClock
from api.db import Database
from api.readiness.service import Readiness
from seeds import demo, loading, locker
from tests.support.client import IsolatedTestClient

OUTFIT, TRIP, OTHER = "quillstone", "kessandry-2026-09", "anselt-course-2026-09"
LEAD = Reader(outfit=OUTFIT, staff="p01", name="Maren Okafor-Lindqvist", role="lead", everywhere=True)


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(demo.scenario().moment("2026-09-12T08:30"))


@pytest.fixture
def lent(client: IsolatedTestClient, app: FastAPI) -> IsolatedTestClient:
    """A client of an installation that has the demo and its locker."""
    fill(app.state.db)
    return client


@pytest.fixture
def db(lent: IsolatedTestClient, app: FastAPI) -> Database:
    return app.state.db


@pytest.fixture
def readiness(lent: IsolatedTestClient, app: FastAPI) -> Readiness:
    return app.state.readiness


def fill(db: Database) -> None:
    """Seed the demo, then its locker."""
    loading.seed(db)
    with db.writing() as work:
        if not locker.queries.items(work, OUTFIT):
            locker.load(work, OUTFIT)
