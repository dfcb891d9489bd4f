"""Watchers: writing digests when flags changed, and handing them over from an outbox, with patience."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta

import anyio
import structlog
from sqlalchemy import Connection

from api.access.current import Reader
from api.db import Database, Work
from api.errors import NotFound
from api.ids import new_id
from api.readiness import queries
from api.readiness.delivery import NotDelivered, check_address, deliver
from api.readiness.digest import digest
from api.readiness.history import catch_up
from api.readiness.queries import LetterRow, WatcherRow
from api.readiness.service import Readiness
from api.settings import Settings

RETRY_AFTER = tuple(timedelta(minutes=m) for m in (1, 5, 15, 60, 240, 720))
"""How long to wait after each failure; after the last one it is given up."""

log = structlog.get_logger(__name__)


def watch(
    work: Work,
    settings: Settings,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    channel: str,
    address: str,
) -> WatcherRow:
    """Tell this address about changes of flags from now on. Raises Conflict, Invalid, NotFound."""
    seq = readiness.journal.picture(work, reader.outfit, trip).seq
    now = readiness.clock.now()
    row = WatcherRow(
        id=str(new_id(now)),
        outfit_id=reader.outfit,
        trip_id=trip,
        channel=channel,
        address=check_address(settings, channel, address),
        told_seq=seq,
        created_at=now,
        created_by=reader.name,
    )
    queries.add_watcher(work, row)
    return row


def unwatch(work: Work, reader: Reader, trip: str, watcher: str) -> None:
    """Tell this address nothing more. Raises NotFound."""
    if not queries.remove_watcher(work, reader.outfit, trip, watcher):
        raise NotFound("There is no such watcher on this trip. Look at the list.")


def write_digests(work: Work, readiness: Readiness) -> int:
    """Put into the outbox what watchers have not been told yet; answers with how many letters."""
    written = 0
    for watcher in queries.watchers_behind(work):
        rows = _news(work, readiness, watcher)
        name = readiness.journal.picture(work, watcher.outfit_id, watcher.trip_id).picture.trip
        now = readiness.clock.now()
        made = digest(watcher.trip_id, name.name if name else watcher.trip_id, rows, now)
        if made is not None:
            letter = LetterRow(
                id=str(new_id(now)),
                watcher_id=watcher.id,
                trip_id=watcher.trip_id,
                channel=watcher.channel,
                address=watcher.address,
                title=made.title,
                text=made.text,
                payload=made.payload,
                created_at=now,
                tries=0,
                next_at=now,
                sent_at=None,
                last_error="",
            )
            queries.add_letter(work, letter)
            written += 1
    return written


def _news(work: Work, readiness: Readiness, watcher: WatcherRow) -> list[queries.EventRow]:
    upto = catch_up(work, readiness, watcher.outfit_id, watcher.trip_id)
    queries.told(work, watcher.id, upto)
    return queries.events(work, watcher.trip_id, after_seq=watcher.told_seq)


def send_due(db: Database, settings: Settings, readiness: Readiness) -> tuple[int, int]:
    """Hand over what is due; answers with (sent, failed). Holds no transaction while it waits for others."""
    now = readiness.clock.now()
    with db.reading() as conn:
        due = queries.letters_due(conn, now)
    sent = failed = 0
    for letter in due:
        try:
            deliver(settings, letter, now)
        except NotDelivered as problem:
            failed += 1
            wait = RETRY_AFTER[letter.tries] if letter.tries < len(RETRY_AFTER) else None
            log.warning("not_delivered", channel=letter.channel, tries=letter.tries + 1, reason=str(problem))
            with db.writing() as work:
                queries.letter_failed(work, letter, str(problem)[:500], now + wait if wait else None)
        else:
            sent += 1
            with db.writing() as work:
                queries.letter_sent(work, letter, readiness.clock.now())
    return sent, failed


def watchers_of(conn: Connection, reader: Reader, trip: str) -> list[WatcherRow]:
    """Who is told about a trip."""
    return queries.watchers(conn, reader.outfit, trip)


def one_round(db: Database, settings: Settings, readiness: Readiness) -> tuple[int, int]:
    """Write what is new, then hand over what is due."""
    with db.reading() as conn:
        behind = bool(queries.watchers_behind(conn))
    if behind:
        with db.writing() as work:
            write_digests(work, readiness)
    return send_due(db, settings, readiness)


@asynccontextmanager
async def telling(db: Database, settings: Settings, readiness: Readiness) -> AsyncIterator[None]:
    """Keep telling watchers while the block runs. One process of an installation should do it."""
    if settings.watch_every_s == 0:
        yield
        return

    async def keep_on() -> None:
        while True:
            await anyio.sleep(settings.watch_every_s)
            await _round(db, settings, readiness)

    async with anyio.create_task_group() as tasks:
        tasks.start_soon(keep_on)
        try:
            yield
        finally:
            tasks.cancel_scope.cancel()


async def _round(db: Database, settings: Settings, readiness: Readiness) -> None:
    try:
        await anyio.to_thread.run_sync(
            one_round, db, settings, readiness, limiter=anyio.CapacityLimiter(1), abandon_on_cancel=True
        )
    except Exception:
        # Whatever it was, the next round may do better; the trip must not suffer from its watchers.
        log.exception("watchers_not_told")
