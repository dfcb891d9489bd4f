"""A person's own health notes behind their personal link: read, written, put right, taken out.

In English only: translating what a body feels like is for people who know the words. Reading is kept like any
other reading. Nothing of it stays on the device.
"""

from __future__ import annotations

from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from api.access.limits import limit
from api.access.permissions import public
from api.db import Work, Writing
from api.errors import Conflict, Invalid
from api.journal.entry import Actor
from api.nights import views
from api.nights.schemas import CONSENT, NO_DIAGNOSIS, NoteWrite
from api.nights.service import Health, HealthNotes
from api.readiness.service import Evaluations
from api.selfreport.service import Own
from web import words
from web.locale import language
from web.pages.nights import SCORE, Form, Sent, made
from web.pages.nights_view import NightsView
from web.pages.self_report import LIMIT, OPEN, PRIVATE, WHY_PUBLIC, PrivateRoute, read_own
from web.rendering import forms_errors, page

router = APIRouter(
    prefix="/r/{token}/health",
    include_in_schema=False,
    route_class=PrivateRoute,
    dependencies=[public(WHY_PUBLIC), limit(LIMIT)],
)


@router.get("", dependencies=[OPEN])
def own_notes(
    request: Request,
    token: str,
    work: Writing,
    readiness: Evaluations,
    health: HealthNotes,
    corrects: UUID | None = None,
) -> Response:
    """What is noted about oneself, all of it."""
    own = read_own(request, work, readiness, token, looking=True)
    return _page(request, work, own, token, health, typed={"corrects": str(corrects)} if corrects else {})


@router.post("/consent", dependencies=[OPEN])
def consent(
    request: Request, token: str, sent: Sent, work: Writing, readiness: Evaluations, health: HealthNotes
) -> Response:
    """Agree to health notes, or take that back."""
    own = read_own(request, work, readiness, token)
    given = sent.get("given") == "yes"
    link = own.link
    health.consent(work, link.outfit_id, link.trip_id, _self(own), own.member, given=given, device="own link")
    return RedirectResponse(f"/r/{token}/health", status_code=303, headers=PRIVATE)


@router.post("/notes", dependencies=[OPEN])
def write(
    request: Request, token: str, sent: Sent, work: Writing, readiness: Evaluations, health: HealthNotes
) -> Response:
    """Seal a note about oneself, a new one or one that puts another right."""
    own = read_own(request, work, readiness, token)
    try:
        with work.begin_nested():
            note = {"member": own.member, "content": _content(sent), "corrects": sent.get("corrects") or None}
            link = own.link
            kept = made(NoteWrite, note)
            health.write(work, link.outfit_id, link.trip_id, _self(own), kept, device="own link")
    except (Invalid, Conflict) as problem:
        return _page(request, work, own, token, health, problem=problem, typed=dict(sent.values))
    return RedirectResponse(f"/r/{token}/health", status_code=303, headers=PRIVATE)


@router.get("/export.json", dependencies=[OPEN])
def export(
    request: Request, token: str, work: Writing, readiness: Evaluations, health: HealthNotes
) -> Response:
    """Everything kept about one's own nights and health, with who read it."""
    own = read_own(request, work, readiness, token, looking=True)
    found = views.export_own(work, health, own.link.outfit_id, own.link.trip_id, own.member)
    return Response(
        found.model_dump_json(indent=2),
        media_type="application/json",
        headers={**PRIVATE, "Content-Disposition": 'attachment; filename="my-notes.json"'},
    )


def _self(own: Own) -> Actor:
    return Actor(id=own.member, name=own.profile.name, role="climber")


def _content(sent: Form) -> dict[str, Any]:
    match kind := sent.get("kind"):
        case "symptom-score":
            return {"kind": kind, **sent.filled(*SCORE), "by": "self"}
        case "history-told" | "medication-said":
            return {"kind": kind, "said": sent.get("said")}
    return {"kind": "health-remark", "text": sent.get("said")}


def _page(
    request: Request,
    work: Work,
    own: Own,
    token: str,
    health: Health,
    *,
    typed: dict[str, str],
    problem: Invalid | Conflict | None = None,
) -> Response:
    link, picture = own.link, own.snapshot.picture
    notes = health.read_own(work, link.outfit_id, link.trip_id, own.member)
    say = words.Say(units=words.Units.METRIC, zone=own.plan.place.zone, now=health.clock.now())
    answer = picture.consents.get((own.member, CONSENT))
    body = problem.body() if problem else None
    english = language("en")
    return page(
        request,
        "selfreport/health.html",
        status_code=problem.status if problem else 200,
        headers=PRIVATE,
        language=english,
        _=english.say,
        here=f"/r/{token}/health",
        back=f"/r/{token}",
        name=own.profile.name,
        notes=notes,
        view=NightsView(own.plan, picture, say),
        say=say,
        consent_text=health.consent_text()[0],
        agreed=answer.body.given if answer else None,
        corrects=next((note for note in notes if str(note.id) == typed.get("corrects")), None),
        values=typed,
        problem=body,
        errors=forms_errors(body),
        caution=NO_DIAGNOSIS,
    )
