"""The database: one way to read, one way to write, the same on SQLite and PostgreSQL.

Reading is a short snapshot. Writing is a unit of work: it takes its turn, does everything in one transaction,
and is committed at the end of the block, before any answer is sent. There is one writer at a time on both
databases, so a unit of work may read, decide and write without losing anybody's update.

In a route, declare ``conn: Reading`` or ``work: Writing``. Elsewhere (commands, start-up, tests):

    with db.reading() as conn: ...
    with db.writing() as work: ...
"""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Mapping
from contextlib import asynccontextmanager, contextmanager
from pathlib import Path
from types import ModuleType
from typing import Annotated, Any, TypeVar

import anyio
import structlog
from fastapi import Depends, Request
from sqlalchemy import Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import DBAPIError, OperationalError

from api import outages
from api.columns import EnumText, JsonText, UtcDateTime, metadata
from api.errors import Unavailable
from api.patience import POSTGRES_CONNECT, POSTGRES_SESSION
from api.turns import NoTurn, Turns

__all__ = [
    "Database",
    "EnumText",
    "JsonText",
    "Reading",
    "UtcDateTime",
    "Work",
    "Writing",
    "metadata",
]

SAFE_SQLITE = (3, 51, 3)
"""Older ones can corrupt a write-ahead log that two connections write or checkpoint at the same moment."""

SQLITE_BUSY_MS = 5_000
SQLITE_WAL_LIMIT_BYTES = 64 * 1024 * 1024
POSTGRES_WRITER_KEY = 0x52494D41
"""Advisory lock that makes the writers of several processes take turns on PostgreSQL."""

log = structlog.get_logger(__name__)
T = TypeVar("T")


def sqlite_module() -> ModuleType:
    """The newest SQLite at hand: the one that ``pysqlite3`` carries, else the interpreter's."""
    try:
        from pysqlite3 import dbapi2
    except ImportError:
        return sqlite3
    return dbapi2  # type: ignore[no-any-return]


class Work(Connection):
    """A unit of work: a connection in its one transaction, plus what is to happen once it is committed."""

    def __init__(self, engine: Engine) -> None:
        super().__init__(engine)
        self._afterwards: list[Callable[[], None]] = []

    def after_commit(self, fn: Callable[[], None]) -> None:
        """Call ``fn`` once the work is safely stored; never when it is rolled back.

        It runs in the order of commits, possibly in another thread, and before the next writer's turn: keep
        it short, and do not write in it.
        """
        self._afterwards.append(fn)

    def finish(self) -> None:
        """Run what was asked for after the commit. One that fails is logged and does not stop the others."""
        for fn in self._afterwards:
            try:
                fn()
            except Exception:
                log.exception("after_commit_failed", function=getattr(fn, "__qualname__", repr(fn)))


class Database:
    """Connections to one database, and the rules for using them."""

    def __init__(self, url: str, *, read_connections: int = 8, write_wait_s: float = 15.0) -> None:
        self.url = make_url(url)
        self.dialect = self.url.get_backend_name()
        self._wait_s = write_wait_s
        self._readers = Turns(read_connections)
        self._writers = Turns(1)
        self._writing_thread: int | None = None
        if self.dialect == "sqlite":
            self._read_engine, self._write_engine = self._sqlite_engines(read_connections)
        elif self.dialect == "postgresql":
            self._read_engine, self._write_engine = self._postgres_engines(read_connections)
        else:
            raise ValueError(
                f"database_url names {self.dialect}; use sqlite:///FILE or postgresql://HOST/NAME"
            )

    # -- use
    # -----------------------------------------------------------------------------------------------------

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """A snapshot to read from; keep it short. Raises Unavailable when none is free in time."""
        with self._patient(reads=True), self._readers.held(self._wait_s), self._read_engine.connect() as conn:
            yield conn

    @contextmanager
    def writing(self) -> Iterator[Work]:
        """One unit of work: committed at the end of the block, rolled back when it raises.

        Not for routes, which declare ``Writing``: a route that waits in here keeps a thread from others.
        Raises Unavailable when the turn does not come in time.
        """
        if self._writing_thread == threading.get_ident():
            raise RuntimeError(
                "this thread is writing already; pass the unit of work on instead of beginning another"
            )
        with self._patient(), self._writers.held(self._wait_s):
            work = self._begin()
            self._writing_thread = threading.get_ident()
            try:
                yield work
            except BaseException:
                self._abandon(work)
                raise
            else:
                self._complete(work)
            finally:
                self._writing_thread = None

    @asynccontextmanager
    async def reading_async(self) -> AsyncIterator[Connection]:
        """Like ``reading``, waiting without a thread."""
        with self._patient(reads=True):
            async with self._readers.held_async(self._wait_s):
                conn = await self._off_loop(self._read_engine.connect, inline=self.dialect == "sqlite")
                try:
                    yield conn
                finally:
                    with anyio.CancelScope(shield=True):
                        await self._off_loop(conn.close, inline=self.dialect == "sqlite")

    @asynccontextmanager
    async def writing_async(self) -> AsyncIterator[Work]:
        """Like ``writing``, waiting without a thread; begins and commits off the event loop."""
        with self._patient():
            async with self._writers.held_async(self._wait_s):
                with anyio.CancelScope(shield=True):
                    work = await self._off_loop(self._begin)
                try:
                    yield work
                except BaseException:
                    with anyio.CancelScope(shield=True):
                        await self._off_loop(lambda: self._abandon(work))
                    raise
                with anyio.CancelScope(shield=True):
                    await self._off_loop(lambda: self._complete(work))

    def check_writable(self) -> None:
        """Raise Unavailable when nothing new could be stored. Does not wait behind those who write."""
        if self.dialect == "postgresql":
            with self.reading() as conn:
                refuses = text(
                    "SELECT pg_is_in_recovery() OR current_setting('default_transaction_read_only')::bool"
                )
                if conn.execute(refuses).scalar_one():
                    raise Unavailable(outages.READ_ONLY)
            return
        try:
            with self._patient(), self._writers.held(0.5):
                work = self._begin()
                try:
                    # On a file that can only be read SQLite begins all the same; this is undone.
                    work.exec_driver_sql("PRAGMA user_version = 0")
                finally:
                    self._abandon(work)
        except Unavailable as error:
            if not isinstance(error.__cause__, NoTurn):
                raise

    def engine_version(self) -> str:
        """What answers, for logs and reports: 'SQLite 3.53.4' or 'PostgreSQL 18.4'."""
        if self.dialect == "sqlite":
            return f"SQLite {sqlite_module().sqlite_version}"
        with self.reading() as conn:
            return f"PostgreSQL {conn.execute(text('SHOW server_version')).scalar_one()}"

    def warn_if_at_risk(self) -> bool:
        """Log a warning, and return true, when the SQLite in use is older than ``SAFE_SQLITE``."""
        if self.dialect != "sqlite":
            return False
        return warn_about(sqlite_module().sqlite_version_info)

    @property
    def writers_waiting(self) -> int:
        """How many units of work wait for their turn in this process."""
        return self._writers.waiting

    def engines(self) -> tuple[Engine, Engine]:
        """The engines for reading and for writing, for what watches statements from outside."""
        return self._read_engine, self._write_engine

    def close(self) -> None:
        """Give all connections back."""
        for engine in self.engines():
            engine.dispose()

    # -- one unit of work
    # ----------------------------------------------------------------------------------------

    def _begin(self) -> Work:
        work = Work(self._write_engine)
        try:
            work.begin()
            if self.dialect == "postgresql":
                # Taken first and in READ COMMITTED: every later statement sees what the last writer left.
                work.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": POSTGRES_WRITER_KEY})
        except OperationalError as error:
            work.close()
            log.warning("write_refused", reason=str(error.orig))
            locked = "locked" in str(error.orig)
            raise Unavailable(outages.BUSY if locked else outages.said_of(error) or outages.BUSY) from error
        except BaseException:
            work.close()
            raise
        return work

    def _complete(self, work: Work) -> None:
        with work:
            try:
                work.commit()
            except DBAPIError as error:
                # The answer to a commit may be lost after the commit itself was done.
                if outages.said_of(error) == outages.GONE:
                    raise Unavailable(outages.UNCERTAIN) from error
                raise
        work.finish()

    def _abandon(self, work: Work) -> None:
        with work:
            work.rollback()

    @contextmanager
    def _patient(self, *, reads: bool = False) -> Iterator[None]:
        try:
            yield
        except NoTurn as error:
            raise Unavailable(
                "Many are using the database at this moment. Nothing was stored; try again in a moment."
            ) from error
        except DBAPIError as error:
            said = outages.said_of(error)
            # Writing where one only reads is a fault of ours.
            if said is None or (reads and said == outages.READ_ONLY):
                raise
            log.error("database_outage", reason=str(error.orig).strip())
            if said == outages.READ_ONLY:
                self.close()  # what was opened while nothing could be written stays so; it is opened anew
            raise Unavailable(said) from error

    async def _off_loop(self, fn: Callable[[], T], *, inline: bool = False) -> T:
        return fn() if inline else await off_loop(fn)

    # -- engines
    # -------------------------------------------------------------------------------------------------

    def _sqlite_engines(self, read_connections: int) -> tuple[Engine, Engine]:
        if not self.url.database or self.url.database == ":memory:":
            raise ValueError(
                "database_url names no file; SQLite in memory cannot be shared, use sqlite:///FILE"
            )
        Path(self.url.database).parent.mkdir(parents=True, exist_ok=True)
        reader = create_engine(
            self.url,
            module=sqlite_module(),
            pool_size=read_connections,
            max_overflow=0,
            pool_timeout=self._wait_s,
        )
        writer = create_engine(
            self.url, module=sqlite_module(), pool_size=1, max_overflow=0, pool_timeout=self._wait_s
        )
        prepare_sqlite(writer, begin="BEGIN IMMEDIATE")
        prepare_sqlite(reader, begin="BEGIN", read_only=True)
        return reader, writer

    def _postgres_engines(self, read_connections: int) -> tuple[Engine, Engine]:
        url = self.url.set(drivername="postgresql+psycopg")
        reader = create_engine(
            url,
            pool_size=read_connections,
            max_overflow=0,
            pool_timeout=self._wait_s,
            pool_pre_ping=True,
            connect_args=POSTGRES_CONNECT,
            isolation_level="REPEATABLE READ",
            execution_options={"postgresql_readonly": True},
        )
        writer = create_engine(
            url,
            pool_size=1,
            max_overflow=0,
            pool_timeout=self._wait_s,
            pool_pre_ping=True,
            connect_args=POSTGRES_CONNECT,
            isolation_level="READ COMMITTED",
        )
        session = POSTGRES_SESSION | {"lock_timeout": f"{round(self._wait_s * 1000)}ms"}
        prepare_postgres(reader, session)
        prepare_postgres(writer, session)
        return reader, writer


async def off_loop(fn: Callable[[], T]) -> T:
    """Run `fn` in a thread beside those of ordinary requests.

    For who has the turn to write: with a thread of its own it is not kept waiting, and everyone behind it, by
    readers. A commit, too, must never wait for the threads that wait for it.
    """
    return await anyio.to_thread.run_sync(fn, limiter=anyio.CapacityLimiter(1))


def prepare_postgres(engine: Engine, session: Mapping[str, str]) -> None:
    """Set what each new connection needs; by statements, since not every pooler passes on options."""
    wanted = ", ".join(f"set_config('{name}', '{value}', false)" for name, value in session.items())

    @event.listens_for(engine, "connect")
    def on_connect(connection: Any, _record: Any) -> None:
        connection.execute(f"SELECT {wanted}")
        connection.commit()


def prepare_sqlite(engine: Engine, *, begin: str, read_only: bool = False, foreign_keys: bool = True) -> None:
    """Make ``engine`` begin its transactions itself, and set what each new connection needs.

    The driver's own way begins a transaction only at the first write, which silently loses updates.
    """

    @event.listens_for(engine, "connect")
    def on_connect(connection: Any, _record: Any) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        for pragma in (
            f"busy_timeout = {SQLITE_BUSY_MS}",
            "journal_mode = WAL",
            "synchronous = FULL",
            "secure_delete = ON",  # what is erased must not stay in free pages
            f"foreign_keys = {'ON' if foreign_keys else 'OFF'}",
            f"journal_size_limit = {SQLITE_WAL_LIMIT_BYTES}",
            f"query_only = {'ON' if read_only else 'OFF'}",
        ):
            cursor.execute(f"PRAGMA {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def on_begin(connection: Connection) -> None:
        connection.exec_driver_sql(begin)


def warn_about(sqlite_version: tuple[int, ...]) -> bool:
    """Log a warning, and return true, when this SQLite can corrupt its write-ahead log."""
    at_risk = sqlite_version < SAFE_SQLITE
    if at_risk:
        log.warning(
            "sqlite_at_risk",
            version=".".join(map(str, sqlite_version)),
            needs=".".join(map(str, SAFE_SQLITE)),
            remedy="pip install pysqlite3, or use PostgreSQL",
        )
    return at_risk


async def _reading(request: Request) -> AsyncIterator[Connection]:
    db: Database = request.app.state.db
    async with db.reading_async() as conn:
        yield conn


async def _writing(request: Request) -> AsyncIterator[Work]:
    db: Database = request.app.state.db
    async with db.writing_async() as work:
        yield work


# scope="function" closes these before the answer is sent; the default scope commits after the client has its
# 200.
Reading = Annotated[Connection, Depends(_reading, scope="function")]
Writing = Annotated[Work, Depends(_writing, scope="function")]
