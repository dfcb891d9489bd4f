"""What one machine carries: boards, entries and open screens, with one process and with two.

Writes docs/sizing.md:

    python -m tests.bench.sizing

The clients run on the same machine and take their share of it, so a machine that only serves carries more.
"""

from __future__ import annotations

import asyncio
import os
import platform
import random
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

from api.clock import SystemClock
from api.db import Database, sqlite_module
from seeds import demo, loading
from tests.bench.bench_mixed import _answer, _append, _get
from tests.fault.processes import ROOT, Process
from tests.fault.soak import resident_bytes
from tests.support.databases import PostgresTemplates, migrated

TARGET = ROOT / "docs" / "sizing.md"
CONNECTIONS, SECONDS, WARMING_S, STREAMS = 16, 5.0, 1.0, 200
TRIP = demo.scenario().trip
BOARD, EVENTS = f"/api/trips/{TRIP}/board", f"/api/trips/{TRIP}/events"
TIMER = SystemClock()

INTRODUCTION = """# Sizing

Written by `python -m tests.bench.sizing`; run it on the machine you mean to use. What the numbers come
down to is in [operating.md](operating.md#sizing).

{day}; {machine}; {software}. The demo's trip; {connections} connections that ask again as soon as they
have an answer. Clients and database are on the same cores, so that two processes share them with both: a
machine that only serves carries more, and a second process pays where there are cores for it.

{table}
"""


@dataclass(frozen=True)
class Carried:
    """What so many processes carry together."""

    database: str
    processes: int
    boards_per_s: float
    appends_per_s: float
    streams: int
    stream_bytes: float
    idle_bytes: float
    """A process when it has answered for the first time."""
    busy_bytes: float
    """The larger process at the end."""

    @property
    def line(self) -> str:
        cells = (
            self.database,
            self.processes,
            f"{self.boards_per_s:.0f}",
            f"{self.appends_per_s:.0f}",
            f"{self.streams}, {self.stream_bytes / 1e3:.0f} kB each",
            f"{self.idle_bytes / 1e6:.0f} MB",
            f"{self.busy_bytes / 1e6:.0f} MB",
        )
        return f"| {' | '.join(map(str, cells))} |"


def measure(url: str, database: str, count: int, folder: Path) -> Carried:
    """Start so many processes on a database of their own, and load them."""
    db = Database(url)
    loading.seed(db)
    db.close()
    settings = {"RIMAYE_DEMO": "true", "RIMAYE_DATABASE_URL": url, "RIMAYE_DATA_DIR": str(folder)}
    with ExitStack() as stack:
        processes = [Process(settings, folder / f"{database}-{count}-{n}.log") for n in range(count)]
        for process in processes:
            stack.callback(process.stop)
            process.start()
        for process in processes:
            process.wait_until_ready()
        ports = [process.port for process in processes]
        asyncio.run(_load(ports, WARMING_S, lambda number, chance: _get(BOARD)))
        idle = max(resident_bytes(process.pid) for process in processes)
        boards = asyncio.run(_load(ports, SECONDS, lambda number, chance: _get(BOARD)))
        before = sum(resident_bytes(process.pid) for process in processes)
        each = (asyncio.run(_streams(processes)) - before) / STREAMS
        appends = asyncio.run(_load(ports, SECONDS, _append))
        busy = max(resident_bytes(process.pid) for process in processes)
    return Carried(database, count, boards, appends, STREAMS, each, idle, busy)


async def _load(ports: list[int], seconds: float, ask: Callable[[int, random.Random], bytes]) -> float:
    """Answers a second over connections that ask again as soon as they have an answer."""
    ends = TIMER.monotonic() + seconds

    async def one(number: int) -> int:
        chance, answers = random.Random(number), 0
        reader, writer = await asyncio.open_connection("127.0.0.1", ports[number % len(ports)])
        while TIMER.monotonic() < ends:
            writer.write(ask(number, chance))
            await _answer(reader)
            answers += 1
        writer.close()
        return answers

    began = TIMER.monotonic()
    answered = await asyncio.gather(*(one(number) for number in range(CONNECTIONS)))
    return sum(answered) / (TIMER.monotonic() - began)


async def _streams(processes: list[Process]) -> int:
    """Memory of all processes with streams open on each, once every one has told something. [bytes]"""
    opened = []
    for number in range(STREAMS):
        port = processes[number % len(processes)].port
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        writer.write(_get(EVENTS))
        opened.append((reader, writer))
    for reader, _ in opened:
        await reader.readuntil(b"data:")
    held = sum(resident_bytes(process.pid) for process in processes)
    for _, writer in opened:
        writer.close()
    return held


@contextmanager
def _databases(folder: Path) -> Iterator[Iterator[tuple[str, str, int]]]:
    """Address, what it is, and how many processes."""
    with ExitStack() as stack:
        templates = PostgresTemplates(folder)
        stack.callback(templates.close)

        def each() -> Iterator[tuple[str, str, int]]:
            url = f"sqlite:///{folder / 'sizing.sqlite3'}"
            migrated(url, folder)
            yield url, "SQLite", 1
            for count in (1, 2):
                with templates.fresh() as named:
                    yield named, "PostgreSQL", count

        yield each()


def page(lines: list[Carried], postgres: str) -> str:
    """The table, and what it was measured on."""
    memory = os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") / 2**30
    versions = ", ".join(
        f"{name} {version(name)}" for name in ("fastapi", "uvicorn", "sqlalchemy", "psycopg")
    )
    machine = f"{os.cpu_count()} cores, {memory:.0f} GB, {platform.machine()}, {platform.system()}"
    software = f"Python {platform.python_version()}, SQLite {sqlite_module().sqlite_version}, {postgres}"
    heads = (
        "database",
        "processes",
        "boards a second, unchanged",
        "entries a second, one by one",
        "open screens",
        "memory at first",
        "memory at the end",
    )
    table = [f"| {' | '.join(heads)} |", "| --- | ---: | ---: | ---: | ---: | ---: | ---: |"]
    return INTRODUCTION.format(
        day=f"{TIMER.now():%Y-%m-%d}",
        machine=machine,
        software=f"{software}, {versions}",
        connections=CONNECTIONS,
        table="\n".join([*table, *(line.line for line in lines)]),
    )


def main() -> int:
    """Measure and write."""
    lines, postgres = [], ""
    with tempfile.TemporaryDirectory() as name, _databases(Path(name)) as databases:
        for url, database, count in databases:
            print(f"{database}, {count} ...", file=sys.stderr, flush=True)
            lines.append(measure(url, database, count, Path(name)))
            db = Database(url)
            postgres = db.engine_version()
            db.close()
    TARGET.write_text(page(lines, postgres), encoding="utf-8")
    print(TARGET.read_text(encoding="utf-8"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
