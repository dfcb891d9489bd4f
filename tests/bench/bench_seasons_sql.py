"""Recurring gaps against the same question asked in SQL, of SQLite and of DuckDB, over the same people.

Like is held against like: the sums of each line of the list. Beside them stands what the whole page takes,
with intervals, ranks and what changed, which the SQL does not work out.

The table they are asked of is what somebody would make who keeps the seasons in a database: a row for each
person, trip and line of the list. It is made once and not timed; neither is our own keeping of counts, which
grows with each trip. `RIMAYE_BENCH_SQL_TRIPS` sets how many trips there are.
"""

from __future__ import annotations

import os
import statistics
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import duckdb

from api.clock import FixedClock, SystemClock
from api.db import Database, sqlite_module
from api.journal.service import Journal
from api.readiness.service import Readiness
from api.seasons import packing, queries
from api.seasons.cube_cache import cube_of
from api.seasons.facts import TripRecord
from api.seasons.projection import record_of
from api.seasons.queries import Choice
from api.seasons.service import chosen_of, overview
from seeds import demo, history_loading, loading
from seeds.history import invent
from tests.bench import Row
from tests.bench.many_trips import SEASONS_BACK, multiply
from tests.support.databases import migrated

TRIPS = int(os.environ.get("RIMAYE_BENCH_SQL_TRIPS", "20000"))
SAMPLE, ROUNDS, AT_ONCE = 30, 5, 500
NOW = datetime(2026, 9, 12, tzinfo=UTC)
TIMER = SystemClock()
NARROW = Choice(month=(6, 7), rental=("rented by mail",))

Counts = dict[str, tuple[int, int]]
"""By requirement: of how many people it was asked, and how many lacked it."""


class Ours(NamedTuple):
    """What we come to, and how long the sums and all numbers of the page take."""

    counts: Counts
    sums_ms: float
    page_ms: float


TABLE = """
CREATE TABLE line (
    record INTEGER, season INTEGER, month INTEGER, route TEXT, edition TEXT, kind TEXT,
    lead TEXT, booking TEXT, rental TEXT, requirement TEXT, asked INTEGER, lacking INTEGER
)"""
COPIES = """
CREATE TABLE person_line AS
SELECT copy.number AS trip, line.season - copy.back AS season, line.month, line.route, line.edition,
       line.kind, line.lead, line.booking, line.rental, line.requirement, line.asked, line.lacking
FROM copy JOIN line ON line.record = copy.record"""
ALL = "SELECT requirement, sum(asked), sum(lacking) FROM person_line {where} GROUP BY requirement"
WHERE = "WHERE month IN (6, 7) AND rental = 'rented by mail'"


def run() -> list[Row]:
    """Equal numbers first; then each way's time, for all trips and for a choice of them."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        url = f"sqlite:///{folder / 'seasons.sqlite3'}"
        migrated(url, folder)
        with closing(Database(url)) as db:
            outfit, records = _seasons(db)
            with db.reading() as conn:
                ours = {
                    choice: Ours(
                        _counts(conn, outfit, choice),
                        _median_ms(lambda c=choice: _sums(conn, outfit, c)),
                        _median_ms(lambda c=choice: overview(conn, outfit, c)),
                    )
                    for choice in (Choice(), NARROW)
                }
        bare = sqlite_module().connect(folder / "plain.sqlite3")
        duck = duckdb.connect(str(folder / "plain.duckdb"))
        with closing(bare), closing(duck):
            lines, copies = list(_lines(records)), list(_copies(len(records)))
            for store in (bare, duck):
                _fill(store, lines, copies)
            bare.commit()
            bare.execute("CREATE INDEX by_choice ON person_line (rental, month)")
            rows = bare.execute("SELECT count(*) FROM person_line").fetchone()[0]
            return [
                _row(which, store, choice, ours[choice], rows)
                for which, store in (("SQL on SQLite", bare), (f"DuckDB {duckdb.__version__}", duck))
                for choice in (Choice(), NARROW)
            ]


def _row(which: str, store: Any, choice: Choice, ours: Ours, rows: int) -> Row:
    asked = ALL.format(where=WHERE if choice is NARROW else "")
    counts = {name: (int(a), int(lacking)) for name, a, lacking in store.execute(asked).fetchall() if a}
    if counts != ours.counts:
        raise RuntimeError(f"{which} counts other gaps than we do")
    took = _median_ms(lambda: store.execute(asked).fetchall())
    what = "a choice of" if choice is NARROW else "all"
    return Row(
        what=f"sums of recurring gaps of {what} {TRIPS:,} trips",
        baseline=f"hand-written {which}, over {rows:,} rows, with equal results",
        ratio=took / ours.sums_ms,
        figure=f"{ours.sums_ms:.2f} against {took:.1f} ms; the whole page's numbers {ours.page_ms:.1f} ms",
    )


def _seasons(db: Database) -> tuple[str, list[TripRecord]]:
    """Copies of some invented trips, and nothing but them."""
    clock = FixedClock(NOW)
    readiness = Readiness(Journal(clock), clock)
    outfit = demo.scenario().data["outfit"]["id"]
    invented = invent(SAMPLE // 2, climbers=(10, 10))
    loading.seed(db)
    history_loading.load(db, clock, trips=invented)
    with db.reading() as conn:
        found = [record_of(conn, readiness, outfit, trip.id) for trip in invented]
    records = [record for record in found if record is not None]
    with db.writing() as work:
        queries.forget_all(work, outfit)
    multiply(db, outfit, records, TRIPS)
    return outfit, records


def _counts(conn: Any, outfit: str, choice: Choice) -> Counts:
    found = overview(conn, outfit, choice)
    return {line.requirement: (line.rate.total, line.rate.hits) for line in found.lines if line.rate.total}


def _sums(conn: Any, outfit: str, choice: Choice) -> Any:
    """Asked and lacking by requirement, as the page begins with."""
    cube = cube_of(conn, outfit)
    return cube.total(chosen_of(cube, choice)[0])


def _lines(records: Sequence[TripRecord]) -> Iterator[tuple[Any, ...]]:
    """The people of each record, once for each line of its list."""
    for number, record in enumerate(records):
        when = record.starts_on.year, record.starts_on.month
        for facts in record.requirements:
            for person, state in zip(record.people, facts.states.tolist(), strict=True):
                _, lead, booking, rental = person.row
                said = bool(state & packing.ASKED), bool(state & packing.LACKING)
                of_trip = (number, *when, record.route, record.edition, record.kind)
                yield (*of_trip, lead, booking, rental, facts.requirement, *map(int, said))


def _copies(records: int) -> Iterator[tuple[int, int, int]]:
    """Which record each trip copies, and how many seasons before it; as `multiply` does."""
    for number in range(TRIPS):
        yield number, number % records, number // records % SEASONS_BACK


def _fill(store: Any, lines: list[tuple[Any, ...]], copies: list[tuple[int, int, int]]) -> None:
    store.execute(TABLE)
    store.execute("CREATE TABLE copy (number INTEGER, record INTEGER, back INTEGER)")
    for table, rows in (("line", lines), ("copy", copies)):
        for start in range(0, len(rows), AT_ONCE):
            some = rows[start : start + AT_ONCE]
            one = f"({', '.join('?' * len(some[0]))})"
            values = [value for row in some for value in row]
            store.execute(f"INSERT INTO {table} VALUES {', '.join([one] * len(some))}", values)
    store.execute(COPIES)


def _median_ms(fn: Callable[[], object]) -> float:
    fn()
    took = []
    for _ in range(ROUNDS):
        started = TIMER.monotonic()
        fn()
        took.append((TIMER.monotonic() - started) * 1000)
    return statistics.median(took)
