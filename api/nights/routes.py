"""Nights and health notes over HTTP. Answers with notes in them are stored nowhere on the way."""

from typing import Annotated

from fastapi import APIRouter, Path, Response, status

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict
from api.journal.schemas import EntryOutcome
from api.journal.service import actor_of
from api.journal.trip import Slug
from api.nights import erasing, views
from api.nights.schemas import (
    AccessLine,
    ConsentWrite,
    Counts,
    NightsWrite,
    NoteWrite,
    PersonExport,
    TripNights,
    TripNotes,
)
from api.nights.service import HealthNotes

router = APIRouter(prefix="/api/trips/{trip}", tags=["nights"])

TripId = Annotated[Slug, Path(description="Id of the trip.")]
Member = Annotated[Slug, Path(description="Id of the person on the trip.")]


def _never_kept(response: Response) -> None:
    response.headers["Cache-Control"] = "no-store"


@router.get("/nights", dependencies=[permit("trip.read")])
def nights(
    trip: TripId, reader: CurrentReader, health: HealthNotes, conn: Reading, response: Response
) -> TripNights:
    """Where everyone slept and will sleep, against the guideline, and where extra nights would help."""
    _never_kept(response)
    snapshot = health.journal.picture(conn, reader.outfit, trip)
    if snapshot.picture.trip is None:
        raise Conflict(f"Trip {trip} has no plan yet. Enter its place, days and stages first.")
    return views.trip_nights(snapshot.picture.trip, snapshot.picture, trip, snapshot.seq)


@router.post("/nights", dependencies=[permit("health.write")], status_code=status.HTTP_204_NO_CONTENT)
def tell_nights(
    trip: TripId, told: NightsWrite, reader: CurrentReader, health: HealthNotes, work: Writing
) -> None:
    """Record where people slept on a date."""
    health.tell_nights(work, reader, trip, told, device="api")


@router.get("/health/counts", dependencies=[permit("trip.read")])
def counts(
    trip: TripId, reader: CurrentReader, health: HealthNotes, conn: Reading, response: Response
) -> Counts:
    """How many people have health notes, without names."""
    _never_kept(response)
    return health.counts(conn, reader.outfit, trip)


@router.get("/health/notes", dependencies=[permit("health.read")])
def notes(
    trip: TripId,
    reader: CurrentReader,
    health: HealthNotes,
    work: Writing,
    response: Response,
    member: Slug | None = None,
) -> TripNotes:
    """Health notes, for the trip's guides; that they were read is kept."""
    _never_kept(response)
    return TripNotes(trip=trip, notes=health.read(work, reader, trip, member))


@router.post("/health/notes", dependencies=[permit("health.write")], status_code=status.HTTP_201_CREATED)
def write(
    trip: TripId,
    note: NoteWrite,
    reader: CurrentReader,
    health: HealthNotes,
    work: Writing,
    response: Response,
) -> EntryOutcome:
    """Seal a note. Sent again under its own id it answers 200 and changes nothing."""
    _never_kept(response)
    outcome = health.write(work, reader.outfit, trip, actor_of(reader), note, device="api")
    if outcome.status != "stored":
        response.status_code = status.HTTP_200_OK
    return EntryOutcome(position=0, id=str(outcome.id), status=outcome.status, seq=outcome.seq, problem="")


@router.post(
    "/health/people/{member}/consent",
    dependencies=[permit("health.write")],
    status_code=status.HTTP_204_NO_CONTENT,
)
def consent(
    trip: TripId,
    member: Member,
    answer: ConsentWrite,
    reader: CurrentReader,
    health: HealthNotes,
    work: Writing,
) -> None:
    """Record what a person answered to the text about health notes."""
    health.consent(work, reader.outfit, trip, actor_of(reader), member, given=answer.given, device="api")


@router.get("/health/people/{member}/export", dependencies=[permit("health.read")])
def export(
    trip: TripId,
    member: Member,
    reader: CurrentReader,
    health: HealthNotes,
    work: Writing,
    response: Response,
) -> PersonExport:
    """Everything kept about one person's nights and health, for the lead guide to hand to them."""
    _never_kept(response)
    return views.export_for(work, health, reader, trip, member)


@router.post("/health/people/{member}/erase", dependencies=[permit("health.erase")])
def erase(
    trip: TripId, member: Member, reader: CurrentReader, health: HealthNotes, work: Writing
) -> dict[str, int]:
    """Erase a person's health notes for good, by destroying their key."""
    return {"keys_destroyed": erasing.erase(work, health, reader.outfit, trip, actor_of(reader), member)}


@router.get("/health/readers", dependencies=[permit("health.erase")])
def readers(
    trip: TripId, reader: CurrentReader, health: HealthNotes, conn: Reading, response: Response
) -> tuple[AccessLine, ...]:
    """Who read whose notes, and when."""
    _never_kept(response)
    health.journal.picture(conn, reader.outfit, trip)
    return views.access_lines(conn, health, trip)
