"""A real process on a disk that takes no more: said in words, nothing half-written, and well again by itself.

A limit on the size of files stands in for the disk, so that this runs anywhere; the system refuses the writes
of the process, in the middle of a page where it comes to that. What it logs goes to such a file as well.
"""

from __future__ import annotations

import random
import resource
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from api import outages
from api.db import Database
from api.journal import store
from seeds import loading
from tests.fault.processes import Process
from tests.fault.soak import TRIP, _write

SEED = 20260714


@pytest.fixture
def serving(sqlite_url: str, tmp_path: Path) -> Iterator[Process]:
    db = Database(sqlite_url)
    loading.seed(db)
    db.close()
    settings = {"RIMAYE_DEMO": "true", "RIMAYE_DATABASE_URL": sqlite_url, "RIMAYE_DATA_DIR": str(tmp_path)}
    process = Process(settings, tmp_path / "log")
    process.start()
    process.wait_until_ready()
    yield process
    process.kill()


def limit(process: Process, most_bytes: int | None) -> None:
    """Let its files grow no longer than this; None takes the limit away."""
    _, hard = resource.prlimit(process.pid, resource.RLIMIT_FSIZE)
    soft = hard if most_bytes is None else most_bytes
    resource.prlimit(process.pid, resource.RLIMIT_FSIZE, (soft, hard))


@pytest.mark.one_database
def test_a_disk_that_takes_no_more_is_told_and_nothing_is_lost(serving: Process, sqlite_url: str) -> None:
    chance, acknowledged = random.Random(SEED), dict[str, int]()

    def write(client: httpx.Client) -> httpx.Response:
        answer = _write(client, 0, chance)
        if answer.status_code == 200:
            done: Any = answer.json()["outcomes"][0]
            acknowledged[done["id"]] = done["seq"]
        return answer

    with httpx.Client(base_url=serving.url, timeout=30) as client:
        for _ in range(5):
            assert write(client).status_code == 200
        for room in (1, 5_000, 40_000):
            limit(serving, room)
            refused = next(
                answer for answer in (write(client) for _ in range(200)) if answer.status_code != 200
            )
            assert refused.status_code == 503, refused.text
            assert refused.headers["content-type"] == "application/problem+json"
            assert refused.json()["detail"] in (outages.FULL, outages.UNCERTAIN), refused.text
            ready = client.get("/readyz")
            assert ready.status_code == 503
            assert ready.json()["checks"]["disk"] != "ok" or ready.json()["checks"]["writing"] != "ok"
            assert client.get("/healthz").status_code == 200
            assert client.get(f"/api/trips/{TRIP}/board").status_code == 200, "reading goes on"
            limit(serving, None)
            assert write(client).status_code == 200
            assert client.get("/readyz").status_code == 200
        limit(serving, 20_000)
        for _ in range(20):
            write(client)
        serving.kill()
    db = Database(sqlite_url)
    with db.reading() as conn:
        there = {str(each.id): each.seq for each in store.read(conn, TRIP)}
        assert store.verify_trip(conn, TRIP).whole
    db.close()
    assert len(acknowledged) >= 8
    assert acknowledged.items() <= there.items()
