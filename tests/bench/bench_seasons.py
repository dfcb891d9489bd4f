"""The review of 100,000 past trips: reading it, trying a changed kit list, opening a board beside it.

`RIMAYE_BENCH_TRIPS` sets how many trips there are. They are copies of `RIMAYE_BENCH_SAMPLE` trips with real
journals, on which the trial is worked out the ordinary way as well; the results must be equal. On PostgreSQL,
where the ordinary way is the same code, `RIMAYE_BENCH_SAMPLE_POSTGRES` trips are enough for it.
"""

from __future__ import annotations

import os
import statistics
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from sqlalchemy import Connection
from starlette.testclient import TestClient

from api.clock import FixedClock, SystemClock
from api.db import Database
from api.journal.service import Journal
from api.kitlist.schemas import Edition, FromAnchor
from api.kitlist.service import get_edition
from api.main import create_app
from api.readiness.service import Readiness
from api.seasons import trying
from api.seasons.cube_cache import cube_of
from api.seasons.facts import TripRecord
from api.seasons.projection import record_of
from api.settings import Settings
from seeds import demo, history_loading, loading
from seeds.history import invent
from tests.bench import Row
from tests.bench.many_trips import multiply
from tests.seasons.oracle import plain, the_long_way, walked
from tests.support.databases import PostgresTemplates, migrated
from tests.support.readers import read_as

TRIPS = int(os.environ.get("RIMAYE_BENCH_TRIPS", "100000"))
SAMPLE = int(os.environ.get("RIMAYE_BENCH_SAMPLE", "1000"))
SAMPLE_POSTGRES = int(os.environ.get("RIMAYE_BENCH_SAMPLE_POSTGRES", "60"))
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
        templates = PostgresTemplates(Path(folder))
        try:
            with templates.fresh() as few, templates.fresh() as many:
                rows += _measure(few, many, "PostgreSQL", SAMPLE_POSTGRES, Path(folder))
        finally:
            templates.close()
    return rows


def _on_sqlite(folder: Path) -> list[Row]:
    urls = [f"sqlite:///{folder / name}.sqlite3" for name in ("few", "many")]
    for url in urls:
        migrated(url, folder)
    return _measure(*urls, "SQLite", SAMPLE, folder)


def _measure(few_url: str, many_url: str, name: str, sample: int, folder: Path) -> list[Row]:
    with closing(Database(few_url)) as few, closing(Database(many_url)) as many:
        clock = FixedClock(NOW)
        readiness = Readiness(Journal(clock), clock)
        outfit = demo.scenario().data["outfit"]["id"]
        invented = invent(sample // 2, climbers=(10, 10))
        loading.seed(few)
        loading.seed(many)
        history_loading.load(few, clock, trips=invented[:10])
        history_loading.load(many, clock, trips=invented)
        pool = [trip.id for trip in invented]
        with many.reading() as conn:
            found = [record_of(conn, readiness, outfit, trip) for trip in pool]
        records: list[TripRecord] = [record for record in found if record is not None]
        multiply(many, outfit, records, TRIPS)
        rows = [_recurrence(many, many_url, outfit, name, folder), _board(few, many, outfit, name)]
        return rows + _trial(many, readiness, outfit, name, pool)


def _recurrence(db: Database, url: str, outfit: str, name: str, folder: Path) -> Row:
    """The page as the office asks for it: the request, the numbers and the HTML."""
    with db.reading() as conn:
        people = int(cube_of(conn, outfit).people.sum())
    settings = Settings(database_url=url, data_dir=folder / f"data-{name}", access_log=False)
    app = create_app(settings, clock=FixedClock(NOW))
    read_as(app, "office", outfit)
    with TestClient(app, "http://127.0.0.1", headers={"accept": "text/html"}) as client:

        def ask(query: str) -> float:
            def once() -> None:
                answer = client.get(f"/seasons{query}")
                assert answer.status_code == 200, answer.text

            return _median_ms(once, 7)

        took, filtered = ask(""), ask("?month=6&month=7&rental=rented+by+mail")
    worst = max(took, filtered)
    return Row(
        what=f"recurrence page over {TRIPS:,} trips, {people:,} people-trips, warm, {name}",
        baseline=f"the bar of {RECURRENCE_BAR_MS:.0f} ms",
        ratio=RECURRENCE_BAR_MS / worst,
        figure=f"{took:.0f} ms for all, {filtered:.0f} ms for a choice",
        bar=1.0,
    )


def _board(few: Database, many: Database, outfit: str, name: str) -> Row:
    """Cold boards of both, by turns, so that the machine's moods fall on both; the fastest of many counts."""
    took: dict[bool, list[float]] = {True: [], False: []}
    for _ in range(25):
        for is_many, db in ((False, few), (True, many)):
            took[is_many].append(_board_ms(db, outfit))
    few_ms, many_ms = min(took[False]), min(took[True])
    return Row(
        what=f"opening a board beside {TRIPS:,} trips, {name}",
        baseline=f"beside 10 trips, at most {BOARD_BAR} times as long",
        ratio=BOARD_BAR * few_ms / many_ms,
        figure=f"{many_ms:.1f} ms against {few_ms:.1f} ms",
        bar=1.0,
    )


def _board_ms(db: Database, outfit: str) -> float:
    clock = FixedClock(loading.begins_at(demo.moments(demo.scenario())[0]))
    readiness = Readiness(Journal(clock), clock)
    started = TIMER.monotonic()
    with db.reading() as conn:
        readiness.board(conn, outfit, demo.scenario().trip)
    return (TIMER.monotonic() - started) * 1000


def raised(base: Edition, offset: str = "-200 m") -> Edition:
    """The list with one threshold raised by 300 m."""
    value = FromAnchor.model_validate({"from": "high-point", "offset": offset})
    lines = tuple(
        line.model_copy(update={"value": value}) if line.id == "dry-mitts-advised" else line
        for line in base.lines
    )
    return base.model_copy(update={"id": "raised", "lines": lines})


@contextmanager
def one_core() -> Iterator[None]:
    """Keep all threads of this process on one core, where the system can."""
    if not hasattr(os, "sched_setaffinity"):
        yield
        return
    usual = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(usual)})
    try:
        yield
    finally:
        os.sched_setaffinity(0, usual)


def _trial(db: Database, readiness: Readiness, outfit: str, name: str, pool: list[str]) -> list[Row]:
    with one_core(), db.reading() as conn:
        base = get_edition(conn, outfit, "climbers-2025")
        changed = raised(base)
        took = _median_ms(lambda: list(trying.effects(conn, readiness, outfit, base, changed)), 3) / 1000
        return [
            Row(
                what=f"trial of one threshold over {TRIPS:,} trips, on one core, {name}",
                baseline=f"the bar of {TRIAL_BAR_S:.0f} s",
                ratio=TRIAL_BAR_S / took,
                figure=f"{took:.2f} s",
                bar=1.0,
            ),
            _against_ordinary(conn, readiness, outfit, took, (base, changed), pool, name),
        ]


def _against_ordinary(
    conn: Connection,
    readiness: Readiness,
    outfit: str,
    took_s: float,
    editions: tuple[Edition, Edition],
    pool: list[str],
    name: str,
) -> Row:
    started = TIMER.monotonic()
    long_way = [[walked(conn, readiness, outfit, trip, edition) for edition in editions] for trip in pool]
    each = (TIMER.monotonic() - started) / len(pool)
    # A trip is there once itself, and once for each copy of it.
    times = [1 + len(range(at, TRIPS, len(pool))) for at in range(len(pool))]
    for effect in trying.effects(conn, readiness, outfit, *editions):
        expected: Counter[str] = Counter()
        for trip, many in zip(long_way, times, strict=True):
            for number, value in the_long_way(effect, [trip]).items():
                expected[number] += value * many
        if plain(effect.total) != dict(expected):
            raise RuntimeError(f"{effect.requirement}: {plain(effect.total)} is not {dict(expected)}")
    ours = took_s / TRIPS
    return Row(
        what=f"trial of one threshold, per trip, {name}",
        baseline=f"the ordinary path over {len(pool):,} trips, with equal results",
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
