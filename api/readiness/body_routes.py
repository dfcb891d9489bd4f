"""What the stages ask of the body, as JSON."""

from fastapi import APIRouter, Request

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading
from api.readiness.bodies import own_hours
from api.readiness.body_report import body_of, report
from api.readiness.body_schemas import BodyReport
from api.readiness.body_settings import settings_of
from api.readiness.service import Evaluations

router = APIRouter(prefix="/api/trips/{trip}", tags=["body"])


@router.get("/body", dependencies=[permit("trip.read")])
def read_body(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> BodyReport:
    """Warmth, sleep, water, fuel, light and load of everyone on every stage, with the caution.

    Settings may stand in the address, such as `efficiency=0.5` or `hours-summit=7`: a try that is not kept.
    Hours that a guide keeps for a stage are an entry `hours-set` of the journal.
    """
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    settings = settings_of(
        dict(request.query_params), evaluation.plan, own_hours(evaluation.picture, evaluation.plan)
    )
    return report(evaluation, body_of(evaluation, settings))
