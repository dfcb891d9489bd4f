"""Units of work in turns, against the same statements on one bare connection with nobody else about."""

from __future__ import annotations

import tempfile
import threading
from contextlib import closing
from pathlib import Path

from sqlalchemy import text

from api.clock import SystemClock
from api.db import Database, sqlite_module
from tests.bench import Row

THREADS, EACH = 8, 100


def run() -> list[Row]:
    """Rate of read-then-update units of work, eight threads taking turns."""
    with tempfile.TemporaryDirectory() as folder:
        bare = _bare(Path(folder) / "bare.sqlite3")
        ours = _ours(Path(folder) / "ours.sqlite3")
    return [
        Row(
            what="units of work, 8 threads",
            baseline="the same statements on one bare connection",
            ratio=ours / bare,
            figure=f"{ours:.0f} against {bare:.0f} a second",
            bar=0.15,
        )
    ]


def _bare(file: Path) -> float:
    clock = SystemClock()
    with closing(sqlite_module().connect(file)) as connection:
        connection.isolation_level = None
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE counter (value INTEGER)")
        connection.execute("INSERT INTO counter VALUES (0)")
        started = clock.monotonic()
        for _ in range(THREADS * EACH):
            connection.execute("BEGIN IMMEDIATE")
            (value,) = connection.execute("SELECT value FROM counter").fetchone()
            connection.execute("UPDATE counter SET value = ?", (value + 1,))
            connection.execute("COMMIT")
        return THREADS * EACH / (clock.monotonic() - started)


def _ours(file: Path) -> float:
    clock = SystemClock()
    db = Database(f"sqlite:///{file}")
    with db.writing() as work:
        work.execute(text("CREATE TABLE counter (value INTEGER)"))
        work.execute(text("INSERT INTO counter VALUES (0)"))

    def count() -> None:
        for _ in range(EACH):
            with db.writing() as work:
                value = work.execute(text("SELECT value FROM counter")).scalar_one()
                work.execute(text("UPDATE counter SET value = :value"), {"value": value + 1})

    threads = [threading.Thread(target=count) for _ in range(THREADS)]
    started = clock.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    rate = THREADS * EACH / (clock.monotonic() - started)
    db.close()
    return rate
