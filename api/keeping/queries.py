"""All SQL of keeping: checks of a copy, and rows on their way from one database to another."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import Any

import orjson
from sqlalchemy import (
    Column,
    ColumnElement,
    Connection,
    Integer,
    LargeBinary,
    MetaData,
    Row,
    Table,
    Text,
    and_,
    create_engine,
    delete,
    func,
    insert,
    inspect,
    literal,
    select,
    text,
    tuple_,
)
from sqlalchemy.pool import NullPool

from api.conditions.models import ForecastRefresh, StoredForecast
from api.db import sqlite_module
from api.journal.models import Trip, table

ROWS_A_PAGE = 500
BYTES_A_PAGE = 32 * 1024 * 1024
"""So that a page of rows that hold whole files fits in memory."""

SQLITE_ERRORS: tuple[type[Exception], ...] = (sqlite3.Error, sqlite_module().Error)
LARGEST_INTEGER = 2**31 - 1

_checkpoint = Table(
    "move_checkpoint",
    MetaData(),
    Column("table_name", Text, primary_key=True),
    Column("after", Text, nullable=False),
    Column("rows", Integer, nullable=False),
)
"""How far a move has come, in the database it fills: written in the transaction that writes the rows."""

Key = tuple[Any, ...]


@contextmanager
def read_only_file(file: Path) -> Iterator[Connection]:
    """A SQLite file to read from, which is not changed in any way."""
    engine = create_engine(
        f"sqlite:///file:{file.resolve()}?mode=ro&uri=true", module=sqlite_module(), poolclass=NullPool
    )
    with engine.connect() as conn:
        yield conn
    engine.dispose()


def copy_file(source: Path, target: Path) -> None:
    """Copy a database in one step of SQLite's own: a snapshot, beside which writers go on."""
    connect = sqlite_module().connect
    with closing(connect(source)) as origin, closing(connect(target)) as copy:
        origin.backup(copy)
        # One plain file, with no companions to forget.
        copy.execute("PRAGMA journal_mode = DELETE").close()


def log_folded_in(file: Path) -> bool:
    """Fold the write-ahead log into the file; false when somebody else has it open.

    A file so damaged that this fails has nothing left to fold in.
    """
    with closing(sqlite_module().connect(file, timeout=1.0)) as connection:
        try:
            mode = connection.execute("PRAGMA journal_mode = DELETE").fetchone()[0]
        except SQLITE_ERRORS as error:
            return "locked" not in str(error)
    return str(mode) != "wal"


def faults_of_file(conn: Connection) -> list[str]:
    """What SQLite itself finds wrong with a file: pages, indexes, references between rows."""
    found = [str(line) for line in conn.execute(text("PRAGMA integrity_check(20)")).scalars()]
    faults = [] if found == ["ok"] else found
    loose = conn.execute(text("PRAGMA foreign_key_check")).all()
    faults += [f"{row[0]}: row {row[1]} refers to a row of {row[2]} that is not there" for row in loose[:20]]
    return faults


def table_names(conn: Connection) -> set[str]:
    """The tables there are."""
    return set(inspect(conn).get_table_names())


def row_count(conn: Connection, table: Table) -> int:
    """How many rows a table has."""
    return int(conn.execute(select(func.count()).select_from(table)).scalar_one())


def pages(conn: Connection, table: Table, after: Key | None = None) -> Iterator[list[Row[Any]]]:
    """The rows of a table in the order of its key, those behind the key ``after`` only."""
    key = list(table.primary_key)
    size = max(1, min(ROWS_A_PAGE, BYTES_A_PAGE // max(1, _largest_bytes(conn, table))))
    while True:
        wanted = select(table).order_by(*key).limit(size)
        if after is not None:
            wanted = wanted.where(tuple_(*key) > tuple_(*_bound(table, after)))
        page = list(conn.execute(wanted))
        if page:
            yield page
        if len(page) < size:
            return
        after = key_of(table, page[-1])


def _largest_bytes(conn: Connection, table: Table) -> int:
    """At most how many bytes of files a row of the table holds."""
    files = [column for column in table.columns if isinstance(column.type, LargeBinary)]
    if not files:
        return 0
    largest = conn.execute(select(*(func.max(func.length(column)) for column in files))).one()
    return sum(size or 0 for size in largest)


def same_rows(conn: Connection, table: Table, page: Sequence[Row[Any]]) -> dict[Key, Row[Any]]:
    """The rows of another database with the keys of ``page``, by key."""
    key = list(table.primary_key)
    wanted = [key_of(table, row) for row in page]
    found = conn.execute(select(table).where(tuple_(*key).in_(wanted)))
    return {key_of(table, row): row for row in found}


def add_rows(conn: Connection, table: Table, page: Sequence[Row[Any]]) -> None:
    """Store rows as they are."""
    conn.execute(insert(table), [dict(row._mapping) for row in page])


def key_of(table: Table, row: Row[Any]) -> Key:
    """The values of a row's key."""
    return tuple(row._mapping[column.name] for column in table.primary_key)


def _bound(table: Table, key: Key) -> list[ColumnElement[Any]]:
    return [literal(value, column.type) for column, value in zip(table.primary_key, key, strict=True)]


# -- how far a move has come ---------------------------------------------------------------------------------


def has_checkpoint(conn: Connection) -> bool:
    """Whether a move into this database was begun and not finished."""
    return inspect(conn).has_table(_checkpoint.name)


def make_checkpoint(conn: Connection) -> None:
    """Begin a move."""
    _checkpoint.create(conn)


def drop_checkpoint(conn: Connection) -> None:
    """A move is done."""
    _checkpoint.drop(conn)


def moved(conn: Connection, table: Table) -> tuple[Key | None, int]:
    """The last key of ``table`` that was moved, None before the first, and how many rows were."""
    row = conn.execute(select(_checkpoint).where(_checkpoint.c.table_name == table.name)).first()
    return (None, 0) if row is None else (tuple(orjson.loads(row.after)), row.rows)


def note_moved(conn: Connection, table: Table, after: Key, rows: int) -> None:
    """``rows`` rows are there now, up to the key ``after``."""
    conn.execute(delete(_checkpoint).where(_checkpoint.c.table_name == table.name))
    conn.execute(
        insert(_checkpoint), {"table_name": table.name, "after": orjson.dumps(after).decode(), "rows": rows}
    )


def oldest_issues(conn: Connection, today: date) -> dict[str, datetime]:
    """By provider of forecasts: when the issue came out that the worst served trip has, of those not over."""
    trip, refresh, forecast = table(Trip), table(ForecastRefresh), table(StoredForecast)
    wanted = (
        select(refresh.c.provider, func.min(forecast.c.issued_at).label("issued_at"))
        .join_from(refresh, trip, trip.c.id == refresh.c.trip_id)
        .join(
            forecast,
            and_(forecast.c.outfit_id == refresh.c.outfit_id, forecast.c.hash == refresh.c.forecast),
        )
        .where(trip.c.ends_on >= today)
        .group_by(refresh.c.provider)
    )
    return {row.provider: row.issued_at for row in conn.execute(wanted)}
