"""SQL of trials and letters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import (
    ColumnElement,
    Connection,
    Integer,
    Text,
    and_,
    func,
    insert,
    null,
    select,
    type_coerce,
    update,
)

from api.journal.models import table
from api.seasons import packing
from api.seasons.models import SeasonFact, SeasonLetter, SeasonTrial, SeasonTrip

_trial, _letter = table(SeasonTrial), table(SeasonLetter)
_kept, _fact = table(SeasonTrip), table(SeasonFact)


class TrialRow(NamedTuple):
    """A trial and what became of it."""

    id: str
    base: str
    changed: str
    state: str
    done: int
    total: int
    stop_asked: bool
    problem: str
    result: dict[str, Any] | None
    created_at: datetime
    created_by: str
    heard_at: datetime | None
    finished_at: datetime | None
    adopted_at: datetime | None
    adopted_by: str
    note: str
    watch: str
    watch_rate: float | None


class LetterRow(NamedTuple):
    """A letter."""

    id: str
    reader: str
    title: str
    text: str
    made_at: datetime
    changed_at: datetime
    changed_by: str
    version: int
    numbers: dict[str, Any] | None


AT_ONCE = 2_000
"""Rows read together."""

_TRIAL = [_trial.c[name] for name in TrialRow._fields]
_LETTER = [_letter.c[name] for name in LetterRow._fields]


def _mine(outfit_id: str, id_: str) -> ColumnElement[bool]:
    return and_(_trial.c.outfit_id == outfit_id, _trial.c.id == id_)


def add_trial(
    conn: Connection, outfit_id: str, id_: str, base: str, changed: str, now: datetime, by: str
) -> None:
    """A trial that waits for its turn."""
    values = {"id": id_, "outfit_id": outfit_id, "base": base, "changed": changed, "state": "waiting"}
    blank = {
        "done": 0,
        "total": 0,
        "stop_asked": False,
        "problem": "",
        "adopted_by": "",
        "note": "",
        "watch": "",
    }
    conn.execute(insert(_trial), values | blank | {"created_at": now, "created_by": by})


def trial(conn: Connection, outfit_id: str, id_: str) -> TrialRow | None:
    """One trial."""
    row = conn.execute(select(*_TRIAL).where(_mine(outfit_id, id_))).first()
    return TrialRow._make(row) if row else None


def trials(conn: Connection, outfit_id: str, changed: str | None = None) -> list[TrialRow]:
    """All trials of an outfit (of one changed list), the newest first; without their results."""
    columns = [null().label(c.name) if c.name == "result" else c for c in _TRIAL]
    wanted = select(*columns).where(_trial.c.outfit_id == outfit_id)
    if changed is not None:
        wanted = wanted.where(_trial.c.changed == changed)
    found = conn.execute(wanted.order_by(_trial.c.created_at.desc(), _trial.c.id.desc()))
    return [TrialRow._make(row) for row in found]


def claim(conn: Connection, outfit_id: str, id_: str, now: datetime) -> bool:
    """Take a waiting trial up; False when another has, or it waits no more."""
    waiting = and_(_mine(outfit_id, id_), _trial.c.state == "waiting")
    return conn.execute(update(_trial).where(waiting).values(state="running", heard_at=now)).rowcount == 1


def progress(conn: Connection, outfit_id: str, id_: str, done: int, total: int, now: datetime) -> bool:
    """Write down how far a trial has come; answers whether it may go on."""
    conn.execute(update(_trial).where(_mine(outfit_id, id_)).values(done=done, total=total, heard_at=now))
    return not conn.execute(select(_trial.c.stop_asked).where(_mine(outfit_id, id_))).scalar_one()


def ask_to_stop(conn: Connection, outfit_id: str, id_: str, now: datetime) -> None:
    """Stop a trial that waits at once, and ask one that runs to stop."""
    mine = _mine(outfit_id, id_)
    conn.execute(update(_trial).where(mine, _trial.c.state == "running").values(stop_asked=True))
    waiting = {"state": "stopped", "stop_asked": True, "finished_at": now}
    conn.execute(update(_trial).where(mine, _trial.c.state == "waiting").values(waiting))


def end(
    conn: Connection,
    outfit_id: str,
    id_: str,
    state: str,
    now: datetime,
    *,
    problem: str = "",
    result: Mapping[str, Any] | None = None,
) -> None:
    """Say how a trial ended."""
    values: dict[str, Any] = {"state": state, "finished_at": now, "problem": problem, "result": result}
    conn.execute(update(_trial).where(_mine(outfit_id, id_)).values(values))


def adopt(conn: Connection, outfit_id: str, id_: str, **values: Any) -> None:
    """Say that a trial's edition was adopted, by whom, why, and what is watched."""
    conn.execute(update(_trial).where(_mine(outfit_id, id_)).values(values))


# -- letters


def add_letter(conn: Connection, outfit_id: str, row: LetterRow) -> None:
    """Keep a new letter."""
    conn.execute(insert(_letter), {"outfit_id": outfit_id, **row._asdict()})


def letters(conn: Connection, outfit_id: str) -> list[LetterRow]:
    """All letters of an outfit, the newest first."""
    wanted = select(*_LETTER).where(_letter.c.outfit_id == outfit_id)
    found = conn.execute(wanted.order_by(_letter.c.made_at.desc(), _letter.c.id.desc()))
    return [LetterRow._make(row) for row in found]


def letter(conn: Connection, outfit_id: str, id_: str) -> LetterRow | None:
    """One letter."""
    wanted = select(*_LETTER).where(_letter.c.outfit_id == outfit_id, _letter.c.id == id_)
    row = conn.execute(wanted).first()
    return LetterRow._make(row) if row else None


def change_letter(conn: Connection, outfit_id: str, id_: str, version: int, **values: Any) -> bool:
    """Write a letter anew; False when it is not at this version any more."""
    mine = and_(_letter.c.outfit_id == outfit_id, _letter.c.id == id_, _letter.c.version == version)
    return conn.execute(update(_letter).where(mine).values(version=version + 1, **values)).rowcount == 1


# -- what a trial reads of the review


def grid_rows(conn: Connection, outfit_id: str) -> list[Any]:
    """(trip, members, epochs, cells, lines as text) of every trip, in order of id."""
    columns = [_kept.c[name] for name in ("trip_id", "members", "epochs", "cells")]
    told = type_coerce(_kept.c.lines, Text)
    wanted = select(*columns, told).where(_kept.c.outfit_id == outfit_id).order_by(_kept.c.trip_id)
    return list(conn.execute(wanted).all())


def layers(
    conn: Connection, outfit_id: str, layers: Sequence[int], complete: Sequence[int]
) -> tuple[list[bytes], list[bytes]]:
    """Some layers of all trips' metrics, and where some metrics are wholly known, by trip in order of id."""
    if not layers and not complete:
        return [], []
    first, last = min(layers, default=0), max(layers, default=0) + 1
    # A long value lies in pieces beside its row, and each look at it gathers them anew: so one look at all
    # that is wanted, behind an offset that keeps the database from looking once for each part.
    stretch = _slice(_kept.c.metrics, first, last, len(packing.LAYERS)).label("stretch")
    whole = (
        select(_kept.c.trip_id, stretch, _kept.c.complete).where(_kept.c.outfit_id == outfit_id).offset(0)
    ).subquery()
    values = [_slice(whole.c.stretch, at - first, at - first + 1, last - first) for at in layers]
    known = [_slice(whole.c.complete, at, at + 1, len(packing.METRIC_NAMES)) for at in complete]
    rows = conn.execute(select(*values, *known).order_by(whole.c.trip_id))
    parts = [[b"".join(column) for column in zip(*some, strict=True)] for some in rows.partitions(AT_ONCE)]
    joined = [b"".join(column) for column in zip(*parts, strict=True)] or [b""] * len(values + known)
    return joined[: len(values)], joined[len(values) :]


def _slice(column: Any, first: int, last: int, parts: int) -> Any:
    """From one part of a column up to another, of so many equally wide ones."""
    width = func.length(column, type_=Integer) // parts
    return func.substr(column, 1 + first * width, (last - first) * width)


def holding_rows(conn: Connection, outfit_id: str, requirement: str) -> list[Any]:
    """(trip, payloads, holdings) of one requirement, in order of trip."""
    wanted = select(_fact.c.trip_id, _fact.c.payloads, _fact.c.holdings).where(
        _fact.c.outfit_id == outfit_id, _fact.c.requirement == requirement
    )
    return list(conn.execute(wanted.order_by(_fact.c.trip_id)).all())


def trip_days(conn: Connection, outfit_id: str) -> dict[str, tuple[date, date]]:
    """First and last day of every kept trip."""
    wanted = select(_kept.c.trip_id, _kept.c.starts_on, _kept.c.ends_on).where(_kept.c.outfit_id == outfit_id)
    return {trip: (starts_on, ends_on) for trip, starts_on, ends_on in conn.execute(wanted).all()}
