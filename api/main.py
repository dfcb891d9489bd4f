"""The composition root: builds the app, with `api.rooms` for the rooms on it."""

from __future__ import annotations

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import anyio
import structlog
from fastapi import FastAPI
from starlette.middleware import Middleware

from api import __version__, errors, tracing
from api.access.crossorigin import OriginGuard
from api.access.refusals import RefusalRecord
from api.clock import Clock
from api.limits import BodyLimit
from api.logging import RequestRecord
from api.measuring import Measurements
from api.opening import make_clock, open_database, open_replica
from api.settings import Settings, get_settings
from web import site

log = structlog.get_logger(__name__)


def create_app(settings: Settings | None = None, *, clock: Clock | None = None) -> FastAPI:
    """Build the app. It opens its database when it starts up, and closes it when it stops.

    ``app.state`` carries ``settings``, ``clock``, ``db``, ``journal``, ``measurements`` and ``stopping`` (an
    event that open streams wait on).
    """
    # Rooms and pages are loaded here, not with this module: commands that need no app start without them.
    from api import rooms
    from web.pages import mount_board, mount_pages

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
            Middleware(site.SecurityHeaders, base_url=settings.base_url),
            Middleware(errors.UnhandledErrors),
            Middleware(RefusalRecord),
            Middleware(OriginGuard, base_url=settings.base_url),
            Middleware(BodyLimit, most_bytes=settings.max_body_bytes),
        ],
        lifespan=_lifespan,
    )
    app.state.settings = settings
    app.state.end_tracing = tracing.begin(settings)
    app.state.measurements = measurements
    app.state.clock = clock if clock is not None else make_clock(settings)
    errors.install(app)
    mount_board(app)
    rooms.install(app)
    mount_pages(app)
    site.mount(app)
    rooms.check(app)
    return app


@asynccontextmanager
async def _lifespan(app: FastAPI) -> AsyncIterator[None]:
    from api import rooms
    from web.pages import demo as demo_pages

    settings: Settings = app.state.settings
    anyio.to_thread.current_default_thread_limiter().total_tokens = settings.threads
    app.state.stopping = anyio.Event()
    app.state.db = open_database(settings)
    app.state.replica = open_replica(settings, app.state.db)
    try:
        app.state.db.warn_if_at_risk()
        async with rooms.working(app):
            if settings.demo:
                demo_pages.begin(app)
            log.info(
                "started", database=app.state.db.engine_version(), demo=settings.demo, version=__version__
            )
            yield
    finally:
        app.state.stopping.set()
        app.state.replica.close()
        app.state.db.close()
        app.state.end_tracing()
        log.info("stopped")
