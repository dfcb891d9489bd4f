"""Telling an outage of the database or its disk from a fault of ours, and what to say about it."""

from __future__ import annotations

from sqlalchemy.exc import DBAPIError

_FULL = ("disk is full", "no space left")
_READ_ONLY = ("readonly database", "read-only transaction")
_GONE = ("disk i/o error", "unable to open database file", "database is locked")
_SLOW = ("statement timeout",)
_BUSY = ("lock timeout",)
_LOST_CLASSES = ("08", "53", "57", "25P03")
"""SQLSTATE classes of PostgreSQL: connection, resources, operator's hand (restart, shut down), and the code
of a session that it ended because it said nothing for too long.
"""
_LOST_NAMES = ("OperationalError", "InterfaceError", "AdminShutdown", "CannotConnectNow", "ConnectionTimeout")

FULL = "The disk is full. Nothing was stored. Whoever runs this service has to make room; then try again."
READ_ONLY = (
    "The database takes nothing new at the moment. Nothing was stored. Whoever runs this service has to look "
    "after it; reading works."
)
BUSY = "The database is busy. Nothing was stored; try again in a moment."
SLOW = "The database took too long to answer. Nothing was stored; try again in a moment."
GONE = "The database cannot be reached at the moment. Nothing was stored; try again in a moment."
UNCERTAIN = (
    "The database was lost while this was being stored. Look whether it is there before sending it again; a "
    "phone sends its entries again by itself, which changes nothing twice."
)


def said_of(error: DBAPIError) -> str | None:
    """What to tell people about a database error; None when it is no outage."""
    text = str(error.orig).lower()
    if any(part in text for part in _FULL):
        return FULL
    if any(part in text for part in _READ_ONLY):
        return READ_ONLY
    if any(part in text for part in _SLOW):
        return SLOW
    if any(part in text for part in _BUSY):
        return BUSY
    if error.connection_invalidated or any(part in text for part in _GONE) or _lost(error.orig):
        return GONE
    return None


def _lost(cause: BaseException | None) -> bool:
    if not type(cause).__module__.startswith("psycopg"):
        return False
    state: str | None = getattr(cause, "sqlstate", None)
    if state is None:
        return type(cause).__name__ in _LOST_NAMES
    return state.startswith(_LOST_CLASSES)
