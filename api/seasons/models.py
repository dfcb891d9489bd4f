"""Tables of the review. All but trials and letters are projections: made from the journals, and droppable.

Numbers that are only ever read together lie packed in one value (see ``packing``); what is looked for has a
column of its own.
"""

from datetime import date, datetime
from typing import Any

from sqlalchemy import Index, LargeBinary, Text
from sqlmodel import Field, SQLModel

from api.columns import JsonText, UtcDateTime


class SeasonTrip(SQLModel, table=True):
    """A past trip as the review sees it."""

    __tablename__ = "season_trip"
    __table_args__ = (Index(None, "outfit_id", "trip_id", "seq"),)

    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    outfit_id: str = Field(sa_type=Text)
    seq: int
    """Up to which entry of the journal it was made."""
    hash: str = Field(sa_type=Text)
    season: int
    month: int
    starts_on: date
    ends_on: date
    route: str = Field(sa_type=Text)
    edition: str = Field(sa_type=Text)
    kind: str = Field(sa_type=Text)
    people: list[list[Any]] = Field(sa_type=JsonText)
    """One of [role, lead class, booking, rental] for each member."""
    lines: dict[str, Any] = Field(sa_type=JsonText)
    """By place of the epoch: the trip's own figures for lines, and what is supplied at night."""
    members: bytes = Field(sa_type=LargeBinary)
    """Of each member: place of the role, first entry, and the entry by which they left."""
    epochs: bytes = Field(sa_type=LargeBinary)
    """int32 [epoch, (entry, minute, stages)]: from which entry on another plan or forecast was in force."""
    cells: bytes = Field(sa_type=LargeBinary)
    """float64 [cell, what]: what thresholds are measured from; a cell is a stage of an epoch."""
    metrics: bytes = Field(sa_type=LargeBinary)
    """float64 [layer, cell]."""
    complete: bytes = Field(sa_type=LargeBinary)
    """uint8 [metric, cell]."""


class SeasonFact(SQLModel, table=True):
    """One requirement on one trip: who was asked, what was lacking, and every sighting as a code."""

    __tablename__ = "season_fact"

    outfit_id: str = Field(primary_key=True, sa_type=Text)
    requirement: str = Field(primary_key=True, sa_type=Text)
    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    asked: int
    lacking: int
    states: bytes = Field(sa_type=LargeBinary)
    """uint8 for each member."""
    gaps: bytes = Field(sa_type=LargeBinary)
    payloads: str = Field(sa_type=Text)
    """Canonical JSON list of the distinct records."""
    holdings: bytes = Field(sa_type=LargeBinary)


class SeasonSummary(SQLModel, table=True):
    """Counts of a group of people on trips that are alike in all that they can be told apart by."""

    __tablename__ = "season_summary"

    outfit_id: str = Field(primary_key=True, sa_type=Text)
    season: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    month: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    route: str = Field(primary_key=True, sa_type=Text)
    edition: str = Field(primary_key=True, sa_type=Text)
    kind: str = Field(primary_key=True, sa_type=Text)
    lead: str = Field(primary_key=True, sa_type=Text)
    booking: str = Field(primary_key=True, sa_type=Text)
    rental: str = Field(primary_key=True, sa_type=Text)
    people: int
    counts: bytes = Field(sa_type=LargeBinary)
    """int32 [requirement of the edition, measure]."""


class SeasonState(SQLModel, table=True):
    """Which state the counts of an outfit are in; raised with every change."""

    __tablename__ = "season_state"

    outfit_id: str = Field(primary_key=True, foreign_key="outfit.id", sa_type=Text)
    revision: int
    trips: int


class SeasonNote(SQLModel, table=True):
    """Something of a trip to be read beside the numbers: a debrief remark, or a surprise of the forecast."""

    __tablename__ = "season_note"
    __table_args__ = (Index(None, "outfit_id", "about", "requirement"),)

    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    place: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    outfit_id: str = Field(sa_type=Text)
    about: str = Field(sa_type=Text)
    requirement: str = Field(sa_type=Text)
    text: str = Field(sa_type=Text)


class SeasonTrial(SQLModel, table=True):
    """A changed kit list tried on recorded trips, and what became of the proposal."""

    __tablename__ = "season_trial"
    __table_args__ = (Index(None, "outfit_id"),)

    id: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(foreign_key="outfit.id", sa_type=Text)
    base: str = Field(sa_type=Text)
    changed: str = Field(sa_type=Text)
    state: str = Field(sa_type=Text)
    """`waiting`, `running`, `done`, `stopped` or `failed`."""
    done: int = 0
    total: int = 0
    stop_asked: bool = False
    problem: str = Field(default="", sa_type=Text)
    result: dict[str, Any] | None = Field(default=None, sa_type=JsonText)
    created_at: datetime = Field(sa_type=UtcDateTime)
    created_by: str = Field(sa_type=Text)
    heard_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    """When the thread that works on it last wrote down how far it is."""
    finished_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    adopted_at: datetime | None = Field(default=None, sa_type=UtcDateTime)
    adopted_by: str = Field(default="", sa_type=Text)
    note: str = Field(default="", sa_type=Text)
    watch: str = Field(default="", sa_type=Text)
    """The requirement whose number shows next season whether it worked."""
    watch_rate: float | None = None


class SeasonLetter(SQLModel, table=True):
    """A letter about the seasons, for guides or to go out before a trip; written once, then edited."""

    __tablename__ = "season_letter"
    __table_args__ = (Index(None, "outfit_id"),)

    id: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(foreign_key="outfit.id", sa_type=Text)
    reader: str = Field(sa_type=Text)
    """`guides` or `climbers`."""
    title: str = Field(sa_type=Text)
    text: str = Field(sa_type=Text)
    """Markdown."""
    made_at: datetime = Field(sa_type=UtcDateTime)
    changed_at: datetime = Field(sa_type=UtcDateTime)
    changed_by: str = Field(sa_type=Text)
    version: int = 1
    numbers: dict[str, Any] | None = Field(default=None, sa_type=JsonText)
    """What the letter was begun with, as a table: names of columns, and rows."""
