"""The store: where a trip's entries are kept and numbered. The only SQL of this room.

Every statement names the trip, so that on a spread journal it meets one part. Appends to a trip take turns:
the caller's transaction holds the writer's lock (SQLite) or the trip's row (PostgreSQL) until it commits.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Literal
from uuid import UUID

from sqlalchemy import Connection, and_, bindparam, func, insert, select, text, update
from sqlalchemy.exc import DBAPIError

from api.db import Work
from api.errors import NotFound
from api.journal.chain import (
    CannotBeKept,
    ChainReport,
    KeptEntry,
    canonical,
    genesis,
    parse,
    seal,
    verify,
)
from api.journal.entry import Entry, StoredEntry
from api.journal.fold import heads
from api.journal.kinds import Key, Withdrawn
from api.journal.live import CHANNEL
from api.journal.models import JournalEntry, Trip, table
from api.journal.queries import outfit_of, project
from api.journal.roster_rows import SHAPING_KINDS

LARGEST_SEQ = 2**31 - 1
MOST_KNOWN = 50
PAGE = 1_000

Status = Literal["stored", "already-there", "refused"]
Check = Callable[[Entry, Entry | None], str | None]
"""Says why an entry is to be refused, or None; given with it is what it takes back, if it is a withdrawal and
that is here. What is merely odd is kept: no word from the field is lost."""

Reaction = Callable[[Work, str, str, Entry, int], None]
"""What a room does when an entry of some kind was stored: unit of work, outfit, trip, entry, its number."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an entry that was handed in."""

    id: UUID
    status: Status
    seq: int | None = None
    """Its number in this journal; None when refused."""
    problem: str = ""
    """Why it was refused: field, value and remedy."""


@dataclass(frozen=True, slots=True)
class Head:
    """The last entry of a journal: its number and hash. An empty journal has number 0."""

    seq: int
    hash: str


_trip, _entry = table(Trip), table(JournalEntry)
_KEPT = (
    _entry.c.trip_id,
    _entry.c.seq,
    _entry.c.id,
    _entry.c.body,
    _entry.c.actor,
    _entry.c.device,
    _entry.c.happened_at,
    _entry.c.seen_seq,
    _entry.c.after,
    _entry.c.received_at,
    _entry.c.prev_hash,
    _entry.c.hash,
)
_HEAD = select(_trip.c.head_seq, _trip.c.head_hash).where(_trip.c.id == bindparam("trip"))
_OWN_HEAD = _HEAD.where(_trip.c.outfit_id == bindparam("outfit"))
_LOCKED_HEAD = _OWN_HEAD.with_for_update()
_LOCKED_HEAD_AND_ENTRY = (
    select(_trip.c.head_seq, _trip.c.head_hash, *_KEPT)
    .join_from(
        _trip,
        _entry,
        and_(_entry.c.trip_id == bindparam("trip"), _entry.c.id == bindparam("id")),
        isouter=True,
    )
    .where(_trip.c.id == bindparam("trip"), _trip.c.outfit_id == bindparam("outfit"))
    .with_for_update(of=_trip)
)
_BY_ID = select(*_KEPT).where(
    _entry.c.trip_id == bindparam("trip"), _entry.c.id.in_(bindparam("ids", expanding=True))
)
_ABOUT = select(*_KEPT).where(
    _entry.c.trip_id == bindparam("trip"), _entry.c.about.in_(bindparam("abouts", expanding=True))
)
_BY_KIND = (
    select(*_KEPT)
    .where(_entry.c.trip_id == bindparam("trip"), _entry.c.kind.in_(sorted(SHAPING_KINDS)))
    .order_by(_entry.c.seq)
)
_RANGE = (
    select(*_KEPT)
    .where(
        _entry.c.trip_id == bindparam("trip"),
        _entry.c.seq > bindparam("after"),
        _entry.c.seq <= bindparam("upto"),
    )
    .order_by(_entry.c.seq)
)
_INSERT = insert(_entry)
_NOTIFY = text("SELECT pg_notify(:channel, :news)")
_MOVE_HEAD = (
    update(_trip)
    .where(_trip.c.id == bindparam("trip"))
    .values(head_seq=bindparam("seq"), head_hash=bindparam("hash"))
)


def head(conn: Connection, trip_id: str, outfit_id: str | None = None) -> Head:
    """The head of a journal. Raises NotFound when there is no such trip, or it is not this outfit's."""
    if outfit_id is None:
        row = conn.execute(_HEAD, {"trip": trip_id}).first()
    else:
        row = conn.execute(_OWN_HEAD, {"trip": trip_id, "outfit": outfit_id}).first()
    if row is None:
        raise NotFound(f"There is no trip {trip_id}. Check the address, or choose it from the list of trips.")
    return Head(*row)


# -- appending -----------------------------------------------------------------------------------------------


def append(
    conn: Connection,
    trip_id: str,
    outfit_id: str,
    entries: Sequence[Entry],
    received_at: datetime,
    checks: Sequence[Check] = (),
) -> list[Outcome]:
    """Add entries to a trip's journal, in the order given, and say what became of each.

    An entry is stored once: sent again it is already there; another content under its id is refused. A
    refused entry never stands in the way of the others. Raises NotFound when the trip is not this outfit's.
    """
    start, there = _locked(conn, trip_id, outfit_id, _ids_needed(entries))
    batch = _Batch(conn, trip_id, start, there, entries, received_at, checks)
    outcomes = [batch.take(entry) for entry in entries]
    if batch.new:
        conn.execute(_INSERT, [_row(outfit_id, kept, entry) for kept, entry in batch.new])
        conn.execute(_MOVE_HEAD, {"trip": trip_id, "seq": batch.head.seq, "hash": batch.head.hash})
        if batch.shapes():
            project(conn, trip_id, outfit_id, _shaping(conn, trip_id))
        if conn.dialect.name == "postgresql":
            conn.execute(_NOTIFY, {"channel": CHANNEL, "news": f"{trip_id} {batch.head.seq}"})
    return outcomes


class _Batch:
    """Entries on their way into one journal."""

    def __init__(
        self,
        conn: Connection,
        trip_id: str,
        start: Head,
        there: dict[str, KeptEntry],
        entries: Sequence[Entry],
        received_at: datetime,
        checks: Sequence[Check],
    ) -> None:
        self.head = start
        self.new: list[tuple[KeptEntry, Entry]] = []
        self._trip_id = trip_id
        self._received_at = received_at
        self._checks = checks
        self._there = there
        self._about = _About(
            _same_registers(conn, trip_id, [entry for entry in entries if entry.after is None])
        )
        self._resolving = any(entry.after is None for entry in entries)

    def take(self, entry: Entry) -> Outcome:
        """Number and seal one entry, or say why not."""
        known = self._there.get(str(entry.id))
        try:
            if known is not None:
                return self._again(entry, known)
            problem = self._problem(entry)
            if problem:
                return Outcome(entry.id, "refused", problem=problem)
            after = self._known_to_writer(entry) if entry.after is None else entry.after
            kept = seal(entry, after, self.head.seq + 1, self.head.hash, self._received_at)
        except CannotBeKept as error:
            return Outcome(entry.id, "refused", problem=f"{error}. Correct it and send it under a new id.")
        self.head = Head(kept.seq, kept.hash)
        self.new.append((kept, entry))
        self._there[kept.id] = kept
        if self._resolving:
            self._about.add(parse([kept])[0])
        return Outcome(entry.id, "stored", kept.seq)

    def shapes(self) -> bool:
        """Whether the tables beside the journal are to be made again."""
        return any(self._shapes(entry) for _, entry in self.new)

    def _shapes(self, entry: Entry) -> bool:
        if not isinstance(entry.body, Withdrawn):
            return entry.kind in SHAPING_KINDS
        taken_back = self._there.get(str(entry.body.entry))
        return taken_back is not None and taken_back.kind in SHAPING_KINDS

    def _again(self, entry: Entry, known: KeptEntry) -> Outcome:
        stored = parse([known])[0]
        if entry.after is None:
            entry = entry.model_copy(update={"after": stored.after})
        if canonical(entry) == canonical(stored):
            return Outcome(entry.id, "already-there", known.seq)
        problem = f"id: {entry.id} is already used by entry {known.seq}, which says something else."
        return Outcome(entry.id, "refused", problem=f"{problem} Give this one a new id.")

    def _problem(self, entry: Entry) -> str | None:
        if entry.trip != self._trip_id:
            return f"trip: this entry is for {entry.trip}, not for {self._trip_id}. Send it to its own trip."
        if entry.seen_seq > LARGEST_SEQ:
            return f"seen_seq: {entry.seen_seq} is no entry number. Send that of the last entry you read."
        if not entry.device.isprintable():
            return f"device: {entry.device!r} cannot be shown as text. Use letters, digits and dashes."
        if entry.after is not None and entry.id in entry.after:
            return f"after: {entry.id} cannot replace itself. Leave it out of the list."
        taken_back = self._taken_back(entry) if self._checks else None
        return next((problem for check in self._checks if (problem := check(entry, taken_back))), None)

    def _taken_back(self, entry: Entry) -> Entry | None:
        kept = self._there.get(str(entry.body.entry)) if isinstance(entry.body, Withdrawn) else None
        return parse([kept])[0] if kept is not None else None

    def _known_to_writer(self, entry: Entry) -> tuple[UUID, ...]:
        """What the writer replaces: the heads among what it had read, and what it wrote itself before."""
        key = entry.key()
        if key is None:
            return ()
        known = [
            other
            for other in self._about.register(key)
            if other.seq <= entry.seen_seq
            or (other.device == entry.device and other.actor.id == entry.actor.id)
        ]
        return tuple(found.id for found in heads(known).get(key, ()))[-MOST_KNOWN:]


class _About:
    """Stored entries by register, for looking up what a writer knew."""

    def __init__(self, entries: Iterable[StoredEntry]) -> None:
        self._registers: defaultdict[Key | None, list[StoredEntry]] = defaultdict(list)
        self._withdrawals: list[StoredEntry] = []
        for entry in entries:
            self.add(entry)

    def add(self, entry: StoredEntry) -> None:
        if isinstance(entry.body, Withdrawn):
            self._withdrawals.append(entry)
        else:
            self._registers[entry.key()].append(entry)

    def register(self, key: Key) -> list[StoredEntry]:
        """Everything about `key`, with all withdrawals."""
        return self._registers[key] + self._withdrawals


def _row(outfit_id: str, kept: KeptEntry, entry: Entry) -> dict[str, Any]:
    row = kept._asdict()
    row["trip_id"] = row.pop("trip")
    return row | {"outfit_id": outfit_id, "kind": entry.kind, "about": about_of(entry)}


def about_of(entry: Entry) -> str | None:
    """How the store finds entries about the same thing; a withdrawal is found by what it takes back."""
    if isinstance(entry.body, Withdrawn):
        return f"withdrawn/{entry.body.entry}"
    key = entry.key()
    return None if key is None else "/".join(key)


def _ids_needed(entries: Iterable[Entry]) -> set[str]:
    needed = {str(entry.id) for entry in entries}
    return needed | {str(entry.body.entry) for entry in entries if isinstance(entry.body, Withdrawn)}


def _locked(
    conn: Connection, trip_id: str, outfit_id: str, ids: set[str]
) -> tuple[Head, dict[str, KeptEntry]]:
    """The head, locked against other writers, and what is stored under some ids.

    Read after the writer got its turn, so after all earlier appends, on both databases. One entry at a time
    is the most frequent case by far, and takes one statement.
    """
    whose = {"trip": trip_id, "outfit": outfit_id}
    if len(ids) == 1:
        row: Any = conn.execute(_LOCKED_HEAD_AND_ENTRY, whose | {"id": next(iter(ids))}).first()
        rows: Sequence[Any] = [] if row is None or row.id is None else [row[2:]]
    else:
        row = conn.execute(_LOCKED_HEAD, whose).first()
        rows = [] if row is None else conn.execute(_BY_ID, {"trip": trip_id, "ids": sorted(ids)}).all()
    if row is None:
        raise NotFound(f"There is no trip {trip_id}. Check its id, or choose it from the list of trips.")
    there = map(KeptEntry._make, rows)
    return Head(row.head_seq, row.head_hash), {kept.id: kept for kept in there}


def _same_registers(conn: Connection, trip_id: str, entries: Sequence[Entry]) -> list[StoredEntry]:
    """Everything stored about what these entries speak of, with the withdrawals among it."""
    kept = _kept_about(conn, trip_id, {about_of(entry) for entry in entries if entry.key() is not None})
    kept += _kept_about(conn, trip_id, {f"withdrawn/{entry.id}" for entry in kept})
    return parse(kept)


def _kept_about(conn: Connection, trip_id: str, abouts: Iterable[str | None]) -> list[KeptEntry]:
    wanted = sorted(about for about in abouts if about is not None)
    pages = (wanted[start : start + PAGE] for start in range(0, len(wanted), PAGE))
    return [
        KeptEntry._make(row)
        for page in pages
        for row in conn.execute(_ABOUT, {"trip": trip_id, "abouts": page})
    ]


# -- reading -------------------------------------------------------------------------------------------------


def read_kept(
    conn: Connection, trip_id: str, after_seq: int = 0, upto_seq: int | None = None, limit: int | None = None
) -> list[KeptEntry]:
    """Entries numbered after `after_seq`, up to `upto_seq`, at most `limit`, as they are kept."""
    wanted = _RANGE if limit is None else _RANGE.limit(limit)
    span = {"trip": trip_id, "after": after_seq, "upto": LARGEST_SEQ if upto_seq is None else upto_seq}
    return [KeptEntry._make(row) for row in conn.execute(wanted, span)]


def read(
    conn: Connection, trip_id: str, after_seq: int = 0, upto_seq: int | None = None, limit: int | None = None
) -> list[StoredEntry]:
    """Like `read_kept`, typed. Raises CannotBeKept when one fits no entry kind."""
    return parse(read_kept(conn, trip_id, after_seq, upto_seq, limit))


def stream_kept(conn: Connection, trip_id: str, after_seq: int = 0) -> Iterator[KeptEntry]:
    """All entries numbered after `after_seq`, read page by page, so that a long journal need not fit in
    memory.
    """
    while page := read_kept(conn, trip_id, after_seq, limit=PAGE):
        yield from page
        after_seq = page[-1].seq


def verify_trip(conn: Connection, trip_id: str) -> ChainReport:
    """Walk a trip's chain, and compare its end and its finding aids with what they should be."""
    expected = head(conn, trip_id)
    try:
        report = verify(trip_id, stream_kept(conn, trip_id))
    except DBAPIError:
        # SQLite hands out a text that is no UTF-8 only as an error.
        return _verify_one_by_one(conn, trip_id)
    if not report.whole:
        return report
    if (report.entries, report.head_hash) != (expected.seq, expected.hash):
        problem = f"the journal ends at entry {report.entries}, but the trip's head is entry {expected.seq}"
        if report.entries == expected.seq:
            problem = "the last entry is another than the one the trip names as its head"
        return ChainReport(report.entries, report.head_hash, min(report.entries, expected.seq) + 1, problem)
    return _verify_finding_aids(conn, trip_id, report)


def _verify_one_by_one(conn: Connection, trip_id: str) -> ChainReport:
    """For a journal with an entry that the database itself cannot read."""
    readable: list[KeptEntry] = []
    for seq in range(1, head(conn, trip_id).seq + 1):
        try:
            readable += read_kept(conn, trip_id, seq - 1, seq)
        except DBAPIError:
            break
    report = verify(trip_id, readable)
    if not report.whole:
        return report
    unreadable = report.entries + 1
    return ChainReport(report.entries, report.head_hash, unreadable, "the database cannot read it as text")


def _verify_finding_aids(conn: Connection, trip_id: str, report: ChainReport) -> ChainReport:
    outfit = outfit_of(conn, trip_id)
    aids = select(*_KEPT, _entry.c.outfit_id, _entry.c.kind, _entry.c.about).where(
        _entry.c.trip_id == bindparam("trip"), _entry.c.seq > bindparam("after")
    )
    seq = 0
    while rows := conn.execute(
        aids.order_by(_entry.c.seq).limit(PAGE), {"trip": trip_id, "after": seq}
    ).all():
        for row, entry in zip(rows, parse(KeptEntry._make(row[:-3]) for row in rows), strict=True):
            if tuple(row[-3:]) != (outfit, entry.kind, about_of(entry)):
                problem = "the outfit, kind or subject stored beside it does not belong to its content"
                return ChainReport(entry.seq - 1, entry.prev_hash, entry.seq, problem)
        seq = rows[-1].seq
    return report


# -- projections ---------------------------------------------------------------------------------------------


def rebuild(conn: Connection, trip_id: str) -> None:
    """Make the tables beside the journal again, from it alone. Raises NotFound without such a trip."""
    outfit_id = outfit_of(conn, trip_id)
    if outfit_id is None:
        raise NotFound(f"There is no trip {trip_id}. Check its id.")
    last_seq = conn.execute(select(func.max(_entry.c.seq)).where(_entry.c.trip_id == trip_id)).scalar() or 0
    last = read_kept(conn, trip_id, last_seq - 1, last_seq)
    conn.execute(
        _MOVE_HEAD,
        {"trip": trip_id, "seq": last_seq, "hash": last[0].hash if last else genesis(trip_id)},
    )
    project(conn, trip_id, outfit_id, _shaping(conn, trip_id))


def _shaping(conn: Connection, trip_id: str) -> list[StoredEntry]:
    return parse(KeptEntry._make(row) for row in conn.execute(_BY_KIND, {"trip": trip_id}))
