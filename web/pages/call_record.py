"""Calls that were made: the record on a page, as a file, on paper, as a short message; checking a record."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import Response

from api.access.current import CurrentReader
from api.access.permissions import may, permit
from api.call import paper, share
from api.call.arriving import sealed_or_raise
from api.call.schemas import CallLine
from api.call.service import CallRoom, Calls
from api.db import Reading
from api.errors import Invalid, NotFound
from api.journal.decisions import CallMade
from api.journal.entry import StoredEntry
from api.journal.fold import Record
from api.journal.trip import Slug
from api.nights.state import erased_since, names_of
from api.readiness.evaluation import Evaluation
from api.readiness.schemas import CAUTION
from web.pages.call_view import DECISIONS
from web.pages.roster_forms import Sent
from web.rendering import forms_errors, page, shell_of
from web.words import Say

router = APIRouter(prefix="/trips/{trip}", include_in_schema=False)
READ = [permit("trip.read")]
CallId = Annotated[str, Path(max_length=64)]
PaperSize = Annotated[Literal["a4", "us-letter"], Query()]
LARGEST_RECORD = 4_000_000


@router.get("/calls/check", dependencies=READ)
def show_check(
    request: Request, trip: Slug, conn: Reading, reader: CurrentReader, room: CallRoom
) -> Response:
    """The form that takes a record to check."""
    return _check_page(request, room.evaluation(conn, reader, trip))


@router.post("/calls/check", dependencies=READ)
def check(
    request: Request, trip: Slug, sent: Sent, conn: Reading, reader: CurrentReader, room: CallRoom
) -> Response:
    """Check a record: signature, place in the journal, and whether it comes out the same again."""
    evaluation = room.evaluation(conn, reader, trip)
    upload = sent.file("record")
    text = upload.file.read(LARGEST_RECORD + 1) if upload else b""
    if not text or len(text) > LARGEST_RECORD:
        problem = Invalid.field("record", "", "No record was chosen.", "Choose the file of a sealed record.")
        return _check_page(request, evaluation, problem)
    return _check_page(request, evaluation, found=room.check(conn, reader, text))


@router.get("/calls/{call}", dependencies=READ)
def show_call(
    request: Request, trip: Slug, call: CallId, conn: Reading, reader: CurrentReader, room: CallRoom
) -> Response:
    """A call as it was recorded, and what was known to one side only."""
    evaluation = room.evaluation(conn, reader, trip)
    line, made = call_of(room, evaluation, call)
    sealed: dict[str, Any] | None = None
    if line.countersigned:
        sealed = json.loads(sealed_or_raise(conn, reader.outfit, trip, call))
    snapshot = room.readiness.journal.picture(conn, reader.outfit, trip)
    seq = made_seq(snapshot.entries, call)
    gone = erased_since(snapshot.at(seq).picture, snapshot.picture)
    return page(
        request,
        "call/record.html",
        say=_say(request, evaluation),
        trip=trip,
        trip_name=evaluation.plan.name,
        call=line,
        body=made.body,
        names={m: profile.name for m, profile in evaluation.picture.profiles.items()},
        sealed=sealed,
        record=sealed["record"] if sealed else None,
        decisions=DECISIONS,
        short=share.short_text(evaluation, made),
        seq=seq,
        erased=[f"{member}.private-note" for member in gone],
        erased_names=names_of(snapshot.picture, gone) if may(reader, "health.read") else (),
        caution=CAUTION,
    )


@router.get("/calls/{call}/paper.pdf", dependencies=READ)
def paper_of_call(
    trip: Slug,
    call: CallId,
    conn: Reading,
    reader: CurrentReader,
    room: CallRoom,
    size: PaperSize = "a4",
) -> Response:
    """The record on one page."""
    _, made = call_of(room, room.evaluation(conn, reader, trip), call)
    sealed = json.loads(sealed_or_raise(conn, reader.outfit, trip, call))
    return _pdf(paper.pdf(paper.call_page(sealed), made.happened_at, size), f"call-{trip}")


@router.get("/calls/{call}/short.txt", dependencies=READ)
def short_text(trip: Slug, call: CallId, conn: Reading, reader: CurrentReader, room: CallRoom) -> Response:
    """The call in at most 160 characters, for a satellite messenger."""
    evaluation = room.evaluation(conn, reader, trip)
    _, made = call_of(room, evaluation, call)
    return Response(share.short_text(evaluation, made), media_type="text/plain; charset=utf-8")


@router.get("/board.pdf", dependencies=READ)
def paper_of_board(
    trip: Slug, conn: Reading, reader: CurrentReader, room: CallRoom, size: PaperSize = "a4"
) -> Response:
    """The whole board on one page."""
    board = room.readiness.board(conn, reader.outfit, trip)
    return _pdf(paper.pdf(paper.board_page(board), board.as_of, size), f"board-{trip}")


@router.get("/call.ics", dependencies=READ)
def calendar(trip: Slug, conn: Reading, reader: CurrentReader, room: CallRoom) -> Response:
    """Hold points and turnaround for a calendar."""
    text = share.calendar(room.evaluation(conn, reader, trip), room.now)
    headers = {"Content-Disposition": f'attachment; filename="{trip}.ics"'}
    return Response(text, media_type="text/calendar; charset=utf-8", headers=headers)


def call_of(room: Calls, evaluation: Evaluation, call: str) -> tuple[CallLine, Record[CallMade]]:
    """A call of a trip by its id, as a line and whole. Raises NotFound."""
    line = next((line for line in room.lines(evaluation) if line.call == call), None)
    made = next((r for r in evaluation.picture.decided.calls if str(r.entry) == call), None)
    if line is None or made is None:
        raise NotFound(f"There is no call {call} on this trip. The call page lists them.")
    return line, made


def made_seq(entries: Sequence[StoredEntry], call: str) -> int:
    """The number of a call's entry."""
    return next(entry.seq for entry in entries if str(entry.id) == call)


def _check_page(
    request: Request, evaluation: Evaluation, problem: Invalid | None = None, found: Any = None
) -> Response:
    body = problem.body() if problem else None
    return page(
        request,
        "call/check.html",
        status_code=problem.status if problem else 200,
        say=_say(request, evaluation),
        trip=evaluation.trip,
        trip_name=evaluation.plan.name,
        found=found,
        problem=body,
        errors=forms_errors(body),
        caution=CAUTION,
    )


def _say(request: Request, evaluation: Evaluation) -> Say:
    return Say(units=shell_of(request).units, zone=evaluation.plan.place.zone)


def _pdf(made: bytes, name: str) -> Response:
    headers = {"Content-Disposition": f'inline; filename="{name}.pdf"'}
    return Response(made, media_type="application/pdf", headers=headers)
