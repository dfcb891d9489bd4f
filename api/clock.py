"""The only place that reads the time.

Everything else is handed a ``Clock``, so a test can hold time still and the demo can stand at any hour of its
trip.
"""

from __future__ import annotations

import time
from abc import ABC, abstractmethod
from datetime import UTC, datetime, timedelta


def as_utc(moment: datetime) -> datetime:
    """Return ``moment`` in UTC. Raises ValueError when it carries no time zone."""
    if moment.tzinfo is None or moment.utcoffset() is None:
        raise ValueError(f"{moment.isoformat()} has no time zone; give an offset, for example +00:00")
    return moment.astimezone(UTC)


class Clock(ABC):
    """Tells the time."""

    @abstractmethod
    def now(self) -> datetime:
        """The present moment, aware, in UTC."""

    @abstractmethod
    def monotonic(self) -> float:
        """Seconds from an arbitrary start that never run backwards, for durations. [s]"""


class SystemClock(Clock):
    """The machine's clock."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def monotonic(self) -> float:
        return time.monotonic()


class FixedClock(Clock):
    """A clock that stands still until it is moved, for tests."""

    def __init__(self, at: datetime) -> None:
        self._now = as_utc(at)
        self._monotonic_s = 0.0

    def now(self) -> datetime:
        return self._now

    def monotonic(self) -> float:
        return self._monotonic_s

    def set(self, at: datetime) -> None:
        """Stand at another moment; durations are not affected."""
        self._now = as_utc(at)

    def advance(self, by: timedelta) -> None:
        """Let time pass. ``by`` may not be negative."""
        if by < timedelta(0):
            raise ValueError(f"time cannot pass backwards by {by}; use set()")
        self._now += by
        self._monotonic_s += by.total_seconds()


class MovableClock(Clock):
    """The demo's clock: it is set to a moment and runs on from there.

    ``offset`` (shown time minus the base clock's time) is all that has to be kept to bring it back after a
    restart.
    """

    def __init__(self, start: datetime | None = None, *, base: Clock | None = None) -> None:
        self._base = base if base is not None else SystemClock()
        self._offset = timedelta(0)
        if start is not None:
            self.move_to(start)

    @property
    def offset(self) -> timedelta:
        """How far the shown time is ahead of the base clock (negative: behind)."""
        return self._offset

    @offset.setter
    def offset(self, offset: timedelta) -> None:
        self._offset = offset

    def now(self) -> datetime:
        return self._base.now() + self._offset

    def monotonic(self) -> float:
        return self._base.monotonic()

    def move_to(self, at: datetime) -> None:
        """Show ``at`` from now on, and run on from it."""
        self._offset = as_utc(at) - self._base.now()

    def move_by(self, by: timedelta) -> None:
        """Move the shown time, forwards or backwards."""
        self._offset += by
