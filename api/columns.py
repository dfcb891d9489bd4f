"""Column types that behave the same on SQLite and PostgreSQL."""

from __future__ import annotations

import enum
from datetime import UTC, datetime
from typing import Any

import orjson
from sqlalchemy import DateTime, Dialect, Enum, Text, TypeDecorator
from sqlmodel import SQLModel

NAMING_CONVENTION = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s",
    "pk": "pk_%(table_name)s",
}
"""Every constraint has a name, so that a migration can find it on both databases."""

# Names are given when a table is defined, so this must come before any is: tables import from here.
SQLModel.metadata.naming_convention = NAMING_CONVENTION
metadata = SQLModel.metadata


class UtcDateTime(TypeDecorator[datetime]):
    """An aware moment in UTC. Refuses a naive one; SQLite would otherwise hand back naive values."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None or value.utcoffset() is None:
            raise ValueError(f"{value.isoformat()} has no time zone; only aware moments are stored")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


class JsonText(TypeDecorator[Any]):
    """JSON kept as text exactly as written, keys sorted: the same bytes on both databases.

    For what is only stored and read back whole.
    """

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: Any, dialect: Dialect) -> str | None:
        return None if value is None else orjson.dumps(value, option=orjson.OPT_SORT_KEYS).decode()

    def process_result_value(self, value: str | None, dialect: Dialect) -> Any:
        return None if value is None else orjson.loads(value)


def EnumText(kind: type[enum.Enum]) -> Enum:
    """A column of ``kind``, kept as plain text with a check: adding a member stays easy."""
    return Enum(
        kind,
        native_enum=False,
        values_callable=lambda members: [str(member.value) for member in members],
        create_constraint=True,
        length=32,
        name=kind.__name__.lower(),
    )
