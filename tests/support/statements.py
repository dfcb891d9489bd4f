"""Counts the SQL statements that something costs."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from typing import Any

from sqlalchemy import Engine, event

_NOT_COUNTED = ("BEGIN", "PRAGMA", "SELECT pg_advisory_xact_lock")


class Statements(list[str]):
    """The statements seen, in order."""

    @property
    def count(self) -> int:
        """How many."""
        return len(self)


@contextmanager
def counted() -> Iterator[Statements]:
    """Every statement of every engine inside the block, but for those that begin a transaction."""
    seen = Statements()

    def note(_conn: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        if not statement.startswith(_NOT_COUNTED):
            seen.append(statement)

    event.listen(Engine, "before_cursor_execute", note)
    try:
        yield seen
    finally:
        event.remove(Engine, "before_cursor_execute", note)


Counter = Callable[[], AbstractContextManager[Statements]]
