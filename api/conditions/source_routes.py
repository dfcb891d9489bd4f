"""Sources of forecasts over HTTP: what each said last, files, fetching, and whose the board rests on."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, Depends, File, Form, Path, Request, Response, UploadFile, status
from pydantic import AwareDatetime

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.conditions import service, sourcing
from api.conditions.choice import provider_in_force
from api.conditions.files import Upload
from api.conditions.refresh import Refresher, provider_of
from api.conditions.schemas import ForecastReceipt
from api.conditions.source_schemas import (
    Begun,
    Choice,
    Chosen,
    Compared,
    ComparedRow,
    Preview,
    SaidOut,
    SourceList,
)
from api.conditions.sources.covjson_document import MAX_BYTES
from api.conditions.sources.covjson_write import MEDIA_TYPE, write
from api.conditions.sources.registry import why_none
from api.db import Reading, Writing
from api.errors import Conflict, NotFound
from api.journal.service import Journals
from api.journal.trip import Slug
from api.settings import Settings

router = APIRouter(prefix="/api/trips/{trip}/forecasts", tags=["forecasts"])

TripId = Annotated[Slug, Path(description="Id of the trip.")]
Hash = Annotated[str, Path(pattern="^[0-9a-f]{64}$", description="Content hash of the forecast.")]


def _settings(request: Request) -> Settings:
    settings: Settings = request.app.state.settings
    return settings


def _refresher(request: Request) -> Refresher | None:
    refresher: Refresher | None = request.app.state.forecast_refresher
    return refresher


Configured = Annotated[Settings, Depends(_settings)]
Refreshing = Annotated[Refresher | None, Depends(_refresher)]


def uploaded(
    file: Annotated[UploadFile, File(description="CSV table, SPC sounding or CoverageJSON.")],
    source: Annotated[str, Form(max_length=100, description="Whose forecast it is.")] = "",
    issued_at: Annotated[
        AwareDatetime | None, Form(description="When it was issued, where the file does not say.")
    ] = None,
    levels: Annotated[
        Literal["", "hPa", "Pa", "m"], Form(description="Unit of the levels, where the file does not say.")
    ] = "",
) -> Upload:
    """The file with what was said beside it."""
    # One byte more than is accepted is enough to know that it is too large.
    return Upload(file.file.read(MAX_BYTES + 1), file.filename or "", source, issued_at, levels)


Uploaded = Annotated[Upload, Depends(uploaded)]


@router.get("/sources", dependencies=[permit("trip.read")])
def sources(
    trip: TripId, reader: CurrentReader, journals: Journals, conn: Reading, settings: Configured
) -> SourceList:
    """Every source of a trip: its newest forecast, where fetching stands, and which the board rests on."""
    picture = journals.picture(conn, reader.outfit, trip).picture
    return sourcing.sources_of(conn, reader.outfit, trip, picture, settings, journals.clock.now())


@router.get("/compare", dependencies=[permit("trip.read")])
def compare(trip: TripId, reader: CurrentReader, journals: Journals, conn: Reading) -> Compared:
    """The newest forecast of each source beside the others', stage by stage, where the party is."""
    picture = journals.picture(conn, reader.outfit, trip).picture
    rows = sourcing.beside_each_other(conn, reader.outfit, picture, trip)
    return Compared(
        trip=trip,
        in_force=provider_in_force(picture),
        rows=tuple(
            ComparedRow(
                stage=row.stage,
                stage_name=row.stage_name,
                metric=row.metric,
                said={p: SaidOut(value=one.value, whole=one.whole) for p, one in row.said.items()},
                differs_by=row.differs_by,
                disagree=row.disagree,
            )
            for row in rows
        ),
    )


@router.put("/choice", dependencies=[permit("forecast.choose")])
def choose(trip: TripId, choice: Choice, reader: CurrentReader, journals: Journals, work: Writing) -> Chosen:
    """Let the board rest on one source. Sources are never pooled."""
    seq = sourcing.choose(work, reader, journals, trip, choice.provider, device="api")
    picture = journals.picture(work, reader.outfit, trip).picture
    return Chosen(trip=trip, seq=seq, provider=choice.provider, in_force=provider_in_force(picture))


@router.post("/refresh", dependencies=[permit("forecast.enter")], status_code=status.HTTP_202_ACCEPTED)
async def refresh(
    trip: TripId,
    reader: CurrentReader,
    journals: Journals,
    conn: Reading,
    settings: Configured,
    refresher: Refreshing,
) -> Begun:
    """Ask all configured services for a newer forecast now. Answers at once; the sources say how it went."""
    plan = service.plan_of(journals.picture(conn, reader.outfit, trip).picture, trip)
    if refresher is None:
        raise Conflict(why_none(settings))
    if not await refresher.begin(reader.outfit, trip, plan):
        raise Conflict("The trip is over, or begins further ahead than any forecast reaches.")
    return Begun(trip=trip, asking=tuple(provider_of(source) for source in refresher.sources))


@router.post("/file/preview", dependencies=[permit("forecast.enter")])
def preview(
    trip: TripId, upload: Uploaded, reader: CurrentReader, journals: Journals, conn: Reading
) -> Preview:
    """What a file holds. Nothing is stored."""
    _, summary = sourcing.read_file(conn, reader, journals, trip, upload)
    return Preview(trip=trip, would_be=summary)


@router.post("/file", dependencies=[permit("forecast.enter")], status_code=status.HTTP_201_CREATED)
def receive(
    trip: TripId,
    upload: Uploaded,
    reader: CurrentReader,
    journals: Journals,
    work: Writing,
    response: Response,
) -> ForecastReceipt:
    """Store the forecast in a file. What was stored before answers 200 and changes nothing."""
    receipt = sourcing.receive_file(work, reader, journals, trip, upload, device="api")
    if receipt.status != "stored":
        response.status_code = status.HTTP_200_OK
    response.headers["Location"] = f"/api/trips/{trip}/forecasts/{receipt.forecast.forecast}"
    return receipt


@router.get(
    "/{forecast}/coverage",
    dependencies=[permit("trip.read")],
    response_class=Response,
    responses={200: {"content": {MEDIA_TYPE: {}}}},
)
def coverage(
    trip: TripId, forecast: Hash, reader: CurrentReader, journals: Journals, conn: Reading
) -> Response:
    """One forecast as CoverageJSON, complete enough to be read in again."""
    picture = journals.picture(conn, reader.outfit, trip).picture
    if all(record.body.forecast != forecast for record in picture.forecasts):
        raise NotFound(f"Trip {trip} has no forecast {forecast}. Choose one from its list of forecasts.")
    return Response(
        write(service.forecast_by_hash(conn, reader.outfit, forecast)),
        media_type=MEDIA_TYPE,
        headers={
            "Content-Disposition": f'attachment; filename="forecast-{forecast[:12]}.covjson"',
            "Cache-Control": "private, max-age=31536000, immutable",
        },
    )
