"""Who is told about changes of flags, as JSON."""

from datetime import datetime
from typing import Annotated, Literal
from urllib.parse import urlsplit

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


class DeviceKeys(BaseModel):
    """What a browser gives with a subscription, to seal messages with."""

    model_config = ConfigDict(extra="forbid")

    p256dh: Annotated[str, Field(min_length=80, max_length=100, pattern=r"^[A-Za-z0-9_-]+=*$")]
    auth: Annotated[str, Field(min_length=20, max_length=30, pattern=r"^[A-Za-z0-9_-]+=*$")]


class NewDevice(BaseModel):
    """A browser's subscription, as the Push API writes it."""

    model_config = ConfigDict(extra="ignore")

    endpoint: Annotated[str, Field(min_length=10, max_length=1000)]
    keys: DeviceKeys


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


@router.post("/devices", status_code=status.HTTP_201_CREATED, dependencies=[permit("watch.own")])
def add_device(
    trip: TripId,
    asked: NewDevice,
    request: Request,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> WatcherShown:
    """Tell the device one holds from now on, by web push; off until it is configured."""
    settings, keys = request.app.state.settings, asked.keys.model_dump()
    return _shown(watching.watch_here(work, settings, readiness, reader, trip, asked.endpoint, keys))


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


def shown_address(row: WatcherRow) -> str:
    """The address; of a device only its push service, since whoever knows the rest can trouble it."""
    return urlsplit(row.address).hostname or "" if row.channel == watching.PUSH else row.address


def _shown(row: WatcherRow) -> WatcherShown:
    return WatcherShown(
        id=row.id,
        channel=row.channel,
        address=shown_address(row),
        told_seq=row.told_seq,
        created_at=row.created_at,
        created_by=row.created_by,
    )
