"""SQL of the locker."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import fields
from datetime import date, datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, delete, insert, select, update

from api.journal.models import Trip, TripLoan, table
from api.locker.givers import Shop
from api.locker.models import LockerEvent, LockerItem, LockerShop
from api.locker.rules import Claim, Item
from api.locker.sizes import Measure

_item, _event, _shop = table(LockerItem), table(LockerEvent), table(LockerShop)
_loan, _trip = table(TripLoan), table(Trip)

_ITEM_NAMES = tuple(field.name for field in fields(Item))
_SHOP_NAMES = tuple(field.name for field in fields(Shop))


class EventRow(NamedTuple):
    """Something that happened to a thing."""

    kind: str
    at: datetime
    by_name: str
    says: str


class LoanRow(NamedTuple):
    """A loan of a locker item, on whatever trip."""

    trip_id: str
    trip_name: str
    loan: str
    state: str
    giver: str
    subject: str
    requirement: str
    units: int
    from_on: date
    until_on: date

    def hidden(self) -> "LoanRow":
        """The days alone, for who may not see the trip."""
        return self._replace(trip_id="", trip_name="another trip", loan="", subject="")

    def claim(self) -> Claim:
        return Claim(
            trip=self.trip_id,
            trip_name=self.trip_name,
            loan=self.loan,
            state=self.state,
            units=self.units,
            from_on=self.from_on,
            until_on=self.until_on,
        )


def items(conn: Connection, outfit: str) -> list[Item]:
    """Everything in an outfit's locker, by id."""
    columns = [_item.c[name] for name in _ITEM_NAMES]
    wanted = select(*columns).where(_item.c.outfit_id == outfit).order_by(_item.c.id)
    return [_as_item(dict(row._mapping)) for row in conn.execute(wanted)]


def item(conn: Connection, outfit: str, item_id: str) -> Item | None:
    """One thing, or None."""
    columns = [_item.c[name] for name in _ITEM_NAMES]
    wanted = select(*columns).where(_item.c.outfit_id == outfit, _item.c.id == item_id)
    row = conn.execute(wanted).first()
    return None if row is None else _as_item(dict(row._mapping))


def _as_item(row: Mapping[str, Any]) -> Item:
    return Item(**{**row, "meets": tuple(row["meets"]), "sized_by": Measure(row["sized_by"])})


def add_item(conn: Connection, outfit: str, thing: Item) -> None:
    """Keep a new thing."""
    conn.execute(insert(_item), {"outfit_id": outfit, **_as_row(thing)})


def change_item(conn: Connection, outfit: str, thing: Item) -> None:
    """Keep a thing as it is now."""
    row = _as_row(thing)
    conn.execute(update(_item).where(_item.c.outfit_id == outfit, _item.c.id == row.pop("id")).values(row))


def _as_row(thing: Item) -> dict[str, Any]:
    row = {name: getattr(thing, name) for name in _ITEM_NAMES}
    return {
        **row,
        "meets": list(thing.meets),
        "sized_by": thing.sized_by.value,
        "answers": dict(thing.answers),
        "traits": dict(thing.traits),
    }


def add_event(
    conn: Connection,
    outfit: str,
    item_id: str,
    *,
    event_id: str,
    kind: str,
    at: datetime,
    by_id: str,
    by_name: str,
    says: str,
) -> None:
    """Note what happened to a thing."""
    conn.execute(
        insert(_event),
        {
            "id": event_id,
            "outfit_id": outfit,
            "item": item_id,
            "kind": kind,
            "at": at,
            "by_id": by_id,
            "by_name": by_name,
            "says": says,
        },
    )


def events(conn: Connection, outfit: str, item_id: str) -> list[EventRow]:
    """What happened to a thing, the newest first."""
    columns = (_event.c.kind, _event.c.at, _event.c.by_name, _event.c.says)
    wanted = (
        select(*columns)
        .where(_event.c.outfit_id == outfit, _event.c.item == item_id)
        .order_by(_event.c.at.desc(), _event.c.id.desc())
    )
    return [EventRow(*row) for row in conn.execute(wanted)]


def shops(conn: Connection, outfit: str) -> list[Shop]:
    """The buying list of an outfit, by id."""
    columns = [_shop.c[name] for name in _SHOP_NAMES]
    wanted = select(*columns).where(_shop.c.outfit_id == outfit).order_by(_shop.c.id)
    return [Shop(**{**row._mapping, "meets": tuple(row.meets)}) for row in conn.execute(wanted)]


def add_shop(conn: Connection, outfit: str, shop: Shop) -> None:
    """Keep a line of the buying list."""
    row = {name: getattr(shop, name) for name in _SHOP_NAMES}
    plain = {"meets": list(shop.meets), "answers": dict(shop.answers), "traits": dict(shop.traits)}
    conn.execute(insert(_shop), {"outfit_id": outfit, **row, **plain})


def remove_shop(conn: Connection, outfit: str, shop_id: str) -> None:
    """Take a line off the buying list."""
    conn.execute(delete(_shop).where(_shop.c.outfit_id == outfit, _shop.c.id == shop_id))


def loans_of(conn: Connection, outfit: str, item_id: str | None = None) -> dict[str, list[LoanRow]]:
    """Loans of locker items by item id: the live ones of all items, or all that one item ever had."""
    wanted = (
        select(
            _loan.c.trip_id,
            _trip.c.name,
            _loan.c.loan,
            _loan.c.state,
            _loan.c.giver,
            _loan.c.subject,
            _loan.c.requirement,
            _loan.c.units,
            _trip.c.starts_on,
            _trip.c.ends_on,
            _loan.c.until,
        )
        .join(_trip, _trip.c.id == _loan.c.trip_id)
        .where(_loan.c.outfit_id == outfit, _loan.c.source == "locker")
        .order_by(_trip.c.starts_on, _loan.c.trip_id, _loan.c.loan)
    )
    if item_id is None:
        wanted = wanted.where(_loan.c.state.in_(("promised", "out")))
    else:
        wanted = wanted.where(_loan.c.giver == item_id)
    found: defaultdict[str, list[LoanRow]] = defaultdict(list)
    for row in conn.execute(wanted):
        found[row.giver].append(_as_loan(row))
    return dict(found)


def _as_loan(row: Any) -> LoanRow:
    # A trip without dates could be at any time, so what is promised to it is promised throughout.
    return LoanRow(
        trip_id=row.trip_id,
        trip_name=row.name or row.trip_id,
        loan=row.loan,
        state=row.state,
        giver=row.giver,
        subject=row.subject,
        requirement=row.requirement,
        units=row.units,
        from_on=row.starts_on or date.min,
        until_on=row.until or row.ends_on or date.max,
    )


def claims_of(rows: Sequence[LoanRow]) -> list[Claim]:
    """Loans as rules see them."""
    return [row.claim() for row in rows]
