"""The composition root: builds the app. The only file that knows every room."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from datetime import timedelta

import anyio
import structlog
from fastapi import APIRouter, FastAPI
from starlette.middleware import Middleware

from api import __version__, errors, health, tracing
from api.access import routes as access_routes
from api.access import signing_in
from api.access.crossorigin import OriginGuard
from api.access.permissions import check_declared
from api.call import routes as call_routes
from api.call import service as call_service
from api.clock import Clock, MovableClock, SystemClock
from api.conditions import routes as conditions_routes
from api.conditions import source_routes as forecast_source_routes
from api.conditions.refresh import refreshing
from api.db import Database
from api.handson import routes as handson_routes
from api.journal import routes as journal_routes
from api.journal import service as journal_service
from api.kitlist import routes as kitlist_routes
from api.limits import BodyLimit
from api.locker import routes as locker_routes
from api.logging import Measurements, RequestRecord
from api.nights import routes as nights_routes
from api.photos import routes as photo_routes
from api.readiness import body_routes, flag_routes, party_routes, watch_routes
from api.readiness import routes as readiness_routes
from api.readiness import service as readiness_service
from api.readiness.watching import telling
from api.roster import routes as roster_routes
from api.seasons import routes as seasons_routes
from api.selfreport import routes as selfreport_routes
from api.settings import Settings, get_settings
from web import site
from web.pages import demo as demo_pages
from web.pages import mount_pages

ROUTERS: tuple[APIRouter, ...] = (
    health.router,
    access_routes.router,
    journal_routes.router,
    forecast_source_routes.router,
    conditions_routes.router,
    kitlist_routes.router,
    kitlist_routes.schema_router,
    roster_routes.router,
    readiness_routes.router,
    body_routes.router,
    handson_routes.router,
    photo_routes.router,
    selfreport_routes.router,
    flag_routes.router,
    party_routes.router,
    watch_routes.router,
    locker_routes.router,
    nights_routes.router,
    call_routes.router,
    seasons_routes.router,
)
"""Every room's routes and every page's, in the order they are tried."""

log = structlog.get_logger(__name__)


def include_rooms(app: FastAPI) -> None:
    """Put the rooms' routes, the pages and the static files on ``app``."""
    for router in ROUTERS:
        app.include_router(router, responses=errors.DESCRIBED)
    mount_pages(app)
    site.mount(app)


def create_app(settings: Settings | None = None, *, clock: Clock | None = None) -> FastAPI:
    """Build the app. It opens its database when it starts up, and closes it when it stops.

    ``app.state`` carries ``settings``, ``clock``, ``db``, ``journal``, ``measurements`` and ``stopping`` (an
    event that open streams wait on).
    """
    settings = settings if settings is not None else get_settings()
    measurements = Measurements()
    app = FastAPI(
        title="Rimaye",
        version=__version__,
        description=(
            "Readiness of rope teams on guided multi-day glacier climbs. "
            "The final call rests with licensed guides and local regulations."
        ),
        # The interactive pages load their scripts from elsewhere, which neither the policy nor a hut allows.
        docs_url=None,
        redoc_url=None,
        openapi_url="/api/openapi.json",
        telemetry={
            "tracing": bool(settings.trace_url),
            "metrics": False,
            "logs": False,
            "operation_spans": False,
        },
        form_limits={
            "max_fields": settings.max_form_fields,
            "max_files": settings.max_form_files,
            "max_part_size": settings.max_form_field_bytes,
        },
        middleware=[
            Middleware(RequestRecord, measurements=measurements, access_log=settings.access_log),
            Middleware(site.SecurityHeaders),
            Middleware(errors.UnhandledErrors),
            Middleware(OriginGuard, base_url=settings.base_url),
            Middleware(BodyLimit, most_bytes=settings.max_body_bytes),
        ],
        lifespan=_lifespan,
    )
    app.state.settings = settings
    app.state.end_tracing = tracing.begin(settings)
    app.state.measurements = measurements
    app.state.clock = clock if clock is not None else make_clock(settings)
    journal_service.install(app, app.state.clock)
    readiness_service.install(app, demo=settings.demo)
    call_service.install(app, data_dir=settings.data_dir, clock=app.state.clock)
    errors.install(app)
    signing_in.install(app)
    include_rooms(app)
    check_declared(app)
    return app


def make_clock(settings: Settings) -> Clock:
    """The machine's clock, or in demo mode one that can be moved."""
    if not settings.demo:
        return SystemClock()
    clock = MovableClock()
    clock.offset = timedelta(seconds=settings.clock_offset_s)
    return clock


def open_database(settings: Settings) -> Database:
    """The database that ``settings`` name."""
    return Database(
        settings.database_url,
        read_connections=settings.read_connections,
        write_wait_s=settings.write_wait_s,
    )


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    settings: Settings = app.state.settings
    anyio.to_thread.current_default_thread_limiter().total_tokens = settings.threads
    app.state.stopping = anyio.Event()
    app.state.db = open_database(settings)
    try:
        app.state.db.warn_if_at_risk()
        app.state.journal.listen(app.state.db)
        if settings.demo:
            demo_pages.begin(app)
        async with (
            refreshing(app.state.db, app.state.journal, app.state.clock, settings) as refresher,
            telling(app.state.db, settings, app.state.readiness),
        ):
            app.state.forecast_refresher = refresher
            log.info(
                "started", database=app.state.db.engine_version(), demo=settings.demo, version=__version__
            )
            yield
    finally:
        app.state.stopping.set()
        app.state.journal.close()
        app.state.db.close()
        app.state.end_tracing()
        log.info("stopped")
