"""A database with one outfit and one open trip."""

from collections.abc import Iterator

import pytest

from api.db import Database
from api.journal.queries import create_outfit, create_trip
from tests.journal.histories import START
from tests.support.databases import SqliteTemplates


def open_trip(db: Database, *trips: str) -> None:
    """Add the outfit `nordhang` with these trips."""
    with db.writing() as work:
        create_outfit(work, "nordhang", "Nordhang")
        for trip in trips:
            create_trip(work, trip, "nordhang", START)


@pytest.fixture
def db(database: Database) -> Database:
    """A fresh database with the empty journals `trip` and `other`."""
    open_trip(database, "trip", "other")
    return database


@pytest.fixture(scope="module")
def shared_db(
    sqlite_templates: SqliteTemplates, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Database]:
    """One SQLite database for many generated histories, each in trips of its own."""
    with sqlite_templates.fresh(tmp_path_factory.mktemp("shared")) as url:
        db = Database(url)
        open_trip(db)
        yield db
        db.close()
