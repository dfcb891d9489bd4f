"""Reading, writing, and what must never happen: a lost update, a half-written unit, an answer before its
commit.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone
from enum import StrEnum

import anyio
import pytest
from fastapi import FastAPI
from sqlalchemy import Column, Integer, MetaData, Table, Text, insert, select, text, update
from sqlalchemy.exc import DBAPIError, IntegrityError, StatementError
from structlog.testing import capture_logs

from api.db import Database, EnumText, JsonText, Reading, UtcDateTime, Writing, metadata, warn_about
from api.errors import Unavailable
from api.settings import Settings
from tests.support.client import IsolatedTestClient, kept_connections
from tests.support.statements import Counter


class Weather(StrEnum):
    CLEAR = "clear"
    STORM = "storm coming"


own = MetaData(naming_convention=metadata.naming_convention)
counters = Table("test_counters", own, Column("id", Integer, primary_key=True), Column("value", Integer))
moments = Table(
    "test_moments",
    own,
    Column("id", Integer, primary_key=True),
    Column("at", UtcDateTime),
    Column("body", JsonText),
    Column("weather", EnumText(Weather)),
    Column("plain", Text),
)


@pytest.fixture
def tables(database: Database) -> Iterator[Database]:
    with database.writing() as work:
        own.create_all(work)
        work.execute(insert(counters).values(id=1, value=0))
    yield database
    assert kept_connections(database) == 0


def value_of(db: Database) -> int:
    with db.reading() as conn:
        return conn.execute(select(counters.c.value)).scalar_one()


def test_eight_threads_that_read_then_write_lose_no_update(tables: Database) -> None:
    def count(_: int) -> None:
        for _ in range(25):
            with tables.writing() as work:
                value = work.execute(select(counters.c.value)).scalar_one()
                work.execute(update(counters).values(value=value + 1))

    with ThreadPoolExecutor(8) as threads:
        list(threads.map(count, range(8)))
    assert value_of(tables) == 200


def test_two_processes_that_read_then_write_lose_no_update(tables: Database) -> None:
    """Another process has turns of its own; only the database's lock stands between the two."""
    other = Database(tables.url.render_as_string(hide_password=False))

    def count(db: Database) -> None:
        for _ in range(25):
            with db.writing() as work:
                value = work.execute(select(counters.c.value)).scalar_one()
                work.execute(update(counters).values(value=value + 1))

    with ThreadPoolExecutor(2) as threads:
        list(threads.map(count, [tables, other]))
    other.close()
    assert value_of(tables) == 50


def test_readers_see_a_snapshot_while_others_write(tables: Database) -> None:
    with tables.reading() as conn:
        before = conn.execute(select(counters.c.value)).scalar_one()
        with tables.writing() as work:
            work.execute(update(counters).values(value=7))
        assert conn.execute(select(counters.c.value)).scalar_one() == before
    assert value_of(tables) == 7


def test_an_exception_undoes_the_whole_unit(tables: Database) -> None:
    with pytest.raises(KeyError), tables.writing() as work:
        work.execute(update(counters).values(value=1))
        work.execute(insert(counters).values(id=2, value=2))
        raise KeyError("something went wrong in between")
    with tables.reading() as conn:
        assert conn.execute(select(counters.c.id, counters.c.value)).all() == [(1, 0)]


def test_part_of_a_unit_can_be_undone_alone(tables: Database) -> None:
    with tables.writing() as work:
        work.execute(update(counters).values(value=3))
        with pytest.raises(IntegrityError), work.begin_nested():
            work.execute(insert(counters).values(id=5, value=5))
            work.execute(insert(counters).values(id=1, value=9))
    with tables.reading() as conn:
        assert conn.execute(select(counters.c.id, counters.c.value)).all() == [(1, 3)]


def test_reading_cannot_write(tables: Database) -> None:
    with pytest.raises(DBAPIError, match=r"(?i)read-?only"), tables.reading() as conn:
        conn.execute(update(counters).values(value=1))
    assert value_of(tables) == 0


def test_hooks_run_after_the_commit_in_order_and_never_after_a_rollback(tables: Database) -> None:
    seen: list[object] = []
    with tables.writing() as work:
        work.execute(update(counters).values(value=4))
        work.after_commit(lambda: seen.append(value_of(tables)))
        work.after_commit(lambda: seen.append("second"))
        assert seen == []
    assert seen == [4, "second"]
    with pytest.raises(KeyError), tables.writing() as work:
        work.after_commit(lambda: seen.append("never"))
        raise KeyError
    assert seen == [4, "second"]


def test_a_hook_that_fails_is_logged_and_does_not_stop_the_others(tables: Database) -> None:
    seen: list[str] = []

    def fails() -> None:
        raise RuntimeError("the listener is gone")

    with capture_logs() as logs, tables.writing() as work:
        work.after_commit(fails)
        work.after_commit(lambda: seen.append("told"))
    assert seen == ["told"]
    assert [line["event"] for line in logs] == ["after_commit_failed"]


def test_a_second_unit_in_the_same_thread_is_refused_at_once(tables: Database) -> None:
    with tables.writing(), pytest.raises(RuntimeError, match="writing already"), tables.writing():
        pass


def test_whoever_waits_too_long_for_a_turn_is_told_so(settings: Settings) -> None:
    db = Database(settings.database_url, write_wait_s=0.05)
    held, done = threading.Event(), threading.Event()

    def hold() -> None:
        with db.writing():
            held.set()
            done.wait(10)

    thread = threading.Thread(target=hold)
    thread.start()
    assert held.wait(10)
    with pytest.raises(Unavailable, match="Nothing was stored"), db.writing():
        pass
    done.set()
    thread.join()
    with db.writing() as work:
        assert work.execute(text("SELECT 1")).scalar_one() == 1
    db.close()


def test_one_who_stops_waiting_does_not_take_the_turn_along(tables: Database) -> None:
    async def stop_waiting() -> None:
        async with tables.writing_async():
            with anyio.move_on_after(0.02) as scope:
                async with tables.writing_async():
                    pytest.fail("two units at the same time")
            assert scope.cancelled_caught
        async with tables.writing_async() as work:
            work.execute(update(counters).values(value=8))

    anyio.run(stop_waiting)
    assert value_of(tables) == 8


def test_moments_come_back_aware_and_in_utc(tables: Database) -> None:
    local = datetime(2026, 7, 14, 6, 30, 15, 123456, tzinfo=timezone(timedelta(hours=2)))
    with tables.writing() as work:
        work.execute(insert(moments).values(id=1, at=local))
    with tables.reading() as conn:
        stored = conn.execute(select(moments.c.at)).scalar_one()
    assert stored == local
    assert stored.tzinfo is UTC


def test_a_moment_without_a_zone_is_not_stored(tables: Database) -> None:
    with pytest.raises(StatementError, match="only aware moments are stored"), tables.writing() as work:
        work.execute(insert(moments).values(id=1, at=datetime(2026, 7, 14, tzinfo=UTC).replace(tzinfo=None)))


def test_json_is_kept_as_the_same_text_on_both_databases(tables: Database) -> None:
    body = {"wind_mps": 12.5, "at": ["col", "höchster Punkt"], "a": None}
    with tables.writing() as work:
        work.execute(insert(moments).values(id=1, body=body))
    with tables.reading() as conn:
        assert conn.execute(select(moments.c.body)).scalar_one() == body
        raw = conn.execute(text("SELECT body FROM test_moments")).scalar_one()
    assert raw == '{"a":null,"at":["col","höchster Punkt"],"wind_mps":12.5}'


def test_words_of_an_enum_are_stored_by_value_and_others_refused(tables: Database) -> None:
    with tables.writing() as work:
        work.execute(insert(moments).values(id=1, weather=Weather.STORM))
        assert work.execute(text("SELECT weather FROM test_moments")).scalar_one() == "storm coming"
        assert work.execute(select(moments.c.weather)).scalar_one() is Weather.STORM
    with pytest.raises(IntegrityError, match="ck_test_moments_weather"), tables.writing() as work:
        work.execute(text("UPDATE test_moments SET weather = 'STORM'"))


def test_sqlite_is_set_up_to_lose_nothing(sqlite_url: str) -> None:
    db = Database(sqlite_url)
    wanted = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 5000}
    with db.writing() as work:
        found = {name: work.execute(text(f"PRAGMA {name}")).scalar_one() for name in wanted}
        assert work.execute(text("PRAGMA query_only")).scalar_one() == 0
    assert found == wanted
    db.close()


@pytest.mark.parametrize(
    ("version", "at_risk"), [((3, 40, 1), True), ((3, 51, 2), True), ((3, 51, 3), False), ((3, 53, 4), False)]
)
def test_a_sqlite_that_can_corrupt_its_log_is_warned_about(version: tuple[int, ...], at_risk: bool) -> None:
    with capture_logs() as logs:
        assert warn_about(version) is at_risk
    assert [line["event"] for line in logs] == (["sqlite_at_risk"] if at_risk else [])


@pytest.mark.parametrize("url", ["sqlite://", "sqlite:///:memory:", "mysql://localhost/x"])
def test_a_database_that_cannot_serve_is_refused_by_name(url: str) -> None:
    with pytest.raises(ValueError, match=r"database_url names .* use sqlite:///FILE"):
        Database(url)


def add_routes(app: FastAPI) -> None:
    @app.post("/test/add")
    def add(work: Writing) -> dict[str, int]:
        value = work.execute(select(counters.c.value)).scalar_one()
        work.execute(update(counters).values(value=value + 1))
        return {"value": value + 1}

    @app.post("/test/late-failure")
    def late_failure(work: Writing) -> dict[str, str]:
        work.execute(update(counters).values(value=99))
        work.execute(text("INSERT INTO test_children VALUES (1, 12345)"))
        return {"status": "looks fine until the commit"}

    @app.get("/test/value")
    def value(conn: Reading) -> dict[str, int]:
        return {"value": conn.execute(select(counters.c.value)).scalar_one()}


@pytest.fixture
def adding(app: FastAPI, tables: Database) -> Iterator[IsolatedTestClient]:
    with tables.writing() as work:
        work.execute(
            text(
                "CREATE TABLE test_children (id INTEGER PRIMARY KEY, parent INTEGER "
                "REFERENCES test_counters (id) DEFERRABLE INITIALLY DEFERRED)"
            )
        )
    add_routes(app)
    with IsolatedTestClient(app) as client:
        yield client


def test_a_commit_that_fails_is_a_500_and_stores_nothing(adding: IsolatedTestClient) -> None:
    """The commit comes before the answer; were it after, the client would have its 200 already."""
    answer = adding.post("/test/late-failure")
    assert answer.status_code == 500
    assert answer.json()["code"] == "internal"
    assert adding.get("/test/value").json() == {"value": 0}


def test_many_requests_at_once_neither_stand_still_nor_lose_an_update(adding: IsolatedTestClient) -> None:
    """Far more writers than threads: a writer that waited in a thread would hold up the one it waits for."""
    with ThreadPoolExecutor(24) as threads:
        answers = list(threads.map(lambda _: adding.post("/test/add"), range(72)))
    assert [answer.status_code for answer in answers] == [200] * 72
    assert sorted(answer.json()["value"] for answer in answers) == list(range(1, 73))


def test_statements_can_be_counted(adding: IsolatedTestClient, query_counter: Counter) -> None:
    with query_counter() as statements:
        adding.post("/test/add")
    # What the service does by itself meanwhile is about other tables.
    ours = [statement for statement in statements if "test_counters" in statement]
    assert [statement.split()[0] for statement in ours] == ["SELECT", "UPDATE"]
