"""Open streams: they beat, and end when whoever reads may not any more."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import httpx
import pytest
from sqlalchemy import text

from api.access.current import SESSION_COOKIE
from api.journal import routes
from api.main import create_app
from api.settings import Settings
from tests.access.house import OWN_TRIP, House, furnish, staff_id
from tests.support.live import LiveServer, served

pytestmark = pytest.mark.one_database
PATIENCE_S = 10.0


@pytest.fixture
def server(live_settings: Settings, monkeypatch: pytest.MonkeyPatch) -> Iterator[LiveServer]:
    monkeypatch.setattr(routes, "BEAT_EVERY_S", 0.2)
    app = create_app(live_settings)
    with served(app, live_settings) as running:
        with app.state.db.writing() as work:
            furnish(work, app.state.clock.now())
        yield running


class Stream:
    """A reader of a stream: the ids that came with its beats, and whether it has ended."""

    def __init__(self, server: LiveServer, token: str) -> None:
        self.beats: list[str] = []
        self.third = threading.Event()
        self.ended = threading.Event()
        self._url = f"{server.url}/api/trips/{OWN_TRIP}/events"
        self._headers = {"cookie": f"{SESSION_COOKIE}={token}"}
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self) -> None:
        event = last = ""
        with httpx.stream("GET", self._url, headers=self._headers, timeout=PATIENCE_S) as answer:
            for line in answer.iter_lines():
                name, _, value = line.partition(": ")
                event = value if name == "event" else event
                last = value if name == "id" else last
                if line == "" and event == "beat":
                    self.beats.append(last)
                    event = ""
                    if len(self.beats) >= 3:
                        self.third.set()
        self.ended.set()
        self.third.set()


def test_a_stream_beats_with_the_number_of_the_last_entry(server: LiveServer) -> None:
    stream = Stream(server, House(server.app).session("lead").token)
    assert stream.third.wait(PATIENCE_S)
    assert stream.beats[:3] == ["0", "0", "0"]
    assert not stream.ended.is_set()


@pytest.mark.parametrize(
    "away",
    [
        "UPDATE access_session SET ended_at = created_at WHERE staff_id = :who",
        "DELETE FROM trip_staff WHERE staff_id = :who",
        "UPDATE staff SET active = false WHERE id = :who",
    ],
)
def test_a_stream_ends_when_its_reader_is_kept_out(server: LiveServer, away: str) -> None:
    stream = Stream(server, House(server.app).session("lead").token)
    assert stream.third.wait(PATIENCE_S)
    assert not stream.ended.is_set()
    with server.app.state.db.writing() as work:
        work.execute(text(away), {"who": staff_id("lead")})
    assert stream.ended.wait(PATIENCE_S)
