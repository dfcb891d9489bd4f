"""SQL of personal links."""

from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, insert, select, update

from api.journal.models import table
from api.selfreport.models import SelfReportLink

_link = table(SelfReportLink)


class LinkRow(NamedTuple):
    """A personal link, without its token."""

    id: str
    outfit_id: str
    trip_id: str
    member: str
    created_at: datetime
    created_by: str
    expires_at: datetime
    revoked_at: datetime | None
    sent_to: str
    sent_at: datetime | None
    used_at: datetime | None

    def open_at(self, now: datetime) -> bool:
        """Whether it lets anyone in."""
        return self.revoked_at is None and now < self.expires_at


_ROW = tuple(_link.c[name] for name in LinkRow._fields)


def add(conn: Connection, row: LinkRow, token_hash: str) -> None:
    """Keep a new link."""
    conn.execute(insert(_link).values(**row._asdict(), token_hash=token_hash))


def by_token(conn: Connection, token_hash: str) -> LinkRow | None:
    """The link with this token, whatever has become of it."""
    row = conn.execute(select(*_ROW).where(_link.c.token_hash == token_hash)).first()
    return LinkRow._make(row) if row is not None else None


def of_trip(conn: Connection, outfit: str, trip: str) -> list[LinkRow]:
    """All links of a trip, oldest first."""
    found = select(*_ROW).where(_link.c.trip_id == trip, _link.c.outfit_id == outfit)
    return [LinkRow._make(row) for row in conn.execute(found.order_by(_link.c.created_at, _link.c.id))]


def end(conn: Connection, outfit: str, trip: str, now: datetime, **which: Any) -> int:
    """Revoke the links of a trip that `which` names, by `id` or `member`; answers with how many were open."""
    ended = update(_link).where(
        _link.c.trip_id == trip,
        _link.c.outfit_id == outfit,
        _link.c.revoked_at.is_(None),
        *(_link.c[name] == value for name, value in which.items()),
    )
    return conn.execute(ended.values(revoked_at=now)).rowcount


def used(conn: Connection, link: str, now: datetime) -> None:
    """Keep that something was sent in by a link."""
    conn.execute(update(_link).where(_link.c.id == link).values(used_at=now))


def sent(conn: Connection, link: str, address: str, now: datetime) -> None:
    """Keep whom a link was e-mailed to."""
    conn.execute(update(_link).where(_link.c.id == link).values(sent_to=address, sent_at=now))
