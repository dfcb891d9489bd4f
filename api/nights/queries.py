"""SQL of health notes' keys and of the log of who read them."""

from collections.abc import Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, Engine, insert, select, text, update
from sqlalchemy.exc import OperationalError

from api.db import sqlite_module
from api.journal.models import Trip, table
from api.nights.models import HealthAccess, HealthKey

_key, _access, _trip = table(HealthKey), table(HealthAccess), table(Trip)


CHECKPOINT_WAIT_S = 5.0
"""How long a reader in the way is waited for."""


class KeyRow(NamedTuple):
    """A person's key as it is kept."""

    id: str
    trip_id: str
    member: str
    master: str
    wrapped: str
    created_at: datetime
    erased_at: datetime | None


class AccessRow(NamedTuple):
    """A line of the log."""

    member: str
    reader: str
    reader_name: str
    did: str
    notes: int
    at: datetime


_KEY = [_key.c[name] for name in KeyRow._fields]
_ACCESS = [_access.c[name] for name in AccessRow._fields]


def keys(conn: Connection, trip_id: str, member: str | None = None) -> list[KeyRow]:
    """The keys of a trip's people, or of one of them, in the order they were made."""
    wanted = select(*_KEY).where(_key.c.trip_id == trip_id).order_by(_key.c.created_at, _key.c.id)
    if member is not None:
        wanted = wanted.where(_key.c.member == member)
    return [KeyRow(*row) for row in conn.execute(wanted)]


def living_keys(conn: Connection) -> list[KeyRow]:
    """All keys that are not erased."""
    return [KeyRow(*row) for row in conn.execute(select(*_KEY).where(_key.c.erased_at.is_(None)))]


def add_key(conn: Connection, row: KeyRow) -> None:
    """Keep a new key."""
    conn.execute(insert(_key), row._asdict())


def rewrap(conn: Connection, key_id: str, master: str, wrapped: str) -> None:
    """Keep a key wrapped by another master key."""
    conn.execute(update(_key).where(_key.c.id == key_id).values(master=master, wrapped=wrapped))


def erase_key(conn: Connection, key_id: str, at: datetime) -> None:
    """Destroy a key."""
    conn.execute(update(_key).where(_key.c.id == key_id).values(wrapped="", master="", erased_at=at))


def due(conn: Connection, ended_before: date) -> list[tuple[str, str, str]]:
    """(outfit, trip, member) with a living key, on trips that ended before a date."""
    wanted = (
        select(_trip.c.outfit_id, _trip.c.id, _key.c.member)
        .join(_trip, _trip.c.id == _key.c.trip_id)
        .where(_key.c.erased_at.is_(None), _trip.c.ends_on < ended_before)
        .distinct()
        .order_by(_trip.c.id, _key.c.member)
    )
    return [(row[0], row[1], row[2]) for row in conn.execute(wanted)]


def erased_after(conn: Connection, moment: datetime) -> bool:
    """Whether any key was destroyed after a moment."""
    return conn.execute(select(_key.c.id).where(_key.c.erased_at > moment).limit(1)).first() is not None


def log(conn: Connection, rows: Sequence[dict[str, Any]]) -> None:
    """Add lines to the log."""
    if rows:
        conn.execute(insert(_access), list(rows))


def logged(conn: Connection, trip_id: str, member: str | None = None) -> list[AccessRow]:
    """Who read whose notes on a trip, the last first."""
    wanted = select(*_ACCESS).where(_access.c.trip_id == trip_id)
    if member is not None:
        wanted = wanted.where(_access.c.member == member)
    return [
        AccessRow(*row) for row in conn.execute(wanted.order_by(_access.c.at.desc(), _access.c.id.desc()))
    ]


def leave_no_trace(conn: Connection) -> bool:
    """Rid the database's own files of what was overwritten, outside any transaction.

    False while a reader is in the way.
    """
    if conn.dialect.name == "postgresql":
        return _rewrite_table(conn.engine)
    return _empty_log(conn)


def _rewrite_table(engine: Engine) -> bool:
    """Write the small table of keys anew on PostgreSQL, without row versions that nobody can see any more."""
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as conn:
        try:
            conn.execute(text(f"SET lock_timeout = {int(CHECKPOINT_WAIT_S * 1000)}"))
            conn.execute(text(f"VACUUM (FULL) {_key.name}"))
            return not conn.execute(_STILL_READING).scalar()
        except OperationalError:
            return False
        finally:
            conn.execute(text("RESET lock_timeout"))


_STILL_READING = text(
    "SELECT count(*) FROM pg_stat_activity WHERE datname = current_database()"
    " AND backend_xmin IS NOT NULL AND pid <> pg_backend_pid()"
)
"""Those who may still see old row versions, which are then kept for them."""


def _empty_log(conn: Connection) -> bool:
    """Bring SQLite's write-ahead log into the file and cut it to nothing, outside any transaction.

    Deleted content is overwritten in the file itself (`secure_delete`). False while a reader is in the way.
    """
    file = conn.engine.url.database
    if not file:
        return True
    connection = sqlite_module().connect(file, timeout=CHECKPOINT_WAIT_S)
    try:
        busy = connection.cursor().execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
    finally:
        connection.close()
    return not busy
