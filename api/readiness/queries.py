"""SQL of readiness: the history of flags, the outfit's party rules, and who is told."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, delete, func, insert, select, update

from api.journal.models import Trip, table
from api.readiness.models import FlagEventRow, FlagHistory, Outbox, PartyRuleRow, Watcher

_event, _history = table(FlagEventRow), table(FlagHistory)


class EventRow(NamedTuple):
    """One thing that happened to one flag, as it is kept."""

    trip_id: str
    seq: int
    place: int
    at: datetime
    happened: str
    finding: str
    subject: str
    requirement: str
    what: str
    gap: str
    grade: str
    hold: str
    cause: str
    cause_kind: str
    by_name: str
    because: str


_COLUMNS = [_event.c[name] for name in EventRow._fields]


class Reached(NamedTuple):
    """Up to which entry the history of a trip is kept, and that entry's hash."""

    seq: int
    hash: str


def reached(conn: Connection, trip_id: str) -> Reached | None:
    """How far the kept history goes; None when nothing is kept."""
    wanted = select(_history.c.seq, _history.c.hash).where(_history.c.trip_id == trip_id)
    row = conn.execute(wanted).first()
    return Reached(*row) if row else None


def events(conn: Connection, trip_id: str, finding: str | None = None, after_seq: int = 0) -> list[EventRow]:
    """What is kept about the flags of a trip, or about one, in order."""
    wanted = select(*_COLUMNS).where(_event.c.trip_id == trip_id, _event.c.seq > after_seq)
    if finding is not None:
        wanted = wanted.where(_event.c.finding == finding)
    return [EventRow(*row) for row in conn.execute(wanted.order_by(_event.c.seq, _event.c.place))]


def forget(conn: Connection, trip_id: str) -> None:
    """Drop the kept history of a trip."""
    conn.execute(delete(_event).where(_event.c.trip_id == trip_id))
    conn.execute(delete(_history).where(_history.c.trip_id == trip_id))


def keep(conn: Connection, trip_id: str, rows: Sequence[EventRow], at: Reached) -> None:
    """Add what happened up to an entry."""
    if rows:
        conn.execute(insert(_event), [row._asdict() for row in rows])
    conn.execute(delete(_history).where(_history.c.trip_id == trip_id))
    values: dict[str, Any] = {"trip_id": trip_id, **at._asdict()}
    conn.execute(insert(_history).values(values))


def newest_first(rows: Iterable[EventRow]) -> list[EventRow]:
    """The same rows, the last that happened first."""
    return sorted(rows, key=lambda row: (row.seq, row.place), reverse=True)


# -- the outfit's party rules


class RuleRow(NamedTuple):
    """A rule an outfit entered."""

    id: str
    rule: dict[str, Any]
    entered_at: datetime
    entered_by: str
    ended_at: datetime | None


_rule = table(PartyRuleRow)
_RULE = [_rule.c[name] for name in RuleRow._fields]


def party_rules(conn: Connection, outfit: str) -> list[RuleRow]:
    """All rules of an outfit, those taken out of use too, by id."""
    wanted = select(*_RULE).where(_rule.c.outfit_id == outfit).order_by(_rule.c.id)
    return [RuleRow(*row) for row in conn.execute(wanted)]


def add_party_rule(conn: Connection, outfit: str, row: RuleRow) -> None:
    """Enter a rule under an id that is free."""
    conn.execute(insert(_rule).values(outfit_id=outfit, **row._asdict()))


def end_party_rule(conn: Connection, outfit: str, rule_id: str, now: datetime) -> bool:
    """Take a rule out of use; False when there is none in use under this id."""
    mine = (_rule.c.outfit_id == outfit) & (_rule.c.id == rule_id) & _rule.c.ended_at.is_(None)
    return conn.execute(update(_rule).where(mine).values(ended_at=now)).rowcount == 1


# -- watchers and what is on its way to them


class WatcherRow(NamedTuple):
    """Someone who is told."""

    id: str
    outfit_id: str
    trip_id: str
    channel: str
    address: str
    told_seq: int
    created_at: datetime
    created_by: str
    staff_id: str | None
    keys: dict[str, str]


class LetterRow(NamedTuple):
    """A digest on its way."""

    id: str
    watcher_id: str
    trip_id: str
    channel: str
    address: str
    title: str
    text: str
    payload: dict[str, Any]
    created_at: datetime
    tries: int
    next_at: datetime | None
    sent_at: datetime | None
    last_error: str


_watcher, _letter, _trip = table(Watcher), table(Outbox), table(Trip)
_WATCHER = [_watcher.c[name] for name in WatcherRow._fields]
_LETTER = [_letter.c[name] for name in LetterRow._fields]


def watchers(conn: Connection, outfit: str, trip_id: str) -> list[WatcherRow]:
    """Who is told about a trip, oldest first."""
    wanted = select(*_WATCHER).where(_watcher.c.outfit_id == outfit, _watcher.c.trip_id == trip_id)
    return [WatcherRow(*row) for row in conn.execute(wanted.order_by(_watcher.c.id))]


def watchers_behind(conn: Connection) -> list[WatcherRow]:
    """Watchers of trips whose journal has gone on since they were told."""
    moved = (_trip.c.id == _watcher.c.trip_id) & (_trip.c.head_seq > _watcher.c.told_seq)
    return [WatcherRow(*row) for row in conn.execute(select(*_WATCHER).join(_trip, moved))]


def add_watcher(conn: Connection, row: WatcherRow) -> None:
    """Add a watcher."""
    conn.execute(insert(_watcher).values(**row._asdict()))


def drop_watcher(conn: Connection, watcher: str) -> None:
    """Remove a watcher with what is on its way to it."""
    conn.execute(delete(_watcher).where(_watcher.c.id == watcher))


def keys_of(conn: Connection, watcher: str) -> dict[str, str]:
    """What a watcher's messages are sealed with; empty when it is gone or needs none."""
    found = conn.execute(select(_watcher.c["keys"]).where(_watcher.c.id == watcher)).scalar()
    return found or {}


def last_letters(conn: Connection, trip_id: str) -> dict[str, LetterRow]:
    """The newest letter to each watcher of a trip, by the watcher's id."""
    newest = select(func.max(_letter.c.id)).where(_letter.c.trip_id == trip_id).group_by(_letter.c.watcher_id)
    rows = conn.execute(select(*_LETTER).where(_letter.c.id.in_(newest)))
    return {letter.watcher_id: letter for letter in (LetterRow(*row) for row in rows)}


def told(conn: Connection, watcher: str, seq: int) -> None:
    """Note up to which entry a watcher has been told."""
    conn.execute(update(_watcher).where(_watcher.c.id == watcher).values(told_seq=seq))


def add_letter(conn: Connection, row: LetterRow) -> None:
    """Put a letter into the outbox."""
    conn.execute(insert(_letter).values(**row._asdict()))


def letters_due(conn: Connection, now: datetime, most: int = 50) -> list[LetterRow]:
    """What is to be handed over now, oldest first."""
    wanted = select(*_LETTER).where(_letter.c.next_at <= now).order_by(_letter.c.id).limit(most)
    return [LetterRow(*row) for row in conn.execute(wanted)]


def claim_letter(conn: Connection, letter: LetterRow, until: datetime) -> bool:
    """Keep others from handing a letter over before `until`; False when somebody else has it."""
    mine = (_letter.c.id == letter.id) & (_letter.c.next_at == letter.next_at)
    return conn.execute(update(_letter).where(mine).values(next_at=until)).rowcount == 1


def letter_sent(conn: Connection, letter: LetterRow, now: datetime) -> None:
    """Note that a letter was handed over."""
    done = {"sent_at": now, "next_at": None, "tries": letter.tries + 1, "last_error": ""}
    conn.execute(update(_letter).where(_letter.c.id == letter.id).values(**done))


def letter_failed(conn: Connection, letter: LetterRow, error: str, again: datetime | None) -> None:
    """Note that a letter was not handed over, and when to try again; None: given up."""
    failed = {"next_at": again, "tries": letter.tries + 1, "last_error": error}
    conn.execute(update(_letter).where(_letter.c.id == letter.id).values(**failed))
