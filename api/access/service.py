"""Use cases of access: open and end sign-ins, invite, choose a password, change roles, assign to trips.

Every function works inside the caller's unit of work and writes the staff log there. Passwords are hashed
before the unit of work begins: a tenth of a second is too long to keep others from writing.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from sqlalchemy import Connection, Row

from api.access import queries
from api.access.current import LESSER_ROLES, NAMES, Reader, Role
from api.access.staff_log import record
from api.access.tokens import HERE, Visitor, hash_of, new_token
from api.access.typed import checked_email, checked_name, checked_role, checked_slug, slug_of
from api.errors import Conflict, Invalid, NotFound
from api.ids import new_id

Purpose = Literal["set-up", "invitation", "new-password"]

LINK_LASTS = {
    "set-up": timedelta(hours=24),
    "invitation": timedelta(days=7),
    "new-password": timedelta(hours=24),
}
TOKEN_LASTS_DAYS = 365


@dataclass(frozen=True, slots=True)
class Opened:
    """A session just opened: what goes into the device's cookies."""

    token: str
    device: str
    expires_at: datetime


@dataclass(frozen=True, slots=True)
class MadeLink:
    """A one-time link just made. Its token is shown once and not kept."""

    staff: str
    token: str
    expires_at: datetime


# -- sign-ins ------------------------------------------------------------------------------------------------


def open_session(
    conn: Connection,
    person: Row[Any],
    now: datetime,
    *,
    how: str,
    visitor: Visitor,
    lasts: timedelta,
    device: str | None = None,
    replaces: str | None = None,
) -> Opened:
    """Open a session with a token of its own. What the device held before (`replaces`) ends, so that a token
    planted on it is worth nothing.
    """
    if replaces is not None:
        queries.end_session_by_token(conn, hash_of(replaces), now)
    token = new_token()
    if device is None or not queries.knows_device(conn, hash_of(device), person.id):
        device = new_token()
    queries.add_device(conn, hash_of(device), person.id, now)
    expires_at = now + lasts
    queries.add_session(
        conn,
        {
            "id": str(new_id()),
            "token_hash": hash_of(token),
            "staff_id": person.id,
            "how": how,
            "label": visitor.device,
            "address": visitor.network,
            "created_at": now,
            "seen_at": now,
            "expires_at": expires_at,
            "ended_at": None,
        },
    )
    record(conn, now, "signed in", outfit=person.outfit_id, staff=person.id, about=how, visitor=visitor)
    return Opened(token, device, expires_at)


def sign_out(conn: Connection, token: str, now: datetime, visitor: Visitor) -> None:
    """End the session a device holds; nothing happens when it has ended already."""
    ended = queries.end_session_by_token(conn, hash_of(token), now)
    if ended is not None:
        person = queries.staff_by_id(conn, ended.staff_id)
        outfit = person.outfit_id if person is not None else None
        record(
            conn, now, "signed out", outfit=outfit, staff=ended.staff_id, about=ended.label, visitor=visitor
        )


def end_session(conn: Connection, reader: Reader, session: str, now: datetime, visitor: Visitor) -> None:
    """End one of one's own sessions. Raises NotFound when there is none of that id."""
    if not queries.end_sessions(conn, reader.staff, now, only=session):
        raise NotFound("This sign-in has ended already, or is not yours.")
    record(
        conn, now, "sign-in ended", outfit=reader.outfit, staff=reader.staff, about=session, visitor=visitor
    )


def end_everywhere(
    conn: Connection,
    person: Row[Any],
    now: datetime,
    visitor: Visitor,
    *,
    by: str | None,
    but: str | None = None,
) -> None:
    """End all of someone's sessions (`but` one), forget their devices, and make open links worthless."""
    queries.end_sessions(conn, person.id, now, but=but)
    if but is None:
        queries.forget_devices(conn, person.id)
    queries.revoke_links(conn, person.id, now)
    record(
        conn, now, "all sign-ins ended", outfit=person.outfit_id, staff=by, about=person.id, visitor=visitor
    )


# -- accounts ------------------------------------------------------------------------------------------------


def set_up(
    conn: Connection, *, outfit: str, outfit_name: str, name: str, email: str, now: datetime
) -> MadeLink:
    """The outfit, its first administrator, and the link with which they choose a password.

    An outfit that is there already keeps its name. Raises Conflict when it has an administrator: those make
    further links themselves.
    """
    outfit = checked_slug("outfit", outfit)
    if queries.outfit_name(conn, outfit) is None:
        queries.add_outfit(conn, outfit, checked_name("outfit_name", outfit_name))
    if queries.active_admins(conn, outfit):
        raise Conflict(
            f"The outfit {outfit} has an administrator already. Let them invite others, or make a new link "
            "with: rimaye staff link EMAIL."
        )
    person = _add(conn, outfit, name, email, "admin", now)
    record(conn, now, "set up", outfit=outfit, about=person)
    return _make_link(conn, person, "set-up", now)


def invite(
    conn: Connection, reader: Reader, *, name: str, email: str, role: str, now: datetime, visitor: Visitor
) -> MadeLink:
    """A new account, and the link to be handed to its owner."""
    person = _add(conn, reader.outfit, name, email, checked_role(role), now)
    record(conn, now, "invited", outfit=reader.outfit, staff=reader.staff, about=person, visitor=visitor)
    return _make_link(conn, person, "invitation", now)


def new_link(
    conn: Connection, person: Row[Any], now: datetime, *, by: str | None, visitor: Visitor = HERE
) -> MadeLink:
    """A new link for someone who lost theirs, or their password. Earlier links become worthless."""
    if not person.active:
        raise Conflict(f"{person.name} is not active. Activate the account first.")
    queries.revoke_links(conn, person.id, now)
    purpose: Purpose = "new-password" if person.password_hash else "invitation"
    record(conn, now, "link made", outfit=person.outfit_id, staff=by, about=person.id, visitor=visitor)
    return _make_link(conn, person.id, purpose, now)


def revoke_links(conn: Connection, person: Row[Any], now: datetime, *, by: str, visitor: Visitor) -> None:
    """Make someone's unused links worthless."""
    queries.revoke_links(conn, person.id, now)
    record(conn, now, "links revoked", outfit=person.outfit_id, staff=by, about=person.id, visitor=visitor)


def link_owner(conn: Connection, token: str, now: datetime) -> Row[Any]:
    """The account a link is for. Raises NotFound when it was used, revoked, is too old or never was."""
    found = queries.open_link(conn, hash_of(token), now)
    if found is None:
        raise NotFound(
            "This link has been used, has been replaced, or is too old. Ask whoever sent it for a new one."
        )
    return found


def use_link(conn: Connection, token: str, password_hash: str, now: datetime, visitor: Visitor) -> Row[Any]:
    """Spend a link on a password. Whoever was signed in to the account before is signed out."""
    person = link_owner(conn, token, now)
    queries.use_link(conn, hash_of(token), now)
    queries.change_staff(conn, person.id, {"password_hash": password_hash})
    queries.end_sessions(conn, person.id, now)
    queries.revoke_links(conn, person.id, now)
    record(
        conn,
        now,
        "link used",
        outfit=person.outfit_id,
        staff=person.id,
        about=person.purpose,
        visitor=visitor,
    )
    return person


def change_password(
    conn: Connection, reader: Reader, password_hash: str, now: datetime, visitor: Visitor
) -> None:
    """Set a new password and end the sign-ins on other devices."""
    queries.change_staff(conn, reader.staff, {"password_hash": password_hash})
    queries.end_sessions(conn, reader.staff, now, but=reader.session)
    queries.revoke_links(conn, reader.staff, now)
    record(conn, now, "password changed", outfit=reader.outfit, staff=reader.staff, visitor=visitor)


def change_role(
    conn: Connection, reader: Reader, staff: str, role: str, now: datetime, visitor: Visitor
) -> None:
    """Give someone another role. They sign in again, so that no device goes on in the old one."""
    person = colleague(conn, reader, staff)
    new_role = checked_role(role)
    if new_role == person.role:
        return
    _keep_an_admin(conn, person)
    queries.change_staff(conn, person.id, {"role": new_role})
    queries.end_sessions(conn, person.id, now)
    about = f"{person.id}: {person.role} to {new_role}"
    record(conn, now, "role changed", outfit=reader.outfit, staff=reader.staff, about=about, visitor=visitor)


def set_active(
    conn: Connection, reader: Reader, staff: str, active: bool, now: datetime, visitor: Visitor
) -> None:
    """Let someone in, or keep them out: their sign-ins, links, passkeys and tokens end with it."""
    person = colleague(conn, reader, staff)
    if person.active == active:
        return
    if not active:
        _keep_an_admin(conn, person)
        end_everywhere(conn, person, now, visitor, by=reader.staff)
        queries.revoke_api_tokens(conn, person.id, now)
        queries.remove_passkeys(conn, person.id)
    queries.change_staff(conn, person.id, {"active": active})
    what: Literal["activated", "deactivated"] = "activated" if active else "deactivated"
    record(conn, now, what, outfit=reader.outfit, staff=reader.staff, about=person.id, visitor=visitor)


def colleague(conn: Connection, reader: Reader, staff: str) -> Row[Any]:
    """Someone of the reader's outfit. Raises NotFound for anyone else."""
    person = queries.staff_by_id(conn, staff, reader.outfit)
    if person is None:
        raise NotFound(f"There is nobody {staff} on the staff. Choose them from the list of staff.")
    return person


def remove_passkey(conn: Connection, reader: Reader, passkey: str, now: datetime, visitor: Visitor) -> None:
    """Remove one of one's own passkeys. Raises NotFound when there is none of that id."""
    if not queries.remove_passkeys(conn, reader.staff, passkey):
        raise NotFound("This passkey has been removed already, or is not yours.")
    record(conn, now, "passkey removed", outfit=reader.outfit, staff=reader.staff, visitor=visitor)


# -- tokens for programs -------------------------------------------------------------------------------------


def make_token(
    conn: Connection, reader: Reader, *, label: str, role: str, days: int, now: datetime, visitor: Visitor
) -> str:
    """A token with which a program acts for the reader, in their role or a lesser one. It is shown once."""
    allowed = LESSER_ROLES[reader.role]
    if role not in allowed:
        raise Invalid.field(
            "role", role, "This is not a role you can hand on.", f"Use {' or '.join(allowed)}."
        )
    if not 1 <= days <= TOKEN_LASTS_DAYS:
        raise Invalid.field("days", days, "It would last too long or not at all.", "Use 1 to 365 days.")
    token = new_token()
    label = checked_name("label", label)
    queries.add_api_token(
        conn,
        {
            "id": str(new_id()),
            "token_hash": hash_of(token),
            "staff_id": reader.staff,
            "role": role,
            "label": label,
            "created_at": now,
            "expires_at": now + timedelta(days=days),
            "used_at": None,
            "revoked_at": None,
        },
    )
    about = f"{label}, as {NAMES[checked_role(role)]}"
    record(conn, now, "token made", outfit=reader.outfit, staff=reader.staff, about=about, visitor=visitor)
    return token


def revoke_token(conn: Connection, reader: Reader, token: str, now: datetime, visitor: Visitor) -> None:
    """Revoke one of one's own tokens. Raises NotFound when there is none of that id."""
    if not queries.revoke_api_tokens(conn, reader.staff, now, only=token):
        raise NotFound("This token has been revoked already, or is not yours.")
    record(conn, now, "token revoked", outfit=reader.outfit, staff=reader.staff, about=token, visitor=visitor)


# -- pieces --------------------------------------------------------------------------------------------------


def _add(conn: Connection, outfit: str, name: str, email: str, role: Role, now: datetime) -> str:
    name, email = checked_name("name", name), checked_email(email)
    if queries.staff_by_email(conn, email) is not None:
        raise Conflict(
            f"email: {email} has an account already. Use another address, or make them a new link."
        )
    slug = slug_of(name)
    staff = slug_of(name, queries.staff_ids_like(conn, slug))
    queries.add_staff(
        conn,
        {
            "id": staff,
            "outfit_id": outfit,
            "name": name,
            "email": email,
            "role": role,
            "active": True,
            "password_hash": None,
            "openid_subject": None,
            "created_at": now,
        },
    )
    return staff


def _make_link(conn: Connection, staff: str, purpose: Purpose, now: datetime) -> MadeLink:
    token, expires_at = new_token(), now + LINK_LASTS[purpose]
    queries.add_link(
        conn,
        {
            "token_hash": hash_of(token),
            "staff_id": staff,
            "purpose": purpose,
            "created_at": now,
            "expires_at": expires_at,
            "used_at": None,
            "revoked_at": None,
        },
    )
    return MadeLink(staff, token, expires_at)


def _keep_an_admin(conn: Connection, person: Row[Any]) -> None:
    """Refuse what would leave an outfit without anyone who can let others in."""
    if person.role == "admin" and person.active and queries.active_admins(conn, person.outfit_id) == 1:
        raise Conflict(f"{person.name} is the only administrator. Make someone else one first.")
