"""What phones take along, made once for each state of a journal and reader."""

import json
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request
from sqlalchemy import Connection

from api.access.current import Reader
from api.access.permissions import may
from api.handson.compiled import hands_on
from api.handson.schemas import HandsOn
from api.packing import Packed, mark_of
from api.readiness.service import Readiness

MOST_KEPT = 64


@dataclass(frozen=True, slots=True)
class Sent:
    """What is sent: the JSON, and the mark by which a phone knows that it has it."""

    json: Packed
    mark: str


class Taken:
    """Kept answers of one installation. Safe from any thread."""

    def __init__(self, readiness: Readiness) -> None:
        self._readiness = readiness
        self._kept: OrderedDict[tuple[str, Reader], Sent] = OrderedDict()
        self._guard = threading.Lock()

    def along(self, conn: Connection, reader: Reader, trip: str) -> HandsOn:
        """What a phone takes along. Raises NotFound, and Conflict while the trip has no plan."""
        snapshot = self._readiness.journal.picture(conn, reader.outfit, trip)
        evaluation = self._readiness.evaluation(conn, reader.outfit, trip)
        recording = may(reader, "check.record")
        return hands_on(evaluation, snapshot.entries, reader, may_record=recording)

    def sent(self, conn: Connection, reader: Reader, trip: str) -> Sent:
        """The same as it goes over the wire."""
        key = (self._readiness.journal.picture(conn, reader.outfit, trip).head.hash, reader)
        with self._guard:
            kept = self._kept.get(key)
        if kept is None:
            kept = _packed(self.along(conn, reader, trip))
            with self._guard:
                self._kept[key] = kept
                while len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
        return kept


def _packed(along: HandsOn) -> Sent:
    plain = json.dumps(along.wire(), ensure_ascii=False, separators=(",", ":")).encode()
    return Sent(Packed(plain), mark_of(plain))


def _taken(request: Request) -> Taken:
    state = request.app.state
    if not hasattr(state, "taken_along"):
        state.taken_along = Taken(state.readiness)
    found: Taken = state.taken_along
    return found


TakenAlong = Annotated[Taken, Depends(_taken)]
