"""The review of 100,000 past trips: reading it, trying a changed kit list, opening a board beside it.

`RIMAYE_BENCH_TRIPS` and `RIMAYE_BENCH_SAMPLE` set how many trips there are and on how many the trial is
worked out the ordinary way.
"""

from __future__ import annotations

import os
import statistics
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection

from api.clock import FixedClock, SystemClock
from api.db import Database
from api.journal.service import Journal
from api.kitlist.schemas import Edition, FromAnchor
from api.kitlist.service import get_edition
from api.readiness.service import Readiness
from api.seasons import trying
from api.seasons.cube_cache import cube_of
from api.seasons.facts import TripRecord
from api.seasons.projection import record_of
from api.seasons.queries import Choice
from api.seasons.service import overview
from seeds import demo, history_loading, loading
from seeds.history import invent
from tests.bench import Row
from tests.bench.many_trips import multiply
from tests.seasons.oracle import walked
from tests.support.databases import PostgresTemplates, migrated

TRIPS = int(os.environ.get("RIMAYE_BENCH_TRIPS", "100000"))
SAMPLE = int(os.environ.get("RIMAYE_BENCH_SAMPLE", "60"))
POOL = 60
RECURRENCE_BAR_MS = 300.0
TRIAL_BAR_S = 5.0
BOARD_BAR = 1.1
PATH_BAR = 50.0
NOW = datetime(2026, 9, 12, tzinfo=UTC)
TIMER = SystemClock()


def run() -> list[Row]:
    """The same on SQLite and on PostgreSQL."""
    with tempfile.TemporaryDirectory() as folder:
        rows = _on_sqlite(Path(folder))
        with _postgres(Path(folder)) as db:
            rows += _measure(db, "PostgreSQL", ordinary=False)
    return rows


def _on_sqlite(folder: Path) -> list[Row]:
    url = f"sqlite:///{folder / 'seasons.sqlite3'}"
    migrated(url, folder)
    with closing(Database(url)) as db:
        return _measure(db, "SQLite", ordinary=True)


@contextmanager
def _postgres(folder: Path) -> Iterator[Database]:
    templates = PostgresTemplates(folder)
    try:
        with templates.fresh() as url, closing(Database(url)) as db:
            yield db
    finally:
        templates.close()


def _measure(db: Database, name: str, *, ordinary: bool) -> list[Row]:
    clock = FixedClock(NOW)
    readiness = Readiness(Journal(clock), clock)
    outfit = demo.scenario().data["outfit"]["id"]
    loading.seed(db)
    invented = invent(POOL // 2, climbers=(10, 10))
    history_loading.load(db, clock, trips=invented)
    few = _board_ms(db, outfit)
    with db.reading() as conn:
        pool = [trip.id for trip in invented]
        found = [record_of(conn, readiness, outfit, trip) for trip in pool]
    records: list[TripRecord] = [record for record in found if record is not None]
    multiply(db, outfit, records, TRIPS)
    rows = [_recurrence(db, outfit, name), _board(few, _board_ms(db, outfit), name)]
    rows += _trial(db, readiness, outfit, name, pool, ordinary=ordinary)
    return rows


def _recurrence(db: Database, outfit: str, name: str) -> Row:
    with db.reading() as conn:
        people = int(cube_of(conn, outfit).people.sum())
        took = _median_ms(lambda: overview(conn, outfit, Choice()), 7)
        narrow = Choice(month=(6, 7), rental=("rented by mail",))
        filtered = _median_ms(lambda: overview(conn, outfit, narrow), 7)
    worst = max(took, filtered)
    return Row(
        what=f"recurrence over {TRIPS:,} trips, {people:,} people-trips, warm, {name}",
        baseline=f"the bar of {RECURRENCE_BAR_MS:.0f} ms",
        ratio=RECURRENCE_BAR_MS / worst,
        figure=f"{took:.0f} ms for all, {filtered:.0f} ms for a choice",
        bar=1.0,
    )


def _board(few_ms: float, many_ms: float, name: str) -> Row:
    return Row(
        what=f"opening a board beside {TRIPS:,} trips, {name}",
        baseline=f"beside {POOL} trips, at most {BOARD_BAR} times as long",
        ratio=BOARD_BAR * few_ms / many_ms,
        figure=f"{many_ms:.1f} ms against {few_ms:.1f} ms",
        bar=1.0,
    )


def _board_ms(db: Database, outfit: str) -> float:
    """Fastest of many cold boards: noise of the machine only ever adds."""
    clock = FixedClock(loading.begins_at(demo.moments(demo.scenario())[0]))
    trip = demo.scenario().trip
    took = []
    for _ in range(15):
        readiness = Readiness(Journal(clock), clock)
        started = TIMER.monotonic()
        with db.reading() as conn:
            readiness.board(conn, outfit, trip)
        took.append((TIMER.monotonic() - started) * 1000)
    return min(took)


def raised(base: Edition, offset: str = "-200 m") -> Edition:
    """The list with one threshold raised by 300 m."""
    value = FromAnchor.model_validate({"from": "high-point", "offset": offset})
    lines = tuple(
        line.model_copy(update={"value": value}) if line.id == "dry-mitts-advised" else line
        for line in base.lines
    )
    return base.model_copy(update={"id": "raised", "lines": lines})


def _trial(
    db: Database, readiness: Readiness, outfit: str, name: str, pool: list[str], *, ordinary: bool
) -> list[Row]:
    with db.reading() as conn:
        base = get_edition(conn, outfit, "climbers-2025")
        changed = raised(base)
        took = _median_ms(lambda: list(trying.effects(conn, outfit, base, changed)), 3) / 1000
        rows = [
            Row(
                what=f"trial of one threshold over {TRIPS:,} trips, {name}",
                baseline=f"the bar of {TRIAL_BAR_S:.0f} s",
                ratio=TRIAL_BAR_S / took,
                figure=f"{took:.2f} s",
                bar=1.0,
            )
        ]
        if ordinary:
            rows.append(_against_ordinary(conn, readiness, outfit, took, (base, changed), pool))
    return rows


def _against_ordinary(
    conn: Connection,
    readiness: Readiness,
    outfit: str,
    took_s: float,
    editions: tuple[Edition, Edition],
    pool: list[str],
) -> Row:
    sample = [pool[at % len(pool)] for at in range(SAMPLE)]
    started = TIMER.monotonic()
    for trip in sample:
        for edition in editions:
            walked(conn, readiness, outfit, trip, edition)
    each = (TIMER.monotonic() - started) / len(sample)
    ours = took_s / TRIPS
    return Row(
        what="trial of one threshold, per trip",
        baseline=f"the ordinary path over {len(sample)} trips",
        ratio=each / ours / PATH_BAR,
        figure=f"{ours * 1e6:.0f} µs against {each * 1e6:.0f} µs, {each / ours:.0f} times; "
        f"at least {PATH_BAR:.0f}",
        bar=1.0,
    )


def _median_ms(fn: Callable[[], object], times: int) -> float:
    fn()
    took = []
    for _ in range(times):
        started = TIMER.monotonic()
        fn()
        took.append((TIMER.monotonic() - started) * 1000)
    return statistics.median(took)
