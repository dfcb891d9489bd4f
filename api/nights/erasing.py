"""Erasing: on request or when the time is over, by destroying the person's key. The journal stays whole."""

from datetime import timedelta

import structlog

from api.db import Work
from api.journal.entry import Actor
from api.journal.health import HealthErased
from api.nights import queries
from api.nights.keys import destroy, shred
from api.nights.service import Health

log = structlog.get_logger(__name__)

BY_ITSELF = Actor(id="rimaye", name="Rimaye", role="system")


def erase(work: Work, health: Health, outfit: str, trip: str, actor: Actor, member: str) -> int:
    """Destroy a person's keys on a trip; what they sealed can never be read again. Answers with how many.

    The entries stay where they are, so the chain verifies; one more says that and when it was done. Copies of
    the database made before still hold the wrapped key until the master key is rotated. Raises NotFound
    without such a trip.
    """
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
        erase(work, health, outfit, trip, BY_ITSELF, member)
    if not due:
        work.after_commit(lambda: shred(work))
    return len(due)
