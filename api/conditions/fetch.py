"""Asking forecast services: one door to the network, the same for every source.

It knows nothing of what answers mean. It asks only under the configured addresses, says who it is, keeps
answers as long as the service allows (or for a time of our own where the service does not say), asks again
with conditions, tries again after a passing fault, and gives up when the time is over. What is asked for
twice at the same time is asked once.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
import sqlite3
from collections.abc import AsyncIterator, Iterable, Mapping
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import timedelta
from email.utils import parsedate_to_datetime
from pathlib import Path
from typing import Any

import httpx2
import structlog

from api.clock import Clock
from api.conditions.sources.asking import Request

log = structlog.get_logger(__name__)

CONNECT_S, READ_S = 4.0, 10.0
ATTEMPTS = 3
LONGEST_PAUSE_S = 15.0
"""A longer wait than this is not waited for: the next refresh asks again."""
MOST_CACHE_BYTES = 200 * 1024 * 1024
ANSWERED = frozenset({200, 203})
"""203 comes with a version of a service that will go away; the log says so."""
PAUSES = {"dai": timedelta(hours=6), "hour": timedelta(hours=1), "minut": timedelta(minutes=2)}
"""How long to wait after a limit that a service names in words: daily, hourly, minutely."""
PASSING = frozenset({500, 502, 503, 504})
"""Statuses worth another try at once. 4xx never is: the question would be the same."""


class NotFetched(Exception):
    """A service could not be asked or did not answer well; the reason is a sentence for people."""

    def __init__(self, reason: str, *, not_before_s: float | None = None) -> None:
        super().__init__(reason)
        self.reason = reason
        self.not_before_s = not_before_s
        """Seconds that the service wants to be left alone for."""


class _Broken(httpx2.TransportError):
    """An answer that breaks off or is no JSON although its status is fine."""


class _Elsewhere(Exception):
    """A question, or where an answer leads to, lies outside the configured addresses."""


class _TooMuch(Exception):
    """An answer is larger than is read."""


@dataclass(frozen=True, slots=True)
class Reply:
    """What came back, whole."""

    body: bytes
    headers: Mapping[str, str]
    from_cache: bool


class Guarded(httpx2.AsyncBaseTransport):
    """Lets only questions under known origins out, and only whole, sound answers in.

    It stands between the cache and the network, so that no redirect leads elsewhere and nothing broken is
    ever kept.
    """

    def __init__(self, network: httpx2.AsyncBaseTransport, origins: Iterable[str], most_bytes: int) -> None:
        self._network = network
        self._origins = frozenset(origins)
        self._most_bytes = most_bytes

    async def handle_async_request(self, request: httpx2.Request) -> httpx2.Response:
        if origin_of(request.url) not in self._origins:
            raise _Elsewhere(f"{request.url.scheme}://{request.url.host}")
        response = await self._network.handle_async_request(request)
        if response.status_code not in ANSWERED:
            return response
        try:
            body = await self._whole(response)
        finally:
            await response.aclose()
        self._sound(body, response)
        headers = [
            (name, value)
            for name, value in response.headers.multi_items()
            if name.lower() not in ("content-encoding", "content-length", "transfer-encoding")
        ]
        return httpx2.Response(response.status_code, headers=headers, content=body, request=request)

    async def _whole(self, response: httpx2.Response) -> bytes:
        parts, size = [], 0
        async for part in response.aiter_bytes():
            size += len(part)
            if size > self._most_bytes:
                raise _TooMuch
            parts.append(part)
        return b"".join(parts)

    def _sound(self, body: bytes, response: httpx2.Response) -> None:
        kind = response.headers.get("content-type", "")
        if "html" in kind:
            raise _Broken("The service answered with a web page instead of data.")
        try:
            # NaN gets through here: it is no passing fault, and whoever reads the answer says so.
            json.loads(body)
        except (ValueError, RecursionError):
            raise _Broken("The answer breaks off, or is no JSON.") from None

    async def aclose(self) -> None:
        await self._network.aclose()


def origin_of(url: httpx2.URL) -> str:
    """Scheme, host and port of an address, as they are compared."""
    default = {"http": 80, "https": 443}.get(url.scheme)
    return f"{url.scheme}://{url.host}:{url.port or default}"


class Fetch:
    """Asks services. One for an installation; open it with `opened`."""

    def __init__(self, client: httpx2.AsyncClient, clock: Clock) -> None:
        self._client = client
        self._clock = clock
        self._under_way: dict[str, asyncio.Future[Reply]] = {}
        self._left_alone: dict[str, float] = {}
        """Until when (monotonic) a service wants to be left alone, by origin."""

    async def get(self, request: Request) -> Reply:
        """The answer to a question. Raises NotFetched with the reason when there is none."""
        key = _key(request)
        waiting = self._under_way.get(key)
        if waiting is not None:
            return await asyncio.shield(waiting)
        mine: asyncio.Future[Reply] = asyncio.get_running_loop().create_future()
        self._under_way[key] = mine
        try:
            reply = await self._patiently(request)
        except BaseException as error:
            told = error if isinstance(error, NotFetched) else NotFetched("The question was broken off.")
            mine.set_exception(told)
            mine.exception()  # Nobody may be waiting for it.
            raise
        else:
            mine.set_result(reply)
            return reply
        finally:
            del self._under_way[key]

    async def _patiently(self, request: Request) -> Reply:
        origin = origin_of(httpx2.URL(request.url))
        pause = self._left_alone.get(origin, 0.0) - self._clock.monotonic()
        if pause > 0.0:
            raise NotFetched("The service asked to be left alone for now.", not_before_s=pause)
        try:
            response = await self._tried(request)
        except _Elsewhere as error:
            raise NotFetched(f"The answer leads to {error}, which is not a configured address.") from None
        except _TooMuch:
            raise NotFetched("The answer is larger than RIMAYE_FORECAST_MAX_BYTES allows.") from None
        except httpx2.HTTPStatusError as error:
            raise self._refused(origin, error.response) from None
        except httpx2.TimeoutException:
            raise NotFetched("The service did not answer in time.") from None
        except sqlite3.Error:
            log.exception("forecast_cache_unusable")
            raise NotFetched("The store of earlier answers cannot be used; see the log.") from None
        except httpx2.HTTPError as error:
            told = str(error) if isinstance(error, _Broken) else "The service cannot be reached."
            raise NotFetched(told) from None
        kept: dict[str, Any] = response.extensions.get("caching") or {}
        return Reply(response.content, dict(response.headers), bool(kept.get("from_cache")))

    async def _tried(self, request: Request) -> httpx2.Response:
        import stamina

        async for attempt in stamina.retry_context(
            on=worth_another_try, attempts=ATTEMPTS, timeout=None, wait_initial=0.5, wait_max=5.0
        ):
            with attempt:
                response = await self._client.get(
                    request.url, headers={"Accept": request.accept}, extensions={"caching": _caching(request)}
                )
                response.raise_for_status()
        if response.status_code == 203:
            log.warning("forecast_service_deprecated", service=origin_of(httpx2.URL(request.url)))
        return response

    def _refused(self, origin: str, response: httpx2.Response) -> NotFetched:
        status = response.status_code
        reason = _reason(response)
        if status == 403:
            advice = "The service refused (403); check RIMAYE_FORECAST_USER_AGENT and its key."
            return NotFetched(f"{advice} {reason}".strip())
        if status == 429:
            pause = pause_after(response)
            self._left_alone[origin] = self._clock.monotonic() + pause
            return NotFetched(f"Too much was asked for (429). {reason}".strip(), not_before_s=pause)
        return NotFetched(f"The service answered with {status}. {reason}".strip())


def worth_another_try(error: Exception) -> bool | float:
    """Whether to ask again, or after how many seconds, as stamina wants to know."""
    if isinstance(error, httpx2.HTTPStatusError):
        status = error.response.status_code
        wait = _retry_after_s(error.response)
        if status in (429, 503) and wait is not None:
            return wait if wait <= LONGEST_PAUSE_S else False
        return status in PASSING
    return isinstance(error, httpx2.TransportError)


def _retry_after_s(response: httpx2.Response) -> float | None:
    text = response.headers.get("retry-after", "").strip()
    if text.isdigit():
        return float(text)
    try:
        until, now = parsedate_to_datetime(text), parsedate_to_datetime(response.headers.get("date", ""))
    except (TypeError, ValueError):
        return None
    return max(0.0, (until - now).total_seconds())


def pause_after(response: httpx2.Response) -> float:
    """How long to leave a service alone that was asked too much, from its header or its words. [s]"""
    wait = _retry_after_s(response)
    if wait is not None:
        return min(wait, 86_400.0)
    words = _reason(response).lower()
    return next((pause.total_seconds() for word, pause in PAUSES.items() if word in words), 120.0)


def _reason(response: httpx2.Response) -> str:
    """What the service says about its refusal, in one line; nothing for a web page."""
    if "json" not in response.headers.get("content-type", ""):
        return ""
    try:
        said = json.loads(response.content)
    except ValueError:
        return ""
    if not isinstance(said, dict):
        return ""
    for name in ("reason", "detail", "description", "title"):
        text = said.get(name)
        if isinstance(text, str) and text.strip():
            return " ".join(text.split())[:200]
    return ""


def _key(request: Request) -> str:
    """Tells questions apart; a kept answer is never taken for one of another run."""
    return hashlib.sha256(f"{request.url} {request.known.get('run', '')}".encode()).hexdigest()


def _caching(request: Request) -> dict[str, Any]:
    if request.good_for_s is None:
        return {"rfc": {"shared": False}}
    # Zero seconds: asked every time, and kept under a name nobody looks for.
    return {"rfc": False, "ttl": float(request.good_for_s), "key": _key(request)}


@asynccontextmanager
async def opened(
    *,
    origins: Iterable[str],
    user_agent: str,
    clock: Clock,
    most_bytes: int,
    kept_in: Path | None = None,
    network: httpx2.AsyncBaseTransport | None = None,
) -> AsyncIterator[Fetch]:
    """A `Fetch` while the block runs.

    Parameters
    ----------
    origins
        Configured addresses; nothing else is asked.
    user_agent
        Name and contact; services refuse those who give none.
    kept_in
        File in which answers are kept; None: in memory, for this time only.
    network
        How to reach the network; None: really. Tests hand in a stand-in.
    """
    # Only an installation that asks services needs these.
    from hishel import AsyncSqliteStorage
    from hishel.httpx2 import AsyncCacheTransport

    guarded = Guarded(
        network or httpx2.AsyncHTTPTransport(retries=0),
        {origin_of(httpx2.URL(address)) for address in origins},
        most_bytes,
    )
    if kept_in is not None:
        kept_in.parent.mkdir(parents=True, exist_ok=True)
    storage = AsyncSqliteStorage(database_path=str(kept_in or ":memory:"), max_size=MOST_CACHE_BYTES)
    client = httpx2.AsyncClient(
        transport=AsyncCacheTransport(guarded, storage=storage, rfc={"shared": False}),
        headers={"User-Agent": user_agent},
        timeout=httpx2.Timeout(READ_S, connect=CONNECT_S),
        follow_redirects=True,
        max_redirects=5,
        trust_env=False,
    )
    async with client:
        yield Fetch(client, clock)
