"""What each stage asks of the body, person by person. Settings stand in the address; own hours are kept."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.body.settings import BodySettings
from api.db import Reading, Writing
from api.errors import Invalid
from api.journal.trip import Slug
from api.readiness.bodies import own_hours
from api.readiness.body_report import body_of, report
from api.readiness.body_settings import BOXES, HOURS, settings_of, shown
from api.readiness.evaluation import Evaluation
from api.readiness.hours import keep_hours
from api.readiness.schemas import Board
from api.readiness.service import Evaluations
from api.science.water import FUELS
from web.pages.board_view import BoardView
from web.pages.body_view import BodyView, PersonView
from web.pages.roster_forms import Sent
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
    kept = own_hours(evaluation.picture, evaluation.plan)
    try:
        settings = settings_of(given, evaluation.plan, kept)
    except Invalid as wrong:
        problem, settings = wrong, settings_of({}, evaluation.plan, kept)
    return _page(request, evaluation, board, reader, settings, given, problem)


@router.post("/trips/{trip}/body/hours", dependencies=[permit("call.make")])
def keep(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Keep a guide's own hours in the journal; those left empty go back to the estimate."""
    evaluation = readiness.evaluation(work, reader.outfit, trip)
    typed = {name.removeprefix(HOURS): sent.text(name) for name in sent.names() if name.startswith(HOURS)}
    try:
        keep_hours(work, readiness.journal, reader, evaluation, typed, sent.seen_seq())
    except Invalid as problem:
        board = readiness.board(work, reader.outfit, trip)
        settings = settings_of({}, evaluation.plan, own_hours(evaluation.picture, evaluation.plan))
        again = {HOURS + stage: text for stage, text in typed.items()}
        return _page(request, evaluation, board, reader, settings, again, problem)
    return RedirectResponse(f"/trips/{trip}/body#hours", status_code=303)


def _page(
    request: Request,
    evaluation: Evaluation,
    board: Board,
    reader: Reader,
    settings: BodySettings,
    given: dict[str, str],
    problem: Invalid | None,
) -> Response:
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
        own=own_hours(evaluation.picture, evaluation.plan),
        sets_hours=may(reader, "call.make"),
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
