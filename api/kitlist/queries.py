"""All SQL of this room."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Table, delete, insert, select, update

from api.kitlist.models import EditionState, KitEdition

_table: Table = KitEdition.__table__  # type: ignore[attr-defined]


@dataclass(frozen=True, slots=True)
class EditionRow:
    """What is kept beside the content of an edition."""

    id: str
    family: str
    title: str
    number: int
    state: EditionState
    used: bool
    made_from: str | None
    sha256: str
    created_at: datetime
    changed_at: datetime


_ROW = tuple(_table.c[name] for name in EditionRow.__dataclass_fields__)


def rows(conn: Connection, outfit_id: str) -> list[EditionRow]:
    """All editions of an outfit, by family and number."""
    found = conn.execute(
        select(*_ROW)
        .where(_table.c.outfit_id == outfit_id)
        .order_by(_table.c.family, _table.c.number, _table.c.id)
    )
    return [EditionRow(*row) for row in found]


def row(conn: Connection, outfit_id: str, edition_id: str) -> EditionRow | None:
    """One edition without its content."""
    found = conn.execute(select(*_ROW).where(*_one(outfit_id, edition_id))).first()
    return EditionRow(*found) if found else None


def body(conn: Connection, outfit_id: str, edition_id: str) -> Any:
    """The content of an edition as plain data; None when there is no such edition."""
    return conn.execute(select(_table.c.body).where(*_one(outfit_id, edition_id))).scalar()


def add(conn: Connection, outfit_id: str, new: EditionRow, content: Any) -> None:
    """Keep a new edition."""
    values = {name: getattr(new, name) for name in EditionRow.__dataclass_fields__}
    conn.execute(insert(_table).values(outfit_id=outfit_id, body=content, **values))


def change(conn: Connection, outfit_id: str, edition_id: str, **values: Any) -> None:
    """Set columns of one edition."""
    conn.execute(update(_table).where(*_one(outfit_id, edition_id)).values(**values))


def remove(conn: Connection, outfit_id: str, edition_id: str) -> None:
    """Forget one edition."""
    conn.execute(delete(_table).where(*_one(outfit_id, edition_id)))


def _one(outfit_id: str, edition_id: str) -> tuple[Any, Any]:
    return _table.c.outfit_id == outfit_id, _table.c.id == edition_id
