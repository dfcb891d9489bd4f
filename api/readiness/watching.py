"""Watchers: writing digests when flags changed, and handing them over from an outbox, with patience."""

from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from datetime import timedelta
from functools import partial

import anyio
import structlog
from sqlalchemy import Connection

from api.access import queries as access
from api.access.assigning import GUIDE_ROLES
from api.access.current import Reader
from api.conditions.leading import WATCHERS, leading
from api.db import Database, Work
from api.errors import Conflict, NotFound
from api.ids import new_id
from api.readiness import queries
from api.readiness.delivery import NotDelivered, check_address, deliver
from api.readiness.digest import digest
from api.readiness.history import catch_up
from api.readiness.night_findings import REQUIREMENTS as NIGHT_LINES
from api.readiness.push import Gone, check_subscription, push
from api.readiness.queries import LetterRow, WatcherRow
from api.readiness.service import Readiness
from api.rounds import repeated
from api.settings import Settings

RETRY_AFTER = tuple(timedelta(minutes=m) for m in (1, 5, 15, 60, 240, 720))
"""How long to wait after each failure; after the last one it is given up."""
PUSH = "push"
MOST_WATCHERS = 50
HELD_FOR = timedelta(minutes=2)
"""A process that took a letter to hand it over, and has not said how it went by then, is gone."""

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
    return _add(work, readiness, reader, trip, channel, check_address(settings, channel, address))


def watch_here(
    work: Work,
    settings: Settings,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    endpoint: str,
    keys: Mapping[str, str],
) -> WatcherRow:
    """Tell the reader's own device from now on. Raises Conflict, Invalid, NotFound."""
    check_subscription(settings, endpoint, keys)
    for row in queries.watchers(work, reader.outfit, trip):
        if row.channel == PUSH and row.address == endpoint:
            queries.drop_watcher(work, row.id)
    sealing = {name: keys[name] for name in ("p256dh", "auth")}
    return _add(work, readiness, reader, trip, PUSH, endpoint, staff=reader.staff, keys=sealing)


def _add(
    work: Work,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    channel: str,
    address: str,
    *,
    staff: str | None = None,
    keys: dict[str, str] | None = None,
) -> WatcherRow:
    if len(queries.watchers(work, reader.outfit, trip)) >= MOST_WATCHERS:
        raise Conflict(
            f"A trip has at most {MOST_WATCHERS} watchers. Remove one that is not needed any more."
        )
    now = readiness.clock.now()
    row = WatcherRow(
        id=str(new_id(now)),
        outfit_id=reader.outfit,
        trip_id=trip,
        channel=channel,
        address=address,
        told_seq=readiness.journal.picture(work, reader.outfit, trip).seq,
        created_at=now,
        created_by=reader.name,
        staff_id=staff,
        keys=keys or {},
    )
    queries.add_watcher(work, row)
    return row


def unwatch(work: Work, reader: Reader, trip: str, watcher: str, *, own_only: bool = False) -> None:
    """Tell this address nothing more; with `own_only` only a device of the reader's. Raises NotFound."""
    rows = {row.id: row for row in queries.watchers(work, reader.outfit, trip)}
    row = rows.get(watcher)
    if row is None or (own_only and row.staff_id != reader.staff):
        raise NotFound("There is no such watcher on this trip. Look at the list.")
    queries.drop_watcher(work, watcher)


def write_digests(work: Work, readiness: Readiness) -> int:
    """Put into the outbox what watchers have not been told yet; answers with how many letters."""
    written = 0
    for watcher in queries.watchers_behind(work):
        if not _may_be_told(work, readiness, watcher):
            queries.drop_watcher(work, watcher.id)
            continue
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
    rows = queries.events(work, watcher.trip_id, after_seq=watcher.told_seq)
    return [row for row in rows if row.requirement not in NIGHT_LINES]


def _may_be_told(work: Work, readiness: Readiness, watcher: WatcherRow) -> bool:
    """Whether the device's owner still sees the trip; addresses the outfit entered are its own affair."""
    if watcher.staff_id is None or readiness.demo:
        return True
    person = access.staff_by_id(work, watcher.staff_id, watcher.outfit_id)
    if person is None or not person.active:
        return False
    assigned = person.id if person.role in GUIDE_ROLES else None
    return access.trip_is_seen(work, watcher.trip_id, watcher.outfit_id, assigned)


def send_due(db: Database, settings: Settings, readiness: Readiness) -> tuple[int, int]:
    """Hand over what is due; answers with (sent, failed). Holds no transaction while it waits for others."""
    now = readiness.clock.now()
    with db.reading() as conn:
        due = queries.letters_due(conn, now)
    sent = failed = 0
    for letter in due:
        with db.writing() as work:
            mine = queries.claim_letter(work, letter, now + HELD_FOR)
            keys = queries.keys_of(work, letter.watcher_id)
        if not mine:
            continue
        try:
            if letter.channel == PUSH:
                push(settings, letter, letter.trip_id, keys, now)
            else:
                deliver(settings, letter, now)
        except Gone:
            failed += 1
            log.info("watcher_gone", channel=letter.channel)
            with db.writing() as work:
                queries.drop_watcher(work, letter.watcher_id)
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
    """Keep telling watchers while the block runs. Of several processes one at a time does it."""
    if settings.watch_every_s == 0:
        yield
        return
    look = partial(_round, db, settings, readiness)
    async with repeated(look, settings.watch_every_s, at_once=False):
        yield


async def _round(db: Database, settings: Settings, readiness: Readiness) -> None:
    try:
        async with leading(db, WATCHERS) as leads:
            if leads:
                await anyio.to_thread.run_sync(
                    one_round,
                    db,
                    settings,
                    readiness,
                    limiter=anyio.CapacityLimiter(1),
                    abandon_on_cancel=True,
                )
    except Exception:
        # Whatever it was, the next round may do better; the trip must not suffer from its watchers.
        log.exception("watchers_not_told")
