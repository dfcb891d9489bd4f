"""Signing in and out, one-time links, and one's own account. Plain forms; only passkeys need a script."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection, Row

from api.access import openid, passkeys, passwords, queries, service, typed
from api.access.current import (
    LESSER_ROLES,
    RECENT,
    AnyReader,
    CurrentReader,
    Reader,
    is_recent,
    require_recent,
    require_session,
    secure,
    session_token,
)
from api.access.limits import limit
from api.access.permissions import ROLE_WORDS, permit, public
from api.access.routes import CEREMONY_COOKIE
from api.access.signing_in import (
    SignInFailed,
    forget_after,
    let_in,
    let_out,
    now_of,
    open_in,
    own_path,
    passwords_of,
    visitor_of,
    with_password,
)
from api.db import Database, Reading, Writing
from api.errors import Invalid, Problem
from web.rendering import forms_errors, page
from web.words import Say

router = APIRouter(include_in_schema=False)
NO_STORE = {"Cache-Control": "no-store"}
OWN = [permit("account.own")]
Text = Annotated[str, Form(max_length=400, pattern=r"^[^\x00]*$")]
Password = Annotated[str, Form(max_length=4 * passwords.LONGEST)]


# -- signing in and out


@router.get("/sign-in", dependencies=[public("signing in")])
async def sign_in_page(request: Request, reader: AnyReader, back: str = "/", again: bool = False) -> Response:
    """The page to sign in on; who is signed in goes on at once, unless they are to prove it again."""
    if reader is not None and not again:
        return RedirectResponse(own_path(back), status_code=303)
    return await _sign_in_page(request, back=back)


@router.post("/sign-in", dependencies=[public("signing in")])
async def sign_in(request: Request, email: Text, password: Password, back: Text = "/") -> Response:
    """Sign in by address and password."""
    try:
        opened = await with_password(request, email, password)
    except Problem as problem:
        return await _sign_in_page(request, back=back, email=email, problem=problem)
    answer = RedirectResponse(own_path(back), status_code=303)
    let_in(request, answer, opened)
    return answer


@router.post("/sign-out", dependencies=[public("ends only the session that is sent")])
async def sign_out(request: Request) -> Response:
    """End the session of this device."""
    token = session_token(request)
    if token:
        db: Database = request.app.state.db
        async with db.writing_async() as work:
            forget_after(request, work)
            service.sign_out(work, token, now_of(request), visitor_of(request))
    answer = RedirectResponse("/sign-in", status_code=303)
    let_out(request, answer)
    return answer


async def _sign_in_page(
    request: Request, *, back: str, email: str = "", problem: Problem | None = None
) -> Response:
    db: Database = request.app.state.db
    async with db.reading_async() as conn:
        accounts = queries.anybody(conn)
    return page(
        request,
        "access/sign_in.html",
        status_code=problem.status if problem else 200,
        headers=NO_STORE | (problem.headers if problem else {}),
        back=own_path(back),
        email=email[:254],
        problem=problem.body() if problem else None,
        accounts=accounts,
        passkeys=passkeys.rp_id(request) is not None,
        outside=openid.configured(request.app.state.settings),
    )


@router.get("/sign-in/openid", dependencies=[public("signing in"), limit("ceremony")])
async def sign_in_outside(request: Request, back: str = "/") -> Response:
    """Go to the outfit's own sign-in service."""
    url, token = await openid.begin(request, back)
    answer = RedirectResponse(url, status_code=303)
    answer.set_cookie(
        CEREMONY_COOKIE,
        token,
        max_age=int(openid.LASTS.total_seconds()),
        secure=secure(request),
        httponly=True,
        samesite="lax",
    )
    return answer


@router.get("/sign-in/openid/back", dependencies=[public("signing in"), limit("sign-in-address")])
async def back_from_outside(
    request: Request,
    state: Annotated[str, Query(max_length=200)] = "",
    code: Annotated[str, Query(max_length=4000)] = "",
) -> Response:
    """The outfit's sign-in service sends the browser back here."""
    try:
        opened, back = await openid.finish(request, request.cookies.get(CEREMONY_COOKIE, ""), state, code)
    except SignInFailed as problem:
        return await _sign_in_page(request, back="/", problem=problem)
    answer = RedirectResponse(back, status_code=303)
    let_in(request, answer, opened)
    return answer


# -- one-time links


@router.get("/join/{token}", dependencies=[public("a one-time link"), limit("link")])
def join_page(request: Request, conn: Reading, token: str) -> Response:
    """Choose a password: at set-up, when invited, or after losing it. Looking does not spend the link."""
    person = service.link_owner(conn, token, now_of(request))
    return _join_page(request, token, person)


@router.post("/join/{token}", dependencies=[public("a one-time link"), limit("link")])
async def join(request: Request, token: str, password: Password, again: Password) -> Response:
    """Spend the link on a password, and sign in."""
    db: Database = request.app.state.db
    async with db.reading_async() as conn:
        person = service.link_owner(conn, token, now_of(request))
    try:
        hashed = await _new_password(request, password, again, (person.name, person.email))
    except Invalid as problem:
        return _join_page(request, token, person, problem)
    async with db.writing_async() as work:
        forget_after(request, work)
        person = service.use_link(work, token, hashed, now_of(request), visitor_of(request))
        opened = open_in(request, work, person, how="link")
    answer = RedirectResponse("/", status_code=303)
    let_in(request, answer, opened)
    return answer


def _join_page(request: Request, token: str, person: Row[Any], problem: Problem | None = None) -> Response:
    return page(
        request,
        "access/join.html",
        status_code=problem.status if problem else 200,
        headers=NO_STORE,
        token=token,
        person=person,
        role=ROLE_WORDS[typed.checked_role(person.role)],
        shortest=passwords.SHORTEST,
        problem=problem.body() if problem else None,
        errors=forms_errors(problem.body() if problem else None),
    )


async def _new_password(request: Request, password: str, again: str, about: tuple[str, ...]) -> str:
    good = passwords.check_new(password, about)
    if passwords.prepared(again) != good:
        raise Invalid.field("again", None, "The two are not the same.", "Type the password again.")
    return await passwords_of(request).hash(good)


# -- one's own account


@router.get("/account", dependencies=OWN)
def account_page(request: Request, conn: Reading, reader: CurrentReader) -> Response:
    """One's devices, password, passkeys and tokens."""
    return _account(request, conn, reader)


def _account(
    request: Request,
    conn: Connection,
    reader: Reader,
    *,
    problem: Problem | None = None,
    token: str | None = None,
) -> Response:
    now = now_of(request)
    return page(
        request,
        "access/account.html",
        status_code=problem.status if problem else 200,
        headers=NO_STORE | (problem.headers if problem else {}),
        say=Say(now=now),
        reader=reader,
        role=ROLE_WORDS[reader.role],
        person=queries.staff_by_id(conn, reader.staff, reader.outfit),
        sessions=queries.open_sessions(conn, reader.staff, now),
        passkeys=queries.passkeys_of(conn, reader.staff),
        may_add_passkey=passkeys.rp_id(request) is not None,
        tokens=queries.api_tokens(conn, reader.staff, now),
        token=token,
        recent=is_recent(reader, now),
        recent_min=int(RECENT.total_seconds() / 60),
        token_roles=[(role, ROLE_WORDS[role]) for role in LESSER_ROLES[reader.role]],
        shortest=passwords.SHORTEST,
        problem=problem.body() if problem else None,
        errors=forms_errors(problem.body() if problem else None),
    )


@router.post("/account/password", dependencies=[*OWN, limit("password")])
async def change_password(
    request: Request, reader: CurrentReader, present: Password, password: Password, again: Password
) -> Response:
    """Choose another password. The sign-ins on other devices end, and this one gets a new token."""
    db: Database = request.app.state.db
    require_session(reader)
    async with db.reading_async() as conn:
        person = service.colleague(conn, reader, reader.staff)
    try:
        if not await passwords_of(request).matches(present, person.password_hash):
            raise Invalid.field("present", None, "This is not the present password.", "Type it again.")
        hashed = await _new_password(request, password, again, (person.name, person.email))
    except Invalid as problem:
        async with db.reading_async() as conn:
            return _account(request, conn, reader, problem=problem)
    async with db.writing_async() as work:
        forget_after(request, work)
        service.change_password(work, reader, hashed, now_of(request), visitor_of(request))
        opened = open_in(request, work, person, how="new password")
    answer = _to_account()
    let_in(request, answer, opened)
    return answer


@router.post("/account/devices/{session}/end", dependencies=OWN)
def end_device(request: Request, work: Writing, reader: CurrentReader, session: str) -> Response:
    """End the sign-in on one device."""
    service.end_session(work, reader, session, now_of(request), visitor_of(request))
    forget_after(request, work)
    return _to_account()


@router.post("/account/devices/end", dependencies=OWN)
def end_devices(request: Request, work: Writing, reader: CurrentReader) -> Response:
    """Sign out everywhere, here too."""
    person = service.colleague(work, reader, reader.staff)
    service.end_everywhere(work, person, now_of(request), visitor_of(request), by=reader.staff)
    forget_after(request, work)
    answer = RedirectResponse("/sign-in", status_code=303)
    let_out(request, answer)
    return answer


@router.post("/account/passkeys/remove", dependencies=OWN)
def remove_passkey(request: Request, work: Writing, reader: CurrentReader, passkey: Text) -> Response:
    """Remove a passkey."""
    service.remove_passkey(work, require_session(reader), passkey, now_of(request), visitor_of(request))
    return _to_account()


@router.post("/account/tokens", dependencies=[*OWN, limit("token")])
def make_token(
    request: Request,
    work: Writing,
    reader: CurrentReader,
    label: Text,
    role: Text,
    days: Annotated[int, Form()] = 90,
) -> Response:
    """Make a token for a program; it is shown once, on this very page."""
    token = service.make_token(
        work,
        require_recent(reader, now_of(request)),
        label=label,
        role=role,
        days=days,
        now=now_of(request),
        visitor=visitor_of(request),
    )
    return _account(request, work, reader, token=token)


@router.post("/account/tokens/{token_id}/revoke", dependencies=OWN)
def revoke_token(request: Request, work: Writing, reader: CurrentReader, token_id: str) -> Response:
    """Revoke a token."""
    service.revoke_token(work, reader, token_id, now_of(request), visitor_of(request))
    forget_after(request, work)
    return _to_account()


def _to_account() -> Response:
    return RedirectResponse("/account", status_code=303)
