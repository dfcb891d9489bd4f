"""Keeping the review up to the journals: one trip, the trips it is behind on, or all of it anew."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

from sqlalchemy import Connection

from api.db import Database, Work
from api.journal.entry import StoredEntry
from api.journal.kinds import ForecastChosen, ForecastReceived, TripPlanned, Withdrawn
from api.journal.pictures import Snapshot
from api.kitlist.service import get_edition
from api.readiness.evaluation import Evaluation
from api.readiness.history import history
from api.readiness.service import Readiness
from api.seasons import queries
from api.seasons.counting import Cell, Contribution, Packed, contributions
from api.seasons.facts import TripRecord, trip_record

AT_ONCE = 20
"""Trips in one unit of work, so that others get their turn to write."""
TURNING = (TripPlanned, ForecastReceived, ForecastChosen, Withdrawn)
"""Kinds after which another plan or forecast may be in force."""

Report = Callable[[int], None]


def record_of(conn: Connection, readiness: Readiness, outfit: str, trip: str) -> TripRecord | None:
    """What the journal of a trip says to the review. Raises NotFound."""
    snapshot = readiness.journal.picture(conn, outfit, trip)
    if snapshot.picture.trip is None:
        return None
    evaluated = _evaluated(conn, readiness, outfit, snapshot)
    events = history(conn, readiness, outfit, trip)
    return trip_record(trip, snapshot.entries, snapshot.picture, evaluated, events)


def _evaluated(
    conn: Connection, readiness: Readiness, outfit: str, snapshot: Snapshot
) -> list[tuple[int, Evaluation]]:
    """The trip after each entry that put another plan or forecast in force."""
    found: list[tuple[int, Evaluation]] = []
    for seq in _turns(snapshot.entries):
        if snapshot.at(seq).picture.trip is None:
            continue
        evaluation = readiness.evaluation(conn, outfit, snapshot.trip_id, seq=seq)
        same = found and found[-1][1].conditions.version == evaluation.conditions.version
        if not same or found[-1][1].edition is not evaluation.edition:
            found.append((seq, evaluation))
    return found


def _turns(entries: Sequence[StoredEntry]) -> list[int]:
    return [entry.seq for entry in entries if isinstance(entry.body, TURNING)]


def keep(work: Work, readiness: Readiness, outfit: str, trip: str) -> bool:
    """Bring what is kept of one trip up to its journal; False when there is nothing to review."""
    record = record_of(work, readiness, outfit, trip)
    _take_off(work, outfit, trip)
    if record is None:
        return False
    add_record(work, outfit, record)
    return True


def add_record(work: Work, outfit: str, record: TripRecord) -> None:
    """Keep a trip that is not kept yet, and count it."""
    row = queries.trip_row(record, outfit)
    facts = queries.fact_rows(record, outfit)
    queries.add(work, [row], facts, queries.note_rows(record, outfit))
    packed = {f["requirement"]: Packed(f["requirement"], f["states"], f["gaps"]) for f in facts}
    at = queries.Kept(*(row[name] for name in queries.Kept._fields))
    queries.count(work, outfit, counted(work, outfit, at, packed), 1)


def counted(
    conn: Connection, outfit: str, kept: queries.Kept, packed: dict[str, Packed]
) -> dict[Cell, Contribution]:
    """What a kept trip adds to the counts."""
    where = (kept.season, kept.month, kept.route, kept.edition, kept.kind)
    return contributions(*where, kept.people, packed, requirements_of(conn, outfit, kept.edition))


def requirements_of(conn: Connection, outfit: str, edition: str) -> tuple[str, ...]:
    """The requirements of an edition, in the order of their counts."""
    return tuple(requirement.id for requirement in get_edition(conn, outfit, edition).requirements)


def _take_off(work: Work, outfit: str, trip: str) -> None:
    kept = queries.kept(work, trip)
    if kept is None:
        return
    requirements = requirements_of(work, outfit, kept.edition)
    packed = queries.packed(work, trip, outfit, requirements)
    less = {
        cell: Contribution(-change.people, -change.counts)
        for cell, change in counted(work, outfit, kept, packed).items()
    }
    queries.count(work, outfit, less, -1)
    queries.forget(work, trip, outfit, requirements)


def catch_up(
    db: Database, readiness: Readiness, outfit: str, today: date, report: Report | None = None
) -> int:
    """Bring the review up to all journals of past trips; answers with how many trips it took up."""
    done, skip = 0, set[str]()
    while True:
        with db.reading() as conn:
            waiting = queries.behind(conn, outfit, today, AT_ONCE + len(skip))
        wanted = [row.trip_id for row in waiting if row.trip_id not in skip]
        if not wanted:
            return done
        with db.writing() as work:
            for trip in wanted:
                if keep(work, readiness, outfit, trip):
                    done += 1
                else:
                    skip.add(trip)
        if report is not None:
            report(done)


def rebuild(
    db: Database, readiness: Readiness, outfit: str, today: date, report: Report | None = None
) -> int:
    """Drop all that is kept and make it again from the journals."""
    with db.writing() as work:
        queries.forget_all(work, outfit)
    return catch_up(db, readiness, outfit, today, report)
