"""Floods: strangers and large bodies are turned away, and a signed-in guide goes on working meanwhile."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import httpx

from api.main import create_app
from api.settings import Settings
from tests.journal.conftest import open_trip
from tests.journal.test_routes import by
from tests.support.live import served
from tests.support.readers import read_as

FLOODERS, SECONDS, LONGEST_S, PATIENCE_S = 6, 3.0, 40.0, 5.0
URL = "/api/trips/trip/journal"


def test_a_guide_works_while_others_flood(sqlite_url: str, tmp_path: Path) -> None:
    """Guesses of passwords and bodies that are too large, as fast as they go, beside a guide's appends."""
    settings = Settings(
        database_url=sqlite_url, data_dir=tmp_path / "data", access_log=False, port=0, max_body_bytes=100_000
    )
    app = create_app(settings)
    read_as(app)
    over, seen, guard = threading.Event(), list[int](), threading.Lock()

    def flood(url: str, number: int) -> None:
        while not over.is_set():
            try:
                if number % 2:
                    answer = httpx.post(f"{url}{URL}", content=b"x" * 150_000, timeout=10)
                else:
                    form = {"email": f"{number}@example.org", "password": "a guess at a password"}
                    answer = httpx.post(f"{url}/sign-in", data=form, timeout=10)
            except httpx.TransportError:
                continue  # turned away before the whole body was taken
            with guard:
                seen.append(answer.status_code)

    with served(app, settings) as server:
        open_trip(app.state.db, "trip")
        flooders = [threading.Thread(target=flood, args=(server.url, n)) for n in range(FLOODERS)]
        for each in flooders:
            each.start()
        waits, number, began_at = [], 0, time.monotonic()
        # On a slow machine it takes longer until so much was guessed that a limit is met.
        while (passed_s := time.monotonic() - began_at) < LONGEST_S:
            if passed_s > SECONDS and set(seen) >= {413, 429}:
                break
            number += 1
            began = time.monotonic()
            answer = httpx.post(f"{server.url}{URL}", json={"entries": [by("lead", number)]}, timeout=10)
            waits.append(time.monotonic() - began)
            assert [each["status"] for each in answer.json()["outcomes"]] == ["stored"]
        over.set()
        for each in flooders:
            each.join()
        assert httpx.get(f"{server.url}{URL}").json()["head_seq"] == number
    assert number >= 5
    assert max(waits) < PATIENCE_S
    counted = sorted(set(seen))
    assert {413, 429} <= set(seen), f"both limits are to be met, these were: {counted}"
    assert not {status for status in seen if status >= 500}
