"""The JSON API of trips: their plan, people, rope teams and roster files."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Path, Query, Response, UploadFile, status

from api.access.current import CurrentReader, may_see
from api.access.permissions import permit
from api.db import Reading, Writing
from api.journal.pictures import Snapshot
from api.journal.service import Journals
from api.journal.trip import Slug
from api.roster import importing, service
from api.roster.changes import Change
from api.roster.export import CSV_TYPE, XLSX_TYPE
from api.roster.files import MAX_FILE_BYTES, read_table
from api.roster.rules import default_hold_points, hints
from api.roster.schemas import (
    ConfirmIn,
    HoldPoints,
    Imported,
    JudgedRow,
    Member,
    MemberIn,
    MemberWritten,
    PlanHint,
    PlanIn,
    Preview,
    RopesIn,
    ShiftIn,
    TripIn,
    TripRoster,
    TripSummary,
    Written,
)

router = APIRouter(prefix="/api/trips", tags=["roster"])

DEVICE = "api"

TripId = Annotated[Slug, Path(description="Id of the trip.")]
MemberId = Annotated[Slug, Path(description="Id of the person on this trip.")]


# -- trips


@router.get("", dependencies=[permit("trip.list")])
def list_trips(conn: Reading, reader: CurrentReader) -> list[TripSummary]:
    """The trips one may see, the next to start first."""
    seen = may_see(conn, reader)
    return [
        TripSummary(id=row.id, name=row.name, starts_on=row.starts_on, ends_on=row.ends_on, seq=row.head_seq)
        for row in service.list_trips(conn, reader)
        if seen(row.id)
    ]


@router.post("", status_code=status.HTTP_201_CREATED, dependencies=[permit("trip.create")])
def create_trip(
    new: TripIn, work: Writing, reader: CurrentReader, journals: Journals, response: Response
) -> TripRoster:
    """Open a trip with its plan."""
    trip = service.create_trip(work, journals, reader, new.plan, device=DEVICE)
    response.headers["Location"] = f"/api/trips/{trip}"
    return _roster(journals.picture(work, reader.outfit, trip))


@router.get("/{trip}", dependencies=[permit("trip.read")])
def get_trip(trip: TripId, conn: Reading, reader: CurrentReader, journals: Journals) -> TripRoster:
    """A trip: plan, people and rope teams."""
    return _roster(journals.picture(conn, reader.outfit, trip))


def _roster(snapshot: Snapshot) -> TripRoster:
    picture = snapshot.picture
    return TripRoster(
        id=snapshot.trip_id,
        seq=snapshot.seq,
        plan=picture.trip,
        members=[Member(id=member, profile=profile) for member, profile in service.in_rope_order(picture)],
        ropes=list(picture.rope_teams),
        without_rope=service.without_rope(picture),
        hints=[PlanHint.of(hint) for hint in hints(picture.trip)] if picture.trip else [],
        split=["/".join(key) for key in picture.split],
    )


@router.put("/{trip}/plan", dependencies=[permit("trip.plan")])
def put_plan(
    trip: TripId, change: PlanIn, work: Writing, reader: CurrentReader, journals: Journals
) -> Written:
    """Change the plan. Answers 409 with both versions when someone else changed the same parts."""
    done = service.change_plan(
        work, journals, reader, trip, lambda _: change.plan, seen_seq=change.seen_seq, device=DEVICE
    )
    return _written(trip, done)


@router.post("/{trip}/plan/shift", dependencies=[permit("trip.plan")])
def shift_plan(
    trip: TripId, change: ShiftIn, work: Writing, reader: CurrentReader, journals: Journals
) -> Written:
    """Move the whole plan by days, at the same local times of day."""
    done = service.shift_plan(
        work, journals, reader, trip, change.days, seen_seq=change.seen_seq, device=DEVICE
    )
    return _written(trip, done)


@router.get("/{trip}/plan/hold-points", dependencies=[permit("trip.read")])
def get_hold_points(trip: TripId, conn: Reading, reader: CurrentReader, journals: Journals) -> HoldPoints:
    """The hold points that follow from the stages. Nothing is changed; put them into the plan to use them."""
    plan = service.plan_in_force(journals.picture(conn, reader.outfit, trip).picture, trip)
    return HoldPoints(hold_points=list(default_hold_points(plan.stages, plan.place)))


def _written(trip: str, done: Change) -> Written:
    return Written(trip=trip, seq=done.seq, changed=done.changed, also_changed=list(done.also_changed))


# -- people and ropes


@router.post("/{trip}/members", status_code=status.HTTP_201_CREATED, dependencies=[permit("roster.change")])
def add_member(
    trip: TripId, change: MemberIn, work: Writing, reader: CurrentReader, journals: Journals
) -> MemberWritten:
    """Put a new person on the trip."""
    return _set_member(trip, service.new_member_id(), change, work, reader, journals)


@router.put("/{trip}/members/{member}", dependencies=[permit("roster.change")])
def put_member(
    trip: TripId,
    member: MemberId,
    change: MemberIn,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
) -> MemberWritten:
    """Change what is known about a person, or put them on the trip under this id."""
    return _set_member(trip, member, change, work, reader, journals)


def _set_member(
    trip: str, member: str, change: MemberIn, work: Writing, reader: CurrentReader, journals: Journals
) -> MemberWritten:
    done = service.set_member(
        work, journals, reader, trip, member, change.profile, seen_seq=change.seen_seq, device=DEVICE
    )
    return MemberWritten(member=member, **_written(trip, done).model_dump())


@router.delete("/{trip}/members/{member}", dependencies=[permit("roster.change")])
def delete_member(
    trip: TripId,
    member: MemberId,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
    seen_seq: Annotated[int, Query(ge=0, description="Number of the last journal entry that was read.")],
    reason: Annotated[str, Query(max_length=4000)] = "",
) -> MemberWritten:
    """Take a person off the trip; what is known about them stays in the journal."""
    done = service.remove_member(
        work, journals, reader, trip, member, reason=reason, seen_seq=seen_seq, device=DEVICE
    )
    return MemberWritten(member=member, **_written(trip, done).model_dump())


@router.put("/{trip}/ropes", dependencies=[permit("roster.change")])
def put_ropes(
    trip: TripId, change: RopesIn, work: Writing, reader: CurrentReader, journals: Journals
) -> Written:
    """Set the rope teams, people in rope order."""
    done = service.set_ropes(
        work, journals, reader, trip, lambda _: change.ropes, seen_seq=change.seen_seq, device=DEVICE
    )
    return _written(trip, done)


# -- roster files


@router.post("/{trip}/roster/preview", dependencies=[permit("roster.change")])
def preview_file(
    trip: TripId, file: UploadFile, conn: Reading, reader: CurrentReader, journals: Journals
) -> Preview:
    """What a roster file (CSV or XLSX) would change, row by row. Nothing is stored."""
    # One byte more than is accepted is enough to know that it is too large.
    table = read_table(file.file.read(MAX_FILE_BYTES + 1), file.filename or "")
    snapshot, proposal = importing.preview(conn, journals, reader, trip, table)
    names = importing.names_in(proposal, snapshot.picture)
    return Preview.of(trip, snapshot.seq, proposal, table, names)


@router.post("/{trip}/roster/confirm", dependencies=[permit("roster.change")])
def confirm_file(
    trip: TripId, sent: ConfirmIn, work: Writing, reader: CurrentReader, journals: Journals
) -> Imported:
    """Take over the good rows of a previewed file; refused rows are left out and listed again."""
    done = importing.confirm(
        work, journals, reader, trip, sent.table.table(), sent.fingerprint, device=DEVICE
    )
    return Imported(
        trip=trip,
        seq=done.seq,
        changed=done.changed,
        added=done.added,
        updated=done.updated,
        left_out=[JudgedRow.of(row) for row in done.left_out],
    )


@router.get(
    "/{trip}/roster.{kind}",
    dependencies=[permit("trip.export")],
    response_class=Response,
    responses={200: {"description": "The roster as a file.", "content": {CSV_TYPE: {}, XLSX_TYPE: {}}}},
)
def export_file(
    trip: TripId, kind: Literal["csv", "xlsx"], conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """The roster as a file. Read in again unchanged, it changes nothing."""
    content, media_type, name = importing.exported(conn, journals, reader, trip, kind)
    headers = {"Content-Disposition": f'attachment; filename="{name}"', "Cache-Control": "no-store"}
    return Response(content, media_type=media_type, headers=headers)
