"""Ends a piece of work at any line of our code, the way a killed process ends: nothing after it runs.

A trace function raises at the n-th line that is executed in the chosen files. What Python would still run on
the way out is of no help to a killed process, so the connections are closed under it at that moment, as the
operating system does.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Any

from sqlalchemy import event

from api.db import Database

API = Path(__file__).resolve().parents[2] / "api"
TRACED = frozenset(
    str(API / name)
    for name in (
        "db.py",
        "turns.py",
        "journal/store.py",
        "journal/chain.py",
        "journal/queries.py",
        "journal/service.py",
        "journal/roster_rows.py",
        "journal/fold.py",
    )
)


class Killed(BaseException):
    """The process is no more."""


class Mortal:
    """A database as one process has it, which dies with that process."""

    def __init__(self, url: str) -> None:
        self.db = Database(url, read_connections=1, write_wait_s=1.0)
        self._connections: list[Any] = []
        for engine in self.db.engines():
            event.listen(engine, "connect", lambda connection, _record: self._connections.append(connection))

    def die(self) -> None:
        """Whatever was begun and not committed is gone."""
        for connection in self._connections:
            with suppress(Exception):
                connection.close()

    def killed_at(self, line: int, work: Callable[[Database], None], traced: frozenset[str] = TRACED) -> bool:
        """Do `work`, ended at the `line`-th line of our code. False when it was done before that."""
        executed = 0

        def on_event(frame: FrameType, kind: str, _arg: Any) -> Any:
            nonlocal executed
            if frame.f_code.co_filename not in traced:
                return None
            if kind == "line":
                executed += 1
                if executed == line:
                    sys.settrace(None)
                    self.die()
                    raise Killed
            return on_event

        before = sys.gettrace()
        sys.settrace(on_event)
        try:
            work(self.db)
        except Killed:
            return True
        except Exception:
            # Closing the connections made the way out fail as well; the kill came first.
            if executed < line:
                raise
            return True
        finally:
            sys.settrace(before)
            self.die()
        return False
