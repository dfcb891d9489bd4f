"""Opening the clock and the database that the settings name, for the app and for commands."""

from __future__ import annotations

from datetime import timedelta

from api.clock import Clock, MovableClock, SystemClock
from api.db import Database
from api.replica import Replica
from api.settings import Settings


def make_clock(settings: Settings) -> Clock:
    """The machine's clock, or in demo mode one that can be moved."""
    if not settings.demo:
        return SystemClock()
    clock = MovableClock()
    clock.offset = timedelta(seconds=settings.clock_offset_s)
    return clock


def open_database(settings: Settings) -> Database:
    """The database that ``settings`` name."""
    return Database(
        settings.database_url,
        read_connections=settings.read_connections,
        write_wait_s=settings.write_wait_s,
    )


def open_replica(settings: Settings, db: Database) -> Replica:
    """Where the seasons are read: from a copy that follows the database, if the settings name one."""
    if not settings.replica_url:
        return Replica(db)
    copy = Database(
        settings.replica_url,
        read_connections=settings.read_connections,
        write_wait_s=settings.write_wait_s,
    )
    return Replica(db, copy)
