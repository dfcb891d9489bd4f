"""Revisions as they come: in the process, between processes, and as a stream of events."""

import asyncio
import json
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import httpx
import pytest

from api.clock import FixedClock
from api.db import Database
from api.journal import routes, store
from api.journal.kinds import Remark
from api.journal.live import Broadcaster, PostgresListener
from api.journal.service import Journal
from tests.journal.conftest import open_trip
from tests.journal.histories import START, entry
from tests.support.client import kept_connections
from tests.support.live import LiveServer

PATIENCE_S = 10.0


def remark(number: int) -> list[Any]:
    return [entry(number, Remark(text=str(number)))]


class TestBroadcaster:
    def test_a_watcher_is_woken_from_another_thread(self) -> None:
        live = Broadcaster()

        async def watch() -> tuple[bool, bool, bool]:
            with live.watch("trip") as watch:
                threading.Thread(target=live.published, args=("trip", 1)).start()
                first = await watch.change(PATIENCE_S, asyncio.Event())
                live.published("trip", 1)
                live.published("other", 5)
                stale = await watch.change(0.05, asyncio.Event())
                live.look_again()
                return first, stale, await watch.change(PATIENCE_S, asyncio.Event())

        assert asyncio.run(watch()) == (True, False, True)

    def test_news_between_two_waits_is_not_missed(self) -> None:
        live = Broadcaster()

        async def watch() -> bool:
            with live.watch("trip") as watch:
                live.published("trip", 1)
                await asyncio.sleep(0)
                return await watch.change(0, asyncio.Event())

        assert asyncio.run(watch())

    def test_stopping_ends_the_wait(self) -> None:
        live = Broadcaster()

        async def watch() -> tuple[bool, float]:
            stopping = asyncio.Event()
            asyncio.get_running_loop().call_later(0.02, stopping.set)
            began = time.monotonic()
            with live.watch("trip") as watch:
                return await watch.change(PATIENCE_S, stopping), time.monotonic() - began

        changed, took_s = asyncio.run(watch())
        assert not changed
        assert took_s < PATIENCE_S / 2

    def test_who_has_gone_is_forgotten(self) -> None:
        live = Broadcaster()

        async def watch() -> None:
            with live.watch("trip"), live.watch("trip"):
                assert live.watching("trip") == 2

        asyncio.run(watch())
        assert live.watching("trip") == 0


class TestRecord:
    def test_it_is_told_after_the_commit_and_only_then(self, db: Database) -> None:
        told: list[tuple[str, int]] = []
        journal = Journal(FixedClock(START))
        journal.live.published = lambda trip, seq: told.append((trip, seq))  # type: ignore[method-assign]
        with pytest.raises(ZeroDivisionError), db.writing() as work:
            journal.record(work, "nordhang", "trip", remark(1))
            raise ZeroDivisionError
        with db.writing() as work:
            journal.record(work, "nordhang", "trip", [*remark(1), *remark(2)])
            assert told == []
        assert told == [("trip", 2)]
        with db.writing() as work:
            journal.record(work, "nordhang", "trip", remark(1))
        assert told == [("trip", 2)]


class TestBetweenProcesses:
    @pytest.fixture
    def postgres(self, postgres_url: str) -> Iterator[Database]:
        db = Database(postgres_url)
        open_trip(db, "trip")
        yield db
        db.close()

    def heard(self, told: list[int], seq: int) -> bool:
        until = time.monotonic() + PATIENCE_S
        while seq not in told and time.monotonic() < until:
            time.sleep(0.01)
        return seq in told

    def test_an_append_is_heard_elsewhere_also_after_the_connection_was_lost(
        self, postgres: Database
    ) -> None:
        told: list[int] = []
        looked: list[None] = []
        live = Broadcaster()
        live.published = lambda _trip, seq: told.append(seq)  # type: ignore[method-assign]
        live.look_again = lambda: looked.append(None)  # type: ignore[method-assign]
        listener = PostgresListener(postgres.url, live)
        listener.start()
        try:
            assert listener.listening.wait(PATIENCE_S)
            with postgres.writing() as work:
                store.append(work, "trip", "nordhang", remark(1), START)
            assert self.heard(told, 1)
            with postgres.writing() as work:
                listener.listening.clear()
                work.exec_driver_sql(
                    "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE 'LISTEN%%'"
                )
            assert listener.listening.wait(PATIENCE_S)
            with postgres.writing() as work:
                store.append(work, "trip", "nordhang", remark(2), START)
            assert self.heard(told, 2)
            assert len(looked) == 2
        finally:
            listener.stop()


class Stream:
    """A client of the stream of events, reading in a thread."""

    def __init__(self, url: str, **headers: str) -> None:
        self.events: list[dict[str, str]] = []
        self.ended = threading.Event()
        self._url, self._headers = url, headers
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        current: dict[str, str] = {}
        with httpx.stream("GET", self._url, headers=self._headers, timeout=PATIENCE_S * 3) as answer:
            assert answer.status_code == 200
            for line in answer.iter_lines():
                name, _, value = line.partition(":")
                if name:
                    current[name] = value.strip()
                elif line == "" and current:
                    self.events.append(current)
                    current = {}
        self.ended.set()

    def revisions(self, count: int) -> list[int]:
        """The first `count` numbers told; fewer when they do not come."""
        until = time.monotonic() + PATIENCE_S
        while len(found := self._told()) < count and time.monotonic() < until:
            time.sleep(0.01)
        return found

    def _told(self) -> list[int]:
        return [json.loads(each["data"])["seq"] for each in self.events if each.get("event") == "revision"]

    def join(self) -> None:
        self._thread.join(PATIENCE_S)
        assert not self._thread.is_alive()


class TestEvents:
    @pytest.fixture
    def server(self, live_server: LiveServer) -> LiveServer:
        open_trip(live_server.app.state.db, "trip")
        return live_server

    def record(self, server: LiveServer, number: int) -> None:
        with server.app.state.db.writing() as work:
            server.app.state.journal.record(work, "nordhang", "trip", remark(number))

    def test_numbers_come_as_they_are_stored_and_the_stream_ends_with_the_service(
        self, live_settings: Any, sqlite_url: str
    ) -> None:
        from api.main import create_app
        from tests.support.live import served
        from tests.support.readers import read_as

        app = create_app(live_settings)
        read_as(app)
        with served(app, live_settings) as server:
            open_trip(server.app.state.db, "trip")
            self.record(server, 1)
            stream = Stream(f"{server.url}/api/trips/trip/events")
            assert stream.revisions(1) == [1]
            self.record(server, 2)
            assert stream.revisions(2) == [1, 2]
            assert kept_connections(server.app.state.db) == 0
            assert server.app.state.journal.live.watching("trip") == 1
            assert stream.events[0]["retry"] == str(routes.RETRY_MS)
            assert stream.events[1]["id"] == "1"
            began = time.monotonic()
        assert time.monotonic() - began < 5
        stream.join()
        assert stream.ended.is_set()

    def test_an_append_of_another_process_is_noticed(
        self, server: LiveServer, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(routes, "LOOK_EVERY_S", 0.05)
        monkeypatch.setattr(routes, "STREAM_LIFE_S", 5.0)
        stream = Stream(f"{server.url}/api/trips/trip/events")
        assert stream.revisions(1) == [0]
        elsewhere = Database(server.settings.database_url)
        with elsewhere.writing() as work:
            store.append(work, "trip", "nordhang", remark(1), START)
        elsewhere.close()
        assert stream.revisions(2) == [0, 1]
        stream.join()

    def test_who_comes_back_is_told_only_what_is_new(
        self, server: LiveServer, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(routes, "STREAM_LIFE_S", 0.5)
        self.record(server, 1)
        same = Stream(f"{server.url}/api/trips/trip/events", **{"Last-Event-ID": "1"})
        older = Stream(f"{server.url}/api/trips/trip/events", **{"Last-Event-ID": "0"})
        same.join()
        older.join()
        assert (same.revisions(0), older.revisions(1)) == ([], [1])

    def test_an_unknown_trip_is_not_found_before_the_stream_begins(self, server: LiveServer) -> None:
        answer = httpx.get(f"{server.url}/api/trips/nowhere/events")
        assert answer.status_code == 404
        assert answer.json()["code"] == "not-found"


def test_the_life_of_a_stream_is_bounded() -> None:
    assert timedelta(seconds=routes.STREAM_LIFE_S) <= timedelta(minutes=10)
