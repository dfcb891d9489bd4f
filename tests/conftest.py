"""Fixtures that every test may use. Mark a test ``one_database`` to run it on SQLite only."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import Any

import hypothesis
import pytest
import structlog
from fastapi import FastAPI

from api.clock import FixedClock
from api.db import Database, sqlite_module
from api.logging import configure_logging
from api.main import create_app
from api.opening import open_database
from api.settings import Settings
from scripts.test_tools import browser as find_browser
from tests.support.client import IsolatedTestClient
from tests.support.databases import PostgresTemplates, SqliteTemplates
from tests.support.live import CHROMIUM_FLAGS, LiveServer, served
from tests.support.readers import read_as
from tests.support.statements import Counter, counted

A_MORNING = datetime(2026, 7, 14, 4, 30, tzinfo=UTC)

# Deadlines measure the machine, not the code; and a failure found once should be found again.
hypothesis.settings.register_profile("rimaye", deadline=None, derandomize=True, print_blob=True)
hypothesis.settings.load_profile("rimaye")


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "one_database: runs on SQLite only; says nothing about a database")


def pytest_report_header() -> list[str]:
    names = ("sqlalchemy", "psycopg", "fastapi", "starlette", "pydantic", "playwright")
    versions = ", ".join(f"{name} {version(name)}" for name in names)
    server = "TEST_DATABASE_URL" if os.environ.get("TEST_DATABASE_URL") else "PostgreSQL from its package"
    return [
        f"rimaye: SQLite {sqlite_module().sqlite_version}, {server}, {versions}",
        f"browser: {find_browser()}",
    ]


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    if "database_kind" in metafunc.fixturenames:
        alone = metafunc.definition.get_closest_marker("one_database")
        metafunc.parametrize("database_kind", ["sqlite"] if alone else ["sqlite", "postgres"])


@pytest.fixture(autouse=True)
def _quiet_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """A test must not depend on the settings of the one who runs it."""
    for name in [name for name in os.environ if name.startswith("RIMAYE_") and name != "RIMAYE_CHROMIUM"]:
        monkeypatch.delenv(name)


@pytest.fixture(scope="session", autouse=True)
def _logging() -> None:
    configure_logging(Settings(log_level="warning"))


@pytest.fixture(autouse=True)
def _no_leftover_context() -> Iterator[None]:
    structlog.contextvars.clear_contextvars()
    yield
    structlog.contextvars.clear_contextvars()


@pytest.fixture(scope="session")
def sqlite_templates(tmp_path_factory: pytest.TempPathFactory) -> SqliteTemplates:
    return SqliteTemplates(tmp_path_factory.mktemp("sqlite"))


@pytest.fixture(scope="session")
def postgres_templates(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PostgresTemplates]:
    templates = PostgresTemplates(tmp_path_factory.mktemp("postgres"))
    yield templates
    templates.close()


@pytest.fixture
def sqlite_url(sqlite_templates: SqliteTemplates, tmp_path: Path) -> Iterator[str]:
    """The URL of a fresh, migrated SQLite database."""
    with sqlite_templates.fresh(tmp_path) as url:
        yield url


@pytest.fixture
def postgres_url(postgres_templates: PostgresTemplates) -> Iterator[str]:
    """The URL of a fresh, migrated PostgreSQL database."""
    with postgres_templates.fresh() as url:
        yield url


@pytest.fixture
def database_url(database_kind: str, request: pytest.FixtureRequest) -> str:
    """The URL of a fresh, migrated database: each test runs once on each kind."""
    return str(request.getfixturevalue(f"{database_kind}_url"))


@pytest.fixture
def settings(database_url: str, tmp_path: Path) -> Settings:
    """Settings of a test installation."""
    return Settings(database_url=database_url, data_dir=tmp_path / "data", port=0, access_log=False)


@pytest.fixture
def clock() -> FixedClock:
    """A clock that stands at an early morning in July 2026."""
    return FixedClock(A_MORNING)


@pytest.fixture
def database(settings: Settings) -> Iterator[Database]:
    """A fresh, migrated database."""
    db = open_database(settings)
    yield db
    db.close()


@pytest.fixture
def app(settings: Settings, clock: FixedClock) -> FastAPI:
    """The whole app over a fresh database, read as a lead guide; ``read_as`` chooses another."""
    app = create_app(settings, clock=clock)
    read_as(app)
    return app


@pytest.fixture
def client(app: FastAPI) -> Iterator[IsolatedTestClient]:
    """A client of ``app``, which is started up."""
    with IsolatedTestClient(app) as client:
        yield client


@pytest.fixture
def query_counter() -> Counter:
    """``with query_counter() as statements: ...`` lists the SQL statements inside the block."""
    return counted


@pytest.fixture
def live_settings(sqlite_url: str, tmp_path: Path) -> Settings:
    """Settings of the live server; a module may override this, for example to run the demo."""
    return Settings(database_url=sqlite_url, data_dir=tmp_path / "data", port=0, access_log=False)


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    """The whole app on a real port of this machine."""
    app = create_app(live_settings)
    read_as(app)
    with served(app, live_settings) as server:
        yield server


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A browser for one module: its event loop must be gone before tests that run one of their own."""
    from playwright.sync_api import sync_playwright

    program = find_browser()
    if program is None:
        pytest.fail("There is no Chromium. Run `make test`, or name its program in RIMAYE_CHROMIUM.")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=list(CHROMIUM_FLAGS))
        yield browser
        browser.close()


@pytest.fixture
def browser_page(browser: Any, live_server: LiveServer) -> Iterator[Any]:
    """A fresh page whose relative addresses are the live server's. A script error fails the test."""
    context = browser.new_context(base_url=live_server.url)
    page = context.new_page()
    failures: list[str] = []
    page.on("pageerror", lambda error: failures.append(str(error)))
    yield page
    context.close()
    assert not failures, f"scripts failed on the page: {failures}"
