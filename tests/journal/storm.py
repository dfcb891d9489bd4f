"""A storm: phones that write thousands of records without signal, and a service that gets them anyhow.

Each phone writes in knowledge of what it has. What it wrote travels in pieces that are shuffled, sent twice,
cut in two and delayed; connections break before or after the service stored a piece, so that the phone does
not know and sends again. In between phones read what others wrote. In the end all have the same picture, and
nothing is lost. Run it with another seed: ``python -m tests.journal.storm --seed 7``.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import Counter, deque
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import UUID

from api.clock import SystemClock
from api.db import Database
from api.journal import store
from api.journal.entry import Entry
from api.journal.fold import Picture, fold, heads
from api.journal.kinds import GearState, Key, Known, Sighting, Withdrawn
from api.journal.queries import create_outfit, create_trip
from tests.journal.histories import actor, entry_id

PHONES, ENTRIES = 3, 2_000
PEOPLE, THINGS = 8, 40
PIECE = 60
TRIP, OUTFIT = "storm", "nordhang"
START = datetime(2026, 7, 14, 4, 30, tzinfo=UTC)


class Broken(Exception):
    """The connection broke; the phone does not know what the service has stored."""


@dataclass
class Phone:
    """A phone with a wrong clock, what it knows, and what it has yet to send."""

    number: int
    clock_error: timedelta
    registers: dict[Key, dict[UUID, Entry]] = field(default_factory=dict)
    withdrawals: list[Entry] = field(default_factory=list)
    known: dict[UUID, Entry] = field(default_factory=dict)
    outbox: deque[Entry] = field(default_factory=deque)
    own: list[Entry] = field(default_factory=list)
    read_seq: int = 0

    def learn(self, entry: Entry) -> None:
        """Take in an entry, its own or another's."""
        if entry.id in self.known:
            return
        self.known[entry.id] = entry
        key = entry.key()
        if key is not None:
            self.registers.setdefault(key, {})[entry.id] = entry
        elif isinstance(entry.body, Withdrawn):
            self.withdrawals.append(entry)

    def write(self, number: int, body: Sighting | Withdrawn) -> None:
        """Write an entry that replaces what this phone knows to stand."""
        key = body.key()
        standing: tuple[Entry, ...] = ()
        if key is not None:
            about = self.registers.get(key, {})
            taken_back = [
                w for w in self.withdrawals if isinstance(w.body, Withdrawn) and w.body.entry in about
            ]
            standing = heads([*about.values(), *taken_back]).get(key, ())
        entry = Entry(
            id=entry_id(number),
            trip=TRIP,
            body=body,
            actor=actor(self.number),
            device=f"phone-{self.number}",
            happened_at=START + timedelta(seconds=number) + self.clock_error,
            seen_seq=self.read_seq,
            after=tuple(head.id for head in standing),
        )
        self.learn(entry)
        self.own.append(entry)
        self.outbox.append(entry)

    def read_anew(self, stored: list[Entry]) -> None:
        """A phone that died keeps its outbox and takes the rest from the service again."""
        waiting = list(self.outbox)
        self.registers, self.withdrawals, self.known = {}, [], {}
        for entry in (*stored, *waiting):
            self.learn(entry)


class Storm:
    """Drives phones and service from one seed."""

    def __init__(self, db: Database, seed: int, entries: int = ENTRIES) -> None:
        self.db = db
        self.chance = random.Random(seed)
        self.entries = entries
        hours = [timedelta(hours=self.chance.uniform(-30, 30)) for _ in range(PHONES)]
        self.phones = [Phone(number, error) for number, error in enumerate(hours)]
        self.happened: Counter[str] = Counter()
        self._number = 0

    def rage(self) -> None:
        """Write and send until every phone has written its entries and all of them have arrived."""
        while any(len(phone.own) < self.entries or phone.outbox for phone in self.phones):
            phone = self.chance.choice(self.phones)
            for _ in range(min(self.chance.randrange(120), self.entries - len(phone.own))):
                self._number += 1
                phone.write(self._number, self._body(phone))
            if self.chance.random() < 0.7 or len(phone.own) == self.entries:
                self._connect(phone)
        for phone in self.phones:
            self._read(phone)

    def _body(self, phone: Phone) -> Sighting | Withdrawn:
        chance = self.chance
        if phone.own and chance.random() < 0.06:
            return Withdrawn(entry=chance.choice(phone.own[-20:]).id)
        return Sighting(
            subject=f"m{chance.randrange(PEOPLE)}",
            requirement=f"thing-{chance.randrange(THINGS)}",
            known=chance.choice([Known.SEEN, Known.TRIED]),
            state=chance.choice(list(GearState)),
            answers={"charge": float(chance.randrange(5))},
        )

    def _connect(self, phone: Phone) -> None:
        """A while with signal: pieces go out in disorder until one breaks."""
        pieces = self._pieces(phone)
        try:
            for piece in pieces:
                self._send(phone, piece)
            if self.chance.random() < 0.6:
                self._read(phone)
        except Broken:
            self.happened["broken"] += 1
            if self.chance.random() < 0.3:
                self.happened["died"] += 1
                with self.db.reading() as conn:
                    phone.read_anew(list(store.read(conn, TRIP, upto_seq=phone.read_seq)))

    def _pieces(self, phone: Phone) -> list[list[Entry]]:
        waiting = list(phone.outbox)
        pieces = [waiting[at : at + PIECE] for at in range(0, len(waiting), PIECE)]
        for place, piece in enumerate(pieces):
            if len(piece) > 1 and self.chance.random() < 0.3:
                cut = self.chance.randrange(1, len(piece))
                pieces[place], extra = piece[:cut], piece[cut:]
                pieces.append(extra)
                self.happened["split"] += 1
        again = [self.chance.choice(pieces)] if pieces and self.chance.random() < 0.4 else []
        old = self.chance.sample(phone.own, min(len(phone.own), 15)) if self.chance.random() < 0.3 else []
        self.happened["sent twice"] += len(again) + bool(old)
        pieces += again + ([old] if old else [])
        self.chance.shuffle(pieces)
        for piece in pieces:
            if self.chance.random() < 0.5:
                self.chance.shuffle(piece)
        if pieces and self.chance.random() < 0.3:
            self.happened["delayed"] += 1
            pieces.pop()
        return pieces

    def _send(self, phone: Phone, piece: list[Entry]) -> None:
        fate = self.chance.random()
        if fate < 0.06:
            raise Broken
        if fate < 0.12:
            self._store_and_die(piece)
            raise Broken
        with self.db.writing() as work:
            outcomes = store.append(work, TRIP, OUTFIT, piece, START)
        if fate < 0.2:
            self.happened["answer lost"] += 1
            raise Broken
        assert all(outcome.status in ("stored", "already-there") for outcome in outcomes), outcomes
        arrived = {outcome.id for outcome in outcomes}
        phone.outbox = deque(entry for entry in phone.outbox if entry.id not in arrived)

    def _store_and_die(self, piece: list[Entry]) -> None:
        """The service dies before it commits: nothing of the piece may stay."""
        self.happened["service died"] += 1
        try:
            with self.db.writing() as work:
                store.append(work, TRIP, OUTFIT, piece, START)
                raise Broken
        except Broken:
            return

    def _read(self, phone: Phone) -> None:
        with self.db.reading() as conn:
            new = store.read(conn, TRIP, phone.read_seq)
        for entry in new:
            phone.learn(entry)
        phone.read_seq += len(new)

    def pictures(self) -> list[Picture]:
        """What each phone sees in the end, and last what the service sees."""
        with self.db.reading() as conn:
            stored = store.read(conn, TRIP)
        return [fold(phone.known.values()) for phone in self.phones] + [fold(stored)]


def judge(storm: Storm) -> list[str]:
    """What is wrong after a storm; nothing when all is well."""
    wrong = []
    with storm.db.reading() as conn:
        stored = [entry.id for entry in store.read(conn, TRIP)]
        report = store.verify_trip(conn, TRIP)
    written = {entry.id for phone in storm.phones for entry in phone.own}
    if len(stored) != len(set(stored)):
        wrong.append(f"{len(stored) - len(set(stored))} entries are there twice")
    if set(stored) != written:
        wrong.append(f"{len(written - set(stored))} are lost, {len(set(stored) - written)} are nobody's")
    if not report.whole:
        wrong.append(f"the chain is broken: {report.problem}")
    *phones, service = storm.pictures()
    wrong += [f"phone {number} sees another picture" for number, seen in enumerate(phones) if seen != service]
    if any(seen.split != service.split for seen in phones):
        wrong.append("phones see other splits")
    return wrong


def opened(folder: Path) -> Database:
    """A fresh database with the empty journal of the storm."""
    from tests.support.databases import migrated

    url = f"sqlite:///{folder / 'storm.sqlite3'}"
    migrated(url, folder)
    db = Database(url)
    with db.writing() as work:
        create_outfit(work, OUTFIT, "Nordhang")
        create_trip(work, TRIP, OUTFIT, START)
    return db


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--entries", type=int, default=ENTRIES, help="entries of each phone")
    arguments = parser.parse_args()
    timer = SystemClock()
    started = timer.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        db = opened(Path(folder))
        storm = Storm(db, arguments.seed, arguments.entries)
        storm.rage()
        wrong = judge(storm)
        db.close()
    told = ", ".join(f"{what} {times}" for what, times in sorted(storm.happened.items()))
    print(f"seed {arguments.seed}: {PHONES} phones x {arguments.entries} entries; {told};", end=" ")
    print("; ".join(wrong) or "same picture on all, nothing lost", f"({timer.monotonic() - started:.0f} s)")
    return len(wrong)


if __name__ == "__main__":
    sys.exit(main())
