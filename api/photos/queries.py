"""SQL of photos."""

from collections.abc import Iterable
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, Select, delete, func, insert, select

from api.journal.models import Trip, table
from api.photos.models import Photo

_photo = table(Photo)
_trip = table(Trip)


class PhotoRow(NamedTuple):
    """What is known of a photo without its bytes."""

    subject: str
    requirement: str
    hash: str
    shows: str
    width: int
    height: int
    added_at: datetime
    added_by: str


_LINE = tuple(_photo.c[name] for name in PhotoRow._fields)


def add(conn: Connection, values: dict[str, Any]) -> None:
    """Keep a photo."""
    conn.execute(insert(_photo).values(**values))


def there(conn: Connection, trip: str, subject: str, requirement: str, hash_: str) -> bool:
    """Whether this very photo of this very thing is kept."""
    found = select(_photo.c.hash).where(
        _photo.c.trip_id == trip,
        _photo.c.subject == subject,
        _photo.c.requirement == requirement,
        _photo.c.hash == hash_,
    )
    return conn.execute(found).first() is not None


def how_many(conn: Connection, trip: str, subject: str) -> int:
    """How many photos of someone's gear a trip keeps."""
    found = select(func.count()).where(_photo.c.trip_id == trip, _photo.c.subject == subject)
    return int(conn.execute(found).scalar_one())


def content(
    conn: Connection, outfit: str, trip: str, hash_: str, *, small: bool, subject: str | None = None
) -> bytes | None:
    """The bytes of a photo of a trip; of one subject only when one is named."""
    column = _photo.c.small if small else _photo.c.content
    found = select(column).where(
        _photo.c.trip_id == trip, _photo.c.outfit_id == outfit, _photo.c.hash == hash_
    )
    if subject is not None:
        found = found.where(_photo.c.subject == subject)
    row = conn.execute(found.limit(1)).first()
    return bytes(row[0]) if row is not None else None


def listed(conn: Connection, outfit: str, trip: str, subjects: Iterable[str] | None = None) -> list[PhotoRow]:
    """The photos of a trip, or of some subjects of it, oldest first."""
    found = select(*_LINE).where(_photo.c.trip_id == trip, _photo.c.outfit_id == outfit)
    if subjects is not None:
        found = found.where(_photo.c.subject.in_(list(subjects)))
    return [PhotoRow._make(row) for row in conn.execute(found.order_by(_photo.c.added_at, _photo.c.hash))]


def erase_of(conn: Connection, outfit: str, trip: str, subject: str) -> int:
    """Erase all photos of one subject's gear on a trip; answers with how many."""
    whose = delete(_photo).where(
        _photo.c.trip_id == trip, _photo.c.outfit_id == outfit, _photo.c.subject == subject
    )
    return conn.execute(whose).rowcount


def any_due(conn: Connection, ended_before: date) -> bool:
    """Whether there is a photo of a trip that ended before a day."""
    due = select(_photo.c.trip_id).where(_photo.c.trip_id.in_(_over(ended_before))).limit(1)
    return conn.execute(due).first() is not None


def erase_due(conn: Connection, ended_before: date) -> int:
    """Erase the photos of all trips that ended before a day; answers with how many."""
    return conn.execute(delete(_photo).where(_photo.c.trip_id.in_(_over(ended_before)))).rowcount


def _over(ended_before: date) -> Select[str]:
    return select(_trip.c.id).where(_trip.c.ends_on < ended_before)
