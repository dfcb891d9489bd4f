"""Personal links and whom to chase, as JSON."""

from datetime import date, datetime
from typing import Annotated

from fastapi import APIRouter, Path, Request, status
from pydantic import BaseModel, ConfigDict, Field

from api.access.current import CurrentReader
from api.access.limits import limit
from api.access.permissions import permit
from api.db import Reading, Writing
from api.journal.trip import Slug
from api.kitlist.schemas import Grade
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations
from api.selfreport import links
from api.selfreport.queries import LinkRow, of_trip
from api.selfreport.rules import Open, post_by, to_chase

router = APIRouter(prefix="/api/trips/{trip}", tags=["self-report"])

TripId = Annotated[Slug, Path(description="Id of the trip.")]
LinkId = Annotated[str, Path(max_length=40, description="Id of the link.")]


class LinksWanted(BaseModel):
    """Whom to make links for."""

    model_config = ConfigDict(extra="forbid")

    members: Annotated[list[Slug], Field(min_length=1, max_length=200)]


class LinkShown(BaseModel):
    """A personal link as it is listed. Its address is shown only when it is made."""

    id: str
    member: str
    created_at: datetime
    created_by: str
    expires_at: datetime
    revoked_at: datetime | None
    sent_to: str
    used_at: datetime | None
    open: bool


class LinkMade(LinkShown):
    """A new link with its address, which cannot be shown again."""

    address: str


class ThingToChase(BaseModel):
    """One thing that is open with a person."""

    requirement: str
    item: str
    grade: Grade
    open: Open
    says: str
    by: date | None
    late: bool


class PersonToChase(BaseModel):
    """A person and what is open with them, worst first."""

    member: str
    name: str
    answered: int
    asked: int
    nights_open: int
    things: list[ThingToChase]


class ChaseList(BaseModel):
    """Whom to chase, worst first, and until when something can still be sent by post."""

    post_by: date
    people: list[PersonToChase]
    caution: str = CAUTION


@router.get("/self-report-links", dependencies=[permit("selfreport.invite")])
def list_links(trip: TripId, request: Request, conn: Reading, reader: CurrentReader) -> list[LinkShown]:
    """Every personal link of the trip, oldest first."""
    now = request.app.state.clock.now()
    return [LinkShown(**shown(row, now)) for row in of_trip(conn, reader.outfit, trip)]


@router.post(
    "/self-report-links",
    status_code=status.HTTP_201_CREATED,
    dependencies=[permit("selfreport.invite"), limit("invite")],
)
def make_links(
    trip: TripId,
    wanted: LinksWanted,
    request: Request,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> list[LinkMade]:
    """Make a link for each person; the links they had end."""
    settings = request.app.state.settings
    made = links.make(work, settings, readiness.journal, reader, trip, dict.fromkeys(wanted.members))
    now = readiness.clock.now()
    return [LinkMade(**shown(one.row, now), address=address_of(request, one.token)) for one in made]


@router.post("/self-report-links/{link}/revoke", dependencies=[permit("selfreport.invite")])
def revoke_link(
    trip: TripId, link: LinkId, request: Request, work: Writing, reader: CurrentReader
) -> list[LinkShown]:
    """End a link at once."""
    links.revoke(work, reader, trip, link, request.app.state.clock.now())
    return list_links(trip, request, work, reader)


@router.get("/to-chase", dependencies=[permit("trip.read")])
def chase_list(
    trip: TripId, request: Request, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> ChaseList:
    """Whom to chase, for what, and until when it can still be fixed by post."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    last = post_by(evaluation.plan.starts_on, request.app.state.settings.post_days_before)
    people = [
        PersonToChase(
            member=chase.member,
            name=chase.name,
            answered=chase.answered,
            asked=chase.asked,
            nights_open=chase.nights_open,
            things=[
                ThingToChase(
                    requirement=thing.requirement,
                    item=thing.item,
                    grade=thing.grade,
                    open=thing.open,
                    says=thing.says,
                    by=thing.by,
                    late=thing.late,
                )
                for thing in chase.things
            ],
        )
        for chase in to_chase(evaluation, last)
    ]
    return ChaseList(post_by=last, people=people)


def address_of(request: Request, token: str) -> str:
    """The address of a personal link."""
    base = request.app.state.settings.base_url or str(request.base_url)
    return f"{base.rstrip('/')}/r/{token}"


def shown(row: LinkRow, now: datetime) -> dict[str, object]:
    """A link as it is listed."""
    return {
        "id": row.id,
        "member": row.member,
        "created_at": row.created_at,
        "created_by": row.created_by,
        "expires_at": row.expires_at,
        "revoked_at": row.revoked_at,
        "sent_to": row.sent_to,
        "used_at": row.used_at,
        "open": row.open_at(now),
    }
