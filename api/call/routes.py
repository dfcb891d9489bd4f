"""Calls as JSON: the list, making one, the sealed records, public keys, and checking a record."""

from typing import Annotated

from fastapi import APIRouter, Body, Path, Response, status

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.call import queries
from api.call.arriving import sealed_or_raise
from api.call.schemas import CallMadeHere, CallWrite, CheckedRecord, PublicKey, PublicKeys
from api.call.schemas import Calls as CallList
from api.call.service import CallRoom, Sitting
from api.call.verify import wire_of
from api.db import Reading, Writing
from api.errors import Conflict
from api.ids import new_id
from api.journal.trip import Slug

router = APIRouter(prefix="/api", tags=["call"])

LONGEST_ID = 64
CallId = Annotated[str, Path(max_length=LONGEST_ID, pattern=r"^[0-9a-f-]+$", description="Id of the call.")]


@router.get("/trips/{trip}/calls", dependencies=[permit("trip.read")])
def list_calls(trip: Slug, conn: Reading, reader: CurrentReader, room: CallRoom) -> CallList:
    """The calls of a trip, the newest first, and how what their writers knew differed from what was here."""
    return CallList(trip=trip, calls=room.lines(room.evaluation(conn, reader, trip)))


@router.post("/trips/{trip}/calls", dependencies=[permit("call.make")], status_code=status.HTTP_201_CREATED)
def make_call(
    trip: Slug,
    called: CallWrite,
    work: Writing,
    reader: CurrentReader,
    room: CallRoom,
    response: Response,
) -> CallMadeHere:
    """Make the call at the hold point ahead. Sent again under its own id it answers 200 and changes nothing.

    A go over an open stop is refused: each is fixed, its person stays, or it is accepted by name.
    """
    id_ = called.id or new_id(room.now)
    known = room.seq_of(work, reader, trip, id_)
    if known is None:
        room.make(Sitting(work, reader, trip, called.seen_seq, id_, "api"), called)
    else:
        response.status_code = status.HTTP_200_OK
    lines = room.lines(room.evaluation(work, reader, trip))
    line = next((line for line in lines if line.call == str(id_)), None)
    if line is None:
        raise Conflict(f"The id {id_} is taken by another entry. Send the call under an id of its own.")
    return CallMadeHere(**line.model_dump(), seq=room.seq_of(work, reader, trip, id_) or 0)


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
