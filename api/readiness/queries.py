"""SQL of readiness: the history of flags."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, delete, insert, select

from api.journal.models import table
from api.readiness.models import FlagEventRow, FlagHistory

_event, _history = table(FlagEventRow), table(FlagHistory)


class EventRow(NamedTuple):
    """One thing that happened to one flag, as it is kept."""

    trip_id: str
    seq: int
    place: int
    at: datetime
    happened: str
    finding: str
    subject: str
    requirement: str
    what: str
    gap: str
    grade: str
    hold: str
    cause: str
    cause_kind: str
    by_name: str
    because: str


_COLUMNS = [_event.c[name] for name in EventRow._fields]


class Reached(NamedTuple):
    """Up to which entry the history of a trip is kept, and that entry's hash."""

    seq: int
    hash: str


def reached(conn: Connection, trip_id: str) -> Reached | None:
    """How far the kept history goes; None when nothing is kept."""
    wanted = select(_history.c.seq, _history.c.hash).where(_history.c.trip_id == trip_id)
    row = conn.execute(wanted).first()
    return Reached(*row) if row else None


def events(conn: Connection, trip_id: str, finding: str | None = None, after_seq: int = 0) -> list[EventRow]:
    """What is kept about the flags of a trip, or about one, in order."""
    wanted = select(*_COLUMNS).where(_event.c.trip_id == trip_id, _event.c.seq > after_seq)
    if finding is not None:
        wanted = wanted.where(_event.c.finding == finding)
    return [EventRow(*row) for row in conn.execute(wanted.order_by(_event.c.seq, _event.c.place))]


def forget(conn: Connection, trip_id: str) -> None:
    """Drop the kept history of a trip."""
    conn.execute(delete(_event).where(_event.c.trip_id == trip_id))
    conn.execute(delete(_history).where(_history.c.trip_id == trip_id))


def keep(conn: Connection, trip_id: str, rows: Sequence[EventRow], at: Reached) -> None:
    """Add what happened up to an entry."""
    if rows:
        conn.execute(insert(_event), [row._asdict() for row in rows])
    conn.execute(delete(_history).where(_history.c.trip_id == trip_id))
    values: dict[str, Any] = {"trip_id": trip_id, **at._asdict()}
    conn.execute(insert(_history).values(values))


def newest_first(rows: Iterable[EventRow]) -> list[EventRow]:
    """The same rows, the last that happened first."""
    return sorted(rows, key=lambda row: (row.seq, row.place), reverse=True)
