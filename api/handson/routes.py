"""The hands-on check as JSON."""

from fastapi import APIRouter, Request, Response

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading
from api.handson.schemas import HandsOn
from api.handson.service import TakenAlong
from api.journal.chain import moment
from api.journal.routes import TripId
from api.readiness.service import Evaluations

router = APIRouter(prefix="/api/trips/{trip}", tags=["hands-on"])

NOW_HEADER = "Rimaye-Now"
"""The service's time when it answered, by which a phone learns how far its own clock is off."""


@router.get("/hands-on", dependencies=[permit("trip.read")], response_model=HandsOn)
def take_along(
    request: Request,
    trip: TripId,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    taken: TakenAlong,
) -> Response:
    """Everything a phone needs to check gear of this trip without signal. Fields left out are at their
    default. The header `Rimaye-Now` tells the service's time.
    """
    sent = taken.sent(conn, reader, trip)
    headers = {
        "ETag": sent.mark,
        "Cache-Control": "private, no-cache",
        "Vary": "Accept-Encoding, Cookie",
        NOW_HEADER: moment(readiness.clock.now()),
    }
    if request.headers.get("if-none-match") == sent.mark:
        return Response(status_code=304, headers=headers)
    body, how = sent.json.sent(request.headers.get("accept-encoding", ""))
    return Response(body, media_type="application/json", headers=headers | how)
