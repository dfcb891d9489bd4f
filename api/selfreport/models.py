"""The table of personal links."""

from datetime import datetime

from sqlalchemy import Index, Text
from sqlmodel import Field, SQLModel

from api.columns import UtcDateTime


class SelfReportLink(SQLModel, table=True):
    """A personal link. Only the hash of its token is kept; the link itself was shown once."""

    __tablename__ = "selfreport_link"
    __table_args__ = (Index(None, "trip_id", "member"),)

    id: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(foreign_key="outfit.id", sa_type=Text)
    trip_id: str = Field(foreign_key="trip.id", sa_type=Text)
    member: str = Field(sa_type=Text)
    token_hash: str = Field(unique=True, sa_type=Text)
    created_at: datetime = Field(sa_type=UtcDateTime)
    created_by: str = Field(sa_type=Text)
    expires_at: datetime = Field(sa_type=UtcDateTime)
    revoked_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    sent_to: str = Field(default="", sa_type=Text)
    """The address it was e-mailed to; empty: it was copied by hand."""
    sent_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    used_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    """When something was last sent in by it."""
