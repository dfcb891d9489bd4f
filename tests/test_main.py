"""The app as a whole: limits, guards, headers, logs, measurements, health, start-up time."""

from __future__ import annotations

import asyncio
import io
import json
import logging
import subprocess
import sys
from pathlib import Path

import anyio
import pytest
from fastapi import APIRouter, FastAPI, Form, Request, UploadFile
from sqlalchemy import text
from starlette.datastructures import Headers
from structlog.testing import capture_logs

from api.access.crossorigin import is_loopback, may_write
from api.clock import FixedClock, MovableClock, SystemClock
from api.db import Database
from api.logging import configure_logging
from api.main import create_app
from api.opening import make_clock
from api.settings import Settings
from tests.support.client import IsolatedTestClient
from tests.support.readers import read_as
from web.site import CONTENT_SECURITY_POLICY, STATIC, fingerprint, static_url

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def sqlite_settings(sqlite_url: str, tmp_path: Path) -> Settings:
    return Settings(database_url=sqlite_url, data_dir=tmp_path / "data")


def client_of(settings: Settings, *routers: APIRouter) -> IsolatedTestClient:
    app = create_app(settings)
    read_as(app, "admin")
    for router in routers:
        app.include_router(router)
    return IsolatedTestClient(app)


# Health


def test_an_installation_that_is_set_up_is_ready(client: IsolatedTestClient) -> None:
    assert client.get("/healthz").json()["status"] == "ok"
    answer = client.get("/readyz")
    assert answer.status_code == 200
    assert answer.json() == {
        "status": "ready",
        "checks": {"database": "ok", "migrations": "ok", "writing": "ok", "disk": "ok"},
    }


def test_tables_that_are_not_current_make_it_not_ready(
    client: IsolatedTestClient, database: Database
) -> None:
    with database.writing() as work:
        work.execute(text("CREATE TABLE IF NOT EXISTS alembic_version (version_num VARCHAR(32) NOT NULL)"))
        work.execute(text("DELETE FROM alembic_version"))
        work.execute(text("INSERT INTO alembic_version VALUES ('from another version')"))
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["checks"]["migrations"] == "tables are not current; run: rimaye migrate"
    assert client.get("/healthz").status_code == 200


def test_a_disk_that_takes_no_writes_makes_it_not_ready(sqlite_settings: Settings, tmp_path: Path) -> None:
    (tmp_path / "data").write_text("a file where the folder should be")
    with client_of(sqlite_settings) as client:
        answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["checks"] == {
        "database": "ok",
        "migrations": "ok",
        "writing": "ok",
        "disk": "failed; the log says why",
    }


def test_a_database_that_is_gone_makes_it_not_ready(client: IsolatedTestClient, database: Database) -> None:
    if database.dialect == "sqlite":
        database.close()
        file = Path(str(database.url.database))
        file.write_bytes(b"no longer a database" * 400)
        file.with_name(file.name + "-wal").unlink(missing_ok=True)
        client.app.state.db.close()  # type: ignore[attr-defined]
    else:
        with database.writing() as work:
            work.execute(text("ALTER SCHEMA public RENAME TO elsewhere"))
            work.execute(text("REVOKE ALL ON SCHEMA elsewhere FROM public"))
            work.execute(text("CREATE SCHEMA public"))
            work.execute(text("CREATE TABLE alembic_version (version_num TEXT)"))
            work.execute(text("INSERT INTO alembic_version VALUES ('lost')"))
    answer = client.get("/readyz")
    assert answer.status_code == 503
    assert answer.json()["status"] == "not ready"


# Limits


@pytest.fixture
def limited(sqlite_settings: Settings) -> IsolatedTestClient:
    router = APIRouter()

    @router.post("/api/test/size")
    async def size(request: Request) -> dict[str, int]:
        return {"size": len(await request.body())}

    @router.post("/api/test/form")
    def form(name: list[str] = Form(), file: UploadFile | None = None) -> dict[str, int]:
        return {"names": len(name)}

    small = {"max_body_bytes": 50_000, "max_form_fields": 5, "max_form_field_bytes": 1024}
    return client_of(sqlite_settings.model_copy(update=small), router)


def test_a_body_up_to_the_limit_is_taken(limited: IsolatedTestClient) -> None:
    with limited as client:
        assert client.post("/api/test/size", content=b"x" * 50_000).json() == {"size": 50_000}


def test_a_body_past_the_limit_is_refused_in_our_shape(limited: IsolatedTestClient) -> None:
    with limited as client:
        answer = client.post("/api/test/size", content=b"x" * 50_001)
    assert answer.status_code == 413
    assert answer.json()["code"] == "too-large"


def test_a_body_of_unknown_length_is_stopped_at_the_limit(limited: IsolatedTestClient) -> None:
    with limited as client:
        answer = client.post("/api/test/size", content=iter([b"x" * 10_000] * 6))
    assert answer.status_code == 413
    assert answer.json()["code"] == "too-large"


def test_a_form_with_too_many_fields_is_refused(limited: IsolatedTestClient) -> None:
    with limited as client:
        assert client.post("/api/test/form", data={"name": ["a"] * 5}).json() == {"names": 5}
        answer = client.post("/api/test/form", files=[("name", (None, "a"))] * 6)
    assert answer.status_code in (400, 413)
    assert answer.json()["code"] in ("bad-request", "too-large")


def test_threads_are_few(sqlite_settings: Settings) -> None:
    async def tokens() -> float:
        app = create_app(sqlite_settings.model_copy(update={"threads": 3}))
        async with app.router.lifespan_context(app):
            return anyio.to_thread.current_default_thread_limiter().total_tokens

    assert asyncio.run(tokens()) == 3


# Who may write


@pytest.mark.parametrize(
    ("headers", "allowed"),
    [
        ({"sec-fetch-site": "same-origin"}, True),
        ({"sec-fetch-site": "none"}, True),
        ({"sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "same-site"}, False),
        ({"sec-fetch-site": "cross-site", "origin": "http://127.0.0.1:8017"}, False),
        ({"origin": "http://127.0.0.1:8017"}, True),
        ({"origin": "http://127.0.0.1:9999"}, False),
        ({"origin": "https://127.0.0.1:8017"}, False),
        ({"origin": "http://evil.example"}, False),
        ({"origin": "null"}, False),
        ({"origin": "http://[broken"}, False),
        ({"origin": "https://board.outfit.example"}, True),
        ({}, True),
        ({"authorization": "Bearer x", "origin": "http://evil.example"}, True),
        ({"authorization": "Bearer x", "cookie": "a=b", "origin": "http://evil.example"}, False),
    ],
)
def test_only_our_own_pages_may_write(headers: dict[str, str], allowed: bool) -> None:
    sent = Headers({"host": "127.0.0.1:8017", **headers})
    assert may_write("POST", sent, "http", "https://board.outfit.example") is allowed
    assert may_write("GET", sent, "http") is True


def test_a_write_from_another_site_is_refused_with_a_reason(client: IsolatedTestClient) -> None:
    answer = client.post("/healthz", headers={"origin": "http://evil.example"})
    assert answer.status_code == 403
    assert answer.json()["code"] == "cross-origin"


def test_a_foreign_name_for_this_machine_is_not_answered_to(sqlite_settings: Settings) -> None:
    with client_of(sqlite_settings) as client:
        assert client.get("/healthz", headers={"host": "evil.example:8017"}).status_code == 400
        assert client.get("/healthz", headers={"host": "localhost:8017"}).status_code == 200
        assert client.get("/healthz", headers={"host": "[::1]:8017"}).status_code == 200
    named = sqlite_settings.model_copy(update={"base_url": "https://board.outfit.example"})
    with client_of(named) as client:
        assert client.get("/healthz", headers={"host": "board.outfit.example"}).status_code == 200


@pytest.mark.parametrize(
    ("host", "expected"),
    [
        ("127.0.0.1", True),
        ("127.8.8.8", True),
        ("::1", True),
        ("[::1]", True),
        ("localhost", True),
        ("0.0.0.0", False),
        ("::", False),
        ("192.0.2.1", False),
        ("localhost.evil.example", False),
        ("", False),
    ],
)
def test_loopback_is_told_from_the_rest(host: str, expected: bool) -> None:
    assert is_loopback(host) is expected


# Headers and static files


@pytest.mark.parametrize("path", ["/healthz", "/api/nowhere", "/static/nothing.js", "/metrics"])
def test_every_answer_carries_the_security_headers(client: IsolatedTestClient, path: str) -> None:
    headers = client.get(path).headers
    assert headers["content-security-policy"] == CONTENT_SECURITY_POLICY
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert "unsafe" not in headers["content-security-policy"]


def test_https_is_demanded_for_a_year_where_people_reach_this_by_https(sqlite_settings: Settings) -> None:
    for base_url, sent in (("https://board.outfit.example", "max-age=31536000"), ("", None)):
        app = create_app(sqlite_settings.model_copy(update={"base_url": base_url}))
        with IsolatedTestClient(app) as client:
            assert client.get("/healthz").headers.get("strict-transport-security") == sent


def test_a_static_file_asked_for_by_its_content_may_be_kept(
    client: IsolatedTestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    name = next(file for file in STATIC.rglob("*.js")).relative_to(STATIC).as_posix()
    current = static_url(name)
    assert current == f"/static/{name}?v={fingerprint(STATIC / name)}"
    assert "immutable" in client.get(current).headers["cache-control"]
    assert client.get(f"/static/{name}").headers["cache-control"] == "no-cache"
    assert client.get(f"/static/{name}?v=000000000000").headers["cache-control"] == "no-cache"


def test_nothing_outside_the_static_folder_is_served(client: IsolatedTestClient) -> None:
    assert client.get("/static/../site.py").status_code == 404
    assert client.get("/static/%2e%2e/site.py").status_code == 404


def test_the_api_describes_itself_without_scripts_from_elsewhere(client: IsolatedTestClient) -> None:
    assert client.get("/api/openapi.json").json()["openapi"].startswith("3.1")
    assert client.get("/docs").status_code == 404
    assert client.get("/redoc").status_code == 404


# Logs and measurements


def test_every_answer_has_a_request_id_and_a_log_line(sqlite_settings: Settings) -> None:
    with client_of(sqlite_settings) as client, capture_logs() as logs:
        made = client.get("/api/problems?name=Someone").headers["x-request-id"]
        kept = client.get("/api/problems", headers={"x-request-id": "from-the-proxy.7"}).headers[
            "x-request-id"
        ]
        bad = client.get("/api/problems", headers={"x-request-id": "x" * 65}).headers["x-request-id"]
    assert len(made) == 32
    assert kept == "from-the-proxy.7"
    assert len(bad) == 32
    lines = [line for line in logs if line["event"] == "request"]
    assert [(line["method"], line["path"], line["status"]) for line in lines] == [
        ("GET", "/api/problems", 200)
    ] * 3
    assert "Someone" not in str(lines)


def test_measurements_are_by_route_template_and_stay_few(app: FastAPI, client: IsolatedTestClient) -> None:
    read_as(app, "admin")
    for code in ("invalid", "not-found", "conflict"):
        assert client.get(f"/api/problems/{code}").status_code == 200
    for number in range(5):
        client.get(f"/nowhere/{number}")
    shown = client.get("/metrics")
    assert shown.headers["content-type"].startswith("text/plain")
    assert 'rimaye_answers_total{method="GET",route="/api/problems/{code}",status="200"} 3.0' in shown.text
    assert 'rimaye_answers_total{method="GET",route="unmatched",status="404"} 5.0' in shown.text
    assert 'rimaye_request_seconds_count{method="GET",route="/api/problems/{code}"} 3.0' in shown.text
    assert "rimaye_requests_open 1.0" in shown.text


def test_routes_inside_included_routers_are_measured_by_their_full_template(
    sqlite_settings: Settings,
) -> None:
    inner, outer = APIRouter(), APIRouter()

    @inner.get("/{trip}/test")
    def board(trip: str) -> dict[str, str]:
        return {"trip": trip}

    outer.include_router(inner, prefix="/trips")
    wrapped = APIRouter(prefix="/api")
    wrapped.include_router(outer)
    with client_of(sqlite_settings, wrapped) as client:
        assert client.get("/api/trips/7/test").status_code == 200
        assert 'route="/api/trips/{trip}/test"' in client.get("/metrics").text


def test_logs_can_be_one_json_object_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    written = io.StringIO()
    with monkeypatch.context() as patched:
        patched.setattr(sys, "stderr", written)
        configure_logging(Settings(log_json=True, log_level="info"))
    try:
        logging.getLogger("some.library").warning("disk is %s", "slow")
        try:
            raise RuntimeError("at the bergschrund")
        except RuntimeError:
            logging.getLogger("some.library").exception("failed")
    finally:
        configure_logging(Settings(log_level="warning"))
    first, second = [json.loads(line) for line in written.getvalue().splitlines()]
    assert (first["event"], first["level"], first["logger"]) == ("disk is slow", "warning", "some.library")
    assert "RuntimeError: at the bergschrund" in second["exception"]


# Clock and start-up


def test_only_the_demo_has_a_clock_that_can_be_moved() -> None:
    assert type(make_clock(Settings())) is SystemClock
    clock = make_clock(Settings(demo=True, clock_offset_s=-3600))
    assert isinstance(clock, MovableClock)
    assert clock.offset.total_seconds() == -3600


def test_the_app_carries_what_rooms_need(app: FastAPI, client: IsolatedTestClient, clock: FixedClock) -> None:
    assert app.state.clock is clock
    assert isinstance(app.state.db, Database)
    assert isinstance(app.state.settings, Settings)
    assert not app.state.stopping.is_set()


IMPORTS = """
import sys, time
started = time.perf_counter()
import {modules}
took = time.perf_counter() - started
print(took, *set(sys.modules))
"""
HEAVY = {"alembic", "hypothesis", "matplotlib", "openpyxl", "pandas", "playwright", "scipy", "segno", "typst"}
LIBRARIES = "fastapi, sqlmodel, jinja2, httpx2, orjson, structlog"
MOST_TIMES_THE_LIBRARIES = 0.80 / 0.46
"""The bar is 0.8 s on a quiet machine where the libraries alone take 0.46 s; a busy one slows both alike."""


def import_time(modules: str) -> tuple[float, set[str]]:
    """Seconds that importing ``modules`` takes in a fresh process, and the heavy ones that came along."""
    command = [sys.executable, "-c", IMPORTS.format(modules=modules)]
    ran = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True)
    seconds, *imported = ran.stdout.split()
    return float(seconds), HEAVY & set(imported)


def test_the_app_imports_quickly_and_nothing_heavy() -> None:
    pairs = [(import_time(LIBRARIES), import_time("api.main")) for _ in range(4)]
    assert pairs[0][1][1] == set()
    built = import_time("api.main; api.main.create_app()")
    assert built[1] == set(), "an app is built without them; they are loaded by what needs them"
    libraries, ours = (min(pair[which][0] for pair in pairs) for which in (0, 1))
    assert ours < libraries * MOST_TIMES_THE_LIBRARIES, f"{ours:.2f} s against {libraries:.2f} s"
