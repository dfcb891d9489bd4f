"""Writing to a trip's journal and reading its picture, for all rooms."""

from collections.abc import Sequence
from typing import Annotated
from uuid import UUID

from fastapi import Depends, FastAPI, Request
from sqlalchemy import Connection

from api.access.current import Reader
from api.clock import Clock
from api.db import Database, Work
from api.errors import Conflict
from api.ids import new_id
from api.journal import store
from api.journal.entry import Actor, Entry
from api.journal.kinds import AnyBody
from api.journal.live import Broadcaster, PostgresListener
from api.journal.pictures import PictureCache, Snapshot
from api.journal.store import Check, Head, Outcome, Reaction
from api.journal.tick import KnownHeads, NoTick, SqliteTick
from api.measuring import Measurements


class Journal:
    """The journals of one installation: appending tells whoever watches, reading remembers pictures."""

    def __init__(
        self,
        clock: Clock,
        live: Broadcaster | None = None,
        pictures: PictureCache | None = None,
        measurements: Measurements | None = None,
    ) -> None:
        self.clock = clock
        self.live = live if live is not None else Broadcaster()
        self.pictures = pictures if pictures is not None else PictureCache()
        self.measurements = measurements if measurements is not None else Measurements()
        self._heads = KnownHeads()
        self._reactions: dict[str, Reaction] = {}

    def react(self, kind: str, reaction: Reaction) -> None:
        """Let a room answer entries of a kind, in the unit of work that stores them."""
        self._reactions[kind] = reaction

    def listen(self, db: Database) -> None:
        """Notice other processes' appends. Ends with `close`."""
        if db.dialect == "postgresql":
            listener = PostgresListener(db.url, self.live)
            listener.start()
            self._heads.tick = listener
        else:
            self._heads.tick = SqliteTick(db.url)

    def close(self) -> None:
        """Stop noticing."""
        self._heads.tick.close()
        self._heads.tick = NoTick()

    async def head(self, db: Database, outfit_id: str, trip_id: str) -> Head:
        """The newest head, for routes on the event loop: a few microseconds while nothing was stored.

        Raises NotFound when the outfit has no such trip.
        """
        known = self._heads.get(outfit_id, trip_id)
        if known is not None:
            return known
        before = self._heads.now()
        async with db.reading_async() as conn:
            head = store.head(conn, trip_id, outfit_id)
        self._heads.put(before, outfit_id, trip_id, head)
        return head

    def record(
        self, work: Work, outfit_id: str, trip_id: str, entries: Sequence[Entry], checks: Sequence[Check] = ()
    ) -> list[Outcome]:
        """Append entries as they were written elsewhere, and tell watchers once they are stored."""
        began = self.clock.monotonic()
        outcomes = store.append(work, trip_id, outfit_id, entries, self.clock.now(), checks)
        for outcome in outcomes:
            self.measurements.entry(outcome.status)
        stored = [outcome.seq for outcome in outcomes if outcome.status == "stored" and outcome.seq]
        if stored:
            work.after_commit(lambda: self._tell(trip_id, max(stored), began))
        for entry, outcome in zip(entries, outcomes, strict=True):
            reaction = self._reactions.get(entry.kind)
            if reaction is not None and outcome.status == "stored" and outcome.seq is not None:
                reaction(work, outfit_id, trip_id, entry, outcome.seq)
        return outcomes

    def _tell(self, trip_id: str, seq: int, began: float) -> None:
        self.measurements.append_seconds.observe(self.clock.monotonic() - began)
        self._heads.committed()
        self.live.published(trip_id, seq)

    def write(
        self,
        work: Work,
        reader: Reader,
        trip_id: str,
        *bodies: AnyBody,
        device: str = "web",
        seen_seq: int | None = None,
        after: tuple[UUID, ...] | None = None,
    ) -> list[Outcome]:
        """Write entries here and now as `reader`. Raises Conflict, storing nothing, when one is refused.

        `seen_seq` is the number up to which the writer had read, as the page that was filled in says; None:
        all.
        """
        now = self.clock.now()
        seen = store.head(work, trip_id, reader.outfit).seq if seen_seq is None else seen_seq
        entries = [
            Entry(
                id=new_id(now),
                trip=trip_id,
                body=body,
                actor=actor_of(reader),
                device=device,
                happened_at=now,
                seen_seq=seen,
                after=after,
            )
            for body in bodies
        ]
        outcomes = self.record(work, reader.outfit, trip_id, entries)
        refused = [outcome.problem for outcome in outcomes if outcome.status == "refused"]
        if refused:
            raise Conflict(" ".join(refused))
        return outcomes

    def picture(self, conn: Connection, outfit_id: str, trip_id: str) -> Snapshot:
        """The trip as `conn` sees it. Raises NotFound when the outfit has no such trip."""
        return self.pictures.get(conn, trip_id, outfit_id)


def actor_of(reader: Reader) -> Actor:
    """The reader as entries name them."""
    return Actor(id=reader.staff, name=reader.name, role=reader.role)


def install(app: FastAPI, clock: Clock) -> Journal:
    """Give `app` its journals, as `app.state.journal`."""
    app.state.journal = Journal(clock, measurements=app.state.measurements)
    return app.state.journal  # type: ignore[no-any-return]


def _journal(request: Request) -> Journal:
    return request.app.state.journal  # type: ignore[no-any-return]


Journals = Annotated[Journal, Depends(_journal)]
