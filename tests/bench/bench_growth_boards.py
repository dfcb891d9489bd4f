"""How the cost of boards grows: in past trips, in the journal's length, in viewers; as exponents, fitted."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import tempfile
from contextlib import ExitStack, closing, suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import process_time
from urllib.parse import urlsplit

from api.clock import FixedClock
from api.db import Database
from api.journal import store
from api.journal.entry import Entry
from api.journal.kinds import Sighting
from api.journal.service import Journal
from api.readiness.service import Readiness
from api.seasons import queries
from api.seasons.projection import record_of
from seeds import demo, history_loading, loading
from seeds.history import invent
from tests.bench import Row
from tests.bench.bench_growth import _row, fitted
from tests.bench.bench_streams import PATIENCE_S, _boards, _clear
from tests.bench.many_trips import multiply
from tests.journal.histories import entry
from tests.support.databases import migrated

PAST_TRIPS, ROUNDS = (10, 300, 9_000), 25
TRIPS_BAR = 0.05
ENTRIES, LONG_ROUNDS = (500, 2_000, 8_000), 5
VIEWERS, NEWS = (25, 50, 100, 200), 20
NOW = datetime(2026, 9, 12, tzinfo=UTC)
OUTFIT, TRIP = demo.scenario().data["outfit"]["id"], demo.scenario().trip


def run() -> list[Row]:
    """The bar is an exponent where the house has set one; the others are stated."""
    with tempfile.TemporaryDirectory() as folder:
        return [_in_trips(Path(folder)), _in_entries(Path(folder)), _in_viewers(Path(folder))]


# -- past trips


def _in_trips(folder: Path) -> Row:
    """Cold boards of all, by turns, so that the machine's moods fall on all; the fastest of many counts."""
    with ExitStack() as stack:
        databases = [stack.enter_context(closing(_beside(folder, count))) for count in PAST_TRIPS]
        took: list[list[float]] = [[] for _ in databases]
        for _ in range(ROUNDS):
            for times, db in zip(took, databases, strict=True):
                times.append(_cold_s(db))
    spent = [min(times) for times in took]
    exponent = fitted(PAST_TRIPS, spent)
    figures = ", ".join(f"{n:,}: {s * 1000:.1f} ms" for n, s in zip(PAST_TRIPS, spent, strict=True))
    # So small an exponent may come out at nothing or below; held is what is not above the bar.
    return Row(
        "cold board, exponent in past trips",
        f"an exponent of {TRIPS_BAR}",
        TRIPS_BAR / max(exponent, 0.001),
        f"{exponent:.3f} ({figures})",
        1.0,
    )


def _beside(folder: Path, count: int) -> Database:
    url = f"sqlite:///{folder / f'beside-{count}.sqlite3'}"
    migrated(url, folder)
    db, clock = Database(url), FixedClock(NOW)
    invented = invent(3, climbers=(10, 10))
    loading.seed(db)
    history_loading.load(db, clock, trips=invented)
    readiness = Readiness(Journal(clock), clock)
    with db.reading() as conn:
        found = [record_of(conn, readiness, OUTFIT, trip.id) for trip in invented]
    with db.writing() as work:
        queries.forget_all(work, OUTFIT)
    multiply(db, OUTFIT, [record for record in found if record is not None], count)
    return db


def _cold_s(db: Database) -> float:
    """Processor time of a cold board, SQLite's included, which works in this process. [s]"""
    clock = FixedClock(loading.begins_at(demo.moments(demo.scenario())[0]))
    readiness = Readiness(Journal(clock), clock)
    started = process_time()
    with db.reading() as conn:
        readiness.board(conn, OUTFIT, TRIP).model_dump_json()
    return process_time() - started


# -- the journal's length


def _in_entries(folder: Path) -> Row:
    url = f"sqlite:///{folder / 'long.sqlite3'}"
    migrated(url, folder)
    spent = []
    with closing(Database(url)) as db:
        loading.seed(db)
        for wanted in ENTRIES:
            _lengthen(db, wanted)
            spent.append(min(_cold_s(db) for _ in range(LONG_ROUNDS)))
    return _row("cold board, exponent in entries of its journal", ENTRIES, spent, bar=None)


def _lengthen(db: Database, wanted: int) -> None:
    """More sightings of the same people's gear, until the journal has so many entries."""
    with db.reading() as conn:
        have = store.head(conn, TRIP).seq
        at = store.read(conn, TRIP)[-1].happened_at
    more = [_sighting(number, at) for number in range(have + 1, wanted + 1)]
    for start in range(0, len(more), 500):
        with db.writing() as work:
            store.append(work, TRIP, OUTFIT, more[start : start + 500], at)


def _sighting(number: int, at: datetime) -> Entry:
    body = Sighting.model_validate(
        {
            "subject": f"p{number % 12 + 1:02}",
            "requirement": ("mitts", "helmet", "goggles", "headlamp")[number % 4],
            "known": "seen",
            "state": "fits" if number % 7 else "absent",
        }
    )
    # Whoever wrote it had seen the journal up to there: it replaces what was known of the thing before.
    made = entry(100_000 + number, body, at=at + timedelta(milliseconds=number))
    return made.model_copy(update={"trip": TRIP, "seen_seq": number - 1})


# -- viewers


def _in_viewers(folder: Path) -> Row:
    """What the server's processor does for one cleared flag: all are told, and each fetches what changed."""
    command = [sys.executable, "-m", "tests.bench.board_server", str(folder)]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        address = next(line.strip() for line in server.stdout if line.startswith("http"))
        spent = [asyncio.run(_change_s(address, server.pid, count)) for count in VIEWERS]
    finally:
        server.terminate()
        server.wait(20)
    return _row(
        "a cleared flag on open boards, processor time, exponent in viewers", VIEWERS, spent, bar=None
    )


async def _change_s(address: str, pid: int, count: int) -> float:
    where = urlsplit(address)
    host, port = where.hostname or "", where.port or 0
    async with _boards(host, port, TRIP, count) as boards:
        phone = await asyncio.open_connection(host, port)
        began = 0.0
        for number in range(NEWS + 1):
            if number == 1:  # the first one warms up
                began = _processor_s(pid)
            _, seq = await _clear(phone, TRIP, number)
            with suppress(TimeoutError):
                async with asyncio.timeout(PATIENCE_S):
                    await asyncio.gather(*(board.shows(seq) for board in boards))
        spent = _processor_s(pid) - began
        phone[1].close()
    return spent / NEWS


def _processor_s(pid: int) -> float:
    """How long a process has had the processor, its system calls included. [s]"""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")
