"""What one process of an installation does for all of them, such as asking services or telling watchers."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import anyio
from anyio import CapacityLimiter, to_thread

from api.conditions import queries
from api.db import Database

FORECASTS = queries.LEADER_KEY
WATCHERS = queries.LEADER_KEY + 1

_apart = CapacityLimiter(2)
"""Taking a lead waits for the database, and must not take a thread from requests."""


@asynccontextmanager
async def leading(db: Database, task: int) -> AsyncIterator[bool]:
    """Whether this process does `task` while the block runs; no other does then. Always so on SQLite."""
    if db.dialect != "postgresql":
        yield True
        return
    engine, _ = db.engines()
    conn = await to_thread.run_sync(engine.connect, limiter=_apart)
    conn = conn.execution_options(isolation_level="AUTOCOMMIT")
    leads = False
    try:
        leads = await to_thread.run_sync(queries.try_to_lead, conn, task, limiter=_apart)
        yield leads
    finally:
        with anyio.CancelScope(shield=True):
            if leads:
                await to_thread.run_sync(queries.stop_leading, conn, task, limiter=_apart)
            await to_thread.run_sync(conn.close, limiter=_apart)
