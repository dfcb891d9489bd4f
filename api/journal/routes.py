"""The journal over HTTP: append, read after a number, verify, and be told when it grows."""

import json
from collections.abc import AsyncIterator
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Header, Path, Query, Request, Response
from fastapi.sse import EventSourceResponse, ServerSentEvent
from pydantic import TypeAdapter, ValidationError

from api.access.current import CurrentReader, Reader, still_sees
from api.access.permissions import permit
from api.db import Database, Reading, Work, Writing, off_loop
from api.errors import FieldProblem, from_validation
from api.journal import store, views
from api.journal.entry import Entry
from api.journal.schemas import (
    BatchOutcome,
    ChainState,
    EntryOutcome,
    FieldFault,
    JournalBatch,
    JournalPage,
    Revision,
)
from api.journal.service import Journal, Journals
from api.journal.store import Outcome
from api.journal.trip import Slug
from api.journal.writing import checks_for

router = APIRouter(prefix="/api/trips/{trip}", tags=["journal"])

STREAM_LIFE_S = 600.0
"""A stream ends after this long and the browser comes back: what a proxy or a sleeping phone left open is
freed.
"""
RETRY_MS = 2_000
BEAT_EVERY_S = 15.0
"""How often a stream says that it lives, and that whoever reads may still do so is looked at again."""
LOOK_EVERY_S = 2.0
"""How often a stream looks for itself: another process that appends to the same SQLite file tells nobody."""

TripId = Annotated[Slug, Path(description="Id of the trip.")]
_ENTRY: TypeAdapter[Entry] = TypeAdapter(Entry)


@router.post("/journal", dependencies=[permit("journal.append")])
async def append(
    trip: TripId, batch: JournalBatch, reader: CurrentReader, journals: Journals, work: Writing
) -> BatchOutcome:
    """Append entries. The answer says for each: stored, already there, or refused with the reason."""
    return await off_loop(lambda: _append(trip, batch, reader, journals, work))


def _append(trip: str, batch: JournalBatch, reader: Reader, journals: Journal, work: Work) -> BatchOutcome:
    read = [_read_entry(position, sent) for position, sent in enumerate(batch.entries)]
    entries = [entry for entry in read if isinstance(entry, Entry)]
    outcomes = iter(journals.record(work, reader.outfit, trip, entries, checks_for(reader)))
    for _ in range(len(read) - len(entries)):
        journals.measurements.entry("refused")
    judged = [
        _outcome(position, next(outcomes)) if isinstance(entry, Entry) else entry
        for position, entry in enumerate(read)
    ]
    return BatchOutcome(trip=trip, head_seq=store.head(work, trip).seq, outcomes=judged)


@router.get("/journal", dependencies=[permit("journal.read")], response_model=JournalPage)
def read(
    trip: TripId,
    reader: CurrentReader,
    conn: Reading,
    journals: Journals,
    after: Annotated[
        int, Query(ge=0, le=store.LARGEST_SEQ, description="Number of the last entry known.")
    ] = 0,
    limit: Annotated[int, Query(ge=1, le=5_000, description="Most entries to answer with.")] = 1_000,
) -> Response:
    """The entries after a number, as they are stored, so that their hashes can be checked.

    A view that the reader may not see yet comes without what it says; its hash can be checked later.
    """
    head = store.head(conn, trip, reader.outfit)
    kept = store.read_kept(conn, trip, after, head.seq, limit)
    next_after = kept[-1].seq if kept and kept[-1].seq < head.seq else None
    snapshot = journals.picture(conn, reader.outfit, trip)
    entries = ",".join(entry.json() for entry in views.shown_to(kept, snapshot, reader.staff, reader.role))
    page = (
        f'{{"trip":{json.dumps(trip)},"head_seq":{head.seq},"next_after":{json.dumps(next_after)},'
        f'"entries":[{entries}]}}'
    )
    return Response(page, media_type="application/json", headers={"Cache-Control": "no-store"})


@router.get("/journal/verify", dependencies=[permit("journal.read")])
def verify(trip: TripId, reader: CurrentReader, conn: Reading) -> ChainState:
    """Walk the journal's hash chain and name the first entry that is not as it was stored."""
    store.head(conn, trip, reader.outfit)
    report = store.verify_trip(conn, trip)
    return ChainState(
        trip=trip,
        whole=report.whole,
        entries=report.entries,
        head_hash=report.head_hash,
        broken_seq=report.broken_seq,
        problem=report.problem,
    )


async def _known_trip(request: Request, trip: TripId, reader: CurrentReader, journals: Journals) -> str:
    """Refuses before the stream begins, while the status can still say so."""
    await journals.head(request.app.state.db, reader.outfit, trip)
    return trip


@router.get("/events", dependencies=[permit("journal.read")], response_class=EventSourceResponse)
async def events(
    request: Request,
    trip: Annotated[str, Depends(_known_trip)],
    reader: CurrentReader,
    journals: Journals,
    last_event_id: Annotated[str | None, Header(max_length=40)] = None,
) -> AsyncIterator[ServerSentEvent]:
    """Revision numbers as they come: first the one now, unless it is the one the client had last.

    A `beat` now and then says that the stream lives. It ends when its reader may not see the trip any more.
    """
    # No connection is held while the stream is open; `head` gives back at once the one it may need.
    db: Database = request.app.state.db
    clock = journals.clock
    ends_at = clock.monotonic() + STREAM_LIFE_S
    beats_at = clock.monotonic() + BEAT_EVERY_S
    stopping = request.app.state.stopping
    told = last_event_id
    yield ServerSentEvent(comment="revisions of this trip", retry=RETRY_MS)
    with journals.live.watch(trip) as watch:
        while (left_s := ends_at - clock.monotonic()) > 0 and not stopping.is_set():
            seq = (await journals.head(db, reader.outfit, trip)).seq
            if str(seq) != told:
                told = str(seq)
                yield ServerSentEvent(event="revision", id=told, data=Revision(trip=trip, seq=seq))
            if clock.monotonic() >= beats_at:
                if not await still_sees(request, trip):
                    return
                beats_at = clock.monotonic() + BEAT_EVERY_S
                yield ServerSentEvent(event="beat", id=told, data=Revision(trip=trip, seq=seq))
            await watch.change(min(left_s, LOOK_EVERY_S, BEAT_EVERY_S), stopping)


def _read_entry(position: int, sent: Any) -> Entry | EntryOutcome:
    try:
        return _ENTRY.validate_json(json.dumps(sent))
    except ValidationError as error:
        problem = from_validation(error.errors(), skip=())
        return EntryOutcome(
            position=position,
            id=_stated_id(sent),
            status="refused",
            problem=problem.detail,
            fields=[_fault(field) for field in problem.fields],
        )


def _stated_id(sent: Any) -> str | None:
    stated = sent.get("id") if isinstance(sent, dict) else None
    return stated[:64] if isinstance(stated, str) else None


def _fault(field: FieldProblem) -> FieldFault:
    return FieldFault.model_validate(field.shown())


def _outcome(position: int, outcome: Outcome) -> EntryOutcome:
    return EntryOutcome(
        position=position,
        id=str(outcome.id),
        status=outcome.status,
        seq=outcome.seq,
        problem=outcome.problem,
    )
