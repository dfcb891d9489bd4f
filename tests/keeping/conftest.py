"""A SQLite database with something in every table."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.db import Database
from tests.keeping.filling import fill
from tests.support.databases import SqliteTemplates


@pytest.fixture(scope="session")
def filled_file(sqlite_templates: SqliteTemplates, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Made once; to be copied."""
    with sqlite_templates.fresh(tmp_path_factory.mktemp("filled")) as url:
        db = Database(url)
        fill(db)
        db.close()
        return Path(str(db.url.database))


@pytest.fixture
def filled(filled_file: Path, tmp_path: Path) -> Iterator[Database]:
    file = tmp_path / "house.sqlite3"
    shutil.copyfile(filled_file, file)
    db = Database(f"sqlite:///{file}")
    yield db
    db.close()
