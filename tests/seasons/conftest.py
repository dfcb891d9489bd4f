"""A few invented trips, as journals and as the review keeps them."""

import shutil
from pathlib import Path

import pytest
from fastapi import FastAPI

from api.access.current import Reader
from api.clock import FixedClock
from api.db import Database
from api.journal.service import Journal
from api.readiness.service import Readiness
from seeds import demo, history_loading, loading
from seeds.history import invent
from tests.support.databases import SqliteTemplates
from tests.support.readers import read_as

OUTFIT = "quillstone"
TRIPS_A_SEASON = 6
NOW = demo.scenario().moment("2026-09-12T08:30")
OFFICE = Reader(outfit=OUTFIT, staff="office", name="Petra Vasilenko", role="office")


@pytest.fixture(scope="session")
def history_file(sqlite_templates: SqliteTemplates, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A SQLite file with the demo and twelve invented trips, reviewed; to be copied."""
    folder = tmp_path_factory.mktemp("seasons")
    with sqlite_templates.fresh(folder) as url:
        db = Database(url)
        loading.seed(db)
        history_loading.load(db, FixedClock(NOW), trips=invent(TRIPS_A_SEASON))
        db.close()
    return next(folder.glob("*.sqlite3"))


@pytest.fixture
def sqlite_url(history_file: Path, tmp_path: Path) -> str:
    """The URL of a copy of it."""
    file = tmp_path / "seasons.sqlite3"
    shutil.copyfile(history_file, file)
    return f"sqlite:///{file}"


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(NOW)


@pytest.fixture
def readiness(clock: FixedClock) -> Readiness:
    return Readiness(Journal(clock), clock)


@pytest.fixture
def app(app: FastAPI) -> FastAPI:
    """The app, read by the office."""
    read_as(app, "office")
    return app
