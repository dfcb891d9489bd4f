"""Who is told when flags of a trip change, how, and whether the last message arrived."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, Problem
from api.readiness import push, queries, watching
from api.readiness.queries import LetterRow, WatcherRow
from api.readiness.service import Evaluations, Readiness
from api.readiness.watch_routes import shown_address
from api.settings import Settings
from web.pages.roster_forms import Sent
from web.rendering import forms_errors, page, shell_of
from web.words import Say

router = APIRouter(include_in_schema=False)

MANAGES = "trip.export"
"""Who may have messages sent outside: whoever may take the trip out as a file."""
HOW = {"email": "E-mail", "webhook": "A program, by a signed webhook", "push": "A device, by push"}


@dataclass(frozen=True, slots=True)
class Line:
    """One watcher as the page shows it."""

    row: WatcherRow
    how: str
    address: str
    letter: LetterRow | None
    mine: bool

    @property
    def stands(self) -> str:
        """How the last message fared: none yet, sent, waiting, failing or given up."""
        letter = self.letter
        if letter is None:
            return "none"
        if letter.sent_at is not None:
            return "sent"
        if letter.next_at is None:
            return "given-up"
        return "failing" if letter.last_error else "waiting"


@router.get("/trips/{trip}/watchers", dependencies=[permit("watch.own")])
def watchers_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Everyone who is told, or one's own devices for those who may not manage the rest."""
    return _page(request, conn, readiness, reader, trip)


@router.post("/trips/{trip}/watchers", dependencies=[permit(MANAGES)])
def add_watcher(
    request: Request, trip: str, sent: Sent, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Tell an address from now on."""
    settings: Settings = request.app.state.settings
    typed = {"channel": sent.text("channel"), "address": sent.text("address")}
    try:
        if typed["channel"] not in _channels(settings):
            raise Invalid.field(
                "channel", typed["channel"], "this is no way to be told.", "Choose one of these."
            )
        watching.watch(work, settings, readiness, reader, trip, typed["channel"], typed["address"])
    except (Conflict, Invalid) as problem:
        return _page(request, work, readiness, reader, trip, problem=problem, typed=typed)
    return RedirectResponse(f"/trips/{trip}/watchers?saved=1", status_code=303)


@router.post("/trips/{trip}/watchers/{watcher}/end", dependencies=[permit("watch.own")])
def end_watcher(trip: str, watcher: str, work: Writing, reader: CurrentReader) -> Response:
    """Tell an address nothing more; those who may not manage the rest end their own devices only."""
    watching.unwatch(work, reader, trip, watcher, own_only=not may(reader, MANAGES))
    return RedirectResponse(f"/trips/{trip}/watchers?saved=1", status_code=303)


def _page(
    request: Request,
    conn: Connection,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    *,
    problem: Problem | None = None,
    typed: dict[str, str] | None = None,
) -> Response:
    settings: Settings = request.app.state.settings
    picture = readiness.journal.picture(conn, reader.outfit, trip).picture
    plan = picture.trip
    letters = queries.last_letters(conn, trip)
    lines = [
        Line(row, HOW[row.channel], shown_address(row), letters.get(row.id), row.staff_id == reader.staff)
        for row in watching.watchers_of(conn, reader, trip)
    ]
    manages = may(reader, MANAGES)
    zone = plan.place.zone if plan else None
    now = readiness.clock.now()
    return page(
        request,
        "watchers/page.html",
        status_code=problem.status if problem else 200,
        headers={"Cache-Control": "no-store"},
        say=Say(now=now, zone=zone, units=shell_of(request).units) if zone else Say(now=now),
        trip=trip,
        name=plan.name if plan else trip,
        lines=[line for line in lines if manages or line.mine],
        manages=manages,
        channels=[(channel, HOW[channel]) for channel in _channels(settings)],
        tells=settings.watch_every_s > 0,
        push_key=push.public_key(settings) if push.is_on(settings) else None,
        typed=typed or {},
        saved="saved" in request.query_params,
        problem=problem.body() if problem else None,
        errors=forms_errors(problem.body() if problem else None),
    )


def _channels(settings: Settings) -> tuple[str, ...]:
    """What is configured of the ways that are entered by hand."""
    mail = bool(settings.smtp_host and settings.mail_from)
    hooks = bool(settings.webhook_secret.get_secret_value() and settings.webhook_hosts)
    return tuple(name for name, on in (("email", mail), ("webhook", hooks)) if on)
