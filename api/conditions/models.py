"""The tables of forecasts received, and of where fetching them stands."""

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


class ForecastRefresh(SQLModel, table=True):
    """Where fetching stands for one trip and provider. Says nothing about forecasts that were received."""

    __tablename__ = "forecast_refresh"

    outfit_id: str = Field(foreign_key="outfit.id", sa_type=Text)
    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    provider: str = Field(primary_key=True, sa_type=Text)
    state: str = Field(sa_type=Text)
    """`asking`, `done` or `failed`."""
    asked_at: datetime = Field(sa_type=UtcDateTime)
    finished_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    next_at: datetime = Field(sa_type=UtcDateTime)
    """Not asked again by itself before then."""
    problem: str = Field(sa_type=Text)
    """Why the last try failed, in a sentence; empty when it did not."""
    forecast: str | None = Field(default=None, sa_type=Text)
    """Content hash of what it brought last."""
