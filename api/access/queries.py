"""All SQL of access."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Row, delete, func, insert, select, text, update

from api.access.models import (
    AccessLink,
    AccessSession,
    ApiToken,
    Ceremony,
    KnownDevice,
    Passkey,
    Staff,
    StaffLog,
    TripStaff,
    table,
)

_staff, _session, _device = table(Staff), table(AccessSession), table(KnownDevice)
_passkey, _link, _ceremony = table(Passkey), table(AccessLink), table(Ceremony)
_token, _trip_staff, _log = table(ApiToken), table(TripStaff), table(StaffLog)

SESSION_IDLE = timedelta(days=7)
"""A sign-in that nobody used for so long has ended: longer than a trip's days without signal."""


@dataclass(frozen=True, slots=True)
class Found:
    """Who a session or a token stands for, and until when."""

    outfit: str
    staff: str
    name: str
    role: str
    owner_role: str
    until: datetime
    seen_at: datetime
    session: str | None = None
    label: str = ""
    signed_in_at: datetime | None = None


# -- who is asking -------------------------------------------------------------------------------------------

_BY_SESSION = select(
    _staff.c.outfit_id,
    _staff.c.id.label("staff"),
    _staff.c.name,
    _staff.c.role,
    _session.c.id.label("session"),
    _session.c.expires_at,
    _session.c.seen_at,
    _session.c.created_at,
).join_from(_session, _staff, _staff.c.id == _session.c.staff_id)
_BY_TOKEN = select(
    _staff.c.outfit_id,
    _staff.c.id.label("staff"),
    _staff.c.name,
    _token.c.role,
    _staff.c.role.label("owner_role"),
    _token.c.expires_at,
    _token.c.used_at,
    _token.c.created_at,
    _token.c.label,
).join_from(_token, _staff, _staff.c.id == _token.c.staff_id)


def by_session(conn: Connection, token_hash: str, now: datetime) -> Found | None:
    """Whose session this is, if it is still open."""
    row = conn.execute(
        _BY_SESSION.where(
            _session.c.token_hash == token_hash,
            _session.c.ended_at.is_(None),
            _session.c.expires_at > now,
            _session.c.seen_at > now - SESSION_IDLE,
            _staff.c.active,
        )
    ).first()
    if row is None:
        return None
    until = min(row.expires_at, row.seen_at + SESSION_IDLE)
    return Found(
        row.outfit_id,
        row.staff,
        row.name,
        row.role,
        row.role,
        until,
        row.seen_at,
        row.session,
        signed_in_at=row.created_at,
    )


def by_api_token(conn: Connection, token_hash: str, now: datetime) -> Found | None:
    """For whom the program with this token acts."""
    row = conn.execute(
        _BY_TOKEN.where(
            _token.c.token_hash == token_hash,
            _token.c.revoked_at.is_(None),
            _token.c.expires_at > now,
            _staff.c.active,
        )
    ).first()
    if row is None:
        return None
    seen = row.used_at or row.created_at - timedelta(days=1)
    return Found(
        row.outfit_id, row.staff, row.name, row.role, row.owner_role, row.expires_at, seen, None, row.label
    )


def session_seen(conn: Connection, token_hash: str, now: datetime) -> None:
    """Keep that a session was used now."""
    conn.execute(update(_session).where(_session.c.token_hash == token_hash).values(seen_at=now))


def api_token_seen(conn: Connection, token_hash: str, now: datetime) -> None:
    """Keep that a program's token was used now."""
    conn.execute(update(_token).where(_token.c.token_hash == token_hash).values(used_at=now))


def trip_is_seen(conn: Connection, trip: str, outfit: str, staff: str | None) -> bool:
    """Whether `trip` is the outfit's and, when `staff` is given, they are assigned to it."""
    statement = "SELECT 1 FROM trip WHERE id = :trip AND outfit_id = :outfit"
    if staff is not None:
        statement += " AND EXISTS (SELECT 1 FROM trip_staff WHERE trip_id = :trip AND staff_id = :staff)"
    values = {"trip": trip, "outfit": outfit} | ({"staff": staff} if staff is not None else {})
    return conn.execute(text(statement), values).first() is not None


def assigned_trips(conn: Connection, staff: str) -> frozenset[str]:
    """Ids of the trips someone is assigned to."""
    found = select(_trip_staff.c.trip_id).where(_trip_staff.c.staff_id == staff)
    return frozenset(conn.execute(found).scalars())


# -- outfit and staff ----------------------------------------------------------------------------------------


def first_outfit(conn: Connection) -> str | None:
    """The id of the only outfit, or of the first by id; None when there is none yet."""
    return conn.execute(text("SELECT id FROM outfit ORDER BY id LIMIT 1")).scalar()


def outfit_name(conn: Connection, outfit: str) -> str | None:
    """The name of an outfit."""
    return conn.execute(text("SELECT name FROM outfit WHERE id = :id"), {"id": outfit}).scalar()


def add_outfit(conn: Connection, outfit: str, name: str) -> None:
    """Add an outfit."""
    conn.execute(text("INSERT INTO outfit (id, name) VALUES (:id, :name)"), {"id": outfit, "name": name})


def anybody(conn: Connection) -> bool:
    """Whether there is any account."""
    return conn.execute(select(_staff.c.id).limit(1)).first() is not None


def staff_by_email(conn: Connection, email: str) -> Row[Any] | None:
    """The account with this address, active or not."""
    return conn.execute(select(_staff).where(_staff.c.email == email)).first()


def staff_by_subject(conn: Connection, subject: str) -> Row[Any] | None:
    """The account bound to this subject of the outfit's own sign-in service."""
    return conn.execute(select(_staff).where(_staff.c.openid_subject == subject)).first()


def staff_by_id(conn: Connection, staff: str, outfit: str | None = None) -> Row[Any] | None:
    """An account by id; only of `outfit` when it is given."""
    wanted = select(_staff).where(_staff.c.id == staff)
    if outfit is not None:
        wanted = wanted.where(_staff.c.outfit_id == outfit)
    return conn.execute(wanted).first()


def staff_of(conn: Connection, outfit: str) -> Sequence[Row[Any]]:
    """Everyone of an outfit, by name."""
    wanted = select(_staff).where(_staff.c.outfit_id == outfit)
    return conn.execute(wanted.order_by(_staff.c.active.desc(), _staff.c.name, _staff.c.id)).all()


def staff_by_outfit(conn: Connection) -> dict[str, list[Row[Any]]]:
    """Everyone, by id of their outfit."""
    found: dict[str, list[Row[Any]]] = {}
    for row in conn.execute(select(_staff).order_by(_staff.c.outfit_id, _staff.c.name, _staff.c.id)):
        found.setdefault(row.outfit_id, []).append(row)
    return found


def staff_ids_like(conn: Connection, start: str) -> frozenset[str]:
    """Ids that begin with `start`, of all outfits: an id is given once."""
    return frozenset(conn.execute(select(_staff.c.id).where(_staff.c.id.startswith(start))).scalars())


def active_admins(conn: Connection, outfit: str) -> int:
    """How many active administrators an outfit has."""
    wanted = select(func.count()).select_from(_staff)
    return conn.execute(
        wanted.where(_staff.c.outfit_id == outfit, _staff.c.role == "admin", _staff.c.active)
    ).scalar_one()


def add_staff(conn: Connection, values: Mapping[str, Any]) -> None:
    """Add an account."""
    conn.execute(insert(_staff), dict(values))


def change_staff(conn: Connection, staff: str, values: Mapping[str, Any]) -> None:
    """Change columns of an account."""
    conn.execute(update(_staff).where(_staff.c.id == staff).values(**values))


# -- sessions and devices ------------------------------------------------------------------------------------


def add_session(conn: Connection, values: Mapping[str, Any]) -> None:
    """Open a session."""
    conn.execute(insert(_session), dict(values))


def open_sessions(conn: Connection, staff: str, now: datetime) -> Sequence[Row[Any]]:
    """Someone's open sessions, the last used first."""
    wanted = select(_session).where(
        _session.c.staff_id == staff,
        _session.c.ended_at.is_(None),
        _session.c.expires_at > now,
        _session.c.seen_at > now - SESSION_IDLE,
    )
    return conn.execute(wanted.order_by(_session.c.seen_at.desc(), _session.c.id)).all()


def end_sessions(
    conn: Connection, staff: str, now: datetime, *, only: str | None = None, but: str | None = None
) -> int:
    """End someone's sessions: all, `only` one, or all `but` one. Returns how many were open."""
    ending = update(_session).where(_session.c.staff_id == staff, _session.c.ended_at.is_(None))
    if only is not None:
        ending = ending.where(_session.c.id == only)
    if but is not None:
        ending = ending.where(_session.c.id != but)
    return conn.execute(ending.values(ended_at=now)).rowcount


def end_session_by_token(conn: Connection, token_hash: str, now: datetime) -> Row[Any] | None:
    """End the session a device holds. Returns it when it was open."""
    row = conn.execute(
        select(_session).where(_session.c.token_hash == token_hash, _session.c.ended_at.is_(None))
    ).first()
    if row is not None:
        conn.execute(update(_session).where(_session.c.id == row.id).values(ended_at=now))
    return row


def add_device(conn: Connection, token_hash: str, staff: str, now: datetime) -> None:
    """Keep that this device belongs to someone."""
    if not knows_device(conn, token_hash, staff):
        conn.execute(insert(_device), {"token_hash": token_hash, "staff_id": staff, "created_at": now})


def knows_device(conn: Connection, token_hash: str, staff: str) -> bool:
    """Whether someone has signed in on this device before."""
    wanted = select(_device.c.staff_id).where(_device.c.token_hash == token_hash, _device.c.staff_id == staff)
    return conn.execute(wanted).first() is not None


def forget_devices(conn: Connection, staff: str) -> None:
    """Forget all devices of someone."""
    conn.execute(delete(_device).where(_device.c.staff_id == staff))


# -- links and ceremonies ------------------------------------------------------------------------------------


def add_link(conn: Connection, values: Mapping[str, Any]) -> None:
    """Keep a one-time link."""
    conn.execute(insert(_link), dict(values))


def open_link(conn: Connection, token_hash: str, now: datetime) -> Row[Any] | None:
    """A link that may still be used, with the account it is for."""
    wanted = (
        select(_link.c.purpose, _link.c.expires_at, *_staff.c)
        .join_from(_link, _staff, _staff.c.id == _link.c.staff_id)
        .where(
            _link.c.token_hash == token_hash,
            _link.c.used_at.is_(None),
            _link.c.revoked_at.is_(None),
            _link.c.expires_at > now,
            _staff.c.active,
        )
    )
    return conn.execute(wanted).first()


def use_link(conn: Connection, token_hash: str, now: datetime) -> None:
    """Spend a link."""
    conn.execute(update(_link).where(_link.c.token_hash == token_hash).values(used_at=now))


def revoke_links(conn: Connection, staff: str, now: datetime) -> int:
    """Make all unused links of someone worthless. Returns how many there were."""
    revoking = update(_link).where(
        _link.c.staff_id == staff,
        _link.c.used_at.is_(None),
        _link.c.revoked_at.is_(None),
        _link.c.expires_at > now,
    )
    return conn.execute(revoking.values(revoked_at=now)).rowcount


def waiting_links(conn: Connection, outfit: str, now: datetime) -> dict[str, datetime]:
    """By staff id: until when an unused link of theirs is good."""
    wanted = (
        select(_link.c.staff_id, func.max(_link.c.expires_at).label("expires_at"))
        .join_from(_link, _staff, _staff.c.id == _link.c.staff_id)
        .where(
            _staff.c.outfit_id == outfit,
            _link.c.used_at.is_(None),
            _link.c.revoked_at.is_(None),
            _link.c.expires_at > now,
        )
        .group_by(_link.c.staff_id)
    )
    return {row.staff_id: row.expires_at for row in conn.execute(wanted)}


def add_ceremony(conn: Connection, values: Mapping[str, Any], now: datetime) -> None:
    """Keep a challenge, and drop those that nobody answered."""
    conn.execute(delete(_ceremony).where(_ceremony.c.expires_at <= now))
    conn.execute(insert(_ceremony), dict(values))


def take_ceremony(conn: Connection, token_hash: str, kind: str, now: datetime) -> Row[Any] | None:
    """A challenge that waits for its answer; it can be taken once."""
    row = conn.execute(
        select(_ceremony).where(
            _ceremony.c.token_hash == token_hash, _ceremony.c.kind == kind, _ceremony.c.expires_at > now
        )
    ).first()
    conn.execute(delete(_ceremony).where(_ceremony.c.token_hash == token_hash))
    return row


# -- passkeys and tokens -------------------------------------------------------------------------------------


def add_passkey(conn: Connection, values: Mapping[str, Any]) -> None:
    """Keep the public half of a passkey."""
    conn.execute(insert(_passkey), dict(values))


def passkey_by_id(conn: Connection, passkey: str) -> Row[Any] | None:
    """A passkey with the account it belongs to, if that is active."""
    wanted = (
        select(_passkey.c.public_key, _passkey.c.sign_count, *_staff.c)
        .join_from(_passkey, _staff, _staff.c.id == _passkey.c.staff_id)
        .where(_passkey.c.id == passkey, _staff.c.active)
    )
    return conn.execute(wanted).first()


def passkeys_of(conn: Connection, staff: str) -> Sequence[Row[Any]]:
    """Someone's passkeys, the oldest first."""
    wanted = select(_passkey).where(_passkey.c.staff_id == staff)
    return conn.execute(wanted.order_by(_passkey.c.created_at, _passkey.c.id)).all()


def passkey_used(conn: Connection, passkey: str, sign_count: int, now: datetime) -> None:
    """Keep a passkey's counter, which shows a copy of it."""
    conn.execute(update(_passkey).where(_passkey.c.id == passkey).values(sign_count=sign_count, used_at=now))


def remove_passkeys(conn: Connection, staff: str, passkey: str | None = None) -> int:
    """Remove one passkey of someone, or all. Returns how many."""
    removing = delete(_passkey).where(_passkey.c.staff_id == staff)
    if passkey is not None:
        removing = removing.where(_passkey.c.id == passkey)
    return conn.execute(removing).rowcount


def add_api_token(conn: Connection, values: Mapping[str, Any]) -> None:
    """Keep a token for a program."""
    conn.execute(insert(_token), dict(values))


def api_tokens(conn: Connection, staff: str, now: datetime) -> Sequence[Row[Any]]:
    """Someone's tokens that are good, the newest first."""
    wanted = select(_token).where(
        _token.c.staff_id == staff, _token.c.revoked_at.is_(None), _token.c.expires_at > now
    )
    return conn.execute(wanted.order_by(_token.c.created_at.desc(), _token.c.id)).all()


def revoke_api_tokens(conn: Connection, staff: str, now: datetime, only: str | None = None) -> int:
    """Revoke one token of someone, or all. Returns how many."""
    revoking = update(_token).where(_token.c.staff_id == staff, _token.c.revoked_at.is_(None))
    if only is not None:
        revoking = revoking.where(_token.c.id == only)
    return conn.execute(revoking.values(revoked_at=now)).rowcount


# -- trips and the log ---------------------------------------------------------------------------------------


def trip_staff(conn: Connection, trip: str) -> Sequence[Any]:
    """Who is assigned to a trip, by name."""
    wanted = (
        select(_staff.c.id, _staff.c.name, _staff.c.role, _staff.c.active, _trip_staff.c.member)
        .join_from(_trip_staff, _staff, _staff.c.id == _trip_staff.c.staff_id)
        .where(_trip_staff.c.trip_id == trip)
    )
    return conn.execute(wanted.order_by(_staff.c.name, _staff.c.id)).all()


def assign(conn: Connection, values: Mapping[str, Any]) -> None:
    """Assign someone to a trip."""
    conn.execute(insert(_trip_staff), dict(values))


def change_assignment(conn: Connection, trip: str, staff: str, member: str | None) -> None:
    """Say who of the members an assigned guide is."""
    conn.execute(
        update(_trip_staff)
        .where(_trip_staff.c.trip_id == trip, _trip_staff.c.staff_id == staff)
        .values(member=member)
    )


def unassign(conn: Connection, trip: str, staff: str) -> None:
    """Take someone off a trip."""
    conn.execute(delete(_trip_staff).where(_trip_staff.c.trip_id == trip, _trip_staff.c.staff_id == staff))


def trip_name(conn: Connection, trip: str) -> str | None:
    """A trip's name, if it has one yet."""
    return conn.execute(text("SELECT name FROM trip WHERE id = :id"), {"id": trip}).scalar()


def trip_members(conn: Connection, trip: str) -> list[tuple[str, str]]:
    """Guides among a trip's members, as (id, name)."""
    found = conn.execute(
        text(
            "SELECT member, name FROM trip_member"
            " WHERE trip_id = :trip AND role IN ('lead', 'assistant') ORDER BY name, member"
        ),
        {"trip": trip},
    )
    return [(row.member, row.name) for row in found]


def add_log(conn: Connection, values: Mapping[str, Any]) -> None:
    """Add a line to the staff log."""
    conn.execute(insert(_log), dict(values))


def log_lines(conn: Connection, outfit: str, *, before: str | None = None, limit: int = 100) -> Sequence[Any]:
    """Lines of an outfit's staff log, the newest first, with the name of who did it."""
    wanted = (
        select(_log.c.id, _log.c.at, _log.c.what, _log.c.about, _log.c.address, _staff.c.name)
        .join_from(_log, _staff, _staff.c.id == _log.c.staff_id, isouter=True)
        .where(_log.c.outfit_id == outfit)
        .order_by(_log.c.id.desc())
        .limit(limit)
    )
    if before is not None:
        wanted = wanted.where(_log.c.id < before)
    return conn.execute(wanted).all()
