"""Which guides are on which trip, and so may see it. Inside the caller's unit of work, like `service`."""

from __future__ import annotations

from datetime import datetime
from typing import Literal

from sqlalchemy import Connection

from api.access import queries
from api.access.current import Reader, Role
from api.access.staff_log import record
from api.access.tokens import HERE, Visitor
from api.errors import Invalid, Refused

GUIDE_ROLES: tuple[Role, ...] = ("lead", "assistant")


def assign(
    conn: Connection,
    reader: Reader,
    trip: str,
    people: dict[str, str | None],
    now: datetime,
    visitor: Visitor = HERE,
) -> None:
    """Make exactly `people` (staff id to member id, if known) those who are assigned to the trip.

    Raises Invalid, changing nothing, when one is not an active guide of the outfit, or no member is meant;
    Refused when a guide would take themselves off.
    """
    members = {member for member, _ in queries.trip_members(conn, trip)}
    now_on = {row.id: row.member for row in queries.trip_staff(conn, trip)}
    for staff, member in people.items():
        person = queries.staff_by_id(conn, staff, reader.outfit)
        if person is None or (staff not in now_on and not (person.active and person.role in GUIDE_ROLES)):
            raise Invalid.field(
                "staff", staff, "This is no active guide of the outfit.", "Choose from the list."
            )
        if member is not None and member not in members:
            raise Invalid.field(
                "member", member, "No guide of this trip has that id.", "Choose from its people."
            )
    if reader.role in GUIDE_ROLES and reader.staff in now_on and reader.staff not in people:
        raise Refused("You would lose sight of this trip. Let another guide or the office take you off.")
    for staff in sorted(now_on.keys() - people.keys()):
        queries.unassign(conn, trip, staff)
        _log_assignment(conn, reader, "taken off trip", staff, trip, now, visitor)
    for staff, member in people.items():
        if staff not in now_on:
            assign_one(conn, trip, staff, now, by=reader.staff, member=member)
            _log_assignment(conn, reader, "assigned to trip", staff, trip, now, visitor)
        elif now_on[staff] != member:
            queries.change_assignment(conn, trip, staff, member)


def assign_creator(conn: Connection, reader: Reader, trip: str, now: datetime) -> None:
    """Assign the guide who opens a trip to it; to be called in the same unit of work."""
    if reader.role in GUIDE_ROLES and queries.staff_by_id(conn, reader.staff, reader.outfit) is not None:
        assign_one(conn, trip, reader.staff, now, by=reader.staff)
        _log_assignment(conn, reader, "assigned to trip", reader.staff, trip, now, HERE)


def assign_one(
    conn: Connection, trip: str, staff: str, now: datetime, *, by: str, member: str | None = None
) -> None:
    """Add one person to those assigned."""
    queries.assign(
        conn, {"trip_id": trip, "staff_id": staff, "member": member, "assigned_at": now, "assigned_by": by}
    )


def _log_assignment(
    conn: Connection,
    reader: Reader,
    what: Literal["assigned to trip", "taken off trip"],
    staff: str,
    trip: str,
    now: datetime,
    visitor: Visitor,
) -> None:
    about = f"{staff}, {trip}"
    record(conn, now, what, outfit=reader.outfit, staff=reader.staff, about=about, visitor=visitor)
