"""The board, cold in the process and warm over HTTP, against what the machine can do at all."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import tempfile
import threading
from contextlib import closing
from pathlib import Path
from urllib.parse import urlsplit

from api.clock import FixedClock, SystemClock
from api.db import Database
from api.journal.service import Journal
from api.readiness.service import Readiness
from seeds import demo, loading
from tests.bench import Row

ROUNDS, SECONDS, CONNECTIONS = 3, 2.0, 4
COLD_BAR_MS = 50.0


def run() -> list[Row]:
    """Cold: fold, evaluate, write out. Warm: requests a second against a bare route with the same bytes."""
    with tempfile.TemporaryDirectory() as folder:
        warm = _warm(Path(folder))
        cold = _cold(Path(folder))
    return [warm, cold]


def _warm(folder: Path) -> Row:
    command = [sys.executable, "-m", "tests.bench.board_server", str(folder)]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    try:
        assert server.stdout is not None
        address = next(line.strip() for line in server.stdout if line.startswith("http"))
        board = f"/api/trips/{demo.scenario().trip}/board"
        for path in ("/bare", board):
            _rate(address, path, seconds=0.3)
        ours, bare = [], []
        for _ in range(ROUNDS):
            bare.append(_rate(address, "/bare-bytes"))
            ours.append(_rate(address, board))
    finally:
        server.terminate()
        server.wait(20)
    best_ours, best_bare = max(ours), max(bare)
    return Row(
        what="board as JSON, warm",
        baseline="bare route on the same server, same bytes",
        ratio=best_ours / best_bare,
        figure=f"{best_ours:.0f} against {best_bare:.0f} requests/s",
        bar=0.6,
    )


def _cold(folder: Path) -> Row:
    clock = FixedClock(loading.begins_at(demo.moments(demo.scenario())[0]))
    timer = SystemClock()
    outfit, trip = demo.scenario().data["outfit"]["id"], demo.scenario().trip
    db = Database(f"sqlite:///{folder / 'demo.sqlite3'}")
    took, baseline = [], []
    with closing(db), db.reading() as conn:
        for _ in range(7):
            readiness = Readiness(Journal(clock), clock)
            started = timer.monotonic()
            written = readiness.board(conn, outfit, trip).model_dump_json()
            took.append((timer.monotonic() - started) * 1000)
            started = timer.monotonic()
            json.loads(written)
            baseline.append((timer.monotonic() - started) * 1000)
    return Row(
        what="board as JSON, cold fold in the process",
        baseline=f"the bar of {COLD_BAR_MS:.0f} ms",
        ratio=COLD_BAR_MS / sorted(took)[len(took) // 2],
        figure=f"{sorted(took)[len(took) // 2]:.1f} ms; reading its JSON back takes {min(baseline):.1f} ms",
        bar=1.0,
    )


def _rate(address: str, path: str, seconds: float = SECONDS) -> float:
    """Requests answered a second over a few connections that stay open."""
    where = urlsplit(address)
    request = f"GET {path} HTTP/1.1\r\nHost: {where.netloc}\r\n\r\n".encode()
    counts = [0] * CONNECTIONS
    clock = SystemClock()
    ends = clock.monotonic() + seconds

    def ask(number: int) -> None:
        with socket.create_connection((where.hostname, where.port)) as wire:
            while clock.monotonic() < ends:
                wire.sendall(request)
                _read_answer(wire)
                counts[number] += 1

    threads = [threading.Thread(target=ask, args=(n,)) for n in range(CONNECTIONS)]
    started = clock.monotonic()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return sum(counts) / (clock.monotonic() - started)


def _read_answer(wire: socket.socket) -> None:
    data = wire.recv(262_144)
    head, _, body = data.partition(b"\r\n\r\n")
    if not head.startswith(b"HTTP/1.1 200"):
        raise RuntimeError(head.decode(errors="replace")[:200])
    length = int(head.lower().partition(b"content-length:")[2].split(b"\r\n")[0])
    missing = length - len(body)
    while missing > 0:
        missing -= len(wire.recv(262_144))
