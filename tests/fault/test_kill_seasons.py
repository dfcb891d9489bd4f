"""Killed anywhere while the review takes up a trip anew: the old counts stand, or the new ones, all of them.

The points are drawn by a seed from all lines that are executed: there are many times more than are tried.
"""

from __future__ import annotations

import random
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from sqlalchemy import TextClause, text

from api.clock import FixedClock
from api.db import Database
from api.journal.service import Journal
from api.readiness.service import Readiness
from api.seasons import projection
from tests.fault.killing import API, TRACED, Mortal
from tests.seasons.conftest import NOW, OUTFIT, history_file

__all__ = ["history_file"]

SEED, POINTS = 20260714, 400
PROJECTING = TRACED | {str(API / "seasons" / name) for name in ("projection.py", "queries.py", "counting.py")}
TABLES = ("season_trip", "season_fact", "season_note", "season_summary", "season_state")


def state(db: Database, trip: str) -> dict[str, list[str]]:
    """What the review keeps, but for the rows of other trips."""
    with db.reading() as conn:
        return {name: sorted(map(repr, conn.execute(_rows(name), {"trip": trip}))) for name in TABLES}


def _rows(name: str) -> TextClause:
    of_trips = name in ("season_trip", "season_fact", "season_note")
    return text(f"SELECT * FROM {name}" + (" WHERE trip_id = :trip" if of_trips else ""))


def lines_of(db: Database, work: Callable[[Database], None]) -> int:
    """How many lines of our code the work executes."""
    executed = 0

    def on_event(frame: FrameType, kind: str, _arg: Any) -> Any:
        nonlocal executed
        if frame.f_code.co_filename not in PROJECTING:
            return None
        executed += kind == "line"
        return on_event

    before = sys.gettrace()
    sys.settrace(on_event)
    try:
        work(db)
    finally:
        sys.settrace(before)
    return executed


def test_a_trip_taken_up_anew_is_all_or_nothing_wherever_it_is_killed(
    history_file: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "seasons.sqlite3"
    shutil.copyfile(history_file, file)
    url = f"sqlite:///{file}"
    watcher = Database(url)
    clock = FixedClock(NOW)
    readiness = Readiness(Journal(clock), clock)
    with watcher.reading() as conn:
        trip = str(conn.execute(text("SELECT trip_id FROM season_trip ORDER BY trip_id LIMIT 1")).scalar())
        record = projection.record_of(conn, readiness, OUTFIT, trip)
    assert record is not None
    # Evaluating the trip stores nothing; it is done once, so that the kills fall where something is written.
    monkeypatch.setattr(projection, "record_of", lambda *_: record)
    # As if the journal had grown since: the review is behind on this trip.
    with watcher.writing() as work:
        work.execute(text("UPDATE season_trip SET seq = seq - 1 WHERE trip_id = :trip"), {"trip": trip})

    def keep(db: Database) -> None:
        with db.writing() as work:
            projection.keep(work, readiness, OUTFIT, trip)

    shutil.copyfile(file, tmp_path / "measured.sqlite3")
    measured = Database(f"sqlite:///{tmp_path / 'measured.sqlite3'}")
    before = state(watcher, trip)
    lines = lines_of(measured, keep)
    after = state(measured, trip)
    measured.close()
    assert after != before
    assert lines > POINTS
    drawn = sorted(random.Random(SEED).sample(range(1, lines + 1), POINTS))
    killed = 0
    for line in drawn:
        if not Mortal(url).killed_at(line, keep, PROJECTING):
            break
        killed += 1
        now = state(watcher, trip)
        assert now in (before, after), line
        if now == after:
            break
    assert killed > 0.9 * POINTS, "the commit comes among the last lines"
    keep(watcher)
    watcher.close()
