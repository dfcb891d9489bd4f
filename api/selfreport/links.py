"""Personal links: made, found by their token, ended."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, time, timedelta

from sqlalchemy import Connection

from api.access.current import Reader
from api.access.tokens import hash_of, new_token
from api.db import Work
from api.errors import Conflict, FieldProblem, Invalid, NotFound
from api.ids import new_id
from api.journal.fold import Picture
from api.journal.service import Journal
from api.journal.trip import TripPlan
from api.selfreport import queries
from api.selfreport.queries import LinkRow
from api.settings import Settings


class Closed(NotFound):
    """A personal link that lets nobody in: unknown, run out, or revoked. The answer never says which."""

    code = "link-closed"
    title = "This link does not work any more"

    def __init__(self) -> None:
        super().__init__("This link does not work any more. Ask the office of your trip for a new one.")


@dataclass(frozen=True, slots=True)
class MadeLink:
    """A link just made. Its token is known here and now, and never again."""

    row: LinkRow
    token: str


def expiry(plan: TripPlan, days_after: int) -> datetime:
    """When the links of a trip run out: so many days after its last, at midnight of its time zone."""
    last = plan.ends_on + timedelta(days=days_after + 1)
    return datetime.combine(last, time(), tzinfo=plan.place.zone)


def make(
    work: Work,
    settings: Settings,
    journal: Journal,
    reader: Reader,
    trip: str,
    members: Iterable[str],
    *,
    end_others: bool = True,
) -> list[MadeLink]:
    """Make a link for each of these people, and end those they had, unless the caller does so later.

    Raises Conflict while the trip has no plan or when its links would have run out already, Invalid for
    somebody who is not on the trip.
    """
    picture = journal.picture(work, reader.outfit, trip).picture
    plan, now = picture.trip, journal.clock.now()
    if plan is None:
        raise Conflict("The trip has no plan yet. Enter its days first.")
    until = expiry(plan, settings.selfreport_days_after)
    if until <= now:
        raise Conflict("The trip is over, and links for it have run out. No link was made.")
    wanted = [_on_trip(picture, member) for member in members]  # all, before the first is made
    if end_others:
        for member in wanted:
            queries.end(work, reader.outfit, trip, now, member=member)
    return [_make_one(work, reader, trip, member, now, until) for member in wanted]


def _on_trip(picture: Picture, member: str) -> str:
    if member not in picture.members:
        says, remedy = "This is nobody on this trip.", "Choose people from the list."
        raise Invalid(
            f"member: {says} No link was made.", fields=[FieldProblem("member", member, remedy, says)]
        )
    return member


def _make_one(work: Work, reader: Reader, trip: str, member: str, now: datetime, until: datetime) -> MadeLink:
    token = new_token()
    row = LinkRow(
        id=str(new_id(now)),
        outfit_id=reader.outfit,
        trip_id=trip,
        member=member,
        created_at=now,
        created_by=reader.name,
        expires_at=until,
        revoked_at=None,
        sent_to="",
        sent_at=None,
        used_at=None,
    )
    queries.add(work, row, hash_of(token))
    return MadeLink(row, token)


def revoke(work: Work, reader: Reader, trip: str, link: str, now: datetime) -> None:
    """End a link at once. One that has ended already stays so. Raises NotFound."""
    if not any(row.id == link for row in queries.of_trip(work, reader.outfit, trip)):
        raise NotFound("There is no such link on this trip. Choose it from the list.")
    queries.end(work, reader.outfit, trip, now, id=link)


def open_link(conn: Connection, token: str, now: datetime) -> LinkRow:
    """The link with this token, if it lets anyone in. Raises Closed, whatever the reason."""
    row = queries.by_token(conn, hash_of(token))
    if row is None or not row.open_at(now):
        raise Closed
    return row


def newest_of(conn: Connection, outfit: str, trip: str) -> dict[str, LinkRow]:
    """The link of each person of a trip that counts, by member: the one not revoked, else the newest."""
    rows = queries.of_trip(conn, outfit, trip)
    return {row.member: row for row in sorted(rows, key=lambda row: row.revoked_at is None)}
