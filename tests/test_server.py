"""The server: loopback only, and stoppable while streams are open."""

from __future__ import annotations

import threading
import time
from collections.abc import AsyncIterable
from pathlib import Path

import httpx2
import pytest
from fastapi.sse import EventSourceResponse, ServerSentEvent
from typer.testing import CliRunner

from api import cli
from api.main import create_app
from api.server import NotLoopback, check_host
from api.settings import Settings, get_settings
from tests.support.live import LiveServer, served


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost"])
@pytest.mark.parametrize("demo", [True, False])
def test_it_listens_on_this_machine(host: str, demo: bool) -> None:
    check_host(Settings(host=host, demo=demo))


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.7"])
@pytest.mark.parametrize("demo", [True, False])
def test_it_refuses_to_listen_where_others_could_reach_it(host: str, demo: bool) -> None:
    with pytest.raises(NotLoopback, match=r"there are no accounts.* Use 127\.0\.0\.1"):
        check_host(Settings(host=host, demo=demo))


def test_a_container_published_on_loopback_may_listen_on_all_its_addresses() -> None:
    check_host(Settings(host="0.0.0.0", published_on_loopback=True))


def test_it_serves_on_the_port_it_was_given(live_server: LiveServer) -> None:
    answer = httpx2.get(f"{live_server.url}/readyz")
    assert answer.status_code == 200
    assert "server" not in answer.headers
    assert live_server.url.startswith("http://127.0.0.1:")


def test_open_streams_end_when_it_stops(live_settings: Settings) -> None:
    app = create_app(live_settings)

    @app.get("/test/stream", response_class=EventSourceResponse)
    async def stream() -> AsyncIterable[ServerSentEvent]:
        yield ServerSentEvent(raw_data="open", event="state")
        await app.state.stopping.wait()
        yield ServerSentEvent(raw_data="closing", event="state")

    received: list[str] = []
    first = threading.Event()

    def listen(url: str) -> None:
        with httpx2.stream("GET", url, timeout=30) as response:
            for line in response.iter_lines():
                received.append(line)
                first.set()

    with served(app, live_settings) as server:
        listener = threading.Thread(target=listen, args=(f"{server.url}/test/stream",))
        listener.start()
        assert first.wait(10)
        stopping_at = time.monotonic()
    stopped_after_s = time.monotonic() - stopping_at
    listener.join(10)
    assert [line for line in received if line.startswith("data")] == ["data: open", "data: closing"]
    assert stopped_after_s < live_settings.stop_wait_s, "it waited for the backstop"


# The command


@pytest.fixture
def environment(sqlite_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    monkeypatch.setenv("RIMAYE_DATABASE_URL", sqlite_url)
    monkeypatch.setenv("RIMAYE_DATA_DIR", str(tmp_path / "data"))
    monkeypatch.setenv("RIMAYE_LOG_LEVEL", "warning")
    get_settings.cache_clear()
    monkeypatch.setattr("api.logging.configure_logging", lambda settings: None)
    return monkeypatch


def test_serve_refuses_an_address_others_can_reach(environment: pytest.MonkeyPatch) -> None:
    ran = CliRunner().invoke(cli.app, ["serve", "--host", "0.0.0.0"])
    assert ran.exit_code == 1
    assert "there are no accounts" in ran.stderr


def test_serve_refuses_tables_that_are_not_current(environment: pytest.MonkeyPatch, tmp_path: Path) -> None:
    environment.setattr("api.upgrade._heads", lambda: frozenset({"a-later-revision"}))
    ran = CliRunner().invoke(cli.app, ["serve"])
    assert ran.exit_code == 1
    assert "Run: rimaye migrate" in ran.stderr


def test_migrate_says_that_nothing_is_left_to_do(environment: pytest.MonkeyPatch) -> None:
    ran = CliRunner().invoke(cli.app, ["migrate"])
    assert (ran.exit_code, ran.output) == (0, "The tables are current.\n")


def test_the_announcement_says_where_and_for_whom(capsys: pytest.CaptureFixture[str]) -> None:
    cli._announce("http://127.0.0.1:8017", Settings(demo=True))
    shown = capsys.readouterr().out
    assert "http://127.0.0.1:8017" in shown
    assert "this machine only" in shown
    assert "Demo mode" in shown
    cli._announce("http://127.0.0.1:8017", Settings())
    assert "Demo mode" not in capsys.readouterr().out
