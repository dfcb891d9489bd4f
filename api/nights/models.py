"""Tables of health notes' privacy: the wrapped key of each person on a trip, and who read whose notes."""

from datetime import datetime

from sqlalchemy import Index, Text
from sqlmodel import Field, SQLModel

from api.columns import UtcDateTime


class HealthKey(SQLModel, table=True):
    """The key that seals one person's notes on one trip, wrapped by the master key.

    Erasing empties `wrapped`; the row stays, to say when. A person whose notes were erased gets another key
    if anything is noted again.
    """

    __tablename__ = "health_key"
    __table_args__ = (Index(None, "trip_id", "member"),)

    id: str = Field(primary_key=True, sa_type=Text)
    trip_id: str = Field(foreign_key="trip.id", sa_type=Text)
    member: str = Field(sa_type=Text)
    master: str = Field(sa_type=Text)
    """Which master key wraps it."""
    wrapped: str = Field(sa_type=Text)
    created_at: datetime = Field(sa_type=UtcDateTime)
    erased_at: datetime | None = Field(default=None, sa_type=UtcDateTime)


class HealthAccess(SQLModel, table=True):
    """One reading, export or erasure of one person's notes."""

    __tablename__ = "health_access"
    __table_args__ = (Index(None, "trip_id", "member"),)

    id: str = Field(primary_key=True, sa_type=Text)
    trip_id: str = Field(foreign_key="trip.id", sa_type=Text)
    member: str = Field(sa_type=Text)
    reader: str = Field(sa_type=Text)
    """Id of the reader; of a member who reads their own, the member's."""
    reader_name: str = Field(sa_type=Text)
    did: str = Field(sa_type=Text)
    """`read`, `exported` or `erased`."""
    notes: int
    at: datetime = Field(sa_type=UtcDateTime)
