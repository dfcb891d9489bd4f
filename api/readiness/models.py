"""Tables of readiness: what happened to flags (a projection), the outfit's party rules, and who is told."""

from datetime import datetime
from typing import Any

from sqlalchemy import ForeignKeyConstraint, Index, Text
from sqlmodel import Field, SQLModel

from api.columns import JsonText, UtcDateTime


class FlagEventRow(SQLModel, table=True):
    """One thing that happened to one flag. Can be dropped and made again from the journal."""

    __tablename__ = "flag_event"
    __table_args__ = (Index(None, "trip_id", "finding"),)

    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    seq: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    """The entry at which it happened."""
    place: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    """Its place among what happened at that entry."""
    at: datetime = Field(sa_type=UtcDateTime)
    happened: str = Field(sa_type=Text)
    finding: str = Field(sa_type=Text)
    subject: str = Field(sa_type=Text)
    requirement: str = Field(sa_type=Text)
    what: str = Field(sa_type=Text)
    gap: str = Field(sa_type=Text)
    grade: str = Field(sa_type=Text)
    hold: str = Field(sa_type=Text)
    cause: str = Field(sa_type=Text)
    cause_kind: str = Field(sa_type=Text)
    by_name: str = Field(sa_type=Text)
    because: str = Field(sa_type=Text)


class FlagHistory(SQLModel, table=True):
    """Up to which entry the events of a trip are kept."""

    __tablename__ = "flag_history"

    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    seq: int
    hash: str = Field(sa_type=Text)
    """Hash of that entry: another one there means the journal is another, and all is made again."""


class PartyRuleRow(SQLModel, table=True):
    """A ratio or party rule that an outfit entered from its permit."""

    __tablename__ = "party_rule"

    outfit_id: str = Field(primary_key=True, foreign_key="outfit.id", sa_type=Text)
    id: str = Field(primary_key=True, sa_type=Text)
    rule: dict[str, Any] = Field(sa_type=JsonText)
    entered_at: datetime = Field(sa_type=UtcDateTime)
    entered_by: str = Field(sa_type=Text)
    ended_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    """Taken out of use; trips that took it keep it."""


class Watcher(SQLModel, table=True):
    """Someone, or a program, that is told when flags of a trip change."""

    __tablename__ = "watcher"

    id: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(foreign_key="outfit.id", sa_type=Text)
    trip_id: str = Field(foreign_key="trip.id", index=True, sa_type=Text)
    channel: str = Field(sa_type=Text)
    address: str = Field(sa_type=Text)
    told_seq: int
    """Up to which entry a digest has been written for it."""
    created_at: datetime = Field(sa_type=UtcDateTime)
    created_by: str = Field(sa_type=Text)
    staff_id: str | None = Field(default=None, sa_type=Text)
    """Whose device it is, of a watcher by push; it is told only while they may see the trip."""
    keys: dict[str, str] = Field(sa_type=JsonText)
    """What the device gave to seal messages to it with: `p256dh` and `auth`; empty for other channels."""


class Outbox(SQLModel, table=True):
    """A digest on its way."""

    __tablename__ = "outbox"
    __table_args__ = (
        ForeignKeyConstraint(["watcher_id"], ["watcher.id"], ondelete="CASCADE"),
        Index(None, "next_at"),
    )

    id: str = Field(primary_key=True, sa_type=Text)
    watcher_id: str = Field(sa_type=Text)
    trip_id: str = Field(sa_type=Text)
    channel: str = Field(sa_type=Text)
    address: str = Field(sa_type=Text)
    title: str = Field(sa_type=Text)
    text: str = Field(sa_type=Text)
    payload: dict[str, Any] = Field(sa_type=JsonText)
    created_at: datetime = Field(sa_type=UtcDateTime)
    tries: int = 0
    next_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    """When to try (again); None: sent, or given up."""
    sent_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    last_error: str = Field(default="", sa_type=Text)
