"""Partitions: between the service and its database, and between phones and the service."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from fastapi import FastAPI
from sqlalchemy import make_url, text

from api import db as database_rules
from api import outages
from api.db import Database
from api.errors import Unavailable
from api.journal import live, store
from api.journal.kinds import Remark
from api.main import create_app
from api.settings import Settings
from tests.fault.proxy import Proxy
from tests.journal.conftest import open_trip
from tests.journal.histories import START, entry
from tests.journal.test_routes import by
from tests.support.client import IsolatedTestClient
from tests.support.live import served
from tests.support.readers import read_as

PATIENCE_S = 15.0
URL = "/api/trips/trip/journal"


def through(url: str) -> tuple[Proxy, str]:
    """A proxy before a PostgreSQL server, and the URL that leads through it."""
    direct = make_url(url)
    host = str(direct.query.get("host", direct.host))
    port = direct.port or 5432
    upstream: Any = f"{host}/.s.PGSQL.{port}" if host.startswith("/") else (host, port)
    proxy = Proxy(upstream)
    query = {name: value for name, value in direct.query.items() if name not in ("host", "port")}
    led = direct.set(host="127.0.0.1", port=proxy.port, query=query)
    return proxy, led.render_as_string(hide_password=False)


@pytest.fixture
def cuttable(postgres_url: str) -> Iterator[tuple[Proxy, str]]:
    direct = Database(postgres_url)
    open_trip(direct, "trip")
    direct.close()
    proxy, url = through(postgres_url)
    yield proxy, url
    proxy.close()


@pytest.fixture
def app(cuttable: tuple[Proxy, str], tmp_path: Path) -> FastAPI:
    app = create_app(
        Settings(database_url=cuttable[1], data_dir=tmp_path / "data", access_log=False, write_wait_s=2.0)
    )
    read_as(app)
    return app


def comes_true(what: Callable[[], bool]) -> bool:
    until = time.monotonic() + PATIENCE_S
    while not what():
        if time.monotonic() > until:
            return False
        time.sleep(0.05)
    return True


class TestBetweenServiceAndDatabase:
    def test_cut_and_healed(self, app: FastAPI, cuttable: tuple[Proxy, str]) -> None:
        proxy, _ = cuttable
        with IsolatedTestClient(app) as client:
            assert client.post(URL, json={"entries": [by("lead", 1)]}).status_code == 200
            proxy.cut()
            for answer in (client.post(URL, json={"entries": [by("lead", 2)]}), client.get(URL)):
                assert (answer.status_code, answer.json()["detail"]) == (503, outages.GONE)
            ready = client.get("/readyz")
            assert ready.status_code == 503
            assert ready.json()["checks"]["database"] != "ok"
            assert client.get("/healthz").status_code == 200
            proxy.heal()
            assert comes_true(lambda: client.get("/readyz").status_code == 200)
            again = client.post(URL, json={"entries": [by("lead", 1), by("lead", 2)]}).json()
            assert [each["status"] for each in again["outcomes"]] == ["already-there", "stored"]
            assert client.get(f"{URL}/verify").json()["whole"]

    def test_cut_at_any_moment_of_an_append(self, cuttable: tuple[Proxy, str]) -> None:
        """The line breaks a little later each time; what was acknowledged is there, and nothing by half."""
        proxy, url = cuttable
        db = Database(url, write_wait_s=2.0)
        acknowledged: dict[str, int] = {}
        refusals: set[str] = set()
        for number in range(1, 41):
            # The first goes through and the last is cut before it begins, however fast the machine is.
            after_s = {1: 60.0, 40: 0.0}.get(number, number * 0.0004)
            cutting = threading.Timer(after_s, proxy.cut)
            cutting.start()
            if not after_s:
                cutting.join()
            try:
                with db.writing() as work:
                    (done,) = store.append(work, "trip", "nordhang", [entry(number, Remark(text="x"))], START)
                acknowledged[str(done.id)] = done.seq or 0
            except Unavailable as told:
                refusals.add(told.detail)
            finally:
                cutting.cancel()
                cutting.join()
                proxy.heal()
        with db.reading() as conn:
            there = {str(each.id): each.seq for each in store.read(conn, "trip")}
            assert store.verify_trip(conn, "trip").whole
        db.close()
        assert 0 < len(acknowledged) < 40, "some were cut and some were not"
        assert refusals <= {outages.GONE, outages.UNCERTAIN}
        assert acknowledged.items() <= there.items()

    def test_news_missed_meanwhile_are_caught_up_with(
        self, app: FastAPI, cuttable: tuple[Proxy, str], postgres_url: str
    ) -> None:
        proxy, _ = cuttable
        elsewhere = Database(postgres_url)
        settings = app.state.settings.model_copy(update={"port": 0})
        heard: list[int] = []

        def watch(url: str) -> None:
            with httpx.stream("GET", f"{url}/api/trips/trip/events", timeout=30) as answer:
                for line in answer.iter_lines():
                    if line.startswith("id:"):
                        heard.append(int(line[3:]))

        with served(app, settings) as server:
            screen = threading.Thread(target=watch, args=(server.url,))
            screen.start()
            assert comes_true(lambda: heard == [0])
            proxy.cut()
            with elsewhere.writing() as work:
                store.append(work, "trip", "nordhang", [entry(1, Remark(text="unheard"))], START)
            proxy.heal()
            # The stream may have ended with the outage; who comes back is told at once, as a browser is.
            if not comes_true(lambda: 1 in heard or not screen.is_alive()) or 1 not in heard:
                assert comes_true(lambda: httpx.get(f"{server.url}/readyz").status_code == 200)
                screen = threading.Thread(target=watch, args=(server.url,))
                screen.start()
            assert comes_true(lambda: 1 in heard)
        screen.join(PATIENCE_S)
        elsewhere.close()

    def test_a_line_that_is_held_up_does_not_pass_for_silence(
        self, cuttable: tuple[Proxy, str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        monkeypatch.setattr(live, "ASK_EVERY_S", 0.1)
        monkeypatch.setattr(live, "SILENT_S", 1.5)
        proxy, url = cuttable
        listener = live.PostgresListener(make_url(url), live.Broadcaster())
        listener.start()
        try:
            assert comes_true(lambda: listener.now() is not None)
            time.sleep(2.0)
            assert listener.now() is not None, "silence alone is no outage"
            proxy.hold()
            assert comes_true(lambda: listener.now() is None)
            proxy.heal()
            assert comes_true(lambda: listener.now() is not None)
        finally:
            proxy.heal()
            listener.stop()

    def test_a_process_that_is_cut_off_does_not_keep_the_turn_to_write(
        self, cuttable: tuple[Proxy, str], postgres_url: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        proxy, url = cuttable
        quick = database_rules.POSTGRES_SESSION | {"idle_in_transaction_session_timeout": "1s"}
        monkeypatch.setattr(database_rules, "POSTGRES_SESSION", quick)
        lost, other = Database(url), Database(postgres_url, write_wait_s=PATIENCE_S)
        with pytest.raises(Unavailable), lost.writing() as work:
            store.append(work, "trip", "nordhang", [entry(1, Remark(text="never"))], START)
            proxy.hold()
            with other.writing() as theirs:
                store.append(theirs, "trip", "nordhang", [entry(2, Remark(text="stored"))], START)
            proxy.heal()
            store.head(work, "trip")
        with other.reading() as conn:
            assert [each.id for each in store.read(conn, "trip")] == [entry(2, Remark(text="x")).id]
            assert store.verify_trip(conn, "trip").whole
        for each in (lost, other):
            each.close()


class TestSlowDatabase:
    def test_everything_still_works_only_later(self, app: FastAPI, cuttable: tuple[Proxy, str]) -> None:
        proxy, _ = cuttable
        with IsolatedTestClient(app) as client:
            proxy.delay_s = 0.05
            assert client.post(URL, json={"entries": [by("lead", 1)]}).status_code == 200
            assert client.get(URL).json()["head_seq"] == 1
            assert client.get("/readyz").status_code == 200

    def test_a_statement_that_takes_too_long_is_ended_and_told(
        self, postgres_url: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        quick = database_rules.POSTGRES_SESSION | {"statement_timeout": "100ms"}
        monkeypatch.setattr(database_rules, "POSTGRES_SESSION", quick)
        db = Database(postgres_url)
        with pytest.raises(Unavailable) as caught, db.reading() as conn:
            conn.execute(text("SELECT pg_sleep(5)"))
        assert caught.value.detail == outages.SLOW
        db.close()

    def test_who_waits_too_long_for_another_processs_turn_is_told(self, postgres_url: str) -> None:
        holder, waiting = Database(postgres_url), Database(postgres_url, write_wait_s=0.2)
        with holder.writing(), pytest.raises(Unavailable) as caught, waiting.writing():
            pass
        assert caught.value.detail == outages.BUSY
        holder.close()
        waiting.close()

    def test_a_server_that_never_answers_is_not_waited_for_long(self) -> None:
        began = time.monotonic()
        with socket.create_server(("127.0.0.1", 0)) as silent:
            db = Database(f"postgresql://someone@127.0.0.1:{silent.getsockname()[1]}/nothing")
            with pytest.raises(Unavailable) as caught, db.reading():
                pass
            db.close()
        assert caught.value.detail == outages.GONE
        assert time.monotonic() - began < 10


class TestBetweenPhoneAndService:
    @pytest.fixture
    def sqlite_app(self, sqlite_url: str, tmp_path: Path) -> tuple[FastAPI, Settings]:
        settings = Settings(database_url=sqlite_url, data_dir=tmp_path / "data", access_log=False, port=0)
        app = create_app(settings)
        read_as(app)
        return app, settings

    def test_an_answer_that_is_lost_does_no_harm(self, sqlite_app: tuple[FastAPI, Settings]) -> None:
        app, settings = sqlite_app
        batch = {"entries": [by("lead", 1), by("lead", 2, Remark(text="windy"))]}
        with served(app, settings) as server:
            open_trip(app.state.db, "trip")
            where = httpx.URL(server.url)
            proxy = Proxy((where.host, int(where.port or 0)))
            proxy.swallow_answers()
            with pytest.raises(httpx.TransportError):
                httpx.post(f"{proxy.url}{URL}", json=batch, timeout=1.0)
            proxy.heal()
            again = httpx.post(f"{proxy.url}{URL}", json=batch).json()
            proxy.close()
        assert [(each["status"], each["seq"]) for each in again["outcomes"]] == [
            ("already-there", 1),
            ("already-there", 2),
        ]

    def test_half_a_request_stores_nothing(self, sqlite_app: tuple[FastAPI, Settings]) -> None:
        app, settings = sqlite_app
        with served(app, settings) as server:
            open_trip(app.state.db, "trip")

            def sent() -> Iterator[bytes]:
                yield b'{"entries": ['
                raise ConnectionError("the signal is gone")

            with pytest.raises(ConnectionError):
                httpx.post(f"{server.url}{URL}", content=sent(), headers={"content-type": "application/json"})
            assert comes_true(lambda: app.state.measurements.open._value.get() == 0)
            assert httpx.get(f"{server.url}{URL}").json()["head_seq"] == 0
