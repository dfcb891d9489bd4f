"""SQL of the call: public keys and sealed records."""

from datetime import datetime

from sqlalchemy import Connection, insert, select

from api.call.models import CallRecord, OutfitKey
from api.journal.models import table

_key, _record = table(OutfitKey), table(CallRecord)


def newest_key(conn: Connection, outfit_id: str) -> tuple[str, str] | None:
    """The newest key of an outfit as (id, public key); None before there is one."""
    wanted = select(_key.c.key_id, _key.c.public_key).where(_key.c.outfit_id == outfit_id)
    row = conn.execute(wanted.order_by(_key.c.created_at.desc(), _key.c.key_id).limit(1)).first()
    return (row.key_id, row.public_key) if row else None


def public_keys(conn: Connection, outfit_id: str) -> frozenset[str]:
    """Every public key an outfit has signed with."""
    wanted = select(_key.c.public_key).where(_key.c.outfit_id == outfit_id)
    return frozenset(conn.execute(wanted).scalars())


def all_keys(conn: Connection, outfit_id: str) -> list[tuple[str, str, datetime]]:
    """Every key of an outfit as (id, public key, since when), the newest first."""
    wanted = select(_key.c.key_id, _key.c.public_key, _key.c.created_at)
    found = conn.execute(wanted.where(_key.c.outfit_id == outfit_id).order_by(_key.c.created_at.desc()))
    return [(row.key_id, row.public_key, row.created_at) for row in found]


def add_key(conn: Connection, outfit_id: str, key_id: str, public_key: str, created_at: datetime) -> None:
    """Keep a public key."""
    values = {"key_id": key_id, "public_key": public_key, "created_at": created_at}
    conn.execute(insert(_key), values | {"outfit_id": outfit_id})


def add_record(
    conn: Connection, outfit_id: str, trip_id: str, call_id: str, sealed: str, sealed_at: datetime
) -> None:
    """Keep a sealed record."""
    values = {"trip_id": trip_id, "call_id": call_id, "sealed": sealed, "sealed_at": sealed_at}
    conn.execute(insert(_record), values | {"outfit_id": outfit_id})


def sealed_record(conn: Connection, outfit_id: str, trip_id: str, call_id: str) -> str | None:
    """A sealed record; None when there is none."""
    wanted = select(_record.c.sealed).where(
        _record.c.outfit_id == outfit_id, _record.c.trip_id == trip_id, _record.c.call_id == call_id
    )
    found: str | None = conn.execute(wanted).scalar()
    return found
