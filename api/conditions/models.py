"""The table of forecasts received."""

from datetime import datetime

from sqlalchemy import Text
from sqlmodel import Field, SQLModel

from api.columns import UtcDateTime


class StoredForecast(SQLModel, table=True):
    """One forecast of one outfit, as its canonical bytes. Never changed: another content has another hash."""

    __tablename__ = "forecast"

    outfit_id: str = Field(primary_key=True, foreign_key="outfit.id", sa_type=Text)
    hash: str = Field(primary_key=True, sa_type=Text)
    """SHA-256 of `body`."""
    kind: str = Field(sa_type=Text)
    provider: str = Field(sa_type=Text)
    label: str = Field(sa_type=Text)
    issued_at: datetime = Field(sa_type=UtcDateTime)
    received_at: datetime = Field(sa_type=UtcDateTime)
    body: str = Field(sa_type=Text)
    """Canonical JSON (RFC 8785), in the very text its hash was taken over."""
