"""The table of photos."""

from datetime import datetime

from sqlalchemy import LargeBinary, Text
from sqlmodel import Field, SQLModel

from api.columns import UtcDateTime


class Photo(SQLModel, table=True):
    """A photo of a piece of gear, as it was encoded anew here. It belongs to one trip."""

    __tablename__ = "photo"

    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    subject: str = Field(primary_key=True, sa_type=Text)
    """Whose gear it shows: a member id, a rope id, or `party`."""
    requirement: str = Field(primary_key=True, sa_type=Text)
    hash: str = Field(primary_key=True, sa_type=Text)
    """SHA-256 of the file that `content` was made from, in hex."""
    outfit_id: str = Field(sa_type=Text)
    shows: str = Field(sa_type=Text)
    """`label`, `whole` or `other`."""
    content: bytes = Field(sa_type=LargeBinary)
    """JPEG, at most 1600 pixels a side."""
    small: bytes = Field(sa_type=LargeBinary)
    """JPEG, at most 240 pixels a side."""
    width: int
    height: int
    added_at: datetime = Field(sa_type=UtcDateTime)
    added_by: str = Field(sa_type=Text)
