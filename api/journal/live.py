"""Telling open screens that a journal has grown: revision numbers only, the content is fetched.

In one process a `Broadcaster` wakes who watches a trip. On PostgreSQL a `PostgresListener` hears of the
appends of other processes. Nothing here has to be reliable: a watcher that missed a number catches up from
the next one, or reads the head again when told to look for itself.
"""

import asyncio
import threading
from collections import defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Protocol

import structlog
from sqlalchemy import URL

from api.clock import SystemClock
from api.patience import POSTGRES_CONNECT

if TYPE_CHECKING:
    import psycopg

CHANNEL = "rimaye_journal"
"""PostgreSQL's channel; the payload is the trip's id, a space, and the number of its last entry."""

FIRST_WAIT_S = 0.2
LONGEST_WAIT_S = 10.0
LISTEN_SLICE_S = 0.5
ASK_EVERY_S = 2.0
"""How often the listener asks its server for a sign of life: a line that is held up looks like silence."""
SILENT_S = 8.0
"""Without one for so long, nothing may be taken as unchanged."""

log = structlog.get_logger(__name__)


class Event(Protocol):
    """What says that the service is stopping; asyncio's and anyio's events are such."""

    async def wait(self) -> Any:
        """Returns once it is set."""


class Watch:
    """One watcher of one trip, on one event loop."""

    def __init__(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._changed = asyncio.Event()

    def wake(self) -> None:
        """From any thread."""
        try:
            self._loop.call_soon_threadsafe(self._changed.set)
        except RuntimeError:
            # The loop is closed, and its watchers with it.
            return

    async def change(self, timeout_s: float, stopping: Event) -> bool:
        """Wait for news. True: look again; false: nothing happened in time, or `stopping` was set."""
        waits = [asyncio.ensure_future(self._changed.wait()), asyncio.ensure_future(stopping.wait())]
        try:
            await asyncio.wait(waits, timeout=timeout_s, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for wait in waits:
                wait.cancel()
        changed = self._changed.is_set()
        self._changed.clear()
        return changed


class Broadcaster:
    """Wakes the watchers of a trip when its journal grows. Safe from any thread."""

    def __init__(self) -> None:
        self._guard = threading.Lock()
        self._watches: defaultdict[str, set[Watch]] = defaultdict(set)
        self._latest: dict[str, int] = {}

    def published(self, trip_id: str, seq: int) -> None:
        """The journal of `trip_id` now ends at `seq`. Old news wakes nobody."""
        with self._guard:
            if seq <= self._latest.get(trip_id, 0):
                return
            self._latest[trip_id] = seq
            watches = list(self._watches.get(trip_id, ()))
        for watch in watches:
            watch.wake()

    def look_again(self) -> None:
        """Something may have been missed: wake everyone."""
        with self._guard:
            watches = [watch for watches in self._watches.values() for watch in watches]
        for watch in watches:
            watch.wake()

    @contextmanager
    def watch(self, trip_id: str) -> Iterator[Watch]:
        """Watch a trip, from within an event loop."""
        watch = Watch()
        with self._guard:
            self._watches[trip_id].add(watch)
        try:
            yield watch
        finally:
            with self._guard:
                self._watches[trip_id].discard(watch)
                if not self._watches[trip_id]:
                    del self._watches[trip_id]

    def watching(self, trip_id: str) -> int:
        """How many watch a trip."""
        with self._guard:
            return len(self._watches.get(trip_id, ()))

    def watching_any(self) -> int:
        """How many watch at all."""
        with self._guard:
            return sum(map(len, self._watches.values()))


class PostgresListener:
    """A thread that hears other processes' appends, and comes back after the connection was lost."""

    def __init__(self, url: URL, live: Broadcaster) -> None:
        self._url = url.set(drivername="postgresql").render_as_string(hide_password=False)
        self._live = live
        self._stop = threading.Event()
        self.listening = threading.Event()
        """Set while connected."""
        self._heard = 0
        self._clock = SystemClock()
        self._answered_at = 0.0
        self._thread = threading.Thread(target=self._run, name="journal-listener", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """Returns when the thread has ended."""
        self._stop.set()
        self._thread.join()

    def now(self) -> int | None:
        """A number that moves with whatever is heard, for `tick`; None while it may be cut off."""
        silent_s = self._clock.monotonic() - self._answered_at
        return self._heard if self.listening.is_set() and silent_s < SILENT_S else None

    def close(self) -> None:
        self.stop()

    def _run(self) -> None:
        import psycopg

        wait_s = FIRST_WAIT_S
        while not self._stop.is_set():
            try:
                with psycopg.connect(self._url, autocommit=True, **POSTGRES_CONNECT) as connection:
                    wait_s = FIRST_WAIT_S
                    self._listen(connection)
            except psycopg.Error as error:
                log.warning("journal_listener_lost", reason=str(error).strip(), again_in_s=wait_s)
                self._stop.wait(wait_s)
                wait_s = min(wait_s * 2, LONGEST_WAIT_S)
            finally:
                self.listening.clear()

    def _listen(self, connection: "psycopg.Connection[Any]") -> None:
        connection.execute(f"LISTEN {CHANNEL}")
        self._heard += 1
        self._answered_at = self._clock.monotonic()
        self.listening.set()
        # Whatever was appended while nobody listened is found by looking.
        self._live.look_again()
        while not self._stop.is_set():
            for news in connection.notifies(timeout=LISTEN_SLICE_S):
                self._heard += 1
                trip_id, _, seq = news.payload.rpartition(" ")
                if trip_id and seq.isdecimal():
                    self._live.published(trip_id, int(seq))
                if self._stop.is_set():
                    return
            if self._clock.monotonic() - self._answered_at > ASK_EVERY_S:
                connection.execute("SELECT 1")
                self._answered_at = self._clock.monotonic()
