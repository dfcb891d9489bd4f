"""A test client that sees what a client in production sees, and that catches what production would leak."""

from __future__ import annotations

import threading
import time
from typing import Any

from fastapi import FastAPI
from sqlalchemy.pool import QueuePool
from starlette.testclient import TestClient

from api.db import Database

SOON_S = 5.0


class IsolatedTestClient(TestClient):
    """Every request stands alone.

    A failure is a 500 as it would be for anyone, not an exception in the test; and after each request every
    connection must be back, since one that is kept blocks others only much later.
    """

    def __init__(self, app: FastAPI, **kwargs: Any) -> None:
        super().__init__(app, base_url="http://127.0.0.1", raise_server_exceptions=False, **kwargs)
        self._under_way = 0
        self._guard = threading.Lock()

    def request(self, *args: Any, **kwargs: Any) -> Any:  # type: ignore[override]
        with self._guard:
            self._under_way += 1
        try:
            return super().request(*args, **kwargs)
        finally:
            with self._guard:
                self._under_way -= 1
                if self._under_way == 0:
                    assert all_back(self.app.state.db), "a request kept a database connection"  # type: ignore[attr-defined]


def all_back(db: Database) -> bool:
    """Whether every connection comes back. Background work may hold one for a moment of its own."""
    until = time.monotonic() + SOON_S
    while kept_connections(db):
        if time.monotonic() > until:
            return False
        time.sleep(0.01)
    return True


def kept_connections(db: Database) -> int:
    """How many connections are in use at this moment."""
    pools = [engine.pool for engine in db.engines()]
    assert all(isinstance(pool, QueuePool) for pool in pools)
    return sum(pool.checkedout() for pool in pools if isinstance(pool, QueuePool))
