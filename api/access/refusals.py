"""Refusals in the staff log: who was told no (403) or not so often (429), and at which kind of address.

Kept so that it cannot be flooded: the same refusal of the same person is written once an hour, and of all
together no more than `BURST` at once and one each `EVERY_S` after that. The request log has every one.
"""

from __future__ import annotations

from collections import OrderedDict
from datetime import datetime, timedelta

import structlog
from fastapi import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.access.current import Reader
from api.access.limits import address_of
from api.access.signing_in import now_of, visitor_of
from api.access.staff_log import What, record
from api.db import Database
from api.errors import Unavailable

WORDS: dict[int, What] = {403: "refused", 429: "slowed down"}
AGAIN_AFTER = timedelta(hours=1)
BURST = 60
EVERY_S = 60.0
MOST_REMEMBERED = 5_000

log = structlog.get_logger(__name__)


class Seldom:
    """Says of each refusal whether it is to be written."""

    def __init__(self) -> None:
        self._seen: OrderedDict[tuple[str, int, str], datetime] = OrderedDict()
        self._left = float(BURST)
        self._at: datetime | None = None

    def take(self, key: tuple[str, int, str], now: datetime) -> bool:
        """Whether a line about `key` is due now; if so, it counts as written."""
        seen = self._seen.get(key)
        if seen is not None and now - seen < AGAIN_AFTER:
            return False
        passed_s = (now - self._at).total_seconds() if self._at is not None else 0.0
        self._left, self._at = min(float(BURST), self._left + max(passed_s, 0.0) / EVERY_S), now
        if self._left < 1:
            return False
        self._left -= 1
        self._seen[key] = now
        self._seen.move_to_end(key)
        if len(self._seen) > MOST_REMEMBERED:
            self._seen.popitem(last=False)
        return True


class RefusalRecord:
    """Pure-ASGI middleware that writes refusals into the staff log, after they were answered."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app
        self._seldom = Seldom()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        status = 0

        async def noting(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        await self.app(scope, receive, noting)
        if status in WORDS:
            await self._write(Request(scope), status)

    async def _write(self, request: Request, status: int) -> None:
        reader: Reader | None = getattr(request.state, "reader", None)
        who = reader.staff if reader is not None else address_of(request)
        # The pattern of the address, never the address itself: it may hold somebody's link.
        route = getattr(request.scope.get("route"), "path", "a page of another site")
        about = f"{request.method} {route}"
        now = now_of(request)
        if not self._seldom.take((who, status, about), now):
            return
        db: Database = request.app.state.db
        try:
            async with db.writing_async() as work:
                record(
                    work,
                    now,
                    WORDS[status],
                    outfit=reader.outfit if reader is not None else None,
                    staff=reader.staff if reader is not None else None,
                    about=about,
                    visitor=visitor_of(request),
                )
        except Unavailable:
            log.info("refusal_not_noted", status=status)
