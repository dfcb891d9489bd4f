"""A copy of the database that follows it, from which the review of seasons is read when there is one.

The review reads much and may be some seconds old; boards, calls and everything that somebody has just written
are read from the database itself. When the copy does not answer, the review is read there as well.
"""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import AsyncExitStack, asynccontextmanager
from typing import Annotated

import structlog
from fastapi import Depends, Request
from sqlalchemy import Connection

from api.clock import Clock, SystemClock
from api.db import Database
from api.errors import Unavailable

LEFT_ALONE_S = 30.0
"""For so long a copy that did not answer is not asked again, so that nobody waits for it in between."""

log = structlog.get_logger(__name__)


class Replica:
    """Reads from the copy while it answers, and from the database itself when it does not, or is none."""

    def __init__(self, db: Database, copy: Database | None = None, clock: Clock | None = None) -> None:
        self._db, self._copy = db, copy
        self._clock = clock if clock is not None else SystemClock()
        self._lost_at: float | None = None

    @asynccontextmanager
    async def reading_async(self) -> AsyncIterator[Connection]:
        """A snapshot to read from. Raises Unavailable when the database itself has none in time."""
        async with AsyncExitStack() as stack:
            conn = await self._of_copy(stack)
            if conn is None:
                conn = await stack.enter_async_context(self._db.reading_async())
            yield conn

    async def _of_copy(self, stack: AsyncExitStack) -> Connection | None:
        if self._copy is None or self._is_left_alone():
            return None
        try:
            conn = await stack.enter_async_context(self._copy.reading_async())
        except Unavailable as error:
            self._lost_at = self._clock.monotonic()
            log.warning("replica_lost", reason=error.detail, again_in_s=LEFT_ALONE_S)
            return None
        if self._lost_at is not None:
            self._lost_at = None
            log.info("replica_back")
        return conn

    def _is_left_alone(self) -> bool:
        return self._lost_at is not None and self._clock.monotonic() < self._lost_at + LEFT_ALONE_S

    def close(self) -> None:
        """Give the connections to the copy back."""
        if self._copy is not None:
            self._copy.close()


async def _reading(request: Request) -> AsyncIterator[Connection]:
    replica: Replica = request.app.state.replica
    async with replica.reading_async() as conn:
        yield conn


SeasonsReading = Annotated[Connection, Depends(_reading, scope="function")]
"""For routes of the review that show nothing somebody has just written."""
