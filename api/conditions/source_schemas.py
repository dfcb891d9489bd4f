"""Sources of forecasts as they go over the wire."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field

from api.conditions.schemas import CAUTION, ForecastSummary


class Wire(BaseModel):
    """Base of everything here."""

    model_config = ConfigDict(frozen=True)


class SourceState(Wire):
    """One source of a trip: its newest forecast, and where fetching stands."""

    provider: str
    title: str
    gives: str = ""
    lacks: str = ""
    in_force: bool
    """Whether the board rests on it."""
    network: bool
    """Whether it is asked over the network."""
    newest: ForecastSummary | None
    state: str = ""
    """`asking`, `done` or `failed`; empty when it was never asked."""
    asked_at: datetime | None = None
    next_at: datetime | None = None
    problem: str = ""


class SourceList(Wire):
    """The sources of a trip."""

    trip: str
    caution: str = CAUTION
    chosen: str | None
    """The provider that was chosen; null: what is typed in, else the newest."""
    why_none: str
    """Why no service is asked; empty when one is."""
    sources: tuple[SourceState, ...]

    @property
    def asking(self) -> bool:
        """Whether any source is being asked now."""
        return any(source.state == "asking" for source in self.sources)


class Choice(Wire):
    """Whose forecasts the board is to rest on."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    provider: str | None = Field(max_length=120)
    """As listed among the sources; null: what is typed in, else the newest."""


class Chosen(Wire):
    """Whose forecasts the board rests on."""

    trip: str
    seq: int
    provider: str | None
    in_force: str | None
    """The provider it rests on now."""


class Preview(Wire):
    """What a file holds. Nothing is stored."""

    trip: str
    caution: str = CAUTION
    would_be: ForecastSummary


class SaidOut(Wire):
    """What a source says about a metric on a stage."""

    value: float | None
    whole: bool


class ComparedRow(Wire):
    """One metric on one stage, by provider, in the metric's unit."""

    stage: str
    stage_name: str
    metric: str
    said: dict[str, SaidOut]
    differs_by: float | None
    disagree: bool


class Compared(Wire):
    """The newest forecast of each provider beside the others'. They are never pooled."""

    trip: str
    caution: str = CAUTION
    in_force: str | None
    rows: tuple[ComparedRow, ...]


class Begun(Wire):
    """Whether services are being asked now."""

    trip: str
    asking: tuple[str, ...]
    """Providers that are asked; look at the sources for how it went."""
