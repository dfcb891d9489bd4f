"""Walks through journals that were made last, so that who reads on need not begin at the first entry."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

from api.journal.entry import StoredEntry
from api.journal.pictures import Snapshot
from api.readiness.queries import EventRow
from api.readiness.stepping import Evaluate, Walk

MOST_KEPT = 8
"""Each holds one evaluation, about a megabyte."""
MOST_AT_ONCE = 16
"""Trips that are walked through at the same time at most."""

Rows = Callable[[str, StoredEntry, Walk], list[EventRow]]


@dataclass
class _Walked:
    begun: int
    """The entry it began after."""
    seq: int
    hash: str
    steps: Walk
    rows: list[EventRow]

    def leads_to(self, snapshot: Snapshot, begun: int) -> bool:
        """Whether the journal of `snapshot` goes on from here, and all after `begun` was seen."""
        if self.begun > begun or self.seq > snapshot.seq:
            return False
        return self.seq == 0 or snapshot.entries[self.seq - 1].hash == self.hash


class Walks:
    """The walks of one process. Safe from any thread."""

    def __init__(self) -> None:
        self._kept: OrderedDict[str, _Walked] = OrderedDict()
        self._guard = threading.Lock()
        self._turns = tuple(threading.Lock() for _ in range(MOST_AT_ONCE))

    def since(self, snapshot: Snapshot, seq: int, evaluate: Evaluate, rows_of: Rows) -> list[EventRow]:
        """What the entries of a journal after `seq` did to flags, going on from where the last walk ended."""
        trip = snapshot.trip_id
        with self._turns[hash(trip) % MOST_AT_ONCE]:
            with self._guard:
                # Taken out while it is gone on with: a walk that broke off half-way is not used again.
                walked = self._kept.pop(trip, None)
            if walked is None or not walked.leads_to(snapshot, seq):
                walked = _Walked(seq, seq, "", Walk(evaluate), [])
                if seq:
                    walked.steps.begin(snapshot.entries[:seq])
            walked.steps.evaluate = evaluate
            for entry in snapshot.entries[walked.seq :]:
                walked.rows += rows_of(trip, entry, walked.steps)
            walked.seq, walked.hash = snapshot.seq, snapshot.head.hash
            self._keep(trip, walked)
            return [row for row in walked.rows if row.seq > seq]

    def _keep(self, trip: str, walked: _Walked) -> None:
        evaluation = walked.steps.evaluation
        if evaluation is not None and evaluation.edition_awaited:
            return
        with self._guard:
            self._kept[trip] = walked
            while len(self._kept) > MOST_KEPT:
                self._kept.popitem(last=False)
