"""Personal links as guides and office handle them, whom to chase, and everyone's photos."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from anyio import to_thread
from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.limits import limit
from api.access.permissions import may, permit
from api.db import Database, Reading, Writing
from api.errors import Conflict, Invalid, NotFound
from api.journal.fold import Picture
from api.journal.trip import MemberProfile, TripPlan
from api.photos import queries as photo_queries
from api.readiness.delivery import NotDelivered, check_address, deliver
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations, Readiness
from api.selfreport import links, queries
from api.selfreport.links import MadeLink
from api.selfreport.queries import LinkRow
from api.selfreport.routes import address_of
from api.selfreport.rules import Chase, Open, post_by, to_chase
from api.settings import Settings
from web.locale import Language, choose
from web.pages.locker_view import qr
from web.pages.roster_forms import Sent
from web.rendering import forms_errors, page, shell_of
from web.words import Say

router = APIRouter(prefix="/trips/{trip}", include_in_schema=False)

OPEN_WORDS: dict[Open, str] = {
    Open.ABSENT: "not there",
    Open.UNFIT: "not fit",
    Open.NO_ANSWER: "no answer",
    Open.NOT_SURE: "not sure",
    Open.SHORT: "too few",
    Open.WILL_BUY: "will buy it",
    Open.RENTING: "is renting it",
    Open.QUESTION: "a question is open",
    Open.PICTURE: "only said; ask for a photo",
}
"""What is open with a person about a thing, in words."""


@dataclass(frozen=True, slots=True)
class Letter:
    """A message with a personal link. Handed over at once and kept nowhere: it carries a token."""

    id: str
    address: str
    title: str
    text: str
    channel: str = "email"
    payload: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Invitation:
    """A link just made, with everything to hand it over."""

    link: LinkRow
    token: str
    name: str
    address: str
    title: str
    text: str
    mail_to: str
    language: Language

    @property
    def code(self) -> str:
        """The link as a QR code."""
        return qr(self.address)


# -- pages ---------------------------------------------------------------------------------------------------


@router.get("/invitations", dependencies=[permit("selfreport.invite")])
def invitations(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Who has a link, until when, and what came back."""
    return _list(request, conn, readiness, reader, trip)


@router.post("/invitations", dependencies=[permit("selfreport.invite"), limit("invite")])
def invite(
    request: Request, trip: str, sent: Sent, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Make links, and show them this once."""
    settings: Settings = request.app.state.settings
    members = list(dict.fromkeys(sent.texts("member")))
    try:
        if not members:
            raise Invalid.field("member", "", "Nobody was chosen.", "Choose who gets a link.")
        made = links.make(work, settings, readiness.journal, reader, trip, members)
    except (Invalid, Conflict) as problem:
        return _list(request, work, readiness, reader, trip, problem)
    reminding = sent.ticked("reminder")
    ready = [_invitation(request, work, readiness, reader, one, reminding=reminding) for one in made]
    return _made(request, work, readiness, reader, trip, ready)


@router.post("/invitations/{link}/revoke", dependencies=[permit("selfreport.invite")])
def revoke(trip: str, link: str, work: Writing, reader: CurrentReader, readiness: Evaluations) -> Response:
    """End a link at once."""
    links.revoke(work, reader, trip, link, readiness.clock.now())
    return RedirectResponse(f"/trips/{trip}/invitations?saved=1", status_code=303)


@router.post("/invitations/{link}/send", dependencies=[permit("selfreport.invite"), limit("invite")])
async def send(
    request: Request, trip: str, link: str, sent: Sent, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """E-mail a link that was just made. The page that made it still knows its token; nothing else does."""
    db: Database = request.app.state.db
    settings: Settings = request.app.state.settings
    async with db.reading_async() as conn:
        row = links.open_link(conn, sent.text("token"), readiness.clock.now())
        if (row.id, row.trip_id, row.outfit_id) != (link, trip, reader.outfit):
            raise NotFound("There is no such link on this trip. Make a new one.")
        ready = _invitation(
            request,
            conn,
            readiness,
            reader,
            MadeLink(row, sent.text("token")),
            reminding=sent.ticked("reminder"),
            mail_to=sent.text("address"),
        )
    problem: Conflict | Invalid | None = None
    try:
        address = check_address(settings, "email", sent.text("address"))
        letter = Letter(row.id, address, ready.title, ready.text)
        # On a thread of its own: the mail server may take its time, and nobody is to wait for it.
        await to_thread.run_sync(deliver, settings, letter, readiness.clock.now())
    except NotDelivered as error:
        problem = Conflict(f"The mail server did not take it: {error}. Copy the message instead.")
    except (Conflict, Invalid) as error:
        problem = error
    else:
        async with db.writing_async() as work:
            queries.sent(work, row.id, address, readiness.clock.now())
        return RedirectResponse(f"/trips/{trip}/invitations?saved=sent", status_code=303)
    async with db.reading_async() as conn:
        return _made(request, conn, readiness, reader, trip, [ready], problem)


@router.get("/to-chase", dependencies=[permit("trip.read")])
def chase_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Whom to chase, for what, worst first, and until when it can still be fixed by post."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    settings: Settings = request.app.state.settings
    today = readiness.clock.now().astimezone(evaluation.plan.place.zone).date()
    last = post_by(evaluation.plan.starts_on, settings.post_days_before)
    chased = to_chase(evaluation, last)
    return _page(
        request,
        "selfreport/chase.html",
        evaluation.plan,
        trip,
        reader,
        chased=[chase for chase in chased if chase.things or chase.nights_open],
        settled=[chase for chase in chased if not (chase.things or chase.nights_open)],
        profiles=evaluation.picture.profiles,
        newest=links.newest_of(conn, reader.outfit, trip),
        now=readiness.clock.now(),
        last_post=last,
        days_left=(last - today).days,
        open_words=OPEN_WORDS,
    )


@router.get("/photos", dependencies=[permit("trip.read")])
def photos_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Every photo of the trip, by whose gear it shows."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    picture, edition = evaluation.picture, evaluation.edition
    items = {requirement.id: requirement.item for requirement in edition.requirements} if edition else {}
    names = {"party": "The party", **{rope.id: rope.name for rope in picture.rope_teams}}
    names |= {member: profile.name for member, profile in picture.profiles.items()}
    shown: dict[str, list[photo_queries.PhotoRow]] = {}
    for row in photo_queries.listed(conn, reader.outfit, trip):
        shown.setdefault(row.subject, []).append(row)
    return _page(
        request,
        "selfreport/photos.html",
        evaluation.plan,
        trip,
        reader,
        shown=shown,
        names=names,
        items=items,
    )


# -- putting together ----------------------------------------------------------------------------------------


def _plan(picture: Picture, trip: str) -> TripPlan:
    if picture.trip is None:
        raise Conflict(f"Trip {trip} has no plan yet. Enter its place, days and stages first.")
    return picture.trip


def _page(
    request: Request, template: str, plan: TripPlan, trip: str, reader: Reader, **context: Any
) -> Response:
    shell = shell_of(request)
    return page(
        request,
        template,
        shell=shell,
        say=Say(units=shell.units, zone=plan.place.zone),
        headers={"Cache-Control": "no-store"},
        trip=trip,
        plan=plan,
        reader=reader,
        may=may,
        caution=CAUTION,
        saved=request.query_params.get("saved", ""),
        **context,
    )


def _list(
    request: Request,
    conn: Connection,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    problem: Invalid | Conflict | None = None,
) -> Response:
    picture = readiness.journal.picture(conn, reader.outfit, trip).picture
    plan = _plan(picture, trip)
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    body = problem.body() if problem else None
    answer = _page(
        request,
        "selfreport/invitations.html",
        plan,
        trip,
        reader,
        people=_people(picture),
        chases={chase.member: chase for chase in to_chase(evaluation, plan.starts_on)},
        newest=links.newest_of(conn, reader.outfit, trip),
        now=readiness.clock.now(),
        problem=body,
        errors=forms_errors(body),
    )
    answer.status_code = problem.status if problem else 200
    return answer


def _people(picture: Picture) -> list[tuple[str, MemberProfile]]:
    """Climbers by name, then guides."""
    return sorted(picture.profiles.items(), key=lambda item: (item[1].role.guides, item[1].name, item[0]))


def _made(
    request: Request,
    conn: Connection,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    ready: Sequence[Invitation],
    problem: Invalid | Conflict | None = None,
) -> Response:
    plan = _plan(readiness.journal.picture(conn, reader.outfit, trip).picture, trip)
    settings: Settings = request.app.state.settings
    body = problem.body() if problem else None
    answer = _page(
        request,
        "selfreport/made.html",
        plan,
        trip,
        reader,
        ready=ready,
        mail=bool(settings.smtp_host and settings.mail_from),
        reminder="yes" if request.url.path.endswith("/send") else "",
        problem=body,
        errors=forms_errors(body),
    )
    answer.status_code = problem.status if problem else 200
    return answer


def _invitation(
    request: Request,
    conn: Connection,
    readiness: Readiness,
    reader: Reader,
    made: MadeLink,
    *,
    reminding: bool,
    mail_to: str | None = None,
) -> Invitation:
    evaluation = readiness.evaluation(conn, reader.outfit, made.row.trip_id)
    plan, profile = evaluation.plan, evaluation.picture.profiles[made.row.member]
    settings: Settings = request.app.state.settings
    last = post_by(plan.starts_on, settings.post_days_before)
    chase = next(c for c in to_chase(evaluation, last) if c.member == made.row.member)
    language = choose(None, profile.language, "")
    address = address_of(request, made.token)
    title, text = message(language, plan, profile.name, address, chase if reminding else None, last)
    found = re.search(r"[^\s,;<>()]+@[^\s,;<>()]+\.[^\s,;<>()]+", profile.contact)
    return Invitation(
        made.row,
        made.token,
        profile.name,
        address,
        title,
        text,
        mail_to if mail_to is not None else (found.group() if found else ""),
        language,
    )


def message(
    language: Language, plan: TripPlan, name: str, address: str, chase: Chase | None, last_post: date
) -> tuple[str, str]:
    """Title and text of a message with a link, in the person's language; with a `chase`, of a reminder."""
    _ = language.say
    title = _("Your list for {trip}", trip=plan.name)
    parts = [_("Hello {name},", name=name)]
    if chase is None:
        parts.append(
            _(
                "this link is your own list for {trip}, which starts on {day}. It says what you need and what"
                " it is for. Please answer for each thing what you have.",
                trip=plan.name,
                day=language.long_day(plan.starts_on),
            )
        )
    else:
        parts.append(
            _(
                "a reminder of your list for {trip}, which starts on {day}. Please look at what is still open"
                " and answer by this link.",
                trip=plan.name,
                day=language.long_day(plan.starts_on),
            )
        )
    parts.append(address)
    if chase is not None and chase.things:
        listed = "\n".join(f"- {language.listed(thing.item)}" for thing in chase.things)
        parts.append(_("Still open:") + "\n" + listed)
    parts.append(_("What has to be sent by post must be settled by {day}.", day=language.long_day(last_post)))
    parts.append(_("The link is for you alone. Please do not pass it on."))
    return title, "\n\n".join(parts)
