"""Use cases of the locker: enter, find, examine, quarantine, release and retire things."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from sqlalchemy import Connection

from api.access.current import Reader, may_see
from api.clock import Clock
from api.db import Work
from api.errors import Conflict, Invalid, NotFound
from api.ids import new_id
from api.locker import queries
from api.locker.queries import LoanRow, claims_of
from api.locker.rules import Availability, Item, availability, changed, inspection_due, life, state_of
from api.locker.schemas import (
    EventShown,
    Inspection,
    ItemCreate,
    ItemPage,
    ItemShown,
    ItemWrite,
    LoanShown,
    LockerList,
    Quarantine,
    Release,
    Retirement,
)


def find(conn: Connection, outfit: str, item_id: str) -> Item:
    """One thing of the locker. Raises NotFound."""
    # An address may carry characters that PostgreSQL does not take in a text.
    found = queries.item(conn, outfit, item_id) if item_id.isprintable() else None
    if found is None:
        raise NotFound(
            f"The locker has no {item_id!r}. Check what stands on the label, or look for it in the list."
        )
    return found


def loans_seen(conn: Connection, reader: Reader, item_id: str | None = None) -> dict[str, list[LoanRow]]:
    """Loans by item id; of trips that are not the reader's to see only the days remain."""
    seen = may_see(conn, reader)
    return {
        giver: [row if seen(row.trip_id) else row.hidden() for row in rows]
        for giver, rows in queries.loans_of(conn, reader.outfit, item_id).items()
    }


def listed(
    conn: Connection,
    reader: Reader,
    *,
    today: date,
    first: date | None = None,
    last: date | None = None,
    what: str = "",
    size: str = "",
    state: str = "",
    meets: str = "",
    free_only: bool = False,
) -> LockerList:
    """Things of the locker that match, by what they are and id. Without days, `free` is as of today."""
    days = _days(first, last, today)
    loans = loans_seen(conn, reader)
    things = queries.items(conn, reader.outfit)
    shown = [shown_item(thing, loans.get(thing.id, ()), days, today) for thing in things]
    words = what.casefold().split()
    return LockerList(
        items=tuple(
            thing
            for thing in sorted(shown, key=lambda thing: (thing.what, thing.id))
            if all(word in f"{thing.what} {thing.id}".casefold() for word in words)
            and (not size or thing.size.casefold() == size.casefold())
            and (not state or thing.state == state)
            and (not meets or meets in thing.meets)
            and (not free_only or thing.free > 0)
        )
    )


def one(conn: Connection, reader: Reader, item_id: str, *, today: date) -> ItemPage:
    """One thing with its loans and everything that happened to it. Raises NotFound."""
    thing = find(conn, reader.outfit, item_id)
    rows = loans_seen(conn, reader, item_id).get(item_id, [])
    shown = shown_item(thing, rows, _days(None, None, today), today)
    return ItemPage(
        **dict(shown),
        loans=tuple(_shown_loan(row) for row in reversed(rows)),
        events=tuple(
            EventShown(kind=event.kind, at=event.at, by=event.by_name, says=event.says)
            for event in queries.events(conn, reader.outfit, item_id)
        ),
    )


def stock_for(
    conn: Connection, reader: Reader, first: date, last: date, *, today: date
) -> list[tuple[Item, Availability]]:
    """Every thing with what of it can be had on some days."""
    loans = loans_seen(conn, reader)
    return [
        (thing, availability(thing, claims_of(loans.get(thing.id, [])), first, last, today=today))
        for thing in queries.items(conn, reader.outfit)
    ]


def shown_item(thing: Item, loans: Sequence[LoanRow], days: tuple[date, date], today: date) -> ItemShown:
    """A thing as it is answered."""
    claims = claims_of(loans)
    span, had = life(thing), availability(thing, claims, *days, today=today)
    due = inspection_due(thing)
    return ItemShown(
        id=thing.id,
        what=thing.what,
        meets=thing.meets,
        size=thing.size,
        sized_by=thing.sized_by,
        weight_g=thing.weight_g,
        answers=dict(thing.answers),
        traits=dict(thing.traits),
        counted=thing.counted,
        quantity=thing.quantity,
        protective=thing.protective,
        ppe_category=thing.ppe.category if thing.ppe else "",
        made=thing.made,
        bought=thing.bought,
        first_use=thing.first_use,
        days_used=thing.days_used,
        inspected_on=thing.inspected_on,
        inspection_due=due,
        usable_until=span.until,
        life=span.reasons,
        state=state_of(thing, claims, today),
        against=had.against,
        free=had.free,
        quarantined_at=thing.quarantined_at,
        quarantine_reason=thing.quarantine_reason,
        retired_on=thing.retired_on,
        retired_reason=thing.retired_reason,
        place=thing.place,
        remark=thing.remark,
    )


def _shown_loan(row: LoanRow) -> LoanShown:
    return LoanShown(
        trip=row.trip_id,
        trip_name=row.trip_name,
        loan=row.loan,
        state=row.state,
        subject=row.subject,
        requirement=row.requirement,
        units=row.units,
        from_on=row.from_on,
        until_on=row.until_on,
    )


def _days(first: date | None, last: date | None, today: date) -> tuple[date, date]:
    begins = first or last or today
    ends = last or begins
    if ends < begins:
        raise Invalid.field(
            "until", ends.isoformat(), "the last day lies before the first.", "Give days in order."
        )
    return begins, ends


# -- writing -------------------------------------------------------------------------------------------------


def create(work: Work, reader: Reader, clock: Clock, new: ItemCreate) -> None:
    """Enter a new thing. Raises Conflict when the id is taken."""
    if queries.item(work, reader.outfit, new.id) is not None:
        raise Conflict(f"The locker already has {new.id}. Put another id on this one.")
    thing = Item(**(new.model_dump() | {"meets": tuple(new.meets)}))
    queries.add_item(work, reader.outfit, thing)
    note(work, reader, clock, thing.id, "added", f"Entered: {thing.what}.")


def change(work: Work, reader: Reader, clock: Clock, item_id: str, new: ItemWrite) -> None:
    """Change what is entered about a thing. Its quarantine and retirement stay as they are."""
    before = find(work, reader.outfit, item_id)
    after = replace(before, **(new.model_dump() | {"meets": tuple(new.meets)}))
    differences = changed(before, after)
    if differences:
        queries.change_item(work, reader.outfit, after)
        note(work, reader, clock, item_id, "changed", "; ".join(differences))


def quarantine(work: Work, reader: Reader, clock: Clock, item_id: str, asked: Quarantine) -> None:
    """Take a thing out of use until somebody competent has looked at it; once more only adds a reason."""
    thing = find(work, reader.outfit, item_id)
    _still_kept(thing)
    reason = f"{thing.quarantine_reason}; {asked.reason}" if thing.quarantined_at else asked.reason
    since = thing.quarantined_at or clock.now()
    held = replace(thing, quarantined_at=since, quarantine_reason=reason)
    queries.change_item(work, reader.outfit, held)
    note(work, reader, clock, item_id, "quarantined", asked.reason)


def release(work: Work, reader: Reader, clock: Clock, item_id: str, asked: Release) -> None:
    """Put a thing back in use on a named person's word. Raises Conflict when it is not in quarantine."""
    thing = find(work, reader.outfit, item_id)
    _still_kept(thing)
    if thing.quarantined_at is None:
        raise Conflict(f"{item_id} is not in quarantine. Nothing was changed.")
    free = replace(thing, quarantined_at=None, quarantine_reason="", inspected_on=clock.now().date())
    queries.change_item(work, reader.outfit, free)
    note(work, reader, clock, item_id, "released", f"Examined by {asked.examined_by}: {asked.found}")


def inspect(work: Work, reader: Reader, clock: Clock, item_id: str, asked: Inspection) -> None:
    """Record an examination. One that is not passed puts the thing in quarantine."""
    thing = find(work, reader.outfit, item_id)
    _still_kept(thing)
    today = clock.now().date()
    if asked.on > today:
        raise Invalid.field(
            "on", asked.on.isoformat(), "this day is yet to come.", "Give the day it was done."
        )
    verdict = "passed" if asked.passed else "not passed"
    says = f"{asked.on.isoformat()}, {asked.examined_by}: {verdict}. {asked.found}".strip()
    note(work, reader, clock, item_id, "inspected", says)
    if asked.passed:
        latest = max(asked.on, thing.inspected_on or asked.on)
        queries.change_item(work, reader.outfit, replace(thing, inspected_on=latest))
    else:
        reason = f"Examination not passed. {asked.found}".strip()
        quarantine(work, reader, clock, item_id, Quarantine(reason=reason))


def retire(work: Work, reader: Reader, clock: Clock, item_id: str, asked: Retirement) -> None:
    """Take a thing out of use for good; it is never offered again."""
    thing = find(work, reader.outfit, item_id)
    _still_kept(thing)
    gone = replace(thing, retired_on=clock.now().date(), retired_reason=asked.reason)
    queries.change_item(work, reader.outfit, gone)
    note(work, reader, clock, item_id, "retired", asked.reason)


def note(work: Work, reader: Reader, clock: Clock, item_id: str, kind: str, says: str) -> None:
    """Add to what happened to a thing."""
    queries.add_event(
        work,
        reader.outfit,
        item_id,
        # Not made from the clock: events of one moment keep the order in which they were written.
        event_id=str(new_id()),
        kind=kind,
        at=clock.now(),
        by_id=reader.staff,
        by_name=reader.name,
        says=says,
    )


def _still_kept(thing: Item) -> None:
    if thing.retired_on is not None:
        raise Conflict(
            f"{thing.id} was retired on {thing.retired_on.isoformat()}. Enter its successor under a new id."
        )
