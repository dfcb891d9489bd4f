"""Whether the process is up, whether it can serve, and what it measures."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import anyio
import structlog
from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse
from prometheus_client import CONTENT_TYPE_LATEST, generate_latest
from sqlalchemy import text

from api import __version__, upgrade
from api.access.permissions import permit, public
from api.db import Database
from api.errors import CODES, NotFound, Unavailable
from api.keeping.queries import oldest_issues
from api.measuring import Measurements
from api.settings import Settings

router = APIRouter(tags=["service"])
log = structlog.get_logger(__name__)

LEAST_FREE_BYTES = 64 * 1024 * 1024
"""With less room than this a service is not ready: the log before the database alone may grow so far."""

PROBE_BYTES = 1024 * 1024
"""Written and dropped to see whether the disk takes it: a quota may be used up where the disk has room."""


@router.get("/healthz", dependencies=[public("whether the process is up")])
async def healthz() -> dict[str, str]:
    """The process is up. Says nothing about the database: see /readyz."""
    return {"status": "ok", "version": __version__}


@router.get(
    "/readyz",
    dependencies=[public("whether it can serve")],
    responses={503: {"description": "Not ready; the checks say why."}},
)
async def readyz(request: Request) -> JSONResponse:
    """Ready to serve: the database answers, its tables are current, and the disk takes writes."""
    db: Database = request.app.state.db
    settings: Settings = request.app.state.settings
    checks: dict[str, Callable[[], Awaitable[Any]]] = {
        "database": lambda: _database_answers(db),
        "migrations": lambda: _at_head(db),
        "writing": lambda: anyio.to_thread.run_sync(_database_takes_writes, db),
        "disk": lambda: anyio.to_thread.run_sync(_disk_takes_writes, db, settings.data_dir),
    }
    results: dict[str, str] = {}
    for name, check in checks.items():
        try:
            await check()
        except Exception as error:
            log.warning("not_ready", check=name, error=str(error))
            results[name] = error.args[0] if isinstance(error, NotReady) else "failed; the log says why"
        else:
            results[name] = "ok"
    ready = all(result == "ok" for result in results.values())
    return JSONResponse(
        {"status": "ready" if ready else "not ready", "checks": results}, status_code=200 if ready else 503
    )


@router.get("/metrics", dependencies=[permit("service.measure")], response_class=Response)
async def metrics(request: Request) -> Response:
    """Measurements in Prometheus's text format."""
    state = request.app.state
    measured: Measurements = state.measurements
    measured.streams.set(state.journal.live.watching_any())
    measured.writers_waiting.set(state.db.writers_waiting)
    now = state.clock.now()
    try:
        async with state.db.reading_async() as conn:
            issued = oldest_issues(conn, now.date())
    except Unavailable:
        # What is measured is wanted most when the database is gone.
        issued = {}
    measured.forecasts({provider: (now - at).total_seconds() for provider, at in issued.items()})
    return Response(
        generate_latest(measured.registry),
        headers={"Content-Type": CONTENT_TYPE_LATEST},
    )


@router.get("/api/problems", dependencies=[public("what error codes mean")])
async def problem_codes() -> list[dict[str, Any]]:
    """Every error code that an answer may carry, with its usual status and what it means."""
    return [
        {"code": entry.code, "status": entry.status, "title": entry.title, "meaning": entry.meaning}
        for entry in sorted(CODES.values(), key=lambda entry: (entry.status, entry.code))
    ]


@router.get("/api/problems/{code}", dependencies=[public("what error codes mean")])
async def problem_code(code: str) -> dict[str, Any]:
    """What one error code means; the `type` of every problem points here."""
    entry = CODES.get(code)
    if entry is None:
        raise NotFound(f"There is no error code “{code}”. GET /api/problems lists them all.")
    return {"code": entry.code, "status": entry.status, "title": entry.title, "meaning": entry.meaning}


class NotReady(Exception):
    """A check that failed for a reason that may be shown."""


async def _database_answers(db: Database) -> None:
    async with db.reading_async() as conn:
        conn.execute(text("SELECT 1")).scalar_one()


def _database_takes_writes(db: Database) -> None:
    try:
        db.check_writable()
    except Unavailable as error:
        raise NotReady("the database takes no writes; the log says why") from error


async def _at_head(db: Database) -> None:
    state = await anyio.to_thread.run_sync(upgrade.state_of, db)
    if not state.current:
        raise NotReady("tables are not current; run: rimaye migrate")


def _disk_takes_writes(db: Database, data_dir: Path) -> None:
    folders = {data_dir}
    if db.dialect == "sqlite" and db.url.database:
        folders.add(Path(db.url.database).parent)
    for folder in folders:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder) as file:
            file.write(bytes(PROBE_BYTES))
            file.flush()
        free = shutil.disk_usage(folder).free
        if free < LEAST_FREE_BYTES:
            raise NotReady(f"only {free // 1_000_000} MB are free; make room")
