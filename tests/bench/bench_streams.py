"""A flag cleared on one phone, and how long until 200 open boards have it: as news, and as what they show.

A real server in a process of its own; the boards are connections of this process, each with its own event
stream, and asks for the part that changed over another that stays open, as a browser does.
"""

from __future__ import annotations

import asyncio
import json
import re
import subprocess
import sys
import tempfile
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from api.clock import SystemClock
from api.ids import new_id
from seeds import demo
from tests.bench import Row

BOARDS, NEWS, WARMING = 200, 12, 2
PAUSE_S = 0.25
PATIENCE_S = 10.0
BAR_MS = 250.0
REVISION = re.compile(rb'data-revision="(\d+)"')
CLEARED = ("p07", "mitts")

Wire = tuple[asyncio.StreamReader, asyncio.StreamWriter]
clock = SystemClock()


@dataclass
class Board:
    """One open board: its stream, its other connection, and when it heard of each number and had the part."""

    stream: asyncio.StreamReader
    wire: Wire
    trip: str
    heard_at: dict[int, float] = field(default_factory=dict)
    shown_at: dict[int, float] = field(default_factory=dict)
    news: asyncio.Event = field(default_factory=asyncio.Event)
    shown: asyncio.Event = field(default_factory=asyncio.Event)
    ended: bool = False

    async def listen(self) -> None:
        """Take in the stream until it ends."""
        while line := await self.stream.readline():
            if line.startswith(b"id: ") and int(line[4:]) not in self.heard_at:
                self.heard_at[int(line[4:])] = clock.monotonic()
                self.news.set()
        self.ended = True

    async def keep_up(self) -> None:
        """Ask for the part of the board whenever there is news."""
        reader, writer = self.wire
        while True:
            await self.news.wait()
            self.news.clear()
            writer.write(f"GET /trips/{self.trip}/_board HTTP/1.1\r\nHost: 127.0.0.1\r\n\r\n".encode())
            body = await _answer(reader)
            self.shown_at[int(REVISION.search(body)[1])] = clock.monotonic()  # type: ignore[index]
            self.shown.set()

    async def shows(self, seq: int) -> None:
        """Wait until it shows an entry, or a later one."""
        while not any(shown >= seq for shown in self.shown_at):
            self.shown.clear()
            await self.shown.wait()


def run() -> list[Row]:
    """News to all boards, and what they show after it, each against the bar."""
    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, "-m", "tests.bench.board_server", folder]
        server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        try:
            assert server.stdout is not None
            address = next(line.strip() for line in server.stdout if line.startswith("http"))
            return asyncio.run(_measure(address))
        finally:
            server.terminate()
            server.wait(20)


async def _measure(address: str) -> list[Row]:
    where = urlsplit(address)
    trip = demo.scenario().trip
    heard, shown = [], []
    async with _boards(where.hostname or "", where.port or 0, trip) as boards:
        phone = await asyncio.open_connection(where.hostname, where.port)
        for number in range(WARMING + NEWS):
            sent_at, seq = await _clear(phone, trip, number)
            with suppress(TimeoutError):
                async with asyncio.timeout(PATIENCE_S):
                    await asyncio.gather(*(board.shows(seq) for board in boards))
            if number >= WARMING:
                heard += [_wait_ms(board.heard_at, seq, sent_at) for board in boards]
                shown += [_wait_ms(board.shown_at, seq, sent_at) for board in boards]
            await asyncio.sleep(PAUSE_S)
        phone[1].close()
        lost = sum(board.ended for board in boards)
    return [
        _row(f"a cleared flag heard of by {BOARDS} open boards", heard, lost),
        _row(f"a cleared flag shown by {BOARDS} open boards", shown, lost),
    ]


def _row(what: str, waits: list[float | None], lost: int) -> Row:
    """Against the bar; none may be missing, and no stream may have ended."""
    known = sorted(wait for wait in waits if wait is not None)
    missing = len(waits) - len(known)
    p95 = known[int(len(known) * 0.95)] if known else float("inf")
    half = known[len(known) // 2] if known else float("inf")
    figure = f"95 % within {p95:.0f} ms, half within {half:.0f} ms; {missing} of {len(waits)} missed"
    held = BAR_MS / p95 if not missing and not lost else 0.0
    return Row(what, f"the bar of {BAR_MS:.0f} ms", held, figure, 1.0)


def _wait_ms(at: dict[int, float], seq: int, sent_at: float) -> float | None:
    moments = [moment for number, moment in at.items() if number >= seq]
    return (min(moments) - sent_at) * 1000 if moments else None


@asynccontextmanager
async def _boards(host: str, port: int, trip: str, count: int = BOARDS) -> AsyncIterator[list[Board]]:
    boards, writers, tasks = [], [], []
    for _ in range(count):
        reader, writer = await asyncio.open_connection(host, port)
        writer.write(f"GET /api/trips/{trip}/events HTTP/1.1\r\nHost: {host}\r\n\r\n".encode())
        board = Board(reader, await asyncio.open_connection(host, port), trip)
        boards.append(board)
        writers += [writer, board.wire[1]]
        tasks += [asyncio.create_task(board.listen()), asyncio.create_task(board.keep_up())]
    async with asyncio.timeout(PATIENCE_S):
        await asyncio.gather(*(board.shows(0) for board in boards))
    try:
        yield boards
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.gather(*tasks, return_exceptions=True)
        for writer in writers:
            writer.close()


async def _clear(phone: Wire, trip: str, number: int) -> tuple[float, int]:
    """Record the gear of a flag as there, or on every other time as missing; (when sent, its number)."""
    subject, requirement = CLEARED
    now = clock.now()
    entry = {
        "id": str(new_id(now)),
        "trip": trip,
        "body": {
            "kind": "sighting",
            "subject": subject,
            "requirement": requirement,
            "known": "tried",
            "state": "absent" if number % 2 else "fits",
        },
        "actor": {"id": "lead", "name": "Lead guide", "role": "lead"},
        "device": "phone",
        "happened_at": now.isoformat(),
    }
    body = json.dumps({"entries": [entry]}).encode()
    reader, writer = phone
    sent_at = clock.monotonic()
    writer.write(
        f"POST /api/trips/{trip}/journal HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
        f"Content-Length: {len(body)}\r\n\r\n".encode()
        + body
    )
    answer = json.loads(await _answer(reader))
    if [outcome["status"] for outcome in answer.get("outcomes", ())] != ["stored"]:
        raise RuntimeError(str(answer))
    return sent_at, int(answer["head_seq"])


async def _answer(reader: asyncio.StreamReader) -> bytes:
    head = await reader.readuntil(b"\r\n\r\n")
    length = int(head.lower().partition(b"content-length:")[2].split(b"\r\n")[0])
    return await reader.readexactly(length)
