"""What the service measures about itself: appends, refusals, evaluations, streams, the age of forecasts."""

from __future__ import annotations

import asyncio
import threading
from datetime import date, timedelta
from typing import Any

from fastapi import FastAPI
from sqlalchemy import insert, text

from api.clock import FixedClock
from api.conditions.models import ForecastRefresh, StoredForecast
from api.db import Database
from api.journal.models import table
from api.readiness.service import Readiness
from seeds import demo, loading
from tests.journal.conftest import open_trip
from tests.journal.test_routes import by
from tests.support.client import IsolatedTestClient
from tests.support.readers import read_as


def measured(app: FastAPI, name: str, **labels: str) -> float | None:
    value: float | None = app.state.measurements.registry.get_sample_value(name, labels)
    return value


def test_entries_are_counted_by_what_became_of_them(app: FastAPI, client: IsolatedTestClient) -> None:
    open_trip(app.state.db, "trip")
    batch = [by("lead", 1), by("lead", 1), by("assistant", 2), "no entry"]
    assert client.post("/api/trips/trip/journal", json={"entries": batch}).status_code == 200
    assert measured(app, "rimaye_entries_total", outcome="stored") == 1
    assert measured(app, "rimaye_entries_total", outcome="already-there") == 1
    assert measured(app, "rimaye_entries_total", outcome="refused") == 2
    assert measured(app, "rimaye_append_seconds_count") == 1


def test_all_of_it_is_shown(app: FastAPI, client: IsolatedTestClient) -> None:
    read_as(app, "admin")
    shown = client.get("/metrics").text
    for name in (
        "rimaye_append_seconds_count 0.0",
        'rimaye_entries_total{outcome="refused"} 0.0',
        "rimaye_evaluation_seconds_count 0.0",
        "rimaye_streams_open 0.0",
        "rimaye_writers_waiting 0.0",
    ):
        assert name in shown


def test_forecasts_are_as_old_as_the_worst_served_trip_says(
    app: FastAPI, client: IsolatedTestClient, clock: FixedClock
) -> None:
    read_as(app, "admin")
    db: Database = app.state.db
    open_trip(db, "ahead", "also-ahead", "over")
    now = clock.now()
    with db.writing() as work:
        for trip, hours, ends_on in (
            ("ahead", 3, date(2026, 8, 1)),
            ("also-ahead", 7, date(2026, 8, 1)),
            ("over", 900, date(2026, 1, 1)),
        ):
            work.execute(
                text("UPDATE trip SET ends_on = :day WHERE id = :trip"), {"day": ends_on, "trip": trip}
            )
            issued = {"issued_at": now - timedelta(hours=hours), "received_at": now, "hash": trip}
            of = {"outfit_id": "nordhang", "provider": "service"}
            work.execute(
                insert(table(StoredForecast)), of | issued | {"kind": "k", "label": "l", "body": "{}"}
            )
            state: dict[str, Any] = {"state": "done", "asked_at": now, "next_at": now, "problem": ""}
            work.execute(insert(table(ForecastRefresh)), of | state | {"trip_id": trip, "forecast": trip})
    assert client.get("/metrics").status_code == 200
    assert measured(app, "rimaye_forecast_age_seconds", provider="service") == 7 * 3600


class TestManyAskAtOnce:
    def test_a_state_is_evaluated_and_written_once(self, database: Database, clock: FixedClock) -> None:
        from api.journal.service import Journal

        loading.seed(database)
        outfit, trip = demo.scenario().data["outfit"]["id"], demo.scenario().trip
        journal = Journal(clock)
        journal.listen(database)
        readiness = Readiness(journal, clock)

        async def ask() -> set[tuple[bytes, str]]:
            asked = [readiness.board_json(database, outfit, trip) for _ in range(20)]
            return set(await asyncio.gather(*asked))

        def read() -> None:
            with database.reading() as conn:
                readiness.board(conn, outfit, trip)

        threads = [threading.Thread(target=read) for _ in range(4)]
        for thread in threads:
            thread.start()
        assert len(asyncio.run(ask())) == 1
        for thread in threads:
            thread.join()
        journal.close()
        registry = journal.measurements.registry
        assert registry.get_sample_value("rimaye_evaluation_seconds_count") == 1
