"""The board as JSON."""

from fastapi import APIRouter, Request, Response

from api.access.current import CurrentReader
from api.access.permissions import may, permit
from api.db import Reading
from api.readiness.board import forecast_line, sheet
from api.readiness.by_source import FlagsBySource
from api.readiness.outlook import Frequency, IssueChange, PossibleFlag
from api.readiness.schemas import CAUTION, Board, Finding, ForecastLine, ItemRow, Shown
from api.readiness.service import Evaluations
from api.readiness.tipping import TippingPoint

router = APIRouter(prefix="/api/trips/{trip}", tags=["board"])


@router.get("/board", dependencies=[permit("trip.read")], response_model=Board)
async def read_board(request: Request, trip: str, reader: CurrentReader, readiness: Evaluations) -> Response:
    """Verdicts, open findings with reasons and numbers, the caution, and what the board rests on."""
    written, mark = await readiness.board_json(
        request.app.state.db, reader.outfit, trip, named=may(reader, "health.read")
    )
    headers = {"ETag": mark, "Cache-Control": "private, no-cache"}
    if request.headers.get("if-none-match") == mark:
        return Response(status_code=304, headers=headers)
    return Response(written, media_type="application/json", headers=headers)


class OpenFindings(Shown):
    """Open findings, with the caution they must not travel without."""

    caution: str = CAUTION
    seq: int
    findings: tuple[Finding, ...]


class Sheet(Shown):
    """What is asked of one subject and what is known of it, with the caution."""

    caution: str = CAUTION
    seq: int
    subject: str
    rows: tuple[ItemRow, ...]


class OutlookShown(Shown):
    """What other courses of the weather and other sources say about flags, with the caution."""

    caution: str = CAUTION
    seq: int
    forecast: ForecastLine | None
    tipping: tuple[TippingPoint, ...]
    """Nearest first, over the ranges stated in the documentation."""
    frequencies: dict[str, Frequency]
    """By the id of a finding."""
    possible: tuple[PossibleFlag, ...]
    since: IssueChange | None
    by_source: FlagsBySource


@router.get("/outlook", dependencies=[permit("trip.read")])
def read_outlook(trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations) -> OutlookShown:
    """Tipping points, how often each flag appears, what a new issue did, and where sources differ."""
    outlook, now = readiness.outlook(conn, reader.outfit, trip), readiness.clock.now()
    start = outlook.start_stage(now)
    return OutlookShown(
        seq=outlook.evaluation.seq,
        forecast=forecast_line(outlook.evaluation, now),
        tipping=outlook.tipping(start.id if start else None),
        frequencies=dict(outlook.frequencies),
        possible=outlook.possible,
        since=outlook.since,
        by_source=readiness.by_source(conn, reader.outfit, trip),
    )


@router.get("/findings", dependencies=[permit("trip.read")])
def read_findings(trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations) -> OpenFindings:
    """The open findings alone."""
    shown = readiness.board(conn, reader.outfit, trip)
    return OpenFindings(seq=shown.seq, findings=shown.findings)


@router.get("/sheets/{subject}", dependencies=[permit("trip.read")])
def read_sheet(
    trip: str, subject: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Sheet:
    """Every requirement of a person, a rope or the party, with everything known and how it is known."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return Sheet(seq=evaluation.seq, subject=subject, rows=sheet(evaluation, subject))
