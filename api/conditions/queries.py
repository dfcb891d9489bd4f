"""All SQL of this room."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Connection, Table, Update, func, insert, select, update

from api.conditions.models import ForecastRefresh, StoredForecast

_table: Table = StoredForecast.__table__  # type: ignore[attr-defined]
_refresh: Table = ForecastRefresh.__table__  # type: ignore[attr-defined]

LEADER_KEY = 0x52_46_43_53
"""Of the PostgreSQL advisory lock that lets one process at a time look for newer forecasts."""


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


# -- where fetching stands


@dataclass(frozen=True, slots=True)
class RefreshRow:
    """Where fetching stands for one provider of a trip."""

    provider: str
    state: str
    asked_at: datetime
    finished_at: datetime | None
    next_at: datetime
    problem: str
    forecast: str | None


_REFRESH_ROW = tuple(_refresh.c[name] for name in RefreshRow.__dataclass_fields__)


def refreshes(conn: Connection, trip_id: str) -> dict[str, RefreshRow]:
    """Where fetching stands for a trip, by provider."""
    wanted = select(*_REFRESH_ROW).where(_refresh.c.trip_id == trip_id)
    return {row.provider: RefreshRow(*row) for row in conn.execute(wanted)}


def claim_refresh(
    conn: Connection, outfit_id: str, trip_id: str, provider: str, now: datetime, given_up_before: datetime
) -> bool:
    """Say that this process asks now. False while another does that began after `given_up_before`."""
    kept = refreshes(conn, trip_id).get(provider)
    if kept is not None and kept.state == "asking" and kept.asked_at > given_up_before:
        return False
    begun = {"state": "asking", "asked_at": now, "next_at": now}
    if kept is None:
        key = {"outfit_id": outfit_id, "trip_id": trip_id, "provider": provider}
        conn.execute(insert(_refresh), key | begun | {"problem": ""})
    else:
        conn.execute(_of(trip_id, provider).values(begun))
    return True


def finish_refresh(conn: Connection, trip_id: str, row: RefreshRow) -> None:
    """Keep how asking ended. What it brought before stays named when it brought nothing."""
    values = {name: getattr(row, name) for name in RefreshRow.__dataclass_fields__ if name != "provider"}
    if row.forecast is None:
        del values["forecast"]
    conn.execute(_of(trip_id, row.provider).values(values))


def _of(trip_id: str, provider: str) -> Update:
    return update(_refresh).where(_refresh.c.trip_id == trip_id, _refresh.c.provider == provider)


def try_to_lead(conn: Connection, key: int = LEADER_KEY) -> bool:
    """Whether this process may do now what one process does for all, such as looking for newer forecasts.

    Held until `stop_leading`, or the end of `conn`.
    """
    if conn.dialect.name != "postgresql":
        return True
    return bool(conn.execute(select(func.pg_try_advisory_lock(key))).scalar())


def stop_leading(conn: Connection, key: int = LEADER_KEY) -> None:
    """Let another process do it."""
    if conn.dialect.name == "postgresql":
        conn.execute(select(func.pg_advisory_unlock(key)))
