"""Erasing: on request or when the time is over, by destroying the person's key. The journal stays whole.

On request the photos of the person's gear go with it: a picture may show more of somebody than the thing it
was taken for. When only the time of notes is over photos stay for their own time, for everyone alike: that
some went earlier would tell who had notes.
"""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta
from functools import partial

import structlog

from api.db import Database, Work
from api.journal.entry import Actor
from api.journal.health import HealthErased
from api.nights import queries
from api.nights.keys import destroy, shred
from api.nights.service import Health
from api.photos import queries as photos
from api.rounds import in_a_thread, repeated

log = structlog.get_logger(__name__)

BY_ITSELF = Actor(id="rimaye", name="Rimaye", role="system")
SHREDDED_AGAIN_FOR = timedelta(days=2)
"""So long each round rids the database's files of what was erased, should a reader have been in the way."""


def erase(work: Work, health: Health, outfit: str, trip: str, actor: Actor, member: str) -> int:
    """Destroy a person's keys and photos on a trip; what they sealed can never be read again.

    Answers with how many keys. The entries stay where they are, so the chain verifies; one more says that and
    when it was done. Copies of the database made before still hold the wrapped key until the master key is
    rotated. Raises NotFound without such a trip.
    """
    erased = _destroyed(work, health, outfit, trip, actor, member)
    if erased:
        health.keys.leave_behind(work)
    pictured = photos.erase_of(work, outfit, trip, member)
    if pictured:
        work.after_commit(lambda: shred(work))
        log.info("photos_erased", photos=pictured)
    return erased


def _destroyed(work: Work, health: Health, outfit: str, trip: str, actor: Actor, member: str) -> int:
    health.journal.picture(work, outfit, trip)
    now = health.clock.now()
    living = [row for row in queries.keys(work, trip, member) if row.erased_at is None]
    for row in living:
        destroy(work, row.id, now)
    if living:
        bodies = [HealthErased(member=member, key_id=row.id) for row in living]
        health.append(work, outfit, trip, actor, bodies, "server")
        health.log_deed(work, trip, actor, "erased", member)
        log.info("health_erased", trip=trip, keys=len(living))
    return len(living)


def erase_due(work: Work, health: Health) -> int:
    """Erase everyone's notes on trips that ended longer ago than they are kept. Answers with how many people.

    Doing it again does nothing but bring an earlier erasure to an end that had to wait for a reader.
    """
    ended_before = health.clock.now().date() - timedelta(days=health.settings.health_keep_days)
    due = queries.due(work, ended_before)
    for outfit, trip, member in due:
        _destroyed(work, health, outfit, trip, BY_ITSELF, member)
    if due or health.keys.rotation_unfinished:
        health.keys.leave_behind(work)
    if not due:
        work.after_commit(lambda: shred(work))
    return len(due)


@asynccontextmanager
async def erasing(db: Database, health: Health) -> AsyncIterator[None]:
    """Erase what is due at once and then every hour, while the block runs.

    Writers take turns, also between processes, so of several that look one erases and the others find none.
    """
    async with repeated(partial(_round, db, health)):
        yield


async def _round(db: Database, health: Health) -> None:
    await in_a_thread("health_not_erased", _look, db, health)


def _look(db: Database, health: Health) -> None:
    now = health.clock.now()
    with db.reading() as conn:
        due = queries.due(conn, now.date() - timedelta(days=health.settings.health_keep_days))
        fresh = queries.erased_after(conn, now - SHREDDED_AGAIN_FOR)
    if due or fresh or health.keys.rotation_unfinished:
        with db.writing() as work:
            erase_due(work, health)
