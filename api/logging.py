"""Structured logs, and one middleware that gives each request an id, a log line and a measurement."""

from __future__ import annotations

import logging
import re
import sys
from typing import Any

import structlog
from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from structlog.contextvars import bound_contextvars

from api.clock import Clock, SystemClock
from api.ids import new_id
from api.measuring import Measurements
from api.settings import Settings

_REQUEST_ID = re.compile(r"[A-Za-z0-9._-]{1,64}")
_QUIET_PATHS = ("/healthz", "/readyz", "/metrics", "/static/")

log = structlog.get_logger("api.request")


def configure_logging(settings: Settings) -> None:
    """Send everything, our lines and the libraries', to standard error in one form."""
    shared: list[Any] = [
        structlog.contextvars.merge_contextvars,
        structlog.stdlib.add_log_level,
        structlog.stdlib.add_logger_name,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    structlog.configure(
        processors=[*shared, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=False,
    )
    if settings.log_json:
        shown: list[Any] = [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    else:
        # Plain tracebacks: the decorated ones print variables, which may hold confidences.
        plain = structlog.dev.plain_traceback
        shown = [structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty(), exception_formatter=plain)]
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=shared,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *shown],
        )
    )
    root = logging.getLogger()
    root.handlers[:] = [handler]
    root.setLevel(settings.log_level.upper())
    for noisy in ("alembic", "httpcore", "httpx", "uvicorn"):
        logging.getLogger(noisy).setLevel(logging.WARNING)


class RequestRecord:
    """Pure-ASGI middleware: request id, access log line, measurements.

    A request id sent along is kept when it is short and plain, so that a proxy's log and ours can be joined.
    Query strings are not logged: they may hold names.
    """

    def __init__(
        self, app: ASGIApp, *, measurements: Measurements, access_log: bool, clock: Clock | None = None
    ) -> None:
        self.app = app
        self._measurements = measurements
        self._access_log = access_log
        self._clock = clock if clock is not None else SystemClock()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        sent = Headers(scope=scope).get("x-request-id", "")
        request_id = sent if _REQUEST_ID.fullmatch(sent) else new_id().hex
        status = 500

        async def watched(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                MutableHeaders(scope=message)["X-Request-ID"] = request_id
            await send(message)

        started = self._clock.monotonic()
        self._measurements.open.inc()
        with bound_contextvars(request_id=request_id):
            try:
                await self.app(scope, receive, watched)
            finally:
                self._measurements.open.dec()
                self._record(scope, status, self._clock.monotonic() - started)

    def _record(self, scope: Scope, status: int, seconds: float) -> None:
        method, route = scope["method"], route_template(scope)
        self._measurements.seconds.labels(method, route).observe(seconds)
        self._measurements.answers.labels(method, route, str(status)).inc()
        path: str = scope["path"]
        if self._access_log and not (status < 400 and path.startswith(_QUIET_PATHS)):
            # A secret link must not be read out of a log.
            shown = route if "{token}" in route else path
            log.info("request", method=method, path=shown, status=status, ms=round(seconds * 1000, 1))


def route_template(scope: Scope) -> str:
    """The template of the route that answered, such as '/api/trips/{trip}/board': bounded, unlike paths."""
    route = scope.get("route")
    # A route inside an included router knows its own part only; the framework keeps the whole beside it.
    context = scope.get("fastapi", {}).get("effective_route_context")
    if route is not None and context is not None and context.original_route is route:
        route = context
    template = getattr(route, "path", None)
    if template:
        return str(template)
    return "/static" if scope["path"].startswith("/static/") else "unmatched"
