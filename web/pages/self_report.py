"""A person's own page behind a personal link: their list, their photos, their nights. No account is needed.

It works without scripts: every answer is one small form. With htmx the part that was answered is swapped in
place. Nothing of anyone else is ever shown, and a link that does not work answers in one way, whatever the
reason.
"""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from datetime import date
from math import isfinite, isnan
from typing import Any

from fastapi import APIRouter, Depends, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse, Response
from fastapi.routing import APIRoute
from sqlalchemy import Connection
from starlette.exceptions import HTTPException

from api.access.limits import address_of, limit, limiter_of
from api.access.permissions import public
from api.access.tokens import hash_of
from api.db import Database, Reading, Writing
from api.errors import BadRequest, Invalid, Problem, TooMany
from api.journal.kinds import Answer
from api.kitlist.schemas import Question
from api.photos import service as photos
from api.photos.service import NotAPhoto
from api.readiness.service import Evaluations
from api.selfreport import links, service
from api.selfreport.service import Own
from api.units import Kind, QuantityError, parse_quantity
from web.locale import Language
from web.pages.roster_forms import Form, Sent
from web.pages.self_report_view import OwnView, choose_language
from web.rendering import page

LIMIT = "self-report"
WHY_PUBLIC = "a personal link: its token lets one person see and fill in their own list"
PRIVATE = {
    "Cache-Control": "no-store",
    "Referrer-Policy": "no-referrer",
    "X-Robots-Tag": "noindex, nofollow",
}
"""Of every answer under a personal link, errors too."""
LOWEST_M, HIGHEST_M = -430.0, 8850.0


class PrivateRoute(APIRoute):
    """A route under a personal link: what goes wrong is told in the person's language."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        handle = super().get_route_handler()

        async def private(request: Request) -> Response:
            try:
                answer = await handle(request)
            except Problem as problem:
                answer = _problem(request, problem)
            except (HTTPException, RequestValidationError):
                answer = _problem(request, BadRequest("This request could not be read."))
            for name, value in PRIVATE.items():
                if name != "Cache-Control" or name not in answer.headers:
                    answer.headers[name] = value
            return answer

        return private


router = APIRouter(
    prefix="/r/{token}",
    include_in_schema=False,
    route_class=PrivateRoute,
    dependencies=[public(WHY_PUBLIC), limit(LIMIT)],
)


async def _check_open(request: Request, token: str) -> None:
    """Raise Closed before anything that was sent is looked at."""
    db: Database = request.app.state.db
    async with db.reading_async() as conn:
        links.open_link(conn, token, request.app.state.clock.now())


OPEN = Depends(_check_open)


@router.get("")
def own_page(request: Request, token: str, conn: Reading, readiness: Evaluations) -> Response:
    """The whole list."""
    own = read_own(request, conn, readiness, token, looking=True)
    return _page(request, own, token)


@router.post("/items/{item}", dependencies=[OPEN])
def tell(
    request: Request, token: str, item: str, sent: Sent, work: Writing, readiness: Evaluations
) -> Response:
    """Keep what was said of one thing."""
    own = read_own(request, work, readiness, token)
    thing = own.thing(item)
    language = _language(request, own)
    plan = service.plan_of(sent.text("plan"))
    try:
        if plan is None:
            raise _invalid(language, "plan", sent.text("plan"), "Choose one of the answers.")
        answers = _answers(language, sent, thing.questions) if sent.ticked("answers") else None
        count = _number(language, "count", sent.text("count")) if sent.ticked("answers") else None
        by = _date(language, "by", sent.text("by"))
        service.tell(work, readiness, own, item, plan, by=by, count=count, answers=answers)
    except Invalid as problem:
        return _page(request, own, token, item=item, problem=problem, typed=sent)
    return _done(request, work, readiness, token, item)


@router.post("/items/{item}/photos", dependencies=[OPEN])
def add_photo(
    request: Request,
    token: str,
    item: str,
    sent: photos.Sent,
    work: Writing,
    readiness: Evaluations,
) -> Response:
    """Keep a photo of one thing."""
    own = read_own(request, work, readiness, token)
    own.thing(item)
    if sent.made is None:
        language = _language(request, own)
        problem = _invalid(language, "photo", "", "Choose a photo first.")
        return _page(request, own, token, item=item, problem=problem)
    service.add_photo(work, readiness, request.app.state.settings, own, item, sent.text("shows"), sent.made)
    return _done(request, work, readiness, token, item)


@router.get("/photos/{photo}")
def show_photo(
    request: Request, token: str, photo: str, conn: Reading, readiness: Evaluations, small: bool = False
) -> Response:
    """One of the person's own photos."""
    own = read_own(request, conn, readiness, token, looking=True)
    return photos.answer(conn, own.link.outfit_id, own.link.trip_id, photo, small=small, subject=own.member)


@router.post("/nights", dependencies=[OPEN])
def tell_nights(request: Request, token: str, sent: Sent, work: Writing, readiness: Evaluations) -> Response:
    """Keep where the person sleeps before the trip."""
    own = read_own(request, work, readiness, token)
    view = OwnView(own, _language(request, own), token)
    try:
        told = _nights(view, sent)
    except Invalid as problem:
        return _page(request, own, token, item="nights", problem=problem, typed=sent)
    service.tell_nights(work, readiness, own, told)
    return _done(request, work, readiness, token, "nights")


# -- reading forms -------------------------------------------------------------------------------------------


def _invalid(language: Language, field: str, value: object, says: str, **values: object) -> Invalid:
    said = language.say(says, **values)
    return Invalid.field(field, value, said, "")


def _answers(language: Language, sent: Form, questions: tuple[Question, ...]) -> dict[str, Answer]:
    """The answers that were given; an empty one is no answer."""
    found: dict[str, Answer] = {}
    for question in questions:
        name = f"answer-{question.id}"
        text = sent.text(name)
        if not text:
            continue
        if question.kind == "number":
            number = _number(language, name, text)
            found[question.id] = number if number is not None else 0.0
        elif question.kind == "date":
            day = _date(language, name, text)
            found[question.id] = day.isoformat() if day else text
        elif question.kind == "yes-no" and text in ("yes", "no"):
            found[question.id] = text == "yes"
        elif question.kind == "choice" and text in {choice.id for choice in question.choices}:
            found[question.id] = text
        else:
            raise _invalid(language, name, text, "Choose one of the answers.")
    return found


def _number(language: Language, name: str, text: str) -> float | None:
    if not text:
        return None
    try:
        value = float(text.replace("−", "-").replace(",", "."))
    except ValueError:
        value = float("nan")
    if isnan(value) or not isfinite(value) or abs(value) > 100_000 or (name == "count" and value < 0):
        raise _invalid(language, name, text, "This is not a number. Write digits only.")
    return value


def _date(language: Language, name: str, text: str) -> date | None:
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise _invalid(language, name, text, "This is not a date. Write it like 2026-05-31.") from None


def _nights(view: OwnView, sent: Form) -> dict[date, float | None]:
    """Nights with an elevation, or marked as not known; a row left empty says nothing."""
    unit = "ft" if sent.text("unit") == "ft" else "m"
    told: dict[date, float | None] = {}
    for night in view.nights:
        if not night.free:
            continue
        text = sent.text(night.field)
        if text:
            told[night.on] = _elevation(view.language, night.field, text, unit)
        elif sent.ticked(f"{night.field}-unknown"):
            told[night.on] = None
    return told


def _elevation(language: Language, name: str, text: str, unit: str) -> float:
    wrong = _invalid(language, name, text, "Write an elevation between -430 and 8850 m, for example 1650.")
    try:
        elevation_m = round(parse_quantity(text, Kind.LENGTH, field=name, default_unit=unit), 1)
    except QuantityError:
        raise wrong from None
    if not LOWEST_M <= elevation_m <= HIGHEST_M:
        raise wrong
    return elevation_m


# -- showing -------------------------------------------------------------------------------------------------


def read_own(
    request: Request, conn: Connection, readiness: Evaluations, token: str, *, looking: bool = False
) -> Own:
    """What the link shows. One that works was no guess, so it is not counted against its address; and looking
    is not counted against the link either."""
    own = service.read(conn, readiness, token)
    limiter = limiter_of(request.app)
    limiter.give_back(LIMIT, f"address {address_of(request)}")
    if looking:
        limiter.give_back(LIMIT, f"link {hash_of(token)}")
    return own


def _language(request: Request, own: Own | None = None) -> Language:
    return choose_language(request, own.profile.language if own else "")


def _swaps(request: Request) -> bool:
    return request.headers.get("hx-request") == "true"


def _done(request: Request, conn: Connection, readiness: Evaluations, token: str, part: str) -> Response:
    """The part as it is now, or back to it on the whole page."""
    if _swaps(request):
        return _page(request, service.read(conn, readiness, token), token, item=part)
    lang = request.query_params.get("lang", "")
    query = f"?lang={lang}" if lang.isalpha() else ""
    anchor = part if part == "nights" else f"item-{part}"
    return RedirectResponse(f"/r/{token}{query}#{anchor}", status_code=303)


def _page(
    request: Request,
    own: Own,
    token: str,
    *,
    item: str | None = None,
    problem: Invalid | None = None,
    typed: Form | None = None,
) -> Response:
    language = _language(request, own)
    view = OwnView(own, language, token, asked=request.query_params.get("lang"))
    wrong = {field.field: field.message for field in problem.fields} if problem else {}
    template = "selfreport/page.html"
    if _swaps(request) and item is not None:
        template = "selfreport/_nights.html" if item == "nights" else "selfreport/_swapped.html"
    return page(
        request,
        template,
        status_code=problem.status if problem else 200,
        headers=PRIVATE,
        v=view,
        _=language.say,
        thing=view.thing(item) if item and item != "nights" else None,
        part=item,
        wrong=wrong,
        typed=typed.typed() if typed else {},
    )


def _problem(request: Request, problem: Problem) -> Response:
    """What went wrong, in the person's language and without a word about why a link does not work."""
    language = _language(request)
    if isinstance(problem, TooMany):
        says = "Too much was asked in a short time. Wait a minute, then try again."
    elif problem.status in (404, 405):
        problem = links.Closed() if not isinstance(problem, links.Closed) else problem
        says = "This link does not work any more. Ask the office of your trip for a new one."
    elif isinstance(problem, NotAPhoto):
        says = problem.says
    elif problem.status == 413:
        says = "This file is too large. Send a smaller photo."
    elif problem.status == 409:
        says = "This could not be kept as it is. Nothing was stored; ask the office of your trip."
    else:
        says = "This did not work. Nothing was stored; go back and try again."
    answer = page(
        request,
        "selfreport/problem.html",
        status_code=problem.status,
        headers={**PRIVATE, **problem.headers},
        _=language.say,
        language=language,
        says=language.say(says),
        back=None if problem.status == 404 else request.url.path.split("/items/")[0].removesuffix("/nights"),
        fragment=_swaps(request),
    )
    if _swaps(request):
        answer.headers.update({"HX-Retarget": "#said", "HX-Reswap": "innerHTML"})
    return answer
