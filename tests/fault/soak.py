"""Hours of ordinary use, in order to see that memory stays as it is.

A process of its own serves the demo; guides read (nine of ten requests) and write (one of ten), screens
follow the stream of events and come back now and then. After a first while, in which caches fill, the memory
that is in use must stay within five of a hundred: from the first tenth of the time to the last.

    python -m tests.fault.soak --minutes 60 --warm-up 25
"""

from __future__ import annotations

import argparse
import random
import statistics
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import httpx

from api.clock import SystemClock
from api.db import Database
from api.ids import new_id
from seeds import demo, loading
from tests.fault.processes import Process
from tests.support.databases import migrated

FILLING = 120
"""Entries written at first, more than any cache keeps boards of."""
BAR = 0.05
SAMPLE_S = 2.0
STREAM_S = 45.0
READERS, STREAMS = 4, 10
TRIP = demo.scenario().trip
READ = (
    f"/api/trips/{TRIP}/board",
    f"/trips/{TRIP}",
    f"/trips/{TRIP}/_board",
    f"/api/trips/{TRIP}/journal?after=0&limit=50",
    "/readyz",
    "/",
)
clock = SystemClock()


@dataclass
class Soak:
    """What was done, and the memory in use from time to time. [bytes]"""

    requests: int = 0
    failed: list[str] = field(default_factory=list)
    memory: list[int] = field(default_factory=list)
    guard: threading.Lock = field(default_factory=threading.Lock)

    def note(self, answer: httpx.Response) -> None:
        with self.guard:
            self.requests += 1
            if answer.status_code >= 400:
                self.failed.append(f"{answer.status_code} {answer.url.path}: {answer.text[:200]}")

    @property
    def at_first(self) -> float:
        """The middle of the first tenth. [bytes]"""
        return statistics.median(self.memory[: max(len(self.memory) // 10, 1)])

    @property
    def at_last(self) -> float:
        """The middle of the last tenth. [bytes]"""
        return statistics.median(self.memory[-max(len(self.memory) // 10, 1) :])

    @property
    def change(self) -> float:
        """From the first tenth to the last, as a fraction of the first."""
        return self.at_last / self.at_first - 1


def resident_bytes(pid: int) -> int:
    """The memory that a process has in use and does not share. [bytes]"""
    for line in Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines():
        if line.startswith("Private_Dirty:"):
            return int(line.split()[1]) * 1024
    raise RuntimeError(f"the system does not say how much memory {pid} uses")


def soak(folder: Path, seconds: float, warm_up_s: float, rate: float, seed: int) -> Soak:
    """`rate` requests a second for so long, after as much of it as the caches need to fill."""
    process = Process(_settings(folder), folder / "process.log")
    done, over = Soak(), threading.Event()
    try:
        process.start()
        process.wait_until_ready()
        with httpx.Client(base_url=process.url, timeout=30) as client:
            for number in range(FILLING):
                done.note(_write(client, number, random.Random(number)))
                for path in READ:
                    done.note(client.get(path))
        threads = [
            threading.Thread(target=_use, args=(process.url, number, rate / READERS, seed, done, over))
            for number in range(READERS)
        ] + [threading.Thread(target=_watch, args=(process.url, over)) for _ in range(STREAMS)]
        for thread in threads:
            thread.start()
        time.sleep(warm_up_s)
        _sample(process, seconds, done)
        over.set()
        process.stop()
        for thread in threads:
            thread.join()
    finally:
        over.set()
        process.kill()
    return done


def _settings(folder: Path) -> dict[str, str]:
    url = f"sqlite:///{folder / 'soak.sqlite3'}"
    migrated(url, folder)
    db = Database(url)
    loading.seed(db)
    db.close()
    return {"RIMAYE_DEMO": "true", "RIMAYE_DATABASE_URL": url, "RIMAYE_DATA_DIR": str(folder)}


def _sample(process: Process, seconds: float, done: Soak) -> None:
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        done.memory.append(resident_bytes(process.pid))
        time.sleep(SAMPLE_S)


def _use(url: str, number: int, rate: float, seed: int, done: Soak, over: threading.Event) -> None:
    chance = random.Random(f"{seed} {number}")
    with httpx.Client(base_url=url, timeout=30) as client:
        while not over.wait(chance.uniform(0, 2 / rate)):
            if chance.random() < 0.1:
                done.note(_write(client, number, chance))
            else:
                done.note(client.get(chance.choice(READ)))


def _watch(url: str, over: threading.Event) -> None:
    """Follow the stream for a while, leave without a word, come back."""
    while not over.is_set():
        ends = time.monotonic() + STREAM_S
        try:
            with (
                httpx.Client(base_url=url, timeout=20) as client,
                client.stream("GET", f"/api/trips/{TRIP}/events") as answer,
            ):
                for _line in answer.iter_lines():
                    if over.is_set() or time.monotonic() > ends:
                        break
        except httpx.TransportError:
            over.wait(1)


def _write(client: httpx.Client, device: int, chance: random.Random) -> httpx.Response:
    now = clock.now()
    entry = {
        "id": str(new_id(now)),
        "trip": TRIP,
        "body": {
            "kind": "sighting",
            "subject": f"p{chance.randint(1, 12):02}",
            "requirement": chance.choice(["mitts", "helmet", "goggles", "headlamp"]),
            "known": "seen",
            "state": chance.choice(["fits", "absent", "unfit"]),
        },
        "actor": {"id": "lead", "name": "Lead guide", "role": "lead"},
        "device": f"phone-{device}",
        "happened_at": now.isoformat(),
    }
    return client.post(f"/api/trips/{TRIP}/journal", json={"entries": [entry]})


def main() -> int:
    """Returns 1 when memory was not flat or a request failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60)
    parser.add_argument("--warm-up", type=float, default=25, help="minutes before them that do not count")
    parser.add_argument("--rate", type=float, default=10, help="requests a second")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        done = soak(Path(folder), given.minutes * 60, given.warm_up * 60, given.rate, given.seed)
    tenth = max(len(done.memory) // 10, 1)
    tenths = [
        statistics.median(done.memory[at : at + tenth]) / 1e6 for at in range(0, len(done.memory), tenth)
    ]
    print(
        f"{given.minutes:g} min after {given.warm_up:g}, {done.requests} requests, {len(done.failed)} failed"
    )
    print("memory by tenths [MB]:", " ".join(f"{each:.1f}" for each in tenths))
    print(
        f"from {done.at_first / 1e6:.1f} to {done.at_last / 1e6:.1f} MB: {done.change:+.1%}; bar ±{BAR:.0%}"
    )
    for failure in done.failed[:10]:
        print(failure)
    return 1 if done.failed or abs(done.change) > BAR else 0


if __name__ == "__main__":
    sys.exit(main())
