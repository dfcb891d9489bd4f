"""A person's own health notes behind their personal link: read, written, put right, taken out.

In the person's language, like their list; notes themselves stand as guides read them. Reading is kept like
any other reading. Nothing of it stays on the device.
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
from api.nights.schemas import CONSENT, CONSENT_TEXT, NO_DIAGNOSIS, NoteWrite
from api.nights.service import Health, HealthNotes
from api.readiness.service import Evaluations
from api.selfreport.service import Own
from web import words
from web.pages.nights import SCORE, Form, Sent, made
from web.pages.nights_view import NightsView
from web.pages.self_report import LIMIT, OPEN, PRIVATE, WHY_PUBLIC, PrivateRoute, read_own
from web.pages.self_report_view import OwnView, choose_language
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
    view = _own_view(request, own, token)
    health.consent(
        work,
        link.outfit_id,
        link.trip_id,
        _self(own),
        own.member,
        given=given,
        device="own link",
        shown_in=view.language.code,
    )
    return RedirectResponse(view.address("/health"), status_code=303, headers=PRIVATE)


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
    to = _own_view(request, own, token).address("/health")
    return RedirectResponse(to, status_code=303, headers=PRIVATE)


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


def _own_view(request: Request, own: Own, token: str) -> OwnView:
    """Their page in the language they read it in, with its addresses."""
    language = choose_language(request, own.profile.language)
    return OwnView(own, language, token, asked=request.query_params.get("lang"))


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
    mine = _own_view(request, own, token)
    before, after = health.settings.health_read_days_before, health.settings.health_read_days_after
    keep = health.settings.health_keep_days
    return page(
        request,
        "selfreport/health.html",
        status_code=problem.status if problem else 200,
        headers=PRIVATE,
        v=mine,
        language=mine.language,
        _=mine.language.say,
        here=f"/r/{token}/health",
        notes=notes,
        view=NightsView(own.plan, picture, say),
        say=say,
        caution=mine.language.say(NO_DIAGNOSIS),
        agreement=mine.language.say(CONSENT_TEXT, before=before, after=after, keep=keep),
        consent_text=health.consent_text()[0],
        agreed=answer.body.given if answer else None,
        corrects=next((note for note in notes if str(note.id) == typed.get("corrects")), None),
        values=typed,
        problem=body,
        errors=forms_errors(body),
    )
