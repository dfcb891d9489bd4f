"""The history of a trip's flags: what is kept, and what happened since, worked out on reading.

Reading never writes: the process remembers the walks it made last. `catch_up` keeps what is missing;
`rebuild` makes all of it again, to the same rows.
"""

from collections.abc import Sequence

from sqlalchemy import Connection

from api.db import Work
from api.journal.entry import Entry, StoredEntry
from api.journal.fold import Picture
from api.journal.pictures import Snapshot
from api.readiness import queries
from api.readiness.evaluation import Evaluation
from api.readiness.queries import EventRow, Reached
from api.readiness.service import Readiness
from api.readiness.stepping import Evaluate, Walk


def history(
    conn: Connection,
    readiness: Readiness,
    outfit: str,
    trip: str,
    *,
    finding: str | None = None,
    after_seq: int = 0,
) -> list[EventRow]:
    """What happened to the flags of a trip, or to one of them, in order. Raises NotFound."""
    snapshot = readiness.journal.picture(conn, outfit, trip)
    kept = _reached(conn, snapshot)
    rows = queries.events(conn, trip, finding, after_seq) if kept.seq else []
    evaluate = _evaluator(conn, readiness, outfit, trip)
    new = readiness.walks.since(snapshot, kept.seq, evaluate, _rows) if kept.seq < snapshot.seq else []
    return rows + [row for row in new if row.seq > after_seq and finding in (None, row.finding)]


def catch_up(work: Work, readiness: Readiness, outfit: str, trip: str) -> int:
    """Keep what happened since the last time; answers with up to which entry all is kept."""
    snapshot = readiness.journal.picture(work, outfit, trip)
    kept = _reached(work, snapshot)
    if kept.seq == 0:
        queries.forget(work, trip)
    if kept.seq < snapshot.seq:
        rows = _since(work, readiness, outfit, snapshot, kept.seq)
        queries.keep(work, trip, rows, Reached(snapshot.seq, snapshot.head.hash))
    return snapshot.seq


def rebuild(work: Work, readiness: Readiness, outfit: str, trip: str) -> int:
    """Drop the kept history of a trip and make it again from the journal."""
    queries.forget(work, trip)
    return catch_up(work, readiness, outfit, trip)


def _reached(conn: Connection, snapshot: Snapshot) -> Reached:
    """How far the kept history of this very journal goes."""
    kept = queries.reached(conn, snapshot.trip_id)
    if kept is None or not 0 < kept.seq <= snapshot.seq:
        return Reached(0, "")
    return kept if snapshot.entries[kept.seq - 1].hash == kept.hash else Reached(0, "")


def _since(
    conn: Connection, readiness: Readiness, outfit: str, snapshot: Snapshot, seq: int
) -> list[EventRow]:
    steps = Walk(_evaluator(conn, readiness, outfit, snapshot.trip_id))
    if seq:
        steps.begin(snapshot.entries[:seq])
    rows: list[EventRow] = []
    for entry in snapshot.entries[seq:]:
        rows += _rows(snapshot.trip_id, entry, steps)
    return rows


def _rows(trip: str, entry: StoredEntry, steps: Walk) -> list[EventRow]:
    return [
        EventRow(
            trip_id=trip,
            seq=entry.seq,
            place=place,
            at=entry.happened_at,
            happened=event.happened.value,
            finding=event.finding,
            subject=event.subject,
            requirement=event.requirement,
            what=event.what.replace("\0", ""),
            gap=event.gap,
            grade=event.grade,
            hold=event.hold,
            cause=str(event.cause),
            cause_kind=event.cause_kind,
            by_name=entry.actor.name.replace("\0", ""),
            because=event.because.replace("\0", ""),
        )
        for place, event in enumerate(steps.step(entry))
    ]


def _evaluator(conn: Connection, readiness: Readiness, outfit: str, trip: str) -> Evaluate:
    def evaluate(picture: Picture, entries: Sequence[Entry]) -> Evaluation | None:
        if picture.trip is None:
            return None
        return readiness.evaluation(conn, outfit, trip, seq=len(entries))

    return evaluate
