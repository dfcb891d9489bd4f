"""Disk full, read-only, database gone and back, clock jumps: told honestly, and nothing half-written."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx2
import pytest
from fastapi import FastAPI
from sqlalchemy import event, text

from api import health, outages
from api.clock import FixedClock
from api.db import Database, sqlite_module
from api.errors import Unavailable
from api.journal import store
from api.journal.kinds import Remark
from api.main import create_app
from api.settings import Settings
from tests.journal.conftest import open_trip
from tests.journal.histories import START, entry
from tests.journal.test_routes import by
from tests.support.client import IsolatedTestClient
from tests.support.databases import PostgresTemplates
from tests.support.live import served
from tests.support.readers import read_as


@contextmanager
def writer_with(db: Database, pragma: str) -> Iterator[None]:
    """Every new connection for writing gets this pragma last; none from before or inside is used on."""
    _, engine = db.engines()

    def on_connect(connection: Any, _record: Any) -> None:
        connection.execute(f"PRAGMA {pragma}").close()

    event.listen(engine, "connect", on_connect)
    engine.dispose()
    try:
        yield
    finally:
        event.remove(engine, "connect", on_connect)
        engine.dispose()


@pytest.fixture
def sqlite_app(sqlite_url: str, tmp_path: Path, clock: FixedClock) -> FastAPI:
    app = create_app(
        Settings(database_url=sqlite_url, data_dir=tmp_path / "data", access_log=False), clock=clock
    )
    read_as(app)
    return app


def told(answer: Any) -> str:
    assert answer.status_code == 503, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.json()["code"] == "unavailable"
    return str(answer.json()["detail"])


def remark(client: IsolatedTestClient, trip: str = "trip") -> Any:
    """Writes nothing, since the entry says nothing; but it needs a unit of work to be told so."""
    return client.post(f"/api/trips/{trip}/journal", json={"entries": [{}]})


def test_a_full_disk_is_told_and_nothing_is_half_written(db: Database) -> None:
    if db.dialect != "sqlite":
        with pytest.raises(Unavailable, match="disk is full"), db.writing() as work:
            # PostgreSQL's own word for it, class 53.
            work.execute(text("DO $$ BEGIN RAISE 'disk is full' USING ERRCODE = '53100'; END $$"))
        return
    with db.reading() as conn:
        size = conn.execute(text("PRAGMA page_count")).scalar_one()
    stored = 0
    with writer_with(db, f"max_page_count = {size + 3}"), pytest.raises(Unavailable) as caught:
        for number in range(1, 400):
            with db.writing() as work:
                store.append(work, "trip", "nordhang", [entry(number, Remark(text="x" * 900))], START)
            stored = number
    assert caught.value.detail == outages.FULL
    with db.reading() as conn:
        assert store.head(conn, "trip").seq == stored
        assert store.verify_trip(conn, "trip").whole
    with db.writing() as work:
        store.append(work, "trip", "nordhang", [entry(stored + 1, Remark(text="room again"))], START)


def test_a_database_that_takes_no_writes_can_be_read_and_is_not_ready(sqlite_app: FastAPI) -> None:
    with IsolatedTestClient(sqlite_app) as client:
        db: Database = sqlite_app.state.db
        open_trip(db, "trip")
        with writer_with(db, "query_only = ON"):
            assert told(remark(client)) == outages.READ_ONLY
            ready = client.get("/readyz")
            assert ready.status_code == 503
            assert ready.json()["checks"]["writing"] == "the database takes no writes; the log says why"
            assert ready.json()["checks"]["database"] == "ok"
            assert client.get("/api/trips/trip/journal").status_code == 200
        assert remark(client).status_code == 200
        assert client.get("/readyz").status_code == 200


def test_a_disk_that_was_read_only_for_a_while_is_written_to_again(sqlite_app: FastAPI) -> None:
    """What was opened while the disk took no writes could never write; another connection has to be made."""
    with IsolatedTestClient(sqlite_app) as client:
        db: Database = sqlite_app.state.db
        open_trip(db, "trip")
        _, engine = db.engines()

        def only_to_read(*_: Any) -> Any:
            return sqlite_module().connect(
                f"file:{db.url.database}?mode=ro", uri=True, check_same_thread=False
            )

        engine.dispose()
        event.listen(engine, "do_connect", only_to_read)
        try:
            ready = client.get("/readyz")
            assert ready.status_code == 503
            assert ready.json()["checks"]["writing"] == "the database takes no writes; the log says why"
            answer = client.post("/api/trips/trip/journal", json={"entries": [by("lead", 1)]})
            assert told(answer) == outages.READ_ONLY
        finally:
            event.remove(engine, "do_connect", only_to_read)
        assert client.get("/readyz").status_code == 200
        answer = client.post("/api/trips/trip/journal", json={"entries": [by("lead", 1)]})
        assert [each["status"] for each in answer.json()["outcomes"]] == ["stored"]


def test_little_room_on_the_disk_is_not_ready(sqlite_app: FastAPI, monkeypatch: pytest.MonkeyPatch) -> None:
    with IsolatedTestClient(sqlite_app) as client:
        monkeypatch.setattr(health, "LEAST_FREE_BYTES", 2**60)
        answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["checks"]["disk"].endswith("MB are free; make room")


def test_a_fault_of_ours_does_not_pass_for_an_outage(db: Database) -> None:
    with pytest.raises(Exception, match="no_such_table") as caught, db.reading() as conn:
        conn.execute(text("SELECT * FROM no_such_table"))
    assert not isinstance(caught.value, Unavailable)


def test_whether_a_lost_commit_was_stored_is_not_claimed(
    db: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sqlalchemy.exc import OperationalError

    from api.db import Work

    def lost(_work: Any) -> None:
        raise OperationalError("COMMIT", {}, Exception("disk I/O error"))

    monkeypatch.setattr(Work, "commit", lost)
    with pytest.raises(Unavailable, match="Look whether it is there"), db.writing():
        pass


def test_postgresql_stops_and_comes_back(tmp_path_factory: pytest.TempPathFactory, tmp_path: Path) -> None:
    templates = PostgresTemplates(tmp_path_factory.mktemp("own-server"))
    try:
        if templates._server is None:
            pytest.fail("this test stops its server, so it needs one of its own: unset TEST_DATABASE_URL")
        with templates.fresh() as url:
            _stop_and_start(templates, url, tmp_path)
    finally:
        templates.close()


def _stop_and_start(templates: PostgresTemplates, url: str, tmp_path: Path) -> None:
    app = create_app(
        Settings(database_url=url, data_dir=tmp_path / "data", access_log=False, write_wait_s=2.0)
    )
    read_as(app)
    server: Any = templates._server
    with IsolatedTestClient(app) as client:
        open_trip(app.state.db, "trip")
        assert client.get("/readyz").status_code == 200
        server.stop()
        try:
            assert told(client.get("/api/trips/trip/journal")) == outages.GONE
            assert told(remark(client)) == outages.GONE
            assert client.get("/readyz").status_code == 503
            assert client.get("/healthz").status_code == 200
        finally:
            server.start()
            templates._admin.dispose()
        until = time.monotonic() + 10
        while client.get("/readyz").status_code != 200:
            assert time.monotonic() < until, "it did not come back"
            time.sleep(0.1)
        assert remark(client).status_code == 200
        assert client.get("/api/trips/trip/journal/verify").json()["whole"]


@pytest.mark.parametrize("jump", [timedelta(days=-400), timedelta(hours=-3), timedelta(days=4000)])
def test_the_order_of_entries_does_not_hang_on_the_clock(db: Database, jump: timedelta) -> None:
    clock = FixedClock(datetime(2026, 7, 14, 4, 30, tzinfo=UTC))
    for number in range(1, 9):
        with db.writing() as work:
            store.append(work, "trip", "nordhang", [entry(number, Remark(text=str(number)))], clock.now())
        clock.set(clock.now() + (jump if number % 2 else -jump + timedelta(seconds=1)))
    with db.reading() as conn:
        kept = store.read(conn, "trip")
        report = store.verify_trip(conn, "trip")
    assert [each.seq for each in kept] == list(range(1, 9))
    assert [each.body.text for each in kept if isinstance(each.body, Remark)] == [str(n) for n in range(1, 9)]
    assert report.whole, report.problem


def test_it_stops_in_time_with_many_open_screens(live_settings: Settings) -> None:
    app = create_app(live_settings)
    read_as(app)
    opened = threading.Semaphore(0)
    ended: list[bool] = []

    def watch(url: str) -> None:
        with httpx2.stream("GET", f"{url}/api/trips/trip/events", timeout=30) as response:
            for line in response.iter_lines():
                if line.startswith("data"):
                    opened.release()
        ended.append(True)

    with served(app, live_settings) as server:
        open_trip(app.state.db, "trip")
        screens = [threading.Thread(target=watch, args=(server.url,)) for _ in range(20)]
        for screen in screens:
            screen.start()
        for _ in screens:
            assert opened.acquire(timeout=15)
        stopping_at = time.monotonic()
    assert time.monotonic() - stopping_at < 5.0
    for screen in screens:
        screen.join(10)
    assert ended == [True] * 20, "every stream ended as one that is over, not as one that broke"
