"""Forecast services on loopback, and a way to ask them."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import stamina

from api.clock import FixedClock
from api.conditions import fetch
from api.conditions.forecast import Forecast, Point
from api.conditions.refresh import ask
from api.conditions.sources.asking import SourceSettings, Window
from tests.support.weather_answers import RUN, Standin
from tests.support.weather_standin import standing_in

PLACE = Point(45.94, 7.86, 4400.0)
US_PLACE = Point(46.8523, -121.7603, 4392.0)
WINDOW = Window(RUN, RUN + timedelta(hours=48))
NOW = RUN + timedelta(hours=5)
USER_AGENT = "quillstone-board ops@example.org"


@pytest.fixture
def standin() -> Iterator[Standin]:
    with standing_in() as standin:
        yield standin


@pytest.fixture(autouse=True)
def _no_waiting() -> Iterator[None]:
    """Tries as often as in production, without the pauses between."""
    with stamina.set_testing(True, attempts=3):
        yield


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(NOW)


def settings_of(standin: Standin, kind: str) -> SourceSettings:
    """The stand-in as a configured source."""
    model = {"openjson": "invented_2km", "openjson-ensemble": "invented_eps", "edr": "peaks"}.get(kind, "")
    base = f"{standin.url}/edr" if kind == "edr" else standin.url
    return SourceSettings(kind=kind, base_url=base, model=model)


KINDS = ("edr", "openjson", "openjson-ensemble", "metno", "nws")
MAIN_PATH = {
    "edr": "/edr/collections/peaks/instances/",
    "openjson": "/v1/forecast",
    "openjson-ensemble": "/v1/ensemble",
    "metno": "/weatherapi",
    "nws": "/gridpoints",
}
"""Where each kind of service is asked for the forecast itself."""

Asker = Callable[..., Forecast]


@pytest.fixture
def asker(standin: Standin, clock: FixedClock, tmp_path: Path) -> Asker:
    """Asks a kind of service once, from start to end, with answers kept between calls."""

    def asked(
        kind: str, *, place: Point | None = None, window: Window = WINDOW, now: datetime = NOW, **opened: int
    ) -> Forecast:
        settings = settings_of(standin, kind)

        async def run() -> Forecast:
            async with fetch.opened(
                origins=[standin.url],
                user_agent=USER_AGENT,
                clock=clock,
                most_bytes=opened.get("most_bytes", 4_000_000),
                kept_in=tmp_path / "answers.sqlite3",
            ) as fetcher:
                where = place or (US_PLACE if kind == "nws" else PLACE)
                return await ask(fetcher, settings, where, window, now)

        return asyncio.run(run())

    return asked


def utc(day: int, hour: int = 0) -> datetime:
    return datetime(2026, 7, day, hour, tzinfo=UTC)
