"""What each stage asks of the body, person by person. Nothing is stored; settings stand in the address."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import Response

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading
from api.errors import Invalid
from api.readiness.body_report import body_of, report
from api.readiness.body_settings import BOXES, HOURS, settings_of, shown
from api.readiness.evaluation import Evaluation
from api.readiness.service import Evaluations
from api.science.water import FUELS
from web.pages.board_view import BoardView
from web.pages.body_view import BodyView, PersonView
from web.rendering import forms_errors, page, shell_of
from web.words import Say

router = APIRouter(include_in_schema=False)


@router.get("/trips/{trip}/body", dependencies=[permit("trip.read")])
def body_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Every stage and person, how the numbers came about, and a form to set what is taken for given."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    board, given = readiness.board(conn, reader.outfit, trip), dict(request.query_params)
    problem: Invalid | None = None
    try:
        settings = settings_of(given, evaluation.plan)
    except Invalid as wrong:
        problem, settings = wrong, settings_of({}, evaluation.plan)
    shell = shell_of(request)
    say = BoardView(board).say(shell.units)
    body = problem.body() if problem else None
    return page(
        request,
        "body/page.html",
        status_code=problem.status if problem else 200,
        shell=shell,
        say=say,
        board=board,
        plan=evaluation.plan,
        view=BodyView(report(evaluation, body_of(evaluation, settings)), say),
        boxes=BOXES,
        hours=HOURS,
        fuels=[(name, name) for name in FUELS],
        values=shown(settings) | {name: text for name, text in given.items() if text},
        problem=body,
        errors=forms_errors(body),
    )


def body_of_person(evaluation: Evaluation, member: str, say: Say) -> PersonView | None:
    """The same in short for one person's sheet; None for a rope or the party."""
    if member not in evaluation.picture.members:
        return None
    return BodyView(report(evaluation, body_of(evaluation)), say).person(member)
