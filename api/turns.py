"""Taking turns, first come first served, for threads and for the event loop alike.

A request that waits for a lock inside a worker thread keeps that thread from the very request it waits for;
with few threads that is a standstill. So a request waits here in the event loop, without a thread.
"""

from __future__ import annotations

import asyncio
import threading
from collections import deque
from collections.abc import AsyncIterator, Iterator
from concurrent.futures import Future
from contextlib import asynccontextmanager, contextmanager


class NoTurn(Exception):
    """The turn did not come within the time one was ready to wait."""


class Turns:
    """``places`` may be held at a time; whoever asks first is served first."""

    def __init__(self, places: int) -> None:
        if places < 1:
            raise ValueError(f"places is {places}; it must be at least 1")
        self._free = places
        self._waiting: deque[Future[None]] = deque()
        self._guard = threading.Lock()

    @property
    def waiting(self) -> int:
        """How many are waiting at this moment."""
        return len(self._waiting)

    @contextmanager
    def held(self, wait_s: float) -> Iterator[None]:
        """Hold a place in this thread. Raises NoTurn after ``wait_s`` seconds."""
        turn = self._ask()
        try:
            turn.result(timeout=wait_s)
        except TimeoutError:
            self._give_up(turn)
            raise NoTurn(f"no turn within {wait_s:g} s") from None
        except BaseException:
            self._give_up(turn)
            raise
        try:
            yield
        finally:
            self._hand_on()

    @asynccontextmanager
    async def held_async(self, wait_s: float) -> AsyncIterator[None]:
        """Hold a place without blocking a thread. Raises NoTurn after ``wait_s`` seconds."""
        turn = self._ask()
        if not turn.done():
            try:
                # Shielded, so that giving up is ours to settle: a turn granted at that very moment is handed
                # on.
                await asyncio.wait_for(asyncio.shield(asyncio.wrap_future(turn)), timeout=wait_s)
            except TimeoutError:
                self._give_up(turn)
                raise NoTurn(f"no turn within {wait_s:g} s") from None
            except BaseException:
                self._give_up(turn)
                raise
        try:
            yield
        finally:
            self._hand_on()

    def _ask(self) -> Future[None]:
        turn: Future[None] = Future()
        with self._guard:
            if self._free:
                self._free -= 1
                turn.set_result(None)
            else:
                self._waiting.append(turn)
        return turn

    def _give_up(self, turn: Future[None]) -> None:
        with self._guard:
            if turn in self._waiting:
                self._waiting.remove(turn)
                return
        self._hand_on()

    def _hand_on(self) -> None:
        with self._guard:
            following = self._waiting.popleft() if self._waiting else None
            if following is None:
                self._free += 1
        if following is not None:
            following.set_result(None)
