"""Work that a running service does again and again by itself, such as erasing what is kept long enough."""

from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from typing import Any

import anyio
import structlog
from anyio import CapacityLimiter, to_thread

log = structlog.get_logger(__name__)

HOURLY_S = 3600.0


@asynccontextmanager
async def repeated(
    look: Callable[[], Awaitable[None]], every_s: float = HOURLY_S, *, at_once: bool = True
) -> AsyncIterator[None]:
    """Call `look` every so often while the block runs, for the first time at once or after that time."""

    async def keep_on() -> None:
        if not at_once:
            await anyio.sleep(every_s)
        while True:
            await look()
            await anyio.sleep(every_s)

    async with anyio.create_task_group() as tasks:
        tasks.start_soon(keep_on)
        try:
            yield
        finally:
            tasks.cancel_scope.cancel()


async def in_a_thread(failed: str, do: Callable[..., object], *args: Any) -> None:
    """Call `do` off the loop; when it fails, log that under the name `failed`.

    Nothing waits for such work: whatever went wrong must not end it, and the next round may do better.
    """
    try:
        await to_thread.run_sync(do, *args, limiter=CapacityLimiter(1), abandon_on_cancel=True)
    except Exception:
        log.exception(failed)
