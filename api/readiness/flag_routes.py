"""Flags as JSON: queues, what people do about them, and their history."""

from datetime import datetime
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, Path, Query
from pydantic import AwareDatetime, BaseModel, ConfigDict, Field

from api.access.current import CurrentReader, Reader
from api.access.permissions import permit
from api.db import Reading, Work, Writing
from api.errors import NotFound
from api.ids import new_id
from api.journal.trip import LongText, Slug
from api.readiness import flags
from api.readiness.acceptance import Wider
from api.readiness.history import history
from api.readiness.schemas import CAUTION, Finding, Shown
from api.readiness.service import Evaluations, Readiness

router = APIRouter(prefix="/api/trips/{trip}", tags=["flags"])

TripId = Annotated[Slug, Path(description="Id of the trip.")]
FindingPath = Annotated[str, Path(description="Id of the finding: subject and requirement.", max_length=130)]
Queue = Literal["all", "mine", "free", "rope", "hold"]


class Request(BaseModel):
    """Base of what is sent."""

    model_config = ConfigDict(extra="forbid")

    entry: UUID | None = None
    """Id for the entry (UUID version 7), made where it was written: sent twice, it is written once."""


class Take(Request):
    """Who sends it takes the flag."""

    until: AwareDatetime
    note: LongText = ""


class GiveBack(Request):
    """The flag is given back."""

    note: LongText = ""


class WiderBound(BaseModel):
    """A worse number that an acceptance is to hold for."""

    model_config = ConfigDict(extra="forbid")

    metric: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,60}$")]
    comparison: Literal["not-below", "not-above"]
    value: Annotated[float, Field(allow_inf_nan=False, ge=-1e9, le=1e9)]
    """In the unit the metric registry gives."""


class Accept(Request):
    """A lead guide accepts the gap."""

    reason: Annotated[LongText, Field(min_length=3)]
    wider: Annotated[list[WiderBound], Field(max_length=40)] = Field(default_factory=list)
    """Worse numbers than today's that it is to hold for as well; a gap that weighs heavier opens all the
    same."""


class EndAcceptance(Request):
    """A lead guide takes an acceptance back."""

    reason: LongText = ""


class FlagQueue(Shown):
    """Some of the flags of a trip, with the caution they must not travel without."""

    caution: str = CAUTION
    seq: int
    queue: str
    hold: str | None = None
    """Name of the hold point ahead, for the queue before it."""
    findings: tuple[Finding, ...]
    accepted: tuple[Finding, ...] = ()


class FlagNow(Shown):
    """A flag after something was done about it; `finding` is null once it is cleared."""

    caution: str = CAUTION
    seq: int
    finding: Finding | None


class HistoryRow(Shown):
    """One thing that happened to one flag, and why."""

    seq: int
    at: datetime
    happened: str
    finding: str
    subject: str
    requirement: str
    what: str
    gap: str
    grade: str
    hold: str
    cause: UUID
    cause_kind: str
    by: str
    because: str


class History(Shown):
    """What happened to flags, in order."""

    caution: str = CAUTION
    rows: tuple[HistoryRow, ...]


@router.get("/flags", dependencies=[permit("trip.read")])
def read_flags(
    trip: TripId,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    queue: Queue = "all",
    rope: Annotated[Slug | None, Query(description="Id of the rope, for the queue `rope`.")] = None,
) -> FlagQueue:
    """Open flags: all, mine, those nobody sees to, one rope's, or those before the next hold point."""
    board = readiness.board(conn, reader.outfit, trip)
    found, hold = board.findings, None
    accepted: tuple[Finding, ...] = ()
    if queue == "mine":
        found = flags.mine(board, reader.staff)
    elif queue == "free":
        found = flags.free(board.findings)
    elif queue == "rope":
        if rope not in {line.rope for line in board.ropes}:
            raise NotFound(f"There is no rope {rope} on this trip. Name one of its ropes.")
        found = flags.of_rope(board, rope or "")
    elif queue == "hold":
        ahead, found = flags.before_next_hold(board)
        hold = ahead.name if ahead else None
    else:
        accepted = board.accepted
    return FlagQueue(seq=board.seq, queue=queue, hold=hold, findings=found, accepted=accepted)


@router.post("/flags/{finding}/take", dependencies=[permit("flag.take")])
def take(
    trip: TripId,
    finding: FindingPath,
    sent: Take,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> FlagNow:
    """Take a flag until a moment; after that it is offered to others."""
    writer = _writer(work, readiness, reader, trip, sent)
    flags.take(writer, finding, sent.until, sent.note)
    return _now(work, readiness, reader, trip, finding)


@router.post("/flags/{finding}/give-back", dependencies=[permit("flag.take")])
def give_back(
    trip: TripId,
    finding: FindingPath,
    sent: GiveBack,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> FlagNow:
    """Give a flag back."""
    flags.release(_writer(work, readiness, reader, trip, sent), finding, sent.note)
    return _now(work, readiness, reader, trip, finding)


@router.post("/flags/{finding}/accept", dependencies=[permit("flag.accept")])
def accept(
    trip: TripId,
    finding: FindingPath,
    sent: Accept,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> FlagNow:
    """Accept a gap by name, for conditions and evidence as they are now. For lead guides."""
    wider = [Wider(each.metric, each.comparison, each.value) for each in sent.wider]
    flags.accept(_writer(work, readiness, reader, trip, sent), finding, sent.reason, wider)
    return _now(work, readiness, reader, trip, finding)


@router.post("/flags/{finding}/end-acceptance", dependencies=[permit("flag.accept")])
def end_acceptance(
    trip: TripId,
    finding: FindingPath,
    sent: EndAcceptance,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> FlagNow:
    """Take an acceptance back: the flag is open again. For lead guides."""
    flags.end_acceptance(_writer(work, readiness, reader, trip, sent), finding, sent.reason)
    return _now(work, readiness, reader, trip, finding)


@router.get("/flag-history", dependencies=[permit("trip.read")])
def read_history(
    trip: TripId,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    finding: Annotated[str | None, Query(max_length=130, description="Only about this finding.")] = None,
    after_seq: Annotated[int, Query(ge=0, description="Only after this entry.")] = 0,
) -> History:
    """Everything that happened to flags: opened, taken, accepted, reopened, cleared, each with its cause."""
    rows = history(conn, readiness, reader.outfit, trip, finding=finding, after_seq=after_seq)
    return History(
        rows=tuple(
            HistoryRow(
                seq=row.seq,
                at=row.at,
                happened=row.happened,
                finding=row.finding,
                subject=row.subject,
                requirement=row.requirement,
                what=row.what,
                gap=row.gap,
                grade=row.grade,
                hold=row.hold,
                cause=UUID(row.cause),
                cause_kind=row.cause_kind,
                by=row.by_name,
                because=row.because,
            )
            for row in rows
        )
    )


def _writer(work: Work, readiness: Readiness, reader: Reader, trip: str, sent: Request) -> flags.Writer:
    entry = sent.entry or new_id(readiness.clock.now())
    return flags.Writer(work, readiness, reader, trip, entry, device="api")


def _now(work: Work, readiness: Readiness, reader: Reader, trip: str, finding: str) -> FlagNow:
    board = readiness.board(work, reader.outfit, trip)
    return FlagNow(seq=board.seq, finding=board.finding(finding))
