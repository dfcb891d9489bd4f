"""Tables of the call: public keys, and sealed records as they were signed."""

from datetime import datetime

from sqlalchemy import Text
from sqlmodel import Field, SQLModel

from api.columns import UtcDateTime


class OutfitKey(SQLModel, table=True):
    """The public half of a signing key. Never removed: old records are checked against it."""

    __tablename__ = "outfit_key"

    outfit_id: str = Field(primary_key=True, foreign_key="outfit.id", sa_type=Text)
    key_id: str = Field(primary_key=True, sa_type=Text)
    public_key: str = Field(sa_type=Text)
    """32 bytes in hexadecimal."""
    created_at: datetime = Field(sa_type=UtcDateTime)


class CallRecord(SQLModel, table=True):
    """A sealed record, in the very text that was signed; the journal holds its hash and signature."""

    __tablename__ = "call_record"

    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    call_id: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(sa_type=Text)
    sealed: str = Field(sa_type=Text)
    sealed_at: datetime = Field(sa_type=UtcDateTime)
