"""Trials of a changed kit list: begun, run in the background, stopped, adopted.

A trial reads what the review keeps, never the journals; its row says how far it has come.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import asdict, dataclass
from datetime import date, datetime, timedelta
from typing import Any

import numpy as np
import structlog
from sqlalchemy import Connection

from api.access.current import Reader
from api.clock import Clock
from api.db import Database, Work
from api.errors import Conflict, Invalid, NotFound
from api.ids import new_id
from api.kitlist.models import EditionState
from api.kitlist.schemas import Edition
from api.kitlist.service import get_edition, get_row, publish
from api.readiness.service import Readiness
from api.seasons import packing
from api.seasons.cube_cache import cube_of
from api.seasons.grid import Grid, grid_of
from api.seasons.measures import AT
from api.seasons.spells import Dates, HeldRows
from api.seasons.trial import OPENED, Counted, Effect, Pair, Trial, about_nights, affected, at_once
from api.seasons.walking import Walked
from api.seasons.written import queries as written
from api.seasons.written.queries import TrialRow

MOST_TRIPS_SHOWN = 500
NOTHING_KNOWN = ("[]", b"")

log = structlog.get_logger(__name__)
Report = Callable[[int, int], bool]
"""How many steps are done, of how many; answers whether to go on."""
GoOn = Callable[[int], None]
Connections = Callable[[], AbstractContextManager[Connection]]


_under_way: set[str] = set()
"""Trials that a thread of this process works on, or is about to."""
SILENT = timedelta(minutes=2)
"""A trial of another process of which nothing has been heard for longer than this was cut off."""


class Stopped(Exception):
    """Somebody asked a trial to stop."""


def read_grid(conn: Connection, outfit: str) -> Grid:
    """All recorded trips of an outfit, their metrics read when they are asked for."""
    rows = written.grid_rows(conn, outfit)

    def read(
        layers: Sequence[tuple[str, str]], metrics: Sequence[str]
    ) -> tuple[list[np.ndarray], list[np.ndarray]]:
        values, known = written.layers(
            conn,
            outfit,
            [packing.LAYER_AT[layer] for layer in layers],
            [packing.METRIC_NAMES.index(metric) for metric in metrics],
        )
        return (
            [np.frombuffer(one, dtype="<f8") for one in values],
            [np.frombuffer(one, dtype=np.uint8) > 0 for one in known],
        )

    return grid_of(rows, read)


def effects(
    conn: Connection,
    readiness: Readiness,
    outfit: str,
    base: Edition,
    changed: Edition,
    report: Report | None = None,
) -> Iterator[Effect]:
    """What each affected requirement's change means. Raises Stopped when `report` says so.

    Lines about people's things are worked out for all trips at once, a step each; all others the ordinary
    way, a step for each trip.
    """
    grid = read_grid(conn, outfit)
    pairs = Pairs.of(base, changed)
    go_on = pairs.reporting(report, len(grid.trips))
    yield from for_all(conn, outfit, grid, base, changed, go_on)
    yield from trip_by_trip(lambda: nullcontext(conn), readiness, outfit, grid, base, changed, go_on)


@dataclass(frozen=True, slots=True)
class Pairs:
    """What is to be tried: lines for all trips at once, and lines trip by trip."""

    at_once: tuple[Pair, ...]
    one_by_one: tuple[Pair, ...]

    @classmethod
    def of(cls, base: Edition, changed: Edition) -> Pairs:
        """Sort the lines that two lists may judge differently."""
        pairs = [pair for pair in affected(base, changed) if not about_nights(pair)]
        return cls(*(tuple(p for p in pairs if at_once(p) is whether) for whether in (True, False)))

    def reporting(self, report: Report | None, trips: int) -> GoOn:
        """Says after how many steps it stands, and raises Stopped when asked to stop."""
        total = len(self.at_once) + (trips if self.one_by_one else 0)

        def go_on(done: int) -> None:
            if report is not None and not report(done, total):
                raise Stopped

        return go_on


def for_all(
    conn: Connection, outfit: str, grid: Grid, base: Edition, changed: Edition, go_on: GoOn
) -> Iterator[Effect]:
    """The lines that are worked out for all trips at once."""
    if not grid.trips:
        return
    tried, dates = Trial(grid, base, changed), _dates(conn, outfit)
    for done, pair in enumerate(Pairs.of(base, changed).at_once):
        go_on(done)
        yield tried.effect(pair, _held(conn, outfit, grid, pair), dates)


def trip_by_trip(
    connections: Connections,
    readiness: Readiness,
    outfit: str,
    grid: Grid,
    base: Edition,
    changed: Edition,
    go_on: GoOn,
) -> Iterator[Effect]:
    """The lines that go the ordinary way; with another snapshot for each trip, so that none is kept long."""
    pairs = Pairs.of(base, changed)
    if not grid.trips or not pairs.one_by_one:
        return
    walked = Walked(base, changed, pairs.one_by_one)
    go_on(len(pairs.at_once))
    for done, trip in enumerate(grid.trips, start=1):
        with connections() as conn:
            walked.go(conn, readiness, outfit, trip)
        go_on(len(pairs.at_once) + done)
    yield from walked.effects(grid.trips)


def _dates(conn: Connection, outfit: str) -> Dates:
    """First and last day of trips, read when they are asked for."""
    days: dict[str, tuple[date, date]] = {}

    def dates(trip: str) -> tuple[date, date]:
        if not days:
            days.update(written.trip_days(conn, outfit))
        return days[trip]

    return dates


def _held(conn: Connection, outfit: str, grid: Grid, pair: Pair) -> HeldRows:
    named = pair[1] or pair[0]
    assert named is not None
    rows = written.holding_rows(conn, outfit, named.id)
    if len(rows) == len(grid.trips):
        return HeldRows([row[1] for row in rows], [row[2] for row in rows])
    by_trip = {row[0]: (row[1], row[2]) for row in rows}
    found = [by_trip.get(trip, NOTHING_KNOWN) for trip in grid.trips]
    return HeldRows([payloads for payloads, _ in found], [holdings for _, holdings in found])


def evidence(base: Edition, changed: Edition, found: Sequence[Effect]) -> dict[str, Any]:
    """The result of a trial as it is kept with the proposal."""
    total = sum((effect.total for effect in found), Counted())
    left_out = [
        (pair[1] or pair[0]).item  # type: ignore[union-attr]
        for pair in affected(base, changed)
        if about_nights(pair)
    ]
    trips = len(found[0].differs) if found else 0
    differs = np.zeros(trips, dtype=np.bool_)
    by_trip: dict[str, Counted] = {}
    for effect in found:
        differs |= effect.differs
        for trip, counted in effect.trips.items():
            by_trip[trip] = by_trip.get(trip, Counted()) + counted
    shown = sorted(by_trip, key=lambda trip: (-by_trip[trip].come - by_trip[trip].gone, trip))
    return {
        "trips": trips,
        "trips_with_a_difference": int(differs.sum()),
        "total": asdict(total),
        "requirements": [
            {"id": effect.requirement, "item": effect.item, **asdict(effect.total)} for effect in found
        ],
        "by_trip": {trip: asdict(by_trip[trip]) for trip in shown[:MOST_TRIPS_SHOWN]},
        **_behind(found),
        "left_out": left_out,
    }


def _behind(found: Sequence[Effect]) -> dict[str, Any]:
    """The trips behind every number, each id written once: [place of the trip, people] in order."""
    place: dict[str, int] = {}
    behind = {
        effect.requirement: {
            number: [[place.setdefault(trip, len(place)), people] for trip, people in trips]
            for number, trips in effect.behind.items()
            if trips
        }
        for effect in found
    }
    return {"behind": behind, "trip_ids": list(place)}


def behind(row: TrialRow, requirement: str, number: str) -> list[tuple[str, int]]:
    """The trips behind one number of a trial, with how many people each. Raises NotFound."""
    of_line = (row.result or {}).get("behind", {}).get(requirement)
    if of_line is None or number not in OPENED:
        raise NotFound("There is no such number. Open the trips from the number on the page of the trial.")
    ids = row.result["trip_ids"] if row.result else []
    return [(ids[place], people) for place, people in of_line.get(number, ())]


# -- the life of a trial -------------------------------------------------------------------------------------


def begin(work: Work, reader: Reader, clock: Clock, base: str, changed: str) -> str:
    """Put a trial in the queue; answers with its id. Raises NotFound, and Invalid where nothing differs."""
    old, new = get_edition(work, reader.outfit, base), get_edition(work, reader.outfit, changed)
    if not affected(old, new):
        raise Invalid.field(
            "changed", changed, f"it asks exactly what {base} asks.", "Change a line of the copy first."
        )
    id_ = str(new_id(clock.now()))
    written.add_trial(work, reader.outfit, id_, base, changed, clock.now(), reader.name)
    return id_


def find(conn: Connection, outfit: str, id_: str, now: datetime | None = None) -> TrialRow:
    """A trial; given the time, one that was cut off is shown as stopped. Raises NotFound."""
    found = written.trial(conn, outfit, id_)
    if found is None:
        raise NotFound(f"There is no trial {id_}. Choose one of the list.")
    return found if now is None else _as_it_is(found, now)


def trials(conn: Connection, outfit: str, now: datetime, changed: str | None = None) -> list[TrialRow]:
    """All trials (of one changed list), the newest first; without their results."""
    return [_as_it_is(row, now) for row in written.trials(conn, outfit, changed)]


def _as_it_is(row: TrialRow, now: datetime) -> TrialRow:
    """A trial of which nothing has been heard for long was cut off when the service stopped."""
    if row.state not in ("waiting", "running") or row.id in _under_way:
        return row
    if now - (row.heard_at or row.created_at) <= SILENT:
        return row
    return row._replace(state="stopped", problem="The service was stopped while it ran. Begin it again.")


def stop(work: Work, clock: Clock, outfit: str, id_: str) -> None:
    """Ask a trial to stop; one that has ended stays as it is."""
    find(work, outfit, id_)
    written.ask_to_stop(work, outfit, id_, clock.now())


def run(db: Database, readiness: Readiness, outfit: str, id_: str) -> None:
    """Run a trial to its end, writing down how far it has come."""
    _under_way.add(id_)
    try:
        if _claim(db, readiness.clock, outfit, id_):
            _run(db, readiness, outfit, id_)
    finally:
        _under_way.discard(id_)


def _run(db: Database, readiness: Readiness, outfit: str, id_: str) -> None:
    try:
        result = _result(db, readiness, outfit, id_)
    except Stopped:
        _end(db, readiness.clock, outfit, id_, "stopped")
    except Exception as error:  # whatever it is, the row must say that nothing runs any more
        log.exception("trial_failed", trial=id_)
        _end(db, readiness.clock, outfit, id_, "failed", problem=str(error)[:400])
    else:
        _end(db, readiness.clock, outfit, id_, "done", result=result)


def _claim(db: Database, clock: Clock, outfit: str, id_: str) -> bool:
    with db.writing() as work:
        return written.claim(work, outfit, id_, clock.now())


def _result(db: Database, readiness: Readiness, outfit: str, id_: str) -> Mapping[str, Any]:
    def report(done: int, total: int) -> bool:
        with db.writing() as work:
            return written.progress(work, outfit, id_, done, total, readiness.clock.now())

    with db.reading() as conn:
        row = find(conn, outfit, id_)
        base, changed = (get_edition(conn, outfit, edition) for edition in (row.base, row.changed))
        grid = read_grid(conn, outfit)
        go_on = Pairs.of(base, changed).reporting(report, len(grid.trips))
        found = list(for_all(conn, outfit, grid, base, changed, go_on))
    found += trip_by_trip(db.reading, readiness, outfit, grid, base, changed, go_on)
    return evidence(base, changed, found)


def _end(db: Database, clock: Clock, outfit: str, id_: str, state: str, **more: Any) -> None:
    with db.writing() as work:
        written.end(work, outfit, id_, state, clock.now(), **more)


def in_background(db: Database, readiness: Readiness, outfit: str, id_: str) -> threading.Thread:
    """Run a trial in a thread of its own, so that no request waits for it."""
    _under_way.add(id_)
    thread = threading.Thread(target=run, args=(db, readiness, outfit, id_), name=f"trial-{id_}", daemon=True)
    thread.start()
    return thread


def adopt(work: Work, reader: Reader, clock: Clock, id_: str, note: str, watch: str) -> None:
    """Publish the proposed edition with a note, and say which number to watch next season.

    Raises Conflict while the trial is not done, Invalid without a note or for an unknown requirement.
    """
    row = find(work, reader.outfit, id_)
    if row.state != "done":
        raise Conflict(f"This trial is {row.state}. Let it come to its end first.")
    if row.adopted_at is not None:
        return
    if len(note.strip()) < 3:
        raise Invalid.field("note", note, "adopting needs a note.", "Say in a few words why.")
    edition = get_edition(work, reader.outfit, row.changed)
    if edition.requirement(watch) is None:
        raise Invalid.field("watch", watch, "not a line of this list.", "Choose the line to watch.")
    if get_row(work, reader.outfit, row.changed).state is EditionState.DRAFT:
        publish(work, reader.outfit, row.changed, now=clock.now())
    written.adopt(
        work,
        reader.outfit,
        id_,
        adopted_at=clock.now(),
        adopted_by=reader.name,
        note=note.strip(),
        watch=watch,
        watch_rate=_rate_now(work, reader, watch),
    )


def _rate_now(work: Work, reader: Reader, requirement: str) -> float | None:
    """The share lacking in the last season, which the next is to be held against."""
    cube = cube_of(work, reader.outfit)
    if requirement not in cube.requirements or not cube.cells:
        return None
    last = max(cell.season for cell in cube.cells)
    counts = cube.total(cube.where(season=(last,)))[cube.requirements.index(requirement)]
    asked, lacking = counts[AT["asked"]], counts[AT["lacking"]]
    return float(lacking / asked) if asked else None
