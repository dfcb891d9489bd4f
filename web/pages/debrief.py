"""What was learnt on a trip, written the same evening."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.call.service import CallRoom, Calls, Sitting
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, from_validation
from api.ids import new_id
from api.journal.decisions import DebriefNote
from api.journal.trip import Slug
from api.readiness.schemas import CAUTION
from web.pages.call import entry_of
from web.pages.roster_forms import Form, Sent
from web.rendering import forms_errors, page, shell_of
from web.words import Say

router = APIRouter(prefix="/trips/{trip}/debrief", include_in_schema=False)

ABOUT: dict[str, str] = {
    "surprised": "What surprised us",
    "found-late": "Found late",
    "lent": "Lent on the way",
    "near-miss": "Near-miss",
    "list": "What the list should say",
}
FOUND: tuple[tuple[str, str], ...] = (
    ("", "not said"),
    ("office", "by the office"),
    ("hands-on", "at the hands-on check"),
    ("on-mountain", "on the mountain"),
)


@router.get("", dependencies=[permit("trip.read")])
def show(request: Request, trip: Slug, conn: Reading, reader: CurrentReader, room: CallRoom) -> Response:
    """What was noted, and the form for more."""
    return _page(request, trip, conn, reader, room)


@router.post("", dependencies=[permit("debrief.write")])
def note(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, room: CallRoom
) -> Response:
    """Keep one thing learnt."""
    try:
        at = Sitting(work, reader, trip, sent.seen_seq(), entry_of(sent))
        with work.begin_nested():
            room.note(at, _note(sent))
    except (Invalid, Conflict) as problem:
        return _page(request, trip, work, reader, room, problem, sent)
    return RedirectResponse(f"/trips/{trip}/debrief", status_code=303)


def _note(sent: Form) -> DebriefNote:
    if not sent.text("text"):
        raise Invalid.field("text", "", "Nothing was written.", "Say what was learnt, in a line or more.")
    named = {name: sent.text(name) or None for name in ("requirement", "stage", "found", "who")}
    try:
        return DebriefNote.model_validate({"about": sent.text("about"), "text": sent.text("text"), **named})
    except ValidationError as error:
        raise from_validation(error.errors(), skip=()) from error


def _page(
    request: Request,
    trip: str,
    conn: Connection,
    reader: Reader,
    room: Calls,
    problem: Invalid | Conflict | None = None,
    sent: Form | None = None,
) -> Response:
    evaluation = room.evaluation(conn, reader, trip)
    edition, plan = evaluation.edition, evaluation.plan
    items = [(r.id, r.item) for r in edition.requirements] if edition else []
    notes = evaluation.picture.decided.debrief
    body = problem.body() if problem else None
    return page(
        request,
        "call/debrief.html",
        status_code=problem.status if problem else 200,
        headers={"Cache-Control": "no-store"},
        say=Say(units=shell_of(request).units, zone=plan.place.zone),
        trip=trip,
        trip_name=plan.name,
        seen_seq=evaluation.seq,
        entry=new_id(),
        groups=[(title, [n for n in notes if n.body.about == about]) for about, title in ABOUT.items()],
        about=list(ABOUT.items()),
        items=[("", "no line of the list"), *items],
        item_names=dict(items),
        stages=[("", "no stage"), *((stage.id, stage.name) for stage in plan.stages)],
        stage_names={stage.id: stage.name for stage in plan.stages},
        found=FOUND,
        writes=may(reader, "debrief.write"),
        typed=sent.typed() if sent else {},
        problem=body,
        errors=forms_errors(body),
        caution=CAUTION,
    )
