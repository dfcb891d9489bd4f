"""The board as JSON."""

from fastapi import APIRouter

from api.access.current import CurrentReader
from api.db import Reading
from api.readiness.board import sheet
from api.readiness.schemas import CAUTION, Board, Finding, ItemRow, Shown
from api.readiness.service import Evaluations

router = APIRouter(prefix="/api/trips/{trip}", tags=["board"])


@router.get("/board")
def read_board(trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations) -> Board:
    """Verdicts, open findings with reasons and numbers, the caution, and what the board rests on."""
    return readiness.board(conn, reader.outfit, trip)


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


@router.get("/findings")
def read_findings(trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations) -> OpenFindings:
    """The open findings alone."""
    shown = readiness.board(conn, reader.outfit, trip)
    return OpenFindings(seq=shown.seq, findings=shown.findings)


@router.get("/sheets/{subject}")
def read_sheet(
    trip: str, subject: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Sheet:
    """Every requirement of a person, a rope or the party, with everything known and how it is known."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return Sheet(seq=evaluation.seq, subject=subject, rows=sheet(evaluation, subject))
