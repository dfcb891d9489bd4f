"""Puts pages and static files on the app, and says what a page may do."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path

from fastapi import FastAPI
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import Response
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.packing import Packed

STATIC = Path(__file__).resolve().parent / "static"
_TEXTS = frozenset({".css", ".js", ".svg"})

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data: blob:",
        "font-src 'self'",
        "connect-src 'self'",
        "manifest-src 'self'",
        "worker-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
_HEADERS = {
    "Content-Security-Policy": CONTENT_SECURITY_POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(self), geolocation=(self), microphone=()",
}
_A_YEAR_S = 31_536_000
_ONLY_HTTPS = {"Strict-Transport-Security": f"max-age={_A_YEAR_S}"}
"""For an installation whose address is https. Other names of the same domain are not ours to decide on."""


class SecurityHeaders:
    """Pure-ASGI middleware that puts the security headers on every answer that does not set its own."""

    def __init__(self, app: ASGIApp, *, base_url: str = "") -> None:
        self.app = app
        self._headers = _HEADERS | (_ONLY_HTTPS if base_url.startswith("https:") else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers.setdefault(name, value)
            await send(message)

        await self.app(scope, receive, with_headers)


class VersionedFiles(StaticFiles):
    """Static files that may be kept for ever when asked for by their content, and are checked each time
    otherwise.
    """

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        asked_for = scope.get("query_string", b"").decode("latin-1")
        current = asked_for == f"v={fingerprint(STATIC / path)}" if asked_for else False
        response.headers["Cache-Control"] = (
            f"public, max-age={_A_YEAR_S}, immutable" if current else "no-cache"
        )
        asked = Headers(scope=scope)
        if response.status_code != 200 or Path(path).suffix not in _TEXTS or "range" in asked:
            return response
        packed = _packed(STATIC / path, fingerprint(STATIC / path))
        body, how = packed.sent(asked.get("accept-encoding", ""))
        headers = {name: value for name, value in response.headers.items() if name != "content-length"}
        return Response(body, headers=headers | how | {"Vary": "Accept-Encoding"})


def static_url(path: str) -> str:
    """The address of a static file, with its content in it: a changed file has a new address."""
    return f"/static/{path}?v={fingerprint(STATIC / path)}"


def fingerprint(file: Path) -> str:
    """Twelve hex digits of the file's SHA-256; 'missing' when there is no such file."""
    try:
        stat = file.stat()
    except OSError:
        return "missing"
    return _digest(file, stat.st_mtime_ns, stat.st_size)


@lru_cache(maxsize=64)
def _packed(file: Path, _fingerprint: str) -> Packed:
    return Packed(file.read_bytes(), thorough=True)


@lru_cache(maxsize=256)
def _digest(file: Path, _modified_ns: int, _size: int) -> str:
    return hashlib.sha256(file.read_bytes()).hexdigest()[:12]


def mount(app: FastAPI) -> None:
    """Put the static files on ``app``, compressed: a phone at a hut has little signal."""
    app.mount("/static", VersionedFiles(directory=STATIC, check_dir=False), name="static")
