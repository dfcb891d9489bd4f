"""Only pages of this installation may write, and only names of this installation are answered to.

No tokens: they go stale in cached pages and in the queue of a phone without signal. Browsers say where a
request comes from; programs that are not browsers say nothing and pass.
"""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.errors import BadRequest, CrossOrigin, answer

SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
_DEFAULT_PORTS = {"http": 80, "https": 443}


def is_loopback(host: str) -> bool:
    """Whether ``host`` is a name or address of this very machine."""
    if host == "localhost":
        return True
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def may_write(method: str, headers: Headers, scheme: str, base_url: str = "") -> bool:
    """Whether a request with these headers may change something.

    Browsers send Sec-Fetch-Site from secure places; elsewhere they send Origin, which is compared with the
    address asked for. A bearer token without a cookie cannot be sent by a foreign page behind its reader's
    back.
    """
    if method in SAFE_METHODS:
        return True
    if headers.get("authorization", "").lower().startswith("bearer ") and "cookie" not in headers:
        return True
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = headers.get("origin")
    if origin is None:
        return True
    own = {_origin(f"{scheme}://{headers.get('host', '')}")}
    if base_url:
        own.add(_origin(base_url))
    return _origin(origin) in own - {None}


def _origin(url: str) -> tuple[str, str, int] | None:
    """Scheme, host and port of ``url``; None when it has no host, as in 'null'."""
    try:
        parts = urlsplit(url)
        port = parts.port or _DEFAULT_PORTS.get(parts.scheme, 0)
    except ValueError:
        return None
    return (parts.scheme, parts.hostname, port) if parts.hostname else None


class OriginGuard:
    """Pure-ASGI middleware that refuses writes from other sites, and names that are not ours.

    While there are no accounts, the second keeps a foreign page from reaching this machine under a name of
    its own that it points at a loopback address.
    """

    def __init__(self, app: ASGIApp, *, base_url: str = "", names: Iterable[str] = ()) -> None:
        self.app = app
        self._base_url = base_url
        self._names = {name.lower() for name in names if name}
        if base_url:
            self._names.add((urlsplit(base_url).hostname or "").lower())

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        host = _host_name(headers.get("host", ""))
        if not (is_loopback(host) or host in self._names):
            problem = BadRequest(
                f"This service does not answer to the name “{host[:80]}”. "
                "Use its loopback address, or set RIMAYE_BASE_URL to the name people reach it by."
            )
            await answer(Request(scope), problem)(scope, receive, send)
        elif not may_write(scope["method"], headers, scope["scheme"], self._base_url):
            refused = CrossOrigin("This came from another web site. Open the page here and do it again.")
            await answer(Request(scope), refused)(scope, receive, send)
        else:
            await self.app(scope, receive, send)


def _host_name(host: str) -> str:
    """The host of a Host header, without its port and in lower case."""
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""
