"""The review is read from a copy that follows the database while it answers, everything else never is."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import anyio
import pytest
from fastapi import FastAPI
from sqlalchemy import event
from structlog.testing import capture_logs

from api.clock import FixedClock
from api.db import Database
from api.main import create_app
from api.replica import LEFT_ALONE_S, Replica
from api.settings import Settings
from seeds import demo, loading
from tests.support.client import IsolatedTestClient
from tests.support.databases import PostgresTemplates
from tests.support.readers import read_as

NOWHERE = "postgresql://someone@127.0.0.1:1/nothing"
OF_SEASONS = ("/seasons", "/seasons/trips", "/seasons/export/csv", "/api/seasons/recurring-gaps")
OF_THE_DATABASE = ("/", f"/trips/{demo.scenario().trip}", "/seasons/letters", "/seasons/trials")


def app_of(url: str, replica_url: str, tmp_path: Path) -> FastAPI:
    made = Settings(database_url=url, replica_url=replica_url, data_dir=tmp_path / "data", access_log=False)
    app = create_app(made, clock=FixedClock(demo.moments(demo.scenario())[0].at))
    read_as(app, "office")
    return app


def statements(db: Database) -> list[str]:
    """Everything that is asked of a database from now on, as long as it is open."""
    asked: list[str] = []
    for engine in db.engines():
        event.listen(engine, "before_cursor_execute", lambda *given: asked.append(given[2]))
    return asked


def test_only_the_review_is_read_from_the_replica(
    postgres_url: str, postgres_templates: PostgresTemplates, tmp_path: Path
) -> None:
    # A second database on the same server stands in for a standby: what it is asked shows who is sent to it.
    with postgres_templates.fresh() as replica_url:
        for url in (postgres_url, replica_url):
            db = Database(url)
            loading.seed(db)
            db.close()
        app = app_of(postgres_url, replica_url, tmp_path)
        with IsolatedTestClient(app) as client:
            there = statements(app.state.replica._copy)
            for path in OF_SEASONS:
                del there[:]
                assert client.get(path).status_code == 200, path
                assert any("season_" in asked for asked in there), path
            del there[:]
            for path in OF_THE_DATABASE:
                assert client.get(path).status_code == 200, path
            assert there == []


def test_without_an_answer_the_database_is_read_and_nobody_waits_again(
    postgres_url: str, tmp_path: Path
) -> None:
    db = Database(postgres_url)
    loading.seed(db)
    db.close()
    app = app_of(postgres_url, NOWHERE, tmp_path)
    with IsolatedTestClient(app) as client, capture_logs() as logs:
        for path in (*OF_SEASONS, *OF_SEASONS):
            assert client.get(path).status_code == 200, path
        assert client.get("/readyz").status_code == 200
    assert [line["event"] for line in logs].count("replica_lost") == 1


def test_it_is_tried_again_after_a_while(sqlite_url: str, monkeypatch: pytest.MonkeyPatch) -> None:
    clock = FixedClock(demo.moments(demo.scenario())[0].at)
    main, copy = Database(sqlite_url), Database(sqlite_url)
    gone = Database(NOWHERE)
    replica = Replica(main, copy, clock)
    monkeypatch.setattr(replica, "_copy", gone)

    async def engine_read() -> object:
        async with replica.reading_async() as conn:
            return conn.engine

    main_engine, copy_engine = main.engines()[0], copy.engines()[0]
    assert anyio.run(engine_read) is main_engine
    monkeypatch.setattr(replica, "_copy", copy)
    assert anyio.run(engine_read) is main_engine, "it is left alone for a while"
    clock.advance(timedelta(seconds=LEFT_ALONE_S))
    assert anyio.run(engine_read) is copy_engine
    for each in (main, copy, gone):
        each.close()


def test_without_the_setting_there_is_one_database(sqlite_url: str, tmp_path: Path) -> None:
    app = app_of(sqlite_url, "", tmp_path)
    with IsolatedTestClient(app) as client:
        loading.seed(app.state.db)
        assert client.get("/seasons").status_code == 200
        assert app.state.replica._copy is None
