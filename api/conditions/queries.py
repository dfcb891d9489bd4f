"""All SQL of this room."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, Table, insert, select

from api.conditions.models import StoredForecast

_table: Table = StoredForecast.__table__  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class ForecastRow:
    """What is kept beside the content of a forecast."""

    hash: str
    kind: str
    provider: str
    label: str
    issued_at: datetime
    received_at: datetime


_ROW = tuple(_table.c[name] for name in ForecastRow.__dataclass_fields__)


def add(conn: Connection, outfit_id: str, row: ForecastRow, body: str) -> bool:
    """Keep a forecast. False when this outfit already has it; the one kept stays as it is."""
    known = select(_table.c.hash).where(_table.c.outfit_id == outfit_id, _table.c.hash == row.hash)
    if conn.execute(known).first() is not None:
        return False
    values = {name: getattr(row, name) for name in ForecastRow.__dataclass_fields__}
    conn.execute(insert(_table), values | {"outfit_id": outfit_id, "body": body})
    return True


def body_of(conn: Connection, outfit_id: str, hash_: str) -> str | None:
    """The canonical text of an outfit's forecast; None when it has none by this hash."""
    wanted = select(_table.c.body).where(_table.c.outfit_id == outfit_id, _table.c.hash == hash_)
    found: str | None = conn.execute(wanted).scalar()
    return found


def rows(conn: Connection, outfit_id: str, hashes: Iterable[str]) -> dict[str, ForecastRow]:
    """What is kept beside these forecasts, by hash."""
    wanted = select(*_ROW).where(_table.c.outfit_id == outfit_id, _table.c.hash.in_(list(hashes)))
    return {row.hash: ForecastRow(*row) for row in conn.execute(wanted)}
