"""Pictures kept in memory, so that a read costs the entries since the last one."""

import threading
from collections import OrderedDict, defaultdict
from dataclasses import dataclass

from sqlalchemy import Connection

from api.journal import store
from api.journal.entry import StoredEntry
from api.journal.fold import EMPTY, Picture, fold
from api.journal.store import Head


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A trip as its journal has it up to entry `seq`."""

    trip_id: str
    head: Head
    picture: Picture
    entries: tuple[StoredEntry, ...]
    """In order of their numbers, from 1."""

    @property
    def seq(self) -> int:
        return self.head.seq

    def at(self, seq: int) -> "Snapshot":
        """The trip as it stood after entry `seq` (0: before the first)."""
        if not 0 <= seq <= self.seq:
            raise ValueError(f"seq is {seq}; the journal of {self.trip_id} has 0 to {self.seq}")
        if seq == self.seq:
            return self
        entries = self.entries[:seq]
        last = Head(seq, entries[-1].hash if entries else self.entries[0].prev_hash)
        return Snapshot(self.trip_id, last, fold(entries), entries)


class PictureCache:
    """The trips read last, by their entries. Safe from any thread.

    A journal is followed by its hashes: what a connection sees is used only where it continues what is kept,
    so a transaction that was rolled back leaves nothing behind.
    """

    def __init__(self, most_entries: int = 200_000) -> None:
        self._most_entries = most_entries
        self._kept: OrderedDict[str, Snapshot] = OrderedDict()
        self._guard = threading.Lock()
        self._turns: defaultdict[str, threading.Lock] = defaultdict(threading.Lock)

    def get(self, conn: Connection, trip_id: str, outfit_id: str | None = None) -> Snapshot:
        """The trip as `conn` sees it. Raises NotFound when the outfit has no such trip."""
        head = store.head(conn, trip_id, outfit_id)
        with self._guard:
            kept = self._kept.get(trip_id)
            if kept is not None and kept.head == head:
                self._kept.move_to_end(trip_id)
                return kept
            turn = self._turns[trip_id]
        with turn:
            return self._read(conn, trip_id, head)

    def forget(self, trip_id: str) -> None:
        """Drop what is kept of a trip."""
        with self._guard:
            self._kept.pop(trip_id, None)

    def _read(self, conn: Connection, trip_id: str, head: Head) -> Snapshot:
        with self._guard:
            kept = self._kept.get(trip_id)
        if kept is not None and _reaches(kept, head):
            return kept.at(head.seq)
        entries = _continued(conn, trip_id, kept, head)
        snapshot = Snapshot(trip_id, head, fold(entries) if entries else EMPTY, entries)
        self._keep(snapshot)
        return snapshot

    def _keep(self, snapshot: Snapshot) -> None:
        with self._guard:
            self._kept[snapshot.trip_id] = snapshot
            self._kept.move_to_end(snapshot.trip_id)
            total = sum(len(kept.entries) for kept in self._kept.values())
            while total > self._most_entries and len(self._kept) > 1:
                dropped, oldest = self._kept.popitem(last=False)
                self._turns.pop(dropped, None)
                total -= len(oldest.entries)


def _reaches(kept: Snapshot, head: Head) -> bool:
    """Whether `head` is the end, or an earlier point, of what is kept."""
    if head.seq == 0 or head.seq > kept.seq:
        return False
    return kept.entries[head.seq - 1].hash == head.hash


def _continued(conn: Connection, trip_id: str, kept: Snapshot | None, head: Head) -> tuple[StoredEntry, ...]:
    if kept is not None and kept.seq < head.seq:
        new = store.read(conn, trip_id, kept.seq, head.seq)
        if new and new[0].prev_hash == kept.head.hash:
            return (*kept.entries, *new)
    return tuple(store.read(conn, trip_id, upto_seq=head.seq))
