"""The board and the pages one reaches by tapping on it."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader, may_see
from api.access.permissions import may, permit
from api.call.watching import watch
from api.db import Database, Reading
from api.journal.kinds import PARTY
from api.journal.queries import TripRow
from api.journal.queries import trips as trip_rows
from api.readiness.board import sheet
from api.readiness.service import Evaluations, Readiness
from web.kept import kept_parts
from web.pages.board_show import board_answer, freezing_lines, show_finding, show_sheet, show_trips
from web.pages.board_view import BoardView, TripLine
from web.pages.body import body_of_person
from web.pages.screens import outfit_links
from web.rendering import conditional, marked, shell_of, units_of
from web.words import Units

router = APIRouter(include_in_schema=False)


@router.get("/", dependencies=[permit("trip.list")])
def trips(request: Request, conn: Reading, reader: CurrentReader, readiness: Evaluations) -> Response:
    """The trips one may see, and how those ahead stand."""
    seen = may_see(conn, reader)
    today = readiness.clock.now().date() - timedelta(days=1)
    units = shell_of(request).units
    lines = [
        _trip_line(conn, reader, readiness, row, today, units)
        for row in trip_rows(conn, reader.outfit)
        if seen(row.id)
    ]
    return show_trips(request, lines, today, links=outfit_links(reader))


@router.get("/trips/{trip}", dependencies=[permit("trip.read")])
def board_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """The board."""
    now = readiness.clock.now()
    return conditional(request, _board(request, trip, conn, reader, readiness, part=False, now=now))


@router.get("/trips/{trip}/_board", dependencies=[permit("trip.read")])
async def board_part(request: Request, trip: str, reader: CurrentReader, readiness: Evaluations) -> Response:
    """The part of the board that is swapped when something has changed; the same for all guides, and for
    all others."""
    db: Database = request.app.state.db
    head = await readiness.journal.head(db, reader.outfit, trip)
    minute = readiness.clock.now().replace(second=0, microsecond=0)

    def make(conn: Connection) -> bytes:
        return bytes(_board(request, trip, conn, reader, readiness, part=True, now=minute).body)

    body, mark = await kept_parts(request.app).get(
        db, (head.hash, minute, units_of(request), may(reader, "health.read")), make
    )
    return marked(request, HTMLResponse(body), mark)


@router.get("/trips/{trip}/findings/{finding:path}", dependencies=[permit("trip.read")])
def finding_page(
    request: Request, trip: str, finding: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """One finding."""
    return show_finding(request, readiness.board(conn, reader.outfit, trip), finding)


@router.get("/trips/{trip}/people/{subject}", dependencies=[permit("trip.read")])
@router.get("/trips/{trip}/ropes/{subject}", dependencies=[permit("trip.read")])
def subject_page(
    request: Request, trip: str, subject: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Everything known about a person or a rope."""
    evaluation, board = (
        readiness.evaluation(conn, reader.outfit, trip),
        readiness.board(conn, reader.outfit, trip),
    )
    rows = sheet(evaluation, subject)
    body = body_of_person(evaluation, subject, BoardView(board).say(shell_of(request).units))
    return show_sheet(request, board, subject, rows, body)


@router.get("/trips/{trip}/party", dependencies=[permit("trip.read")])
def party_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Everything known about what the party carries together."""
    return subject_page(request, trip, PARTY, conn, reader, readiness)


def _board(
    request: Request,
    trip: str,
    conn: Connection,
    reader: Reader,
    readiness: Readiness,
    *,
    part: bool,
    now: datetime,
) -> Response:
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return board_answer(
        request,
        readiness.board(conn, reader.outfit, trip, now=now, named=may(reader, "health.read")),
        evaluation.plan,
        evaluation.conditions,
        part=part,
        lines=freezing_lines(evaluation),
        watch=watch(evaluation, now),
    )


def _trip_line(
    conn: Connection, reader: Reader, readiness: Readiness, row: TripRow, today: date, units: Units
) -> TripLine:
    if row.starts_on is None or row.ends_on is None:
        return TripLine(row.id, row.name or row.id, says="Not planned yet.")
    if row.ends_on < today:
        return TripLine(row.id, row.name or row.id, row.starts_on, row.ends_on)
    view = BoardView(readiness.board(conn, reader.outfit, row.id))
    return TripLine(
        row.id,
        view.board.name,
        row.starts_on,
        row.ends_on,
        place=readiness.evaluation(conn, reader.outfit, row.id).plan.place.name,
        standing=view.board.verdict.standing,
        says=view.headline(view.say(units)),
    )
