"""Identifiers: UUIDv7 (RFC 9562), so that ids made on many devices sort roughly by when they were made."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from uuid import RFC_4122, UUID

from uuid_utils.compat import uuid7

from api.clock import as_utc

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def new_id(at: datetime | None = None) -> UUID:
    """A new UUIDv7. ``at`` (aware) puts another moment than the present into it, for made-up histories."""
    if at is None:
        return uuid7()
    nanoseconds = (as_utc(at) - EPOCH) // timedelta(microseconds=1) * 1000
    return uuid7(nanoseconds=nanoseconds)


def is_uuid7(value: UUID) -> bool:
    """Whether ``value`` is a UUID of version 7 in the RFC's layout."""
    return value.variant == RFC_4122 and value.version == 7
