"""Who asks in a test of another room: a reader without an account, who sees all trips of the only outfit.

Tests of access itself sign in like anyone.
"""

from __future__ import annotations

from fastapi import FastAPI, Request

from api.access.current import NAMES, Reader, Role, current_reader, reader_or_none
from api.access.queries import first_outfit
from api.db import Database


def read_as(app: FastAPI, role: Role = "lead", outfit: str | None = None) -> None:
    """Let every request to `app` come from someone of `role`, in the first outfit unless one is named.

    In demo mode nothing changes: there, the visitor chooses a role.
    """
    if app.state.settings.demo:
        return

    async def reader(request: Request) -> Reader:
        db: Database = request.app.state.db
        async with db.reading_async() as conn:
            theirs = outfit or first_outfit(conn)
        return Reader(outfit=theirs or "none-yet", staff=role, name=NAMES[role], role=role, everywhere=True)

    app.dependency_overrides[current_reader] = reader
    app.dependency_overrides[reader_or_none] = reader
