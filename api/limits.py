"""How much one request may send."""

from __future__ import annotations

from starlette.datastructures import Headers
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.errors import TooLarge, answer


class BodyLimit:
    """Pure-ASGI middleware that stops reading a body past ``most_bytes``.

    The framework's own limit answers in plain text whenever the length was announced; people and programs are
    to get the same shape for every error, so this one stands before it.
    """

    def __init__(self, app: ASGIApp, most_bytes: int) -> None:
        self.app = app
        self._most_bytes = most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        announced = Headers(scope=scope).get("content-length", "")
        if announced.isdigit() and int(announced) > self._most_bytes:
            await answer(Request(scope), too_large(self._most_bytes))(scope, receive, send)
            return
        read = 0

        async def counted() -> Message:
            nonlocal read
            message = await receive()
            read += len(message.get("body", b""))
            if read > self._most_bytes:
                # This class of exception passes through the framework's body parsing unchanged.
                raise HTTPException(status_code=413, detail=too_large(self._most_bytes).detail)
            return message

        await self.app(scope, counted, send)


def too_large(most_bytes: int) -> TooLarge:
    """The refusal, with the limit in it."""
    return TooLarge(
        f"This is more than the {most_bytes / 1024 / 1024:.3g} MiB accepted at once. "
        "Send a smaller file or fewer rows; nothing was stored."
    )
