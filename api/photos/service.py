"""Keeping photos and handing them out."""

from collections.abc import AsyncIterator
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from anyio import to_thread
from fastapi import Depends, Request
from fastapi.responses import Response
from sqlalchemy import Connection
from starlette.datastructures import FormData, UploadFile

from api.db import Work
from api.errors import Conflict, FieldProblem, Invalid, NotFound, TooLarge
from api.photos import queries
from api.photos.rules import Made, NotUsable, harmless
from api.settings import Settings

FIELD = "photo"
MOST_FIELDS = 20

HEADERS = {
    "Content-Disposition": 'inline; filename="photo.jpg"',
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "default-src 'none'; sandbox",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "private, max-age=86400, immutable",
}
"""Of every photo that is sent: it is a picture and nothing else, even when opened alone."""


class NotAPhoto(Invalid):
    """The file cannot be kept as a photo; the answer says why and what to do."""

    code = "not-a-photo"
    title = "This cannot be used as a photo"

    def __init__(self, says: str) -> None:
        problem, _, remedy = says.partition(". ")
        fields = [FieldProblem(FIELD, None, remedy, f"{problem}.")]
        super().__init__(f"{says} Nothing was stored.", fields=fields)
        self.says = says


@dataclass(frozen=True, slots=True)
class Sending:
    """A form with a photo, already made harmless; `made` is None when no file was chosen."""

    data: FormData
    made: Made | None

    def text(self, name: str) -> str:
        """A field of the form."""
        value = self.data.get(name, "")
        return value.strip() if isinstance(value, str) else ""


def too_large(most_bytes: int) -> TooLarge:
    """The refusal of a file that is too large."""
    return TooLarge(
        f"This photo is larger than the {most_bytes / 1e6:g} MB that are taken. Send it smaller; nothing "
        "was stored."
    )


async def read_sent(request: Request) -> AsyncIterator[Sending]:
    """Read a form with a photo and encode the photo anew, before anyone's turn to write begins.

    Raises TooLarge and NotAPhoto.
    """
    settings: Settings = request.app.state.settings
    async with request.form(max_files=1, max_fields=MOST_FIELDS) as data:
        file = data.get(FIELD)
        if not isinstance(file, UploadFile) or not file.size:
            yield Sending(data, None)
            return
        if file.size > settings.photo_max_bytes:
            raise too_large(settings.photo_max_bytes)
        content = await file.read()
        try:
            made = await to_thread.run_sync(harmless, content, settings.photo_max_pixels)
        except NotUsable as error:
            raise NotAPhoto(str(error)) from error
        yield Sending(data, made)


Sent = Annotated[Sending, Depends(read_sent, scope="function")]
"""The form of this request with its photo. Name it before ``Writing``."""


def keep(
    work: Work,
    settings: Settings,
    outfit: str,
    trip: str,
    *,
    subject: str,
    requirement: str,
    shows: str,
    made: Made,
    now: datetime,
    by: str,
) -> str:
    """Keep a photo of a thing; answers with its hash. The same photo again changes nothing.

    The caller has made sure that subject and requirement are of this trip. Raises Conflict when there are too
    many of this subject.
    """
    hash_ = made.hash
    if queries.there(work, trip, subject, requirement, hash_):
        return hash_
    if queries.how_many(work, trip, subject) >= settings.photo_most_each:
        raise Conflict(
            f"There are {settings.photo_most_each} photos already, and no more are taken. Nothing was stored."
        )
    queries.add(
        work,
        {
            "trip_id": trip,
            "subject": subject,
            "requirement": requirement,
            "hash": hash_,
            "outfit_id": outfit,
            "shows": shows if shows in ("label", "whole") else "other",
            "content": made.content,
            "small": made.small,
            "width": made.width,
            "height": made.height,
            "added_at": now,
            "added_by": by,
        },
    )
    return hash_


def answer(
    conn: Connection, outfit: str, trip: str, hash_: str, *, small: bool, subject: str | None = None
) -> Response:
    """A photo as it is sent. Raises NotFound; with a `subject`, also for a photo of somebody else's gear."""
    found = queries.content(conn, outfit, trip, hash_, small=small, subject=subject)
    if found is None:
        raise NotFound("There is no such photo here. Check the address.")
    return Response(found, media_type="image/jpeg", headers=HEADERS)
