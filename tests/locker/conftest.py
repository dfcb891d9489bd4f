"""The demo with its locker, at the moment when everything is laid out and nothing is fixed."""

import shutil
from pathlib import Path

import pytest
from fastapi import FastAPI

from api.access.current import Reader
from api.clock import FixedClock
from api.db import Database
from api.readiness.service import Readiness
from seeds import demo, loading, locker
from tests.support.client import IsolatedTestClient
from tests.support.databases import SqliteTemplates

OUTFIT, TRIP, OTHER = "quillstone", "kessandry-2026-09", "anselt-course-2026-09"
LEAD = Reader(outfit=OUTFIT, staff="p01", name="Maren Okafor-Lindqvist", role="lead", everywhere=True)


@pytest.fixture(scope="session")
def filled_file(sqlite_templates: SqliteTemplates, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A SQLite file with the demo and its locker, to be copied."""
    folder = tmp_path_factory.mktemp("locker")
    with sqlite_templates.fresh(folder) as url:
        db = Database(url)
        fill(db)
        db.close()
    return next(folder.glob("*.sqlite3"))


@pytest.fixture
def sqlite_url(filled_file: Path, tmp_path: Path) -> str:
    """The URL of a copy of it."""
    file = tmp_path / "locker.sqlite3"
    shutil.copyfile(filled_file, file)
    return f"sqlite:///{file}"


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
        locker.load_once(work, OUTFIT)
