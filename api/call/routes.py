"""Calls as JSON: the list, the sealed records, public keys, and checking a record."""

from typing import Annotated

from fastapi import APIRouter, Body, Path, Response

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.call import queries
from api.call.arriving import sealed_or_raise
from api.call.schemas import Calls as CallList
from api.call.schemas import CheckedRecord, PublicKey, PublicKeys
from api.call.service import CallRoom, wire_of
from api.db import Reading
from api.journal.trip import Slug

router = APIRouter(prefix="/api", tags=["call"])

LONGEST_ID = 64
CallId = Annotated[str, Path(max_length=LONGEST_ID, pattern=r"^[0-9a-f-]+$", description="Id of the call.")]


@router.get("/trips/{trip}/calls", dependencies=[permit("trip.read")])
def list_calls(trip: Slug, conn: Reading, reader: CurrentReader, room: CallRoom) -> CallList:
    """The calls of a trip, the newest first, and how what their writers knew differed from what was here."""
    return CallList(trip=trip, calls=room.lines(room.evaluation(conn, reader, trip)))


@router.get("/trips/{trip}/calls/{call}", dependencies=[permit("trip.read")])
def read_record(trip: Slug, call: CallId, conn: Reading, reader: CurrentReader) -> Response:
    """The sealed record, in the very bytes that were signed."""
    sealed = sealed_or_raise(conn, reader.outfit, trip, call)
    headers = {"Content-Disposition": f'attachment; filename="call-{call}.json"'}
    return Response(sealed, media_type="application/json", headers=headers)


@router.post("/trips/{trip}/calls/verify", dependencies=[permit("trip.read")])
def verify_record(
    trip: Slug,
    sealed: Annotated[bytes, Body(media_type="application/octet-stream", max_length=4_000_000)],
    conn: Reading,
    reader: CurrentReader,
    room: CallRoom,
) -> CheckedRecord:
    """Check a sealed record: signature, place in the journal, and whether it comes out the same again."""
    return wire_of(room.check(conn, reader, sealed))


@router.get("/public-keys", dependencies=[permit("trip.list")])
def read_public_keys(conn: Reading, reader: CurrentReader) -> PublicKeys:
    """The keys that calls of this outfit are signed with."""
    found = queries.all_keys(conn, reader.outfit)
    return PublicKeys(
        keys=tuple(PublicKey(key_id=id_, public_key=key, created_at=at) for id_, key, at in found)
    )
