"""Tables of the journal: outfits, their trips, the entries, and who is on a trip.

A trip's name, dates and head, and all of `trip_member` and `trip_loan`, are projections: kept in the
transaction that appends, and rebuilt from the entries by `store.rebuild`.
"""

from datetime import date, datetime

from sqlalchemy import DDL, BigInteger, ForeignKeyConstraint, Index, Table, Text, UniqueConstraint, event
from sqlmodel import Field, SQLModel

from api.columns import UtcDateTime

JOURNAL_PARTITIONS = 8
"""On PostgreSQL the entries are spread by a hash of their trip. Every query names its trip, so it meets one
part.
"""


class Outfit(SQLModel, table=True):
    """An organisation that runs trips. Nobody sees across outfits."""

    __tablename__ = "outfit"

    id: str = Field(primary_key=True, sa_type=Text)
    name: str = Field(sa_type=Text)


class Trip(SQLModel, table=True):
    """A trip: its outfit, and what a list of trips shows of its journal."""

    __tablename__ = "trip"

    id: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(foreign_key="outfit.id", index=True, sa_type=Text)
    created_at: datetime = Field(sa_type=UtcDateTime)
    name: str | None = Field(default=None, sa_type=Text)
    starts_on: date | None = None
    ends_on: date | None = None
    head_seq: int = 0
    head_hash: str = Field(sa_type=Text)


class JournalEntry(SQLModel, table=True):
    """One entry, in the very texts its hash was taken over: canonical JSON (RFC 8785), moments in UTC.

    `kind` and `about` (the register) repeat what the body says, for finding entries. A withdrawal is about
    what it takes back.
    """

    __tablename__ = "journal_entry"
    __table_args__ = (
        UniqueConstraint("trip_id", "id"),
        ForeignKeyConstraint(["trip_id"], ["trip.id"]),
        Index(None, "trip_id", "about"),
        {"postgresql_partition_by": "HASH (trip_id)"},
    )

    trip_id: str = Field(primary_key=True, sa_type=Text)
    seq: int = Field(primary_key=True, sa_column_kwargs={"autoincrement": False})
    id: str = Field(sa_type=Text)
    outfit_id: str = Field(sa_type=Text)
    kind: str = Field(sa_type=Text)
    about: str | None = Field(default=None, sa_type=Text)
    body: str = Field(sa_type=Text)
    actor: str = Field(sa_type=Text)
    device: str = Field(sa_type=Text)
    happened_at: str = Field(sa_type=Text)
    seen_seq: int = Field(sa_type=BigInteger)
    after: str = Field(sa_type=Text)
    received_at: str = Field(sa_type=Text)
    prev_hash: str = Field(sa_type=Text)
    hash: str = Field(sa_type=Text)


class TripMember(SQLModel, table=True):
    """A person who is, or was, on a trip."""

    __tablename__ = "trip_member"

    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    member: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(sa_type=Text)
    name: str = Field(sa_type=Text)
    role: str = Field(sa_type=Text)
    rope: str | None = Field(default=None, sa_type=Text)
    left: bool = False


class TripLoan(SQLModel, table=True):
    """Where a loan of a trip stands, so that stock can be counted across trips."""

    __tablename__ = "trip_loan"
    __table_args__ = (Index(None, "outfit_id", "giver"),)

    trip_id: str = Field(primary_key=True, foreign_key="trip.id", sa_type=Text)
    loan: str = Field(primary_key=True, sa_type=Text)
    outfit_id: str = Field(sa_type=Text)
    state: str = Field(sa_type=Text)
    """`promised`, `out`, `returned` or `released`."""
    source: str = Field(sa_type=Text)
    giver: str | None = Field(default=None, sa_type=Text)
    what: str = Field(sa_type=Text)
    subject: str = Field(sa_type=Text)
    requirement: str = Field(sa_type=Text)
    units: int
    until: date | None = None


def table(model: type[SQLModel]) -> Table:
    """The table of a table class, for Core statements."""
    found = model.__table__  # type: ignore[attr-defined]
    assert isinstance(found, Table)
    return found


def partition_ddl() -> list[str]:
    """The statements that make the parts of `journal_entry` on PostgreSQL."""
    return [
        f"CREATE TABLE journal_entry_p{part} PARTITION OF journal_entry"
        f" FOR VALUES WITH (MODULUS {JOURNAL_PARTITIONS}, REMAINDER {part})"
        for part in range(JOURNAL_PARTITIONS)
    ]


for _statement in partition_ddl():
    _part = DDL(_statement).execute_if(dialect="postgresql")  # type: ignore[no-untyped-call]
    event.listen(table(JournalEntry), "after_create", _part)
