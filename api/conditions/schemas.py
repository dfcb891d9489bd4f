"""Forecasts as they go over the wire."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict

CAUTION = (
    "A forecast says what may come, not what will. "
    "The final call rests with licensed guides and local regulations."
)


class ForecastSummary(BaseModel):
    """A forecast that a trip has received, without its numbers."""

    model_config = ConfigDict(frozen=True)

    forecast: str
    """Content hash."""
    kind: str
    provider: str
    label: str
    issued_at: datetime
    received_at: datetime
    holds_from: datetime
    holds_until: datetime
    members: tuple[str, ...]
    variables: tuple[str, ...]
    entered_by: str
    source_text: str
    attribution: str
    licence: str
    warnings: tuple[str, ...]


class ForecastList(BaseModel):
    """The forecasts of a trip, newest issue first."""

    model_config = ConfigDict(frozen=True)

    trip: str
    caution: str = CAUTION
    forecasts: tuple[ForecastSummary, ...]


class ForecastReceipt(BaseModel):
    """What became of a forecast that was typed in."""

    model_config = ConfigDict(frozen=True)

    status: str
    """`stored`, or `already-there` when the trip had this very forecast."""
    seq: int
    """Number of the last journal entry."""
    forecast: ForecastSummary
