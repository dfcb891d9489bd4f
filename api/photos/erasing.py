"""Erasing photos whose time is over."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from functools import partial

import structlog

from api.clock import Clock
from api.db import Database
from api.photos import queries
from api.rounds import in_a_thread, repeated

log = structlog.get_logger(__name__)


def erase_due(db: Database, clock: Clock, keep_days: int) -> int:
    """Erase the photos of trips that ended more than `keep_days` ago. Answers with how many."""
    ended_before = clock.now().date() - timedelta(days=keep_days)
    with db.reading() as conn:
        due = queries.any_due(conn, ended_before)
    if not due:
        return 0
    with db.writing() as work:
        erased = queries.erase_due(work, ended_before)
    log.info("photos_erased", photos=erased)
    return erased


@asynccontextmanager
async def erasing_photos(db: Database, clock: Clock, keep_days: int) -> AsyncIterator[None]:
    """Erase what is due at once and then every hour, while the block runs; writers take turns."""
    async with repeated(partial(in_a_thread, "photos_not_erased", erase_due, db, clock, keep_days)):
        yield
