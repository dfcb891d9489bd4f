"""Tables of the locker: the things an outfit lends, and what happened to each."""

from datetime import date, datetime
from typing import Any

from sqlalchemy import ForeignKeyConstraint, Index, Text
from sqlmodel import Field, SQLModel

from api.columns import JsonText, UtcDateTime


class LockerItem(SQLModel, table=True):
    """One thing that can be lent, or a counted stock of equal things."""

    __tablename__ = "locker_item"

    outfit_id: str = Field(primary_key=True, foreign_key="outfit.id", sa_type=Text)
    id: str = Field(primary_key=True, sa_type=Text)
    what: str = Field(sa_type=Text)
    meets: list[str] = Field(sa_type=JsonText)
    """Requirement ids it can meet."""
    size: str = Field(default="", sa_type=Text)
    sized_by: str = Field(default="none", sa_type=Text)
    weight_g: float | None = None
    answers: dict[str, Any] = Field(sa_type=JsonText)
    traits: dict[str, str] = Field(sa_type=JsonText)
    counted: bool = False
    quantity: int = 1
    protective: str | None = Field(default=None, sa_type=Text)
    made: date | None = None
    bought: date | None = None
    first_use: date | None = None
    days_used: int = 0
    inspected_on: date | None = None
    inspect_months: int | None = None
    years_from_made: float | None = None
    years_from_first_use: float | None = None
    retire_by: date | None = None
    limit_source: str = Field(default="", sa_type=Text)
    quarantined_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    quarantine_reason: str = Field(default="", sa_type=Text)
    retired_on: date | None = None
    retired_reason: str = Field(default="", sa_type=Text)
    place: str = Field(default="", sa_type=Text)
    remark: str = Field(default="", sa_type=Text)


class LockerEvent(SQLModel, table=True):
    """Something that happened to a thing of the locker. Only ever added to."""

    __tablename__ = "locker_event"
    __table_args__ = (
        ForeignKeyConstraint(["outfit_id", "item"], ["locker_item.outfit_id", "locker_item.id"]),
        Index(None, "outfit_id", "item"),
    )

    id: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(sa_type=Text)
    item: str = Field(sa_type=Text)
    kind: str = Field(sa_type=Text)
    at: datetime = Field(sa_type=UtcDateTime)
    by_id: str = Field(sa_type=Text)
    by_name: str = Field(sa_type=Text)
    says: str = Field(sa_type=Text)


class LockerShop(SQLModel, table=True):
    """Where something can be bought on the way, and until when."""

    __tablename__ = "locker_shop"

    outfit_id: str = Field(primary_key=True, foreign_key="outfit.id", sa_type=Text)
    id: str = Field(primary_key=True, sa_type=Text)
    what: str = Field(sa_type=Text)
    meets: list[str] = Field(sa_type=JsonText)
    place: str = Field(sa_type=Text)
    until: datetime | None = Field(default=None, sa_type=UtcDateTime)
    price: float | None = None
    currency: str = Field(default="", sa_type=Text)
    answers: dict[str, Any] = Field(sa_type=JsonText)
    traits: dict[str, str] = Field(sa_type=JsonText)
