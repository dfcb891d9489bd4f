"""A value that changes whenever a journal may have grown, cheap enough to ask for at every request.

On SQLite it is the file's own change counter, which any process moves; on PostgreSQL it counts what the
listener heard, and there is none while the listener is not connected. The numbers of the last entries are
remembered for as long as it stands still.
"""

import threading
from typing import Protocol

from sqlalchemy import URL

from api.db import sqlite_module
from api.journal.store import Head

Moment = tuple[int, int]
"""The tick, and how often this process has stored something."""


class Tick(Protocol):
    """Where the value comes from."""

    def now(self) -> int | None:
        """The value; None: not known, so nothing may be taken as unchanged."""

    def close(self) -> None:
        """Give back what was needed for it."""


class SqliteTick:
    """SQLite's `data_version`: it moves with each commit of another connection; this one never writes."""

    def __init__(self, url: URL) -> None:
        connect = sqlite_module().connect
        self._connection = connect(str(url.database), isolation_level=None, check_same_thread=False)
        self._guard = threading.Lock()

    def now(self) -> int | None:
        with self._guard:
            found: int = self._connection.execute("PRAGMA data_version").fetchone()[0]
        return found

    def close(self) -> None:
        with self._guard:
            self._connection.close()


class NoTick:
    """For a database that does not tell: everything is asked for again."""

    def now(self) -> int | None:
        return None

    def close(self) -> None:
        """Nothing to give back."""


class KnownHeads:
    """Heads of journals, remembered while nothing was stored. Safe from any thread."""

    def __init__(self) -> None:
        self.tick: Tick = NoTick()
        self._guard = threading.Lock()
        self._own_commits = 0
        self._at: Moment | None = None
        self._heads: dict[tuple[str, str], Head] = {}

    def now(self) -> Moment | None:
        """A value that stands still while nothing is stored; None: not known."""
        tick = self.tick.now()
        return None if tick is None else (tick, self._own_commits)

    def committed(self) -> None:
        """This process has stored something, of which the tick may hear only later."""
        with self._guard:
            self._own_commits += 1

    def get(self, outfit_id: str, trip_id: str) -> Head | None:
        """The head, when it is certain to be the newest."""
        now = self.now()
        with self._guard:
            return self._heads.get((outfit_id, trip_id)) if now is not None and now == self._at else None

    def put(self, before: Moment | None, outfit_id: str, trip_id: str, head: Head) -> None:
        """Remember a head that was read after `now` had said `before`."""
        if before is None:
            return
        with self._guard:
            if before != self._at:
                self._heads.clear()
                self._at = before
            self._heads[outfit_id, trip_id] = head
