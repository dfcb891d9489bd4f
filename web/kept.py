"""Parts of pages, kept as they are sent: when a journal grows all open boards ask for the same one at once.

It is made once for each state of the journal, minute of the clock and units; those who ask while it is being
made wait for the same one.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict
from collections.abc import Callable
from datetime import datetime

from anyio import to_thread
from fastapi import FastAPI
from sqlalchemy import Connection

from api.db import Database
from api.packing import mark_of
from web.words import Units

MOST_KEPT = 64

Key = tuple[str, datetime, Units, bool]
"""Hash of the journal's head, the minute, the units it is written in, and whether it is for a guide."""
Kept = tuple[bytes, str]
"""A part as it is sent, and the mark of its content."""


class KeptParts:
    """The parts of one app. To be asked on its event loop only."""

    def __init__(self) -> None:
        self._made: OrderedDict[Key, asyncio.Task[Kept]] = OrderedDict()

    async def get(self, db: Database, key: Key, make: Callable[[Connection], bytes]) -> Kept:
        """The part under `key`; where there is none, `make` is called in a thread. Raises what it raises."""

        def made() -> Kept:
            with db.reading() as conn:
                body = make(conn)
            return body, mark_of(body)

        making = self._made.get(key)
        if making is None:
            making = asyncio.create_task(to_thread.run_sync(made))
            self._made[key] = making
            if len(self._made) > MOST_KEPT:
                self._made.popitem(last=False)
        try:
            # Whoever goes away while it is made must not end it for the others.
            return await asyncio.shield(making)
        except BaseException:
            if making.done() and self._made.get(key) is making:
                del self._made[key]  # a failure is not kept
            raise


def kept_parts(app: FastAPI) -> KeptParts:
    """What `app` keeps."""
    if not hasattr(app.state, "board_parts"):
        app.state.board_parts = KeptParts()
    kept: KeptParts = app.state.board_parts
    return kept
