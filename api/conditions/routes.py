"""Forecasts over HTTP: type one in, list them, read one."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Path, Response, status

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.conditions import service
from api.conditions.schemas import ForecastList, ForecastReceipt
from api.conditions.sources.manual import ManualForecast
from api.db import Reading, Writing
from api.errors import NotFound
from api.journal.service import Journals
from api.journal.trip import Slug

router = APIRouter(prefix="/api/trips/{trip}/forecasts", tags=["forecasts"])

TripId = Annotated[Slug, Path(description="Id of the trip.")]
Hash = Annotated[str, Path(pattern="^[0-9a-f]{64}$", description="Content hash of the forecast.")]


@router.post("", dependencies=[permit("forecast.enter")], status_code=status.HTTP_201_CREATED)
def receive(
    trip: TripId,
    typed: ManualForecast,
    reader: CurrentReader,
    journals: Journals,
    work: Writing,
    response: Response,
) -> ForecastReceipt:
    """Store a forecast typed in by a guide. What was stored before answers 200 and changes nothing."""
    receipt = service.receive_typed(work, reader, journals, trip, typed, device="api")
    if receipt.status != "stored":
        response.status_code = status.HTTP_200_OK
    response.headers["Location"] = f"/api/trips/{trip}/forecasts/{receipt.forecast.forecast}"
    return receipt


@router.get("", dependencies=[permit("trip.read")])
def listed(trip: TripId, reader: CurrentReader, journals: Journals, conn: Reading) -> ForecastList:
    """The forecasts a trip has received, newest issue first."""
    picture = journals.picture(conn, reader.outfit, trip).picture
    return service.forecasts_of(conn, reader.outfit, trip, picture)


@router.get(
    "/{forecast}",
    dependencies=[permit("trip.read")],
    response_class=Response,
    responses={200: {"content": {"application/json": {}}}},
)
def one(trip: TripId, forecast: Hash, reader: CurrentReader, journals: Journals, conn: Reading) -> Response:
    """One forecast whole, as the very bytes its hash is taken over."""
    picture = journals.picture(conn, reader.outfit, trip).picture
    if all(record.body.forecast != forecast for record in picture.forecasts):
        raise NotFound(f"Trip {trip} has no forecast {forecast}. Choose one from its list of forecasts.")
    return Response(
        service.forecast_bytes(conn, reader.outfit, forecast),
        media_type="application/json",
        headers={"ETag": f'"{forecast}"', "Cache-Control": "private, max-age=31536000, immutable"},
    )
