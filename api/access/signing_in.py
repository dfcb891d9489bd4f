"""Signing in over the web: limits first, then the proof, then a session of one's own and its cookies."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, ClassVar
from urllib.parse import urlencode, urlsplit

from fastapi import FastAPI, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Row

from api.access import queries, service
from api.access.current import SignInNeeded, remembered_of, secure, session_cookie, session_token
from api.access.limits import address_of, limiter_of
from api.access.passwords import Passwords
from api.access.staff_log import record
from api.access.tokens import Visitor, hash_of
from api.db import Database, Work
from api.errors import Problem, answer, wants_page
from api.settings import Settings

DEVICE_COOKIE = "rimaye-device"
DEVICE_LASTS = timedelta(days=400)
LONGEST_TYPED_EMAIL = 254


class SignInFailed(Problem):
    """The proof does not fit an account that may sign in. Which part is wrong is not said."""

    status = 401
    code: ClassVar[str] = "sign-in-failed"
    title = "Not signed in"


def wrong_password() -> SignInFailed:
    """The one answer to every wrong pair, whether or not there is such an account."""
    return SignInFailed("The address and the password do not go together. Check both and try again.")


def install(app: FastAPI) -> None:
    """Let a stranger who asks for a page be shown the way to sign in."""

    async def on_stranger(request: Request, error: Exception) -> Response:
        assert isinstance(error, SignInNeeded)
        whole_page = wants_page(request) and request.headers.get("hx-request") != "true"
        if whole_page and request.method == "GET":
            return RedirectResponse(sign_in_path(request.url.path), status_code=303)
        return answer(request, error)

    app.add_exception_handler(SignInNeeded, on_stranger)


def sign_in_path(back: str) -> str:
    """Where to sign in, to come back to `back` afterwards."""
    return f"/sign-in?{urlencode({'back': back})}" if own_path(back) != "/" else "/sign-in"


def own_path(back: str) -> str:
    """A path on this site; anything that could lead elsewhere becomes the start page."""
    parts = urlsplit(back)
    local = back.startswith("/") and not back.startswith("//") and "\\" not in back
    plain = back.isprintable() and not (parts.scheme or parts.netloc)
    return back if local and plain and not parts.path.startswith("/sign-") else "/"


def visitor_of(request: Request) -> Visitor:
    """Where a request comes from."""
    address = request.client.host if request.client else None
    return Visitor(address, request.headers.get("user-agent", ""))


def now_of(request: Request) -> datetime:
    """The moment, by the app's clock."""
    moment: datetime = request.app.state.clock.now()
    return moment


def passwords_of(request: Request) -> Passwords:
    """The app's checker of passwords."""
    state = request.app.state
    if not hasattr(state, "passwords"):
        state.passwords = Passwords()
    found: Passwords = state.passwords
    return found


def forget_after(request: Request, work: Work) -> None:
    """Let what is remembered about readers be forgotten once `work` is stored."""
    work.after_commit(remembered_of(request).forget)


async def with_password(request: Request, email: str, password: str) -> service.Opened:
    """Sign in by address and password. Raises SignInFailed or TooMany; either way the account stays usable
    for whoever knows its password, on a device it knows.
    """
    db: Database = request.app.state.db
    limiter, address = limiter_of(request.app), address_of(request)
    email = email.replace("\x00", "").strip().lower()[:LONGEST_TYPED_EMAIL]
    pair = f"{address} {hash_of(email)}"
    limiter.take("sign-in-address", address)
    limiter.take("sign-in-pair", pair)
    device = request.cookies.get(device_cookie(request))
    async with db.reading_async() as conn:
        person = queries.staff_by_email(conn, email)
        known = bool(person and device and queries.knows_device(conn, hash_of(device), person.id))
    if not known:
        limiter.take("sign-in-strangers", hash_of(email))
    kept = person.password_hash if person is not None and person.active else None
    if not await passwords_of(request).matches(password, kept) or person is None:
        await note_failure(request, person, "password")
        raise wrong_password()
    limiter.give_back("sign-in-address", address)
    limiter.give_back("sign-in-pair", pair)
    if not known:
        limiter.give_back("sign-in-strangers", hash_of(email))
    return await open_for(request, person, how="password")


async def note_failure(request: Request, person: Row[Any] | None, how: str) -> None:
    """Keep that a sign-in failed. What was typed is not kept: it may be a password in the wrong field."""
    db: Database = request.app.state.db
    about = f"{how}, {person.id}" if person is not None else f"{how}, no such account"
    outfit = person.outfit_id if person is not None else None
    async with db.writing_async() as work:
        record(
            work, now_of(request), "sign-in failed", outfit=outfit, about=about, visitor=visitor_of(request)
        )


async def open_for(request: Request, person: Row[Any], *, how: str) -> service.Opened:
    """Open a session for someone who has proved who they are."""
    db: Database = request.app.state.db
    async with db.writing_async() as work:
        forget_after(request, work)
        return open_in(request, work, person, how=how)


def open_in(request: Request, work: Work, person: Row[Any], *, how: str) -> service.Opened:
    """The same inside a unit of work."""
    settings: Settings = request.app.state.settings
    return service.open_session(
        work,
        person,
        now_of(request),
        how=how,
        visitor=visitor_of(request),
        lasts=timedelta(days=settings.session_days),
        device=request.cookies.get(device_cookie(request)),
        replaces=session_token(request),
    )


def device_cookie(request: Request) -> str:
    """The name of the cookie by which a device is known again."""
    return f"__Host-{DEVICE_COOKIE}" if secure(request) else DEVICE_COOKIE


def let_in(request: Request, response: Response, opened: service.Opened) -> None:
    """Put the session's and the device's cookies on an answer: no script reaches them, no other site."""
    lasts = opened.expires_at - now_of(request)
    for name, value, age in (
        (session_cookie(request), opened.token, lasts),
        (device_cookie(request), opened.device, DEVICE_LASTS),
    ):
        response.set_cookie(
            name,
            value,
            max_age=int(age.total_seconds()),
            path="/",
            secure=secure(request),
            httponly=True,
            samesite="lax",
        )


def let_out(request: Request, response: Response) -> None:
    """Take the session's cookie off the device, and what the browser has stored of our pages."""
    response.delete_cookie(
        session_cookie(request), path="/", secure=secure(request), httponly=True, samesite="lax"
    )
    response.headers["Clear-Site-Data"] = '"cache"'


def link_to(request: Request, path: str) -> str:
    """A full address of this installation, for links that are handed to others."""
    settings: Settings = request.app.state.settings
    return f"{(settings.base_url or str(request.base_url)).rstrip('/')}{path}"
