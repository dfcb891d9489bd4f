"""Photos as staff send and see them."""

from typing import Annotated

from fastapi import APIRouter, Path, Query, Request, status
from fastapi.responses import Response
from pydantic import BaseModel

from api.access.current import CurrentReader
from api.access.limits import limit
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Invalid
from api.journal.kinds import PARTY
from api.journal.service import Journals
from api.journal.trip import Slug
from api.kitlist.service import get_edition
from api.photos import queries, service
from api.photos.service import NotAPhoto, Sent

router = APIRouter(prefix="/api/trips/{trip}/photos", tags=["photos"])

TripId = Annotated[Slug, Path(description="Id of the trip.")]
PhotoHash = Annotated[str, Path(pattern=r"^[0-9a-f]{64}$", description="SHA-256 of the file as sent.")]


class PhotoKept(BaseModel):
    """A photo that is kept. `photo` goes into the sighting it belongs to."""

    photo: str
    width: int
    height: int
    bytes: int


class PhotoLine(BaseModel):
    """A photo of a trip."""

    photo: str
    subject: str
    requirement: str
    shows: str
    width: int
    height: int
    added_by: str


@router.post(
    "",
    status_code=status.HTTP_201_CREATED,
    dependencies=[permit("check.report"), limit("upload")],
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {
                "multipart/form-data": {
                    "schema": {
                        "type": "object",
                        "required": ["photo", "subject", "requirement"],
                        "properties": {
                            "photo": {"type": "string", "format": "binary"},
                            "subject": {"type": "string"},
                            "requirement": {"type": "string"},
                            "shows": {"type": "string", "enum": ["label", "whole", "other"]},
                        },
                    }
                }
            },
        }
    },
)
def add_photo(
    request: Request, trip: TripId, sent: Sent, work: Writing, reader: CurrentReader, journals: Journals
) -> PhotoKept:
    """Keep a photo (JPEG, PNG, WebP or HEIC) of a thing; only its pixels are kept."""
    if sent.made is None:
        raise NotAPhoto("There is no file in the field photo. Choose one and send it again.")
    picture = journals.picture(work, reader.outfit, trip).picture
    subject, requirement = sent.text("subject"), sent.text("requirement")
    ropes = {rope.id for rope in picture.rope_teams}
    if subject not in {*picture.members, *ropes, PARTY}:
        raise Invalid.field(
            "subject", subject, "This is nobody on this trip.", "Name a member, a rope, or party."
        )
    plan = picture.trip
    edition = get_edition(work, reader.outfit, plan.edition_id) if plan and plan.edition_id else None
    if edition is None or edition.requirement(requirement) is None:
        raise Invalid.field(
            "requirement", requirement, "This is no line of the trip's kit list.", "Use the id of a line."
        )
    hash_ = service.keep(
        work,
        request.app.state.settings,
        reader.outfit,
        trip,
        subject=subject,
        requirement=requirement,
        shows=sent.text("shows"),
        made=sent.made,
        now=request.app.state.clock.now(),
        by=reader.name,
    )
    return PhotoKept(
        photo=hash_, width=sent.made.width, height=sent.made.height, bytes=len(sent.made.content)
    )


@router.get("", dependencies=[permit("trip.read")])
def list_photos(trip: TripId, conn: Reading, reader: CurrentReader) -> list[PhotoLine]:
    """All photos of a trip, oldest first."""
    return [
        PhotoLine(
            photo=row.hash,
            subject=row.subject,
            requirement=row.requirement,
            shows=row.shows,
            width=row.width,
            height=row.height,
            added_by=row.added_by,
        )
        for row in queries.listed(conn, reader.outfit, trip)
    ]


@router.get("/{photo}", dependencies=[permit("trip.read")], response_class=Response)
def get_photo(
    trip: TripId,
    photo: PhotoHash,
    conn: Reading,
    reader: CurrentReader,
    small: Annotated[bool, Query(description="At most 240 pixels a side.")] = False,
) -> Response:
    """One photo."""
    return service.answer(conn, reader.outfit, trip, photo, small=small)
