"""All SQL of the review."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Any, NamedTuple

import numpy as np
from sqlalchemy import (
    ColumnElement,
    Connection,
    and_,
    delete,
    func,
    insert,
    or_,
    select,
    update,
)

from api.journal.models import Trip, table
from api.seasons import packing
from api.seasons.counting import Cell, Contribution, Packed, TripCell
from api.seasons.facts import TripRecord
from api.seasons.measures import MEASURES
from api.seasons.models import SeasonFact, SeasonNote, SeasonState, SeasonSummary, SeasonTrip

DEBRIEF = ("surprised", "found-late", "lent", "near-miss", "list")
"""What a debrief remark can be about."""

_trip, _kept = table(Trip), table(SeasonTrip)
_fact, _summary = table(SeasonFact), table(SeasonSummary)
_note, _state = table(SeasonNote), table(SeasonState)


class Behind(NamedTuple):
    """A past trip whose journal has grown since it was reviewed, or that never was."""

    trip_id: str
    head_seq: int


class Kept(NamedTuple):
    """A trip as it is counted."""

    trip_id: str
    season: int
    month: int
    route: str
    edition: str
    kind: str
    people: list[list[Any]]


class TripLine(NamedTuple):
    """A trip behind a number."""

    trip_id: str
    name: str | None
    starts_on: date
    route: str
    kind: str
    people: list[list[Any]]
    states: bytes
    gaps: bytes


class ChosenTrip(NamedTuple):
    """A trip of a choice."""

    trip_id: str
    name: str | None
    starts_on: date
    route: str
    kind: str
    people: list[list[Any]]


class NoteLine(NamedTuple):
    """A note with its trip."""

    trip_id: str
    name: str | None
    starts_on: date
    route: str
    about: str
    requirement: str
    text: str


class Choice(NamedTuple):
    """Which trips and people are looked at. Empty: all. First and last are months as (season, month)."""

    first: tuple[int, int] | None = None
    last: tuple[int, int] | None = None
    season: tuple[int, ...] = ()
    month: tuple[int, ...] = ()
    route: tuple[str, ...] = ()
    edition: tuple[str, ...] = ()
    kind: tuple[str, ...] = ()
    lead: tuple[str, ...] = ()
    booking: tuple[str, ...] = ()
    rental: tuple[str, ...] = ()


def behind(conn: Connection, outfit_id: str, before: date, limit: int) -> list[Behind]:
    """Past trips that the review is behind on, by id."""
    wanted = (
        select(_trip.c.id, _trip.c.head_seq)
        .join(_kept, _kept.c.trip_id == _trip.c.id, isouter=True)
        .where(
            _trip.c.outfit_id == outfit_id,
            _trip.c.ends_on < before,
            or_(_kept.c.seq.is_(None), _kept.c.seq != _trip.c.head_seq),
        )
        .order_by(_trip.c.id)
        .limit(limit)
    )
    return [Behind(*row) for row in conn.execute(wanted)]


def settled(conn: Connection, outfit_id: str, before: date) -> bool:
    """Whether as many trips are kept as are past, of as many entries: then, as journals only grow, the review
    is behind on none. False where it takes a closer look."""
    mine = (_trip.c.outfit_id == outfit_id, _trip.c.ends_on < before)
    past = select(func.count(), func.sum(_trip.c.head_seq)).where(*mine)
    reviewed = select(func.count(), func.sum(_kept.c.seq)).where(_kept.c.outfit_id == outfit_id)
    return conn.execute(past).one() == conn.execute(reviewed).one()


def forget_all(conn: Connection, outfit_id: str) -> None:
    """Drop everything the review keeps of an outfit's trips."""
    conn.execute(delete(_note).where(_note.c.outfit_id == outfit_id))
    for one in (_fact, _kept, _summary):
        conn.execute(delete(one).where(one.c.outfit_id == outfit_id))
    _raise(conn, outfit_id, None)


def forget(conn: Connection, trip_id: str, outfit_id: str, requirements: Iterable[str]) -> None:
    """Drop what is kept of one trip, but for its counts."""
    conn.execute(delete(_note).where(_note.c.trip_id == trip_id))
    mine = and_(_fact.c.outfit_id == outfit_id, _fact.c.trip_id == trip_id)
    conn.execute(delete(_fact).where(mine, _fact.c.requirement.in_(list(requirements))))
    conn.execute(delete(_kept).where(_kept.c.trip_id == trip_id))


def kept(conn: Connection, trip_id: str) -> Kept | None:
    """How a trip is counted now; None when it is not."""
    columns = [_kept.c[name] for name in Kept._fields]
    row = conn.execute(select(*columns).where(_kept.c.trip_id == trip_id)).first()
    return Kept(*row) if row else None


def packed(conn: Connection, trip_id: str, outfit_id: str, requirements: Iterable[str]) -> dict[str, Packed]:
    """The facts of one trip as they are kept, by requirement."""
    wanted = select(_fact.c.requirement, _fact.c.states, _fact.c.gaps).where(
        _fact.c.outfit_id == outfit_id,
        _fact.c.trip_id == trip_id,
        _fact.c.requirement.in_(list(requirements)),
    )
    return {row.requirement: Packed(*row) for row in conn.execute(wanted)}


def trip_row(record: TripRecord, outfit_id: str) -> dict[str, Any]:
    """The row of a trip."""
    epochs = record.epochs
    return {
        "trip_id": record.trip,
        "outfit_id": outfit_id,
        "seq": record.seq,
        "hash": record.hash,
        "season": record.starts_on.year,
        "month": record.starts_on.month,
        "starts_on": record.starts_on,
        "ends_on": record.ends_on,
        "route": record.route,
        "edition": record.edition,
        "kind": record.kind,
        "people": [person.row for person in record.people],
        "lines": epochs.lines,
        "members": np.array([p.packed for p in record.people], dtype=packing.MEMBER).tobytes(),
        "epochs": epochs.starts.tobytes(),
        "cells": np.ascontiguousarray(epochs.cells.T, dtype="<f8").tobytes(),
        "metrics": epochs.metrics.astype("<f8").tobytes(),
        "complete": epochs.complete.tobytes(),
    }


def fact_rows(record: TripRecord, outfit_id: str) -> list[dict[str, Any]]:
    """The rows of its requirements."""
    return [
        {
            "outfit_id": outfit_id,
            "requirement": facts.requirement,
            "trip_id": record.trip,
            "asked": facts.asked,
            "lacking": len(facts.gaps),
            "states": facts.states.tobytes(),
            "gaps": facts.gaps.tobytes(),
            "payloads": facts.payloads,
            "holdings": facts.holdings.tobytes(),
        }
        for facts in record.requirements
    ]


def note_rows(record: TripRecord, outfit_id: str) -> list[dict[str, Any]]:
    """The rows of its notes."""
    return [
        {"trip_id": record.trip, "place": place, "outfit_id": outfit_id, **_noted(note)}
        for place, note in enumerate(record.notes)
    ]


def _noted(note: Any) -> dict[str, str]:
    return {"about": note.about, "requirement": note.requirement, "text": note.text}


def add(
    conn: Connection,
    trips: Sequence[Mapping[str, Any]],
    facts: Sequence[Mapping[str, Any]],
    notes: Sequence[Mapping[str, Any]],
) -> None:
    """Keep rows of trips; their counts are added by `count`."""
    for one, rows in ((_kept, trips), (_fact, facts), (_note, notes)):
        if rows:
            conn.execute(insert(one), list(rows))


def count(conn: Connection, outfit_id: str, changes: Mapping[Cell, Contribution], trips: int) -> None:
    """Add to the counts (or take off, where negative), and say that they have changed."""
    for cell, change in changes.items():
        here = _at(outfit_id, cell)
        row = conn.execute(select(_summary.c.people, _summary.c.counts).where(here)).first()
        people, counts = change.people, change.counts
        if row is not None:
            people += row.people
            counts = counts + np.frombuffer(row.counts, dtype="<i4").reshape(-1, len(MEASURES))
            conn.execute(delete(_summary).where(here))
        if people:
            written = {"people": people, "counts": counts.astype("<i4").tobytes()}
            conn.execute(insert(_summary), {"outfit_id": outfit_id, **cell._asdict(), **written})
    _raise(conn, outfit_id, trips)


def _at(outfit_id: str, cell: Cell) -> ColumnElement[bool]:
    named = (_summary.c[name] == value for name, value in cell._asdict().items())
    return and_(_summary.c.outfit_id == outfit_id, *named)


def _raise(conn: Connection, outfit_id: str, trips: int | None) -> None:
    """Another revision of the counts; `trips` more of them, or none at all any more."""
    state = revision(conn, outfit_id)
    if state == (0, 0):
        conn.execute(insert(_state), {"outfit_id": outfit_id, "revision": 1, "trips": trips or 0})
        return
    now = {"revision": state[0] + 1, "trips": 0 if trips is None else state[1] + trips}
    conn.execute(update(_state).where(_state.c.outfit_id == outfit_id).values(now))


def revision(conn: Connection, outfit_id: str) -> tuple[int, int]:
    """The revision of the counts, and of how many trips they are; (0, 0) before the first."""
    wanted = select(_state.c.revision, _state.c.trips).where(_state.c.outfit_id == outfit_id)
    row = conn.execute(wanted).first()
    return (row.revision, row.trips) if row else (0, 0)


class SummaryRow(NamedTuple):
    """One cell of the counts."""

    cell: Cell
    people: int
    counts: bytes


def summary(conn: Connection, outfit_id: str) -> list[SummaryRow]:
    """All counts of an outfit."""
    columns = [_summary.c[name] for name in Cell._fields]
    wanted = select(*columns, _summary.c.people, _summary.c.counts).where(_summary.c.outfit_id == outfit_id)
    found = conn.execute(wanted.order_by(*columns))
    return [SummaryRow(Cell(*row[:-2]), row[-2], row[-1]) for row in found]


def _chosen(outfit_id: str, choice: Choice) -> list[ColumnElement[bool]]:
    """What trips must be; what people must be is not asked here."""
    asked = [_kept.c.outfit_id == outfit_id]
    for name in ("season", "month", "route", "edition", "kind"):
        if values := getattr(choice, name):
            asked.append(_kept.c[name].in_(values))
    month = _kept.c.season * 12 + _kept.c.month
    if choice.first:
        asked.append(month >= choice.first[0] * 12 + choice.first[1])
    if choice.last:
        asked.append(month <= choice.last[0] * 12 + choice.last[1])
    return asked


def trips_with(
    conn: Connection,
    outfit_id: str,
    requirement: str,
    choice: Choice,
    *,
    only_lacking: bool,
    limit: int | None,
) -> list[TripLine]:
    """Trips on which a requirement was asked (or lacking), the last first."""
    asked = [*_chosen(outfit_id, choice), _fact.c.outfit_id == outfit_id, _fact.c.requirement == requirement]
    asked.append(_fact.c.lacking > 0 if only_lacking else _fact.c.asked > 0)
    columns = [_kept.c[name] for name in ("starts_on", "route", "kind", "people")]
    wanted = (
        select(_kept.c.trip_id, _trip.c.name, *columns, _fact.c.states, _fact.c.gaps)
        .join(_kept, _kept.c.trip_id == _fact.c.trip_id)
        .join(_trip, _trip.c.id == _fact.c.trip_id)
        .where(*asked)
        .order_by(_kept.c.starts_on.desc(), _kept.c.trip_id)
    )
    found = conn.execute(wanted if limit is None else wanted.limit(limit))
    return [TripLine._make(row) for row in found]


def trips_of(
    conn: Connection,
    outfit_id: str,
    choice: Choice,
    *,
    only: Sequence[str] | None = None,
    limit: int | None = None,
) -> list[ChosenTrip]:
    """Chosen trips (of those named in `only`), the last first; what people must be is not asked."""
    asked = _chosen(outfit_id, choice)
    if only is not None:
        asked.append(_kept.c.trip_id.in_(list(only)))
    columns = [_kept.c[name] for name in ("starts_on", "route", "kind", "people")]
    wanted = (
        select(_kept.c.trip_id, _trip.c.name, *columns)
        .join(_trip, _trip.c.id == _kept.c.trip_id)
        .where(*asked)
        .order_by(_kept.c.starts_on.desc(), _kept.c.trip_id)
    )
    found = conn.execute(wanted if limit is None else wanted.limit(limit))
    return [ChosenTrip._make(row) for row in found]


def gaps_of(
    conn: Connection, outfit_id: str, requirement: str, choice: Choice
) -> list[tuple[list[list[Any]], bytes]]:
    """The people of each trip and their gaps in one requirement, where there are any."""
    wanted = (
        select(_kept.c.people, _fact.c.gaps)
        .join(_kept, _kept.c.trip_id == _fact.c.trip_id)
        .where(
            *_chosen(outfit_id, choice),
            _fact.c.outfit_id == outfit_id,
            _fact.c.requirement == requirement,
            _fact.c.lacking > 0,
        )
    )
    return [(people, gaps) for people, gaps in conn.execute(wanted).all()]


def notes(
    conn: Connection,
    outfit_id: str,
    choice: Choice,
    *,
    about: Sequence[str],
    requirement: str | None = None,
    limit: int | None,
) -> list[NoteLine]:
    """Notes of chosen trips, the last trip first."""
    asked = [*_chosen(outfit_id, choice), _note.c.outfit_id == outfit_id, _note.c.about.in_(list(about))]
    if requirement is not None:
        asked.append(_note.c.requirement == requirement)
    wanted = (
        select(
            _note.c.trip_id,
            _trip.c.name,
            _kept.c.starts_on,
            _kept.c.route,
            _note.c.about,
            _note.c.requirement,
            _note.c.text,
        )
        .join(_kept, _kept.c.trip_id == _note.c.trip_id)
        .join(_trip, _trip.c.id == _note.c.trip_id)
        .where(*asked)
        .order_by(_kept.c.starts_on.desc(), _note.c.trip_id, _note.c.place)
    )
    found = conn.execute(wanted if limit is None else wanted.limit(limit))
    return [NoteLine(*row) for row in found]


def trip_cells(conn: Connection, outfit_id: str) -> list[TripCell]:
    """How many trips there are of each kind."""
    columns = [_kept.c[name] for name in TripCell._fields[:-1]]
    wanted = select(*columns, func.count()).where(_kept.c.outfit_id == outfit_id).group_by(*columns)
    return [TripCell._make(row) for row in conn.execute(wanted.order_by(*columns))]
