"""Outfits, trips, and the tables beside the journal: their SQL."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import date, datetime

from sqlalchemy import Connection, delete, insert, select, update

from api.errors import Conflict, NotFound
from api.journal.chain import genesis
from api.journal.entry import Entry
from api.journal.models import Outfit, Trip, TripLoan, TripMember, table
from api.journal.roster_rows import LoanRow, MemberRow, loan_rows, roster_rows

_outfit, _trip, _member, _loan = table(Outfit), table(Trip), table(TripMember), table(TripLoan)


@dataclass(frozen=True, slots=True)
class TripRow:
    """A trip as lists show it."""

    id: str
    outfit_id: str
    created_at: datetime
    name: str | None
    starts_on: date | None
    ends_on: date | None
    head_seq: int


def create_outfit(conn: Connection, outfit_id: str, name: str) -> None:
    """Add an outfit. Raises Conflict when the id is taken."""
    if conn.execute(select(_outfit.c.id).where(_outfit.c.id == outfit_id)).first():
        raise Conflict(f"There is already an outfit {outfit_id}. Choose another id.")
    conn.execute(insert(_outfit), {"id": outfit_id, "name": name})


def outfits(conn: Connection) -> list[tuple[str, str]]:
    """All outfits, as (id, name), by id."""
    return [(row.id, row.name) for row in conn.execute(select(_outfit).order_by(_outfit.c.id))]


def create_trip(conn: Connection, trip_id: str, outfit_id: str, created_at: datetime) -> None:
    """Open an empty journal. Raises Conflict when the id is taken, NotFound when there is no such outfit."""
    if not conn.execute(select(_outfit.c.id).where(_outfit.c.id == outfit_id)).first():
        raise NotFound(f"There is no outfit {outfit_id}. Check its id.")
    if conn.execute(select(_trip.c.id).where(_trip.c.id == trip_id)).first():
        raise Conflict(f"There is already a trip {trip_id}. Choose another id.")
    opened = {"id": trip_id, "outfit_id": outfit_id, "created_at": created_at}
    conn.execute(insert(_trip), opened | {"head_seq": 0, "head_hash": genesis(trip_id)})


def trips(conn: Connection, outfit_id: str) -> list[TripRow]:
    """The trips of an outfit, the next to start first, those without a plan last."""
    columns = [_trip.c[name] for name in TripRow.__dataclass_fields__]
    order = (_trip.c.starts_on.is_(None), _trip.c.starts_on, _trip.c.id)
    found = conn.execute(select(*columns).where(_trip.c.outfit_id == outfit_id).order_by(*order))
    return [TripRow(*row) for row in found]


def trip_ids(conn: Connection, outfit_id: str | None = None) -> list[str]:
    """Ids of all trips, or of an outfit's."""
    wanted = select(_trip.c.id).order_by(_trip.c.id)
    if outfit_id is not None:
        wanted = wanted.where(_trip.c.outfit_id == outfit_id)
    return list(conn.execute(wanted).scalars())


def outfit_of(conn: Connection, trip_id: str) -> str | None:
    """The outfit that runs a trip; None when there is no such trip."""
    return conn.execute(select(_trip.c.outfit_id).where(_trip.c.id == trip_id)).scalar()


def members(conn: Connection, trip_id: str) -> list[MemberRow]:
    """Who is, or was, on a trip, by member id."""
    columns = [_member.c[name] for name in MemberRow.__dataclass_fields__]
    wanted = select(*columns).where(_member.c.trip_id == trip_id).order_by(_member.c.member)
    return [MemberRow(*row) for row in conn.execute(wanted)]


def loans(conn: Connection, trip_id: str) -> list[LoanRow]:
    """The loans of a trip, by loan id."""
    columns = [_loan.c[name] for name in LoanRow.__dataclass_fields__]
    wanted = select(*columns).where(_loan.c.trip_id == trip_id).order_by(_loan.c.loan)
    return [LoanRow(*row) for row in conn.execute(wanted)]


def project(conn: Connection, trip_id: str, outfit_id: str, entries: Sequence[Entry]) -> None:
    """Write a trip's summary, members and loans as these entries have them."""
    summary, people = roster_rows(entries)
    conn.execute(update(_trip).where(_trip.c.id == trip_id).values(**asdict(summary)))
    conn.execute(delete(_member).where(_member.c.trip_id == trip_id))
    owner = {"trip_id": trip_id, "outfit_id": outfit_id}
    if people:
        conn.execute(insert(_member), [owner | asdict(row) for row in people])
    conn.execute(delete(_loan).where(_loan.c.trip_id == trip_id))
    if lent := loan_rows(entries):
        conn.execute(insert(_loan), [owner | asdict(row) for row in lent])
