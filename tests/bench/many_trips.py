"""A review of very many trips, made by copying the records of a few into earlier and earlier seasons."""

from __future__ import annotations

import calendar
from collections.abc import Sequence
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import insert

from api.db import Database
from api.journal.models import Trip, table
from api.seasons import queries
from api.seasons.counting import Cell, Contribution, Packed, contributions
from api.seasons.facts import TripRecord
from api.seasons.projection import requirements_of

SEASONS_BACK = 8
"""Over how many earlier seasons the copies are spread."""


def multiply(
    db: Database, outfit: str, records: Sequence[TripRecord], how_many: int, *, at_once: int = 2_000
) -> None:
    """Keep `how_many` copies of some records in the review of an outfit.

    A copy has a row among the trips but no journal: it is there to be counted and to be tried upon.
    """
    totals: dict[Cell, Contribution] = {}
    for start in range(0, how_many, at_once):
        with db.writing() as work:
            trips: list[dict[str, Any]] = []
            kept: list[dict[str, Any]] = []
            facts: list[dict[str, Any]] = []
            notes: list[dict[str, Any]] = []
            for number in range(start, min(start + at_once, how_many)):
                record, back = records[number % len(records)], number // len(records) % SEASONS_BACK
                new = {"trip_id": f"copy-{number:06d}"}
                starts_on, ends_on = _years_back(record.starts_on, back), _years_back(record.ends_on, back)
                when = {"season": starts_on.year, "starts_on": starts_on, "ends_on": ends_on}
                kept.append(queries.trip_row(record, outfit) | when | new)
                facts += [fact | new for fact in queries.fact_rows(record, outfit)]
                notes += [note | new for note in queries.note_rows(record, outfit)]
                trips.append(
                    {
                        "id": new["trip_id"],
                        "outfit_id": outfit,
                        "created_at": datetime(2020, 1, 1, tzinfo=UTC),
                        "name": f"Copy {number}",
                        "starts_on": starts_on,
                        "ends_on": ends_on,
                        "head_seq": record.seq,
                        "head_hash": record.hash,
                    }
                )
            work.execute(insert(table(Trip)), trips)
            queries.add(work, kept, facts, notes)
    with db.writing() as work:
        for at, record in enumerate(records):
            for back in range(SEASONS_BACK):
                copies = _copies(at, back, len(records), how_many)
                for cell, part in _one(work, outfit, record, back).items():
                    was = totals.get(cell, Contribution(0, part.counts * 0))
                    totals[cell] = Contribution(
                        was.people + part.people * copies, was.counts + part.counts * copies
                    )
        queries.count(work, outfit, {c: t for c, t in totals.items() if t.people}, how_many)


def _copies(at: int, back: int, records: int, how_many: int) -> int:
    """How many of the copies are of the record at a place, so many seasons back."""
    return len(range(at + back * records, how_many, records * SEASONS_BACK))


def _one(work: Any, outfit: str, record: TripRecord, back: int) -> dict[Cell, Contribution]:
    facts = {
        f.requirement: Packed(f.requirement, f.states.tobytes(), f.gaps.tobytes())
        for f in record.requirements
    }
    starts_on = _years_back(record.starts_on, back)
    return contributions(
        starts_on.year,
        starts_on.month,
        record.route,
        record.edition,
        record.kind,
        [person.row for person in record.people],
        facts,
        requirements_of(work, outfit, record.edition),
    )


def _years_back(day: date, years: int) -> date:
    last = calendar.monthrange(day.year - years, day.month)[1]
    return day.replace(year=day.year - years, day=min(day.day, last))
