"""Evaluating trips for all doors: pages, JSON, the call. An evaluation is a function of the journal's
head, so it is kept."""

import asyncio
import threading
from collections import OrderedDict
from contextlib import AbstractContextManager
from datetime import datetime, timedelta
from typing import Annotated

from anyio import to_thread
from fastapi import Depends, FastAPI, Request
from sqlalchemy import Connection

from api.clock import Clock
from api.conditions.choice import issues_in_force, last_two_of_each
from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.quantities import quantities
from api.conditions.service import forecast_by_hash
from api.conditions.shifts import Shift
from api.db import Database
from api.errors import Conflict, NotFound
from api.journal.pictures import Snapshot
from api.journal.service import Journal
from api.kitlist.schemas import Edition
from api.kitlist.service import get_edition
from api.packing import mark_of
from api.readiness.board import Evaluation, board, evaluate
from api.readiness.board_nights import with_acclimatisation
from api.readiness.by_source import FlagsBySource, flags_by_source
from api.readiness.mountain import Outlook
from api.readiness.schemas import Board
from api.readiness.walks import Walks

MOST_KEPT = 64
MOST_OF_A_TRIP = 4
"""States of one trip that are kept, each about a megabyte: the newest, and those that are being looked at."""
MOST_AT_ONCE = 32
"""States that are evaluated at the same time at most."""
MOST_ISSUES = 3
"""The issue in force, the one before, and what that one is compared with in its turn."""

Asked = tuple[str, str, datetime, bool]
"""Whose board of which trip is written, for which minute, with or without what only guides may see."""


class Readiness:
    """Evaluated trips of one installation. Safe from any thread."""

    def __init__(self, journal: Journal, clock: Clock, *, demo: bool = False) -> None:
        self.journal = journal
        self.clock = clock
        self.demo = demo
        self._kept: OrderedDict[str, Evaluation] = OrderedDict()
        self._outlooks: OrderedDict[str, Outlook] = OrderedDict()
        self._by_source: OrderedDict[str, FlagsBySource] = OrderedDict()
        self._sent: OrderedDict[tuple[str, datetime, bool], tuple[bytes, str]] = OrderedDict()
        self.walks = Walks()
        self._guard = threading.Lock()
        self._turns = tuple(threading.RLock() for _ in range(MOST_AT_ONCE))
        self._writing: dict[Asked, asyncio.Task[tuple[int, tuple[bytes, str]]]] = {}

    def evaluation(
        self, conn: Connection, outfit: str, trip: str, *, seq: int | None = None, shift: Shift | None = None
    ) -> Evaluation:
        """A trip evaluated at the head of its journal, or as it stood after entry `seq`, or as a what-if.

        Raises NotFound when the outfit has no such trip, and Conflict while the trip has no plan.
        """
        snapshot = self.journal.picture(conn, outfit, trip)
        if seq is not None:
            snapshot = snapshot.at(seq)
        if shift is not None:
            return self._evaluate(conn, outfit, snapshot, shift)
        key = snapshot.head.hash
        with self._turn(key):
            with self._guard:
                kept = self._kept.get(key)
                if kept is not None:
                    self._kept.move_to_end(key)
                    return kept
            made = self._evaluate(conn, outfit, snapshot, None)
            if made.edition_awaited:
                return made
            with self._guard:
                self._kept[key] = made
                # Nobody asks for a state that has been left behind; a past one is evaluated when it is.
                ours = [hash_ for hash_, each in self._kept.items() if each.trip == trip]
                for hash_ in ours[:-MOST_OF_A_TRIP]:
                    del self._kept[hash_]
                    self._outlooks.pop(hash_, None)
                while len(self._kept) > MOST_KEPT:
                    self._kept.popitem(last=False)
            return made

    def _turn(self, key: str) -> AbstractContextManager[object]:
        """Many screens ask for the same state at the same moment: one makes it, the others have it then."""
        return self._turns[hash(key) % MOST_AT_ONCE]

    def outlook(self, conn: Connection, outfit: str, trip: str) -> Outlook:
        """A trip at the head of its journal, with what its scenarios and the issue before say."""
        snapshot = self.journal.picture(conn, outfit, trip)
        key = snapshot.head.hash
        with self._turn(key):
            with self._guard:
                kept = self._outlooks.get(key)
            if kept is None:
                kept = Outlook(self.evaluation(conn, outfit, trip), self._issues(conn, outfit, snapshot))
                if kept.evaluation.edition_awaited:
                    return kept
                with self._guard:
                    self._outlooks[key] = kept
                    while len(self._outlooks) > MOST_KEPT:
                        self._outlooks.popitem(last=False)
        return kept

    def by_source(self, conn: Connection, outfit: str, trip: str) -> FlagsBySource:
        """Which flags of a trip stand otherwise by another of its sources, at the head of its journal."""
        snapshot = self.journal.picture(conn, outfit, trip)
        key = snapshot.head.hash
        with self._guard:
            kept = self._by_source.get(key)
        if kept is None:
            received = {
                provider: [forecast_by_hash(conn, outfit, record.body.forecast) for record in records]
                for provider, records in last_two_of_each(snapshot.picture).items()
            }
            kept = flags_by_source(self.evaluation(conn, outfit, trip), received)
            with self._guard:
                self._by_source[key] = kept
                while len(self._by_source) > MOST_KEPT:
                    self._by_source.popitem(last=False)
        return kept

    def board(
        self, conn: Connection, outfit: str, trip: str, *, now: datetime | None = None, named: bool = False
    ) -> Board:
        """The board as it reads now; `named` for guides, who may see whose acclimatisation is how."""
        outlook = self.outlook(conn, outfit, trip)
        shown = board(outlook.evaluation, now=now or self.clock.now(), demo=self.demo)
        shown = with_acclimatisation(shown, outlook.evaluation, named=named)
        return shown.model_copy(update={"possible": outlook.possible, "since": outlook.since})

    async def board_json(
        self, db: Database, outfit: str, trip: str, *, named: bool = False
    ) -> tuple[bytes, str]:
        """The board as JSON and its ETag, made once for each state of the journal and minute of the clock."""
        now = self.clock.now()
        now -= timedelta(seconds=now.second, microseconds=now.microsecond)
        head = await self.journal.head(db, outfit, trip)
        while (kept := self._sent_at(head.hash, now, named)) is None:
            seq, made = await self._board_under_way(db, outfit, trip, now, named)
            if seq >= head.seq:
                return made
        return kept

    def _sent_at(self, hash_: str, now: datetime, named: bool) -> tuple[bytes, str] | None:
        with self._guard:
            return self._sent.get((hash_, now, named))

    async def _board_under_way(
        self, db: Database, outfit: str, trip: str, now: datetime, named: bool
    ) -> tuple[int, tuple[bytes, str]]:
        """One board of a trip is written at a time; who asks meanwhile has that one, or the one after it.

        While entries come in faster than boards can be written, states in between are never written at all.
        """
        asked = (outfit, trip, now, named)
        writing = self._writing.get(asked)
        if writing is None or writing.done() or writing.get_loop() is not asyncio.get_running_loop():
            # Made to the end though the first of those who wait may leave.
            made = to_thread.run_sync(self._write_board, db, outfit, trip, now, named)
            writing = asyncio.ensure_future(made)
            self._writing[asked] = writing
            writing.add_done_callback(lambda done: self._written(asked, done))
        return await asyncio.shield(writing)

    def _written(self, asked: Asked, done: asyncio.Task[tuple[int, tuple[bytes, str]]]) -> None:
        if self._writing.get(asked) is done:
            del self._writing[asked]
        if not done.cancelled():
            # Looked at, so that a failure nobody waits for any more is not reported as forgotten.
            done.exception()

    def _write_board(
        self, db: Database, outfit: str, trip: str, now: datetime, named: bool
    ) -> tuple[int, tuple[bytes, str]]:
        with db.reading() as conn:
            head = self.journal.picture(conn, outfit, trip).head
            written = self.board(conn, outfit, trip, now=now, named=named).model_dump_json().encode()
        sent = written, mark_of(written)
        with self._guard:
            self._sent[head.hash, now, named] = sent
            while len(self._sent) > MOST_KEPT:
                self._sent.popitem(last=False)
        return head.seq, sent

    def _evaluate(self, conn: Connection, outfit: str, snapshot: Snapshot, shift: Shift | None) -> Evaluation:
        with self.journal.measurements.evaluation_seconds.time():
            return self._evaluated(conn, outfit, snapshot, shift)

    def _evaluated(
        self, conn: Connection, outfit: str, snapshot: Snapshot, shift: Shift | None
    ) -> Evaluation:
        picture = snapshot.picture
        plan = picture.trip
        if plan is None:
            raise Conflict(
                f"Trip {snapshot.trip_id} has no plan yet. Enter its place, days and stages first."
            )
        edition = self._edition(conn, outfit, plan.edition_id)
        issues = (None, None, *self._issues(conn, outfit, snapshot))
        conditions = stage_conditions(plan, issues[-1], issues[-2], shift)
        amounts = quantities(plan, conditions, len(picture.members))
        return evaluate(snapshot.trip_id, snapshot.seq, picture, plan, edition, conditions, amounts)

    def _edition(self, conn: Connection, outfit: str, edition_id: str | None) -> Edition | None:
        try:
            return get_edition(conn, outfit, edition_id) if edition_id is not None else None
        except NotFound:
            return None

    def _issues(self, conn: Connection, outfit: str, snapshot: Snapshot) -> tuple[Forecast, ...]:
        """The last issues of the provider in force, oldest first; the last is the one in force."""
        received = [record.body.forecast for record in issues_in_force(snapshot.picture)]
        return tuple(forecast_by_hash(conn, outfit, hash_) for hash_ in received[-MOST_ISSUES:])


def install(app: FastAPI, *, demo: bool) -> Readiness:
    """Give `app` its readiness, as `app.state.readiness`."""
    app.state.readiness = Readiness(app.state.journal, app.state.clock, demo=demo)
    return app.state.readiness  # type: ignore[no-any-return]


async def _readiness(request: Request) -> Readiness:
    # On the event loop: a plain function would cost each request a trip to a thread and back.
    return request.app.state.readiness  # type: ignore[no-any-return]


Evaluations = Annotated[Readiness, Depends(_readiness)]
