"""Tables of access: who has an account, what they sign in with, what is open, and what was done.

A secret is never kept: only the SHA-256 of a random token, or an argon2 hash of a password. Nothing here is
needed to read a trip's journal, which names its writers itself.
"""

from datetime import datetime
from typing import Any

from sqlalchemy import Index, Table, Text
from sqlmodel import Field, SQLModel

from api.columns import JsonText, UtcDateTime


class Staff(SQLModel, table=True):
    """Someone of an outfit who signs in. Never deleted, since journals name them: made inactive instead."""

    __tablename__ = "staff"

    id: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(foreign_key="outfit.id", index=True, sa_type=Text)
    name: str = Field(sa_type=Text)
    email: str = Field(unique=True, sa_type=Text)
    """In lower case; what one signs in with."""
    role: str = Field(sa_type=Text)
    active: bool = True
    password_hash: str | None = Field(default=None, sa_type=Text)
    openid_subject: str | None = Field(default=None, unique=True, sa_type=Text)
    """Issuer and subject at the outfit's own sign-in service, once used."""
    created_at: datetime = Field(sa_type=UtcDateTime)


class Passkey(SQLModel, table=True):
    """A passkey (WebAuthn credential): its public half."""

    __tablename__ = "passkey"

    id: str = Field(primary_key=True, sa_type=Text)
    """Credential id, base64url."""
    staff_id: str = Field(foreign_key="staff.id", index=True, sa_type=Text)
    public_key: str = Field(sa_type=Text)
    sign_count: int = 0
    label: str = Field(sa_type=Text)
    created_at: datetime = Field(sa_type=UtcDateTime)
    used_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class AccessSession(SQLModel, table=True):
    """One sign-in on one device."""

    __tablename__ = "access_session"

    id: str = Field(primary_key=True, sa_type=Text)
    token_hash: str = Field(unique=True, sa_type=Text)
    staff_id: str = Field(foreign_key="staff.id", index=True, sa_type=Text)
    how: str = Field(sa_type=Text)
    label: str = Field(sa_type=Text)
    address: str = Field(sa_type=Text)
    """Network it was opened from, without the last part."""
    created_at: datetime = Field(sa_type=UtcDateTime)
    seen_at: datetime = Field(sa_type=UtcDateTime)
    expires_at: datetime = Field(sa_type=UtcDateTime)
    ended_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class KnownDevice(SQLModel, table=True):
    """A device on which someone once signed in; it is spared the wait that strangers' guesses cause."""

    __tablename__ = "known_device"

    token_hash: str = Field(primary_key=True, sa_type=Text)
    staff_id: str = Field(primary_key=True, foreign_key="staff.id", sa_type=Text)
    created_at: datetime = Field(sa_type=UtcDateTime)


class AccessLink(SQLModel, table=True):
    """A link that lets someone choose a password once: at set-up, when invited, or after losing it."""

    __tablename__ = "access_link"

    token_hash: str = Field(primary_key=True, sa_type=Text)
    staff_id: str = Field(foreign_key="staff.id", index=True, sa_type=Text)
    purpose: str = Field(sa_type=Text)
    created_at: datetime = Field(sa_type=UtcDateTime)
    expires_at: datetime = Field(sa_type=UtcDateTime)
    used_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    revoked_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class Ceremony(SQLModel, table=True):
    """A sign-in or registration under way: the challenge its answer must carry. One use, minutes only."""

    __tablename__ = "access_ceremony"

    token_hash: str = Field(primary_key=True, sa_type=Text)
    kind: str = Field(sa_type=Text)
    staff_id: str | None = Field(default=None, foreign_key="staff.id", sa_type=Text)
    data: Any = Field(sa_type=JsonText)
    expires_at: datetime = Field(index=True, sa_type=UtcDateTime)


class ApiToken(SQLModel, table=True):
    """A token for a program that acts for someone, in their role or a lesser one."""

    __tablename__ = "api_token"

    id: str = Field(primary_key=True, sa_type=Text)
    token_hash: str = Field(unique=True, sa_type=Text)
    staff_id: str = Field(foreign_key="staff.id", index=True, sa_type=Text)
    role: str = Field(sa_type=Text)
    label: str = Field(sa_type=Text)
    created_at: datetime = Field(sa_type=UtcDateTime)
    expires_at: datetime = Field(sa_type=UtcDateTime)
    used_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    revoked_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class TripStaff(SQLModel, table=True):
    """A guide who is assigned to a trip, and so may see it. `member` says who of its members that is."""

    __tablename__ = "trip_staff"

    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    staff_id: str = Field(primary_key=True, foreign_key="staff.id", index=True, sa_type=Text)
    member: str | None = Field(default=None, sa_type=Text)
    assigned_at: datetime = Field(sa_type=UtcDateTime)
    assigned_by: str = Field(sa_type=Text)


class StaffLog(SQLModel, table=True):
    """What was done about access, by whom and when. Rows are only added; the database refuses the rest."""

    __tablename__ = "staff_log"
    __table_args__ = (Index(None, "outfit_id", "id"),)

    id: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str | None = Field(default=None, sa_type=Text)
    staff_id: str | None = Field(default=None, sa_type=Text)
    """Who did it; None for a stranger or a command at the machine."""
    what: str = Field(sa_type=Text)
    about: str = Field(default="", sa_type=Text)
    address: str = Field(default="", sa_type=Text)
    at: datetime = Field(sa_type=UtcDateTime)


def table(model: type[SQLModel]) -> Table:
    """The table of a table class, for Core statements."""
    found = model.__table__  # type: ignore[attr-defined]
    assert isinstance(found, Table)
    return found
