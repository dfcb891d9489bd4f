"""Two processes of the service and one PostgreSQL under load, while one after another is killed.

Phones write through either process and send again what was not acknowledged, now and then also what was.
Screens follow the stream of events and keep a copy of the journal. In the end every acknowledged entry is
there under the number that was said, once, in an unbroken chain, and all screens have the same copy.

    python -m tests.fault.two_processes --minutes 10 --seed 1

With `--proxy` all of it goes through nginx as `deploy/nginx.conf` has it.
"""

from __future__ import annotations

import argparse
import json
import random
import ssl
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx

from api.clock import SystemClock
from api.db import Database
from api.ids import new_id
from api.journal import store
from api.journal.chain import KeptEntry
from seeds import demo, loading
from tests.fault.nginx import Nginx
from tests.fault.processes import Process
from tests.support.databases import PostgresTemplates

WRITERS, VIEWERS = 6, 6
PATIENCE_S = 60.0
CONVERGE_S = 20.0
STOP_S = 5.0
"""With open streams, a process has to be gone within this time."""
TRIP = demo.scenario().trip
Trust = ssl.SSLContext | bool
"""Whose certificates are believed."""
clock = SystemClock()


@dataclass
class Told:
    """What happened, from everybody's point of view. Threads add to it under a guard."""

    guard: threading.Lock = field(default_factory=threading.Lock)
    happened: Counter[str] = field(default_factory=Counter)
    acknowledged: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)
    longest_wait_s: float = 0.0

    def count(self, what: str, times: int = 1) -> None:
        with self.guard:
            self.happened[what] += times

    def complain(self, what: str) -> None:
        with self.guard:
            self.wrong.append(what)


class Phone:
    """Writes batches and sends each one, to whichever process answers, until it is acknowledged."""

    def __init__(
        self, number: int, seed: int, urls: list[str], told: Told, over: threading.Event, trust: Trust = True
    ) -> None:
        self._number = number
        self._chance = random.Random(f"{seed} phone {number}")
        self._urls, self._told, self._over = urls, told, over
        self._sent: list[list[dict[str, Any]]] = []
        self._client = httpx.Client(timeout=15, verify=trust)

    def run(self, pause_s: float) -> None:
        try:
            while not self._over.is_set():
                batch = [self._entry() for _ in range(self._chance.randint(1, 5))]
                self._sent.append(batch)
                self._send(batch)
                if self._chance.random() < 0.1:
                    self._told.count("sent twice")
                    self._send(self._chance.choice(self._sent))
                self._over.wait(self._chance.uniform(0, 2 * pause_s))
        finally:
            self._client.close()

    def _entry(self) -> dict[str, Any]:
        now = clock.now()
        body: dict[str, Any] = {"kind": "remark", "text": f"phone {self._number}"}
        if self._chance.random() < 0.8:
            body = {
                "kind": "sighting",
                "subject": f"p{self._chance.randint(1, 12):02}",
                "requirement": self._chance.choice(["mitts", "helmet", "goggles", "headlamp"]),
                "known": "seen",
                "state": self._chance.choice(["fits", "absent", "unfit"]),
            }
        return {
            "id": str(new_id(now)),
            "trip": TRIP,
            "body": body,
            "actor": {"id": "lead", "name": "Lead guide", "role": "lead"},
            "device": f"phone-{self._number}",
            "happened_at": now.isoformat(),
        }

    def _send(self, batch: list[dict[str, Any]]) -> None:
        began = time.monotonic()
        while time.monotonic() < began + PATIENCE_S:
            answer = self._try(batch)
            if answer is not None:
                self._note(batch, answer)
                with self._told.guard:
                    waited = time.monotonic() - began
                    self._told.longest_wait_s = max(self._told.longest_wait_s, waited)
                return
            time.sleep(0.2)
        self._told.complain(f"no process took a batch of phone {self._number} within {PATIENCE_S:g} s")

    def _try(self, batch: list[dict[str, Any]]) -> dict[str, Any] | None:
        url = self._chance.choice(self._urls)
        try:
            answer = self._client.post(f"{url}/api/trips/{TRIP}/journal", json={"entries": batch})
        except httpx.TransportError:
            self._told.count("no answer")
            return None
        # 502 is the proxy's word for it: it lost the process before there was an answer.
        if answer.status_code in (502, 503, 504):
            self._told.count("try again")
            return None
        if answer.status_code != 200:
            self._told.complain(f"status {answer.status_code}: {answer.text[:300]}")
            return None
        read: dict[str, Any] = answer.json()
        return read

    def _note(self, batch: list[dict[str, Any]], answer: dict[str, Any]) -> None:
        with self._told.guard:
            for entry, outcome in zip(batch, answer["outcomes"], strict=True):
                if outcome["status"] == "refused":
                    self._told.wrong.append(f"refused: {outcome['problem']}")
                    continue
                before = self._told.acknowledged.setdefault(entry["id"], outcome["seq"])
                if before != outcome["seq"]:
                    self._told.wrong.append(f"{entry['id']} was entry {before}, now {outcome['seq']}")


class Screen:
    """Follows the stream of events of one process; goes to another when it breaks. Keeps the journal."""

    def __init__(
        self, seed: int, number: int, urls: list[str], told: Told, over: threading.Event, trust: Trust = True
    ) -> None:
        self._trust = trust
        self._chance = random.Random(f"{seed} screen {number}")
        self._urls, self._told, self._over = urls, told, over
        self.kept: list[dict[str, Any]] = []
        self._heard = ""

    def run(self) -> None:
        with httpx.Client(timeout=httpx.Timeout(10, read=20), verify=self._trust) as client:
            while not self._over.is_set():
                try:
                    self._follow(client, self._chance.choice(self._urls))
                except httpx.HTTPError:
                    self._told.count("stream broke")
                    self._over.wait(0.2)

    def _follow(self, client: httpx.Client, url: str) -> None:
        headers = {"Last-Event-ID": self._heard} if self._heard else {}
        with client.stream("GET", f"{url}/api/trips/{TRIP}/events", headers=headers) as answer:
            answer.raise_for_status()
            for line in answer.iter_lines():
                name, _, value = line.partition(":")
                if name == "id":
                    self._catch_up(client, url)
                    self._heard = value.strip()
                if self._over.is_set():
                    return

    def _catch_up(self, client: httpx.Client, url: str) -> None:
        address = f"{url}/api/trips/{TRIP}/journal"
        while True:
            page = client.get(address, params={"after": len(self.kept), "limit": 1_000}).raise_for_status()
            read = page.json()
            self.kept += read["entries"]
            if read["next_after"] is None:
                return

    @property
    def head(self) -> str:
        """The hash of the last entry it has."""
        return str(self.kept[-1]["hash"]) if self.kept else ""


@dataclass(frozen=True)
class Run:
    """How long and how hard."""

    seconds: float
    kill_every_s: float
    seed: int
    pause_s: float = 0.5
    proxy: bool = False
    """Whether everybody comes through the proxy of the deployment."""


def storm(url: str, folder: Path, run: Run) -> Told:
    """Run it on a migrated PostgreSQL database; what is wrong afterwards is in the answer."""
    told, over, closed = Told(), threading.Event(), threading.Event()
    db = Database(url)
    loading.seed(db)
    settings = {"RIMAYE_DEMO": "true", "RIMAYE_DATABASE_URL": url, "RIMAYE_DATA_DIR": str(folder / "data")}
    processes = [Process(settings, folder / f"process-{number}.log") for number in range(2)]
    urls = [process.url for process in processes]
    nginx = Nginx(folder, (processes[0].port, processes[1].port)) if run.proxy else None
    way: tuple[list[str], Trust] = ([nginx.url], nginx.trust) if nginx is not None else (urls, True)
    phones = [Phone(number, run.seed, way[0], told, over, way[1]) for number in range(WRITERS)]
    screens = [Screen(run.seed, number, way[0], told, closed, way[1]) for number in range(VIEWERS)]
    try:
        for process in processes:
            process.start()
        for process in processes:
            process.wait_until_ready()
        if nginx is not None:
            nginx.start()
        writing = [threading.Thread(target=phone.run, args=(run.pause_s,)) for phone in phones]
        watching = [threading.Thread(target=screen.run) for screen in screens]
        for thread in (*watching, *writing):
            thread.start()
        _kill(processes, run, told)
        over.set()
        for thread in writing:
            thread.join()
        _judge(db, urls, screens, told)
        closed.set()
        _stop(processes, told)
        for thread in watching:
            thread.join()
    finally:
        over.set()
        closed.set()
        for process in processes:
            process.kill()
        if nginx is not None:
            nginx.stop()
        db.close()
    return told


def _kill(processes: list[Process], run: Run, told: Told) -> None:
    """Until the time is over: wait, kill one, let it be started again."""
    chance = random.Random(f"{run.seed} killer")
    ends = time.monotonic() + run.seconds
    while (left_s := ends - time.monotonic()) > 0:
        time.sleep(min(run.kill_every_s, left_s))
        if time.monotonic() >= ends:
            return
        victim = chance.choice(processes)
        victim.kill()
        told.count("killed")
        victim.start()
        victim.wait_until_ready()


def _judge(db: Database, urls: list[str], screens: list[Screen], told: Told) -> None:
    judge_screens(judge_entries(db, told), screens, told)
    if len({_board(url) for url in urls}) != 1:
        told.complain("the two processes show different boards")


def judge_entries(db: Database, told: Told) -> list[KeptEntry]:
    """Complain of what is lost, twice or out of order; returns what is stored."""
    with db.reading() as conn:
        stored = store.read_kept(conn, TRIP)
        report = store.verify_trip(conn, TRIP)
    numbers = {kept.id: kept.seq for kept in stored}
    lost = {id_ for id_, seq in told.acknowledged.items() if numbers.get(id_) != seq}
    told.happened["entries"] = len(stored)
    told.happened["acknowledged"] = len(told.acknowledged)
    if lost:
        told.complain(f"{len(lost)} acknowledged entries are lost")
    if len(numbers) != len(stored):
        told.complain(f"{len(stored) - len(numbers)} entries are there twice")
    if [kept.seq for kept in stored] != list(range(1, len(stored) + 1)):
        told.complain("numbers have gaps")
    if not report.whole:
        told.complain(f"the chain is broken: {report.problem}")
    return stored


def judge_screens(stored: list[KeptEntry], screens: list[Screen], told: Told) -> None:
    """Complain of screens that do not come to have exactly what is stored."""
    began = time.monotonic()
    while any(screen.head != stored[-1].hash for screen in screens):
        if time.monotonic() > began + CONVERGE_S:
            behind = sum(screen.head != stored[-1].hash for screen in screens)
            told.complain(f"{behind} screens do not have the last entry after {CONVERGE_S:g} s")
            return
        time.sleep(0.05)
    right = [json.loads(kept.json()) for kept in stored]
    for number, screen in enumerate(screens):
        if screen.kept != right:
            told.complain(f"screen {number} has another copy of the journal")


def _board(url: str) -> str:
    """The board, without its moment: in the demo each process has a clock of its own."""
    board = httpx.get(f"{url}/api/trips/{TRIP}/board", timeout=30).raise_for_status().json()
    del board["as_of"], board["forecast"]["age_h"]
    return json.dumps(board, sort_keys=True)


def _stop(processes: list[Process], told: Told) -> None:
    """Every process has open streams at this moment, and is to be gone soon."""
    for process in processes:
        took_s = process.stop()
        if took_s > STOP_S:
            told.complain(f"a process took {took_s:.1f} s to stop with open streams")


def main() -> int:
    """Run it on a PostgreSQL of its own; returns how much is wrong."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--kill-every", type=float, default=30, help="seconds")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--proxy", action="store_true", help="through nginx, as the deployment has it")
    given = parser.parse_args()
    run = Run(given.minutes * 60, given.kill_every, given.seed, proxy=given.proxy)
    with tempfile.TemporaryDirectory() as folder:
        templates = PostgresTemplates(Path(folder))
        try:
            with templates.fresh() as url:
                told = storm(url, Path(folder), run)
        finally:
            with suppress(Exception):
                templates.close()
    happened = ", ".join(f"{times} {what}" for what, times in sorted(told.happened.items()))
    print(f"seed {run.seed}, {given.minutes:g} min: {happened}; longest wait {told.longest_wait_s:.1f} s")
    print("; ".join(told.wrong[:20]) or "every acknowledged entry is there, all screens agree")
    return min(len(told.wrong), 1)


if __name__ == "__main__":
    sys.exit(main())
