"""Reading and writing at once: how much longer the slowest of a hundred wait than the middle one.

A real server in a process of its own; 64 connections that stay open, each asking again as soon as it has its
answer, so that there are always 64 requests on their way. Nine of ten read the board, one of ten appends.
Beside it the same load without writing, as the baseline for what waiting in line alone makes of the tail.
"""

from __future__ import annotations

import asyncio
import json
import random
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from api.clock import SystemClock
from api.ids import new_id
from seeds import demo
from tests.bench import Row

CONNECTIONS, SECONDS, WARMING_S = 64, 12.0, 2.0
WRITES, SEED = 0.1, 1
BAR = 5.0
TRIP = demo.scenario().trip
READ = (f"/api/trips/{TRIP}/board", f"/api/trips/{TRIP}/journal?after=0&limit=50")
clock = SystemClock()


@dataclass
class Load:
    """Waiting times by what was asked. [s]"""

    reads: list[float] = field(default_factory=list)
    writes: list[float] = field(default_factory=list)

    @property
    def all(self) -> list[float]:
        return sorted(self.reads + self.writes)


def run() -> list[Row]:
    """p50 against p99 under mixed load."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "tests.bench.board_server", folder]
        server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            assert server.stdout is not None
            address = next(line.strip() for line in server.stdout if line.startswith("http"))
            asyncio.run(_load(address, WARMING_S, WRITES))
            reading = asyncio.run(_load(address, SECONDS / 2, 0.0))
            mixed = asyncio.run(_load(address, SECONDS, WRITES))
        finally:
            server.terminate()
            server.wait(20)
    return [_row(mixed, reading)]


def _row(mixed: Load, reading: Load) -> Row:
    slowest, middle = _at(mixed.all, 0.99) * 1000, _at(mixed.all, 0.5) * 1000
    alone = _at(reading.all, 0.99) / _at(reading.all, 0.5)
    return Row(
        what=f"slowest of a hundred, {CONNECTIONS} connections, 90 % read, 10 % append",
        baseline=f"{BAR:.0f} times the middle one",
        ratio=BAR * middle / slowest,
        figure=(
            f"{slowest:.0f} against {middle:.0f} ms, {slowest / middle:.1f} times; "
            f"appends {_at(sorted(mixed.writes), 0.5) * 1000:.0f} ms in the middle; "
            f"{len(mixed.all) / SECONDS:.0f} a second; reading alone {alone:.1f} times"
        ),
        bar=1.0,
    )


def _at(waits: list[float], share: float) -> float:
    return waits[min(int(len(waits) * share), len(waits) - 1)]


async def _load(address: str, seconds: float, writes: float) -> Load:
    where = urlsplit(address)
    load = Load()
    ends = clock.monotonic() + seconds
    tasks = [
        _one(where.hostname or "", where.port or 0, number, ends, writes, load)
        for number in range(CONNECTIONS)
    ]
    await asyncio.gather(*tasks)
    return load


async def _one(host: str, port: int, number: int, ends: float, writes: float, load: Load) -> None:
    chance = random.Random(f"{SEED} {number}")
    reader, writer = await asyncio.open_connection(host, port)
    while clock.monotonic() < ends:
        is_write = chance.random() < writes
        asked = _append(number, chance) if is_write else _get(chance.choice(READ))
        began = clock.monotonic()
        writer.write(asked)
        await _answer(reader)
        (load.writes if is_write else load.reads).append(clock.monotonic() - began)
    writer.close()


def _get(path: str) -> bytes:
    return f"GET {path} HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode()


def _append(number: int, chance: random.Random) -> bytes:
    now = clock.now()
    entry = {
        "id": str(new_id(now)),
        "trip": TRIP,
        "body": {
            "kind": "sighting",
            "subject": f"p{chance.randint(1, 12):02}",
            "requirement": chance.choice(["mitts", "helmet", "goggles"]),
            "known": "seen",
            "state": chance.choice(["fits", "absent"]),
        },
        "actor": {"id": "lead", "name": "Lead guide", "role": "lead"},
        "device": f"phone-{number}",
        "happened_at": now.isoformat(),
    }
    body = json.dumps({"entries": [entry]}).encode()
    head = (
        f"POST /api/trips/{TRIP}/journal HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
        f"Content-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


async def _answer(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readuntil(b"\r\n\r\n")
    if not head.startswith(b"HTTP/1.1 200"):
        raise RuntimeError(head.decode(errors="replace")[:300])
    length = int(head.lower().partition(b"content-length:")[2].split(b"\r\n")[0])
    return await reader.readexactly(length)
