"""Personal links as guides and office handle them, whom to chase, and everyone's photos."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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
from api.journal.service import Journals
from api.journal.trip import MemberProfile, TripPlan
from api.photos import queries as photo_queries
from api.readiness.delivery import NotDelivered, check_address, deliver
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations, Readiness
from api.selfreport import links, queries
from api.selfreport.links import MadeLink
from api.selfreport.queries import LinkRow
from api.selfreport.routes import address_of
from api.selfreport.rules import Open, post_by, to_chase
from api.settings import Settings
from web.locale import Language, choose
from web.pages.locker_view import qr
from web.pages.roster_forms import Sent
from web.reminders import Letter, days_before, mail_address, message
from web.rendering import forms_errors, page, shell_of
from web.words import Say

router = APIRouter(prefix="/trips/{trip}", include_in_schema=False)

MOST_AT_ONCE = 60
"""More people are on no trip."""

OPEN_WORDS: dict[Open, str] = {
    Open.ABSENT: "not there",
    Open.UNFIT: "not fit",
    Open.NO_ANSWER: "no answer",
    Open.NOT_SURE: "not sure",
    Open.SHORT: "not enough",
    Open.WILL_BUY: "will buy it",
    Open.RENTING: "is renting it",
    Open.QUESTION: "a question is open",
    Open.PICTURE: "only said; ask for a photo",
}
"""What is open with a person about a thing, in words."""


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
    return _made(request, work, readiness, reader, trip, ready, reminding=reminding)


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
        return _made(
            request, conn, readiness, reader, trip, [ready], problem, reminding=sent.ticked("reminder")
        )


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
        remind_days=[str(days) for days in days_before(settings)],
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


@router.post("/photos/{subject}/erase", dependencies=[permit("photo.erase")])
def erase_photos(
    trip: str, subject: str, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Erase every photo of someone's gear. What was recorded of the gear stays as it is."""
    journals.picture(work, reader.outfit, trip)  # NotFound for a trip of others
    erased = photo_queries.erase_of(work, reader.outfit, trip, subject)
    if not erased:
        raise NotFound("There are no photos of this. Choose from the list.")
    return RedirectResponse(f"/trips/{trip}/photos?saved={erased}", status_code=303)


@router.post("/invitations/send-all", dependencies=[permit("selfreport.invite"), limit("invite")])
async def send_all(
    request: Request, trip: str, sent: Sent, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """E-mail every link that was just made and whose person has an address; show those that remain."""
    db: Database = request.app.state.db
    settings: Settings = request.app.state.settings
    now = readiness.clock.now()
    left: list[tuple[Invitation, str]] = []
    async with db.reading_async() as conn:
        ready = []
        for token in sent.texts("token")[:MOST_AT_ONCE]:
            row = links.open_link(conn, token, now)
            if (row.trip_id, row.outfit_id) != (trip, reader.outfit):
                raise NotFound("There is no such link on this trip. Make a new one.")
            one = MadeLink(row, token)
            reminding = sent.ticked("reminder")
            ready.append(_invitation(request, conn, readiness, reader, one, reminding=reminding))
    for one_ready in ready:
        try:
            address = check_address(settings, "email", one_ready.mail_to)
            letter = Letter(one_ready.link.id, address, one_ready.title, one_ready.text)
            await to_thread.run_sync(deliver, settings, letter, now)
        except NotDelivered as error:
            left.append((one_ready, f"the mail server did not take it ({error})"))
        except Invalid:
            left.append((one_ready, "no e-mail address is known"))
        else:
            async with db.writing_async() as work:
                queries.sent(work, one_ready.link.id, address, now)
    if not left:
        return RedirectResponse(f"/trips/{trip}/invitations?saved=sent", status_code=303)
    problem = Conflict(
        f"{len(ready) - len(left)} of {len(ready)} mailed. Not mailed: "
        + "; ".join(f"{one_left.name}, {why}" for one_left, why in left)
        + ". Copy these messages instead."
    )
    async with db.reading_async() as conn:
        remaining, reminding = [one_left for one_left, _ in left], sent.ticked("reminder")
        return _made(request, conn, readiness, reader, trip, remaining, problem, reminding=reminding)


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
    *,
    reminding: bool = False,
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
        reminder="yes" if reminding else "",
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
    return Invitation(
        made.row,
        made.token,
        profile.name,
        address,
        title,
        text,
        mail_to if mail_to is not None else mail_address(profile.contact),
        language,
    )
