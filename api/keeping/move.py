"""Moving everything to another database, row by row, checked against the source; goes on where it stopped."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Integer, Row, Table
from sqlalchemy.exc import DBAPIError

from api import upgrade
from api.clock import Clock
from api.db import Database
from api.errors import Conflict, Unavailable
from api.journal import store
from api.journal.queries import trip_ids
from api.keeping import queries
from api.tables import import_all, metadata

Tell = Callable[[str], None]
MOST_FAULTS = 20


class CannotMove(Conflict):
    """Something stored, or the database to move to, stands in the way of a move; the source is unchanged."""

    code = "cannot-move"
    title = "Cannot be moved"


@dataclass(frozen=True, slots=True)
class Plan:
    """What a move would carry over."""

    rows: dict[str, int]
    """Rows by table, in the order they are moved."""
    resumes: bool
    """Whether an earlier move is to be gone on with."""
    faults: tuple[str, ...]
    """What stands in the way."""


@dataclass(frozen=True, slots=True)
class Moved:
    """What a move carried over, all of it compared with the source."""

    rows: dict[str, int]
    trips: int
    entries: int


def tables() -> list[Table]:
    """Every table there is, each after those it refers to."""
    import_all()
    return list(metadata.sorted_tables)


def plan(source: Database, target: Database) -> Plan:
    """A dry run: reads everything, writes nothing."""
    with source.reading() as conn:
        rows = {table.name: queries.row_count(conn, table) for table in tables()}
        faults = list(_limited(_faults_of_source(source, conn, target)))
    with _reachable(target) as conn:
        resumes = queries.has_checkpoint(conn)
        faults += _faults_of_target(conn, resumes=resumes)
    return Plan(rows, resumes, tuple(faults))


def move(source: Database, target: Database, *, data_dir: Path, clock: Clock, tell: Tell) -> Moved:
    """Carry everything over, then compare every row and walk every journal's chain.

    Nobody can write to the source meanwhile; they are told to try again. Run again after an interruption, it
    goes on after the last page that was stored. Raises CannotMove, with the source as it was.
    """
    planned = plan(source, target)
    if planned.faults:
        raise CannotMove(" ".join(planned.faults[:5]))
    with _reachable(target) as conn:
        begun = queries.has_checkpoint(conn)
    upgrade.migrate(target, data_dir=data_dir, clock=clock)
    if not begun:
        with target.writing() as work:
            queries.make_checkpoint(work)
    # The unit of work stores nothing: it keeps others from writing what would be left behind.
    with source.writing() as still:
        rows = {table.name: _move_table(still, target, table, tell) for table in tables()}
        with target.reading() as there:
            differences = list(_limited(_differences(still, there)))
            trips, entries = _check_journals(there, differences)
    if differences:
        raise CannotMove(
            f"What arrived is not what is here, so do not use it: {' '.join(differences[:5])} "
            "Was the source written to between two runs? Make the target database afresh, and move again."
        )
    with target.writing() as work:
        queries.drop_checkpoint(work)
    return Moved(rows, trips, entries)


def _move_table(source: Connection, target: Database, table: Table, tell: Tell) -> int:
    with target.reading() as conn:
        after, rows = queries.moved(conn, table)
    if after is not None:
        tell(f"{table.name}: {rows} rows are there already")
    for page in queries.pages(source, table, after):
        rows += len(page)
        with target.writing() as work:
            queries.add_rows(work, table, page)
            queries.note_moved(work, table, queries.key_of(table, page[-1]), rows)
    tell(f"{table.name}: {rows} rows")
    return rows


def _differences(source: Connection, target: Connection) -> Iterator[str]:
    """Rows that are not the same in both, and tables with other counts."""
    for table in tables():
        here, there = queries.row_count(source, table), queries.row_count(target, table)
        if here != there:
            yield f"{table.name} has {here} rows here and {there} there."
        for page in queries.pages(source, table):
            arrived = queries.same_rows(target, table, page)
            for row in page:
                key = queries.key_of(table, row)
                if key not in arrived:
                    yield f"{table.name}: row {_shown(key)} is missing there."
                elif tuple(arrived[key]) != tuple(row):
                    yield f"{table.name}: row {_shown(key)} is different there."


def _check_journals(conn: Connection, differences: list[str]) -> tuple[int, int]:
    trips, entries = trip_ids(conn), 0
    for trip in trips:
        report = store.verify_trip(conn, trip)
        entries += report.entries
        if not report.whole:
            differences.append(f"Trip {trip} is broken at entry {report.broken_seq}: {report.problem}.")
    return len(trips), entries


# -- what stands in the way ----------------------------------------------------------------------------------


def _faults_of_source(source: Database, conn: Connection, target: Database) -> Iterator[str]:
    if not upgrade.state_of(source).current:
        yield "The tables here are not current. Run: rimaye migrate"
        return
    if source.url == target.url:
        yield "Source and target are the same database."
    for trip in trip_ids(conn):
        report = store.verify_trip(conn, trip)
        if not report.whole:
            yield f"Trip {trip} is broken at entry {report.broken_seq}: {report.problem}."
    if target.dialect == "postgresql":
        for table in tables():
            for page in queries.pages(conn, table):
                for row in page:
                    yield from _unfit(table, row)


def _unfit(table: Table, row: Row[Any]) -> Iterator[str]:
    """What SQLite keeps and PostgreSQL does not take."""
    for column, value in zip(table.columns, row, strict=True):
        where = f"{table.name}: {column.name} of row {_shown(queries.key_of(table, row))}"
        if isinstance(value, str) and "\x00" in value:
            yield f"{where} holds a NUL character, which PostgreSQL does not take."
        elif type(column.type) is Integer and isinstance(value, int) and abs(value) > queries.LARGEST_INTEGER:
            yield f"{where} is {value}, too large for its column on PostgreSQL."


def _faults_of_target(conn: Connection, *, resumes: bool) -> list[str]:
    if resumes:
        return []
    there = queries.table_names(conn)
    filled = [table.name for table in tables() if table.name in there and queries.row_count(conn, table)]
    if filled:
        return [f"The target is not empty: {', '.join(filled)}. Name an empty database; none is overwritten."]
    return []


def _limited(faults: Iterator[str]) -> Iterator[str]:
    for _, fault in zip(range(MOST_FAULTS), faults, strict=False):
        yield fault


class _reachable:
    """Like ``target.reading()``; one that cannot be reached is named."""

    def __init__(self, target: Database) -> None:
        self._target = target
        self._reading = target.reading()

    def __enter__(self) -> Connection:
        try:
            return self._reading.__enter__()
        except DBAPIError as error:
            shown = self._target.url.render_as_string(hide_password=True)
            raise Unavailable(f"{shown} cannot be reached: {str(error.orig).strip()}") from error

    def __exit__(self, *error: Any) -> bool | None:
        return self._reading.__exit__(*error)


def _shown(key: queries.Key) -> str:
    return "/".join(str(part) for part in key)
