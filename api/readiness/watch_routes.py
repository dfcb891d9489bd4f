"""Who is told about changes of flags, as JSON."""

from datetime import datetime
from typing import Annotated, Literal

from fastapi import APIRouter, Path, Request, status
from pydantic import BaseModel, ConfigDict, Field

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.journal.trip import Slug
from api.readiness import watching
from api.readiness.queries import WatcherRow
from api.readiness.schemas import Shown
from api.readiness.service import Evaluations

router = APIRouter(prefix="/api/trips/{trip}/watchers", tags=["watchers"])

TripId = Annotated[Slug, Path(description="Id of the trip.")]


class NewWatcher(BaseModel):
    """Whom to tell, and how."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    channel: Literal["email", "webhook"]
    address: Annotated[str, Field(min_length=3, max_length=500)]


class WatcherShown(Shown):
    """Someone who is told."""

    id: str
    channel: str
    address: str
    told_seq: int
    created_at: datetime
    created_by: str


class Watchers(Shown):
    """Everyone who is told about a trip."""

    watchers: tuple[WatcherShown, ...]


@router.get("", dependencies=[permit("trip.export")])
def list_watchers(trip: TripId, conn: Reading, reader: CurrentReader) -> Watchers:
    """Everyone who is told when flags of this trip change."""
    return Watchers(watchers=tuple(_shown(row) for row in watching.watchers_of(conn, reader, trip)))


@router.post("", status_code=status.HTTP_201_CREATED, dependencies=[permit("trip.export")])
def add_watcher(
    trip: TripId,
    asked: NewWatcher,
    request: Request,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> WatcherShown:
    """Tell an address about changes from now on; off until the channel is configured."""
    settings = request.app.state.settings
    return _shown(watching.watch(work, settings, readiness, reader, trip, asked.channel, asked.address))


@router.post("/{watcher}/end", dependencies=[permit("trip.export")])
def end_watcher(
    trip: TripId,
    watcher: Annotated[str, Path(max_length=40, description="Id of the watcher.")],
    work: Writing,
    reader: CurrentReader,
) -> Watchers:
    """Tell an address nothing more."""
    watching.unwatch(work, reader, trip, watcher)
    return list_watchers(trip, work, reader)


def _shown(row: WatcherRow) -> WatcherShown:
    return WatcherShown(
        id=row.id,
        channel=row.channel,
        address=row.address,
        told_seq=row.told_seq,
        created_at=row.created_at,
        created_by=row.created_by,
    )
