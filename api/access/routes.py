"""The JSON API of access: oneself, passkeys, tokens, staff, who is on a trip, and the log."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Body, Path, Query, Request, Response
from sqlalchemy import Row

from api.access import assigning, passkeys, queries, service
from api.access.current import CurrentReader, require_recent, require_session, secure
from api.access.limits import limit
from api.access.permissions import ACTIONS, permit, public
from api.access.schemas import (
    AssignedIn,
    AssignedPerson,
    Credential,
    Invited,
    InviteIn,
    LogLine,
    Me,
    Onward,
    Person,
    PersonChange,
    TokenIn,
    TokenKept,
    TokenMade,
)
from api.access.signing_in import (
    forget_after,
    let_in,
    link_to,
    now_of,
    own_path,
    visitor_of,
)
from api.db import Reading, Writing
from api.errors import Conflict

router = APIRouter(prefix="/api", tags=["access"])

CEREMONY_COOKIE = "rimaye-ceremony"
TripId = Annotated[str, Path(max_length=80, description="Id of the trip.")]
StaffId = Annotated[str, Path(max_length=80, description="Id of one of the staff.")]
OWN = [permit("account.own")]


@router.get("/me", dependencies=OWN)
def me(reader: CurrentReader) -> Me:
    """Who is signed in, and what their role may do."""
    may = [action.name for action in ACTIONS.values() if reader.role in action.roles]
    return Me(id=reader.staff, name=reader.name, role=reader.role, outfit=reader.outfit, actions=may)


# -- passkeys


@router.post("/passkeys/begin", dependencies=[*OWN, limit("ceremony")])
async def begin_passkey(request: Request, reader: CurrentReader) -> Response:
    """Options for `navigator.credentials.create`, as WebAuthn writes them in JSON. Needs a recent sign-in."""
    options, token = await passkeys.begin_adding(request, require_recent(reader, now_of(request)))
    return _with_ceremony(request, options, token)


@router.post("/passkeys", dependencies=OWN, status_code=201)
async def add_passkey(request: Request, reader: CurrentReader, sent: Credential) -> Onward:
    """Keep a new passkey."""
    token = _ceremony(request)
    await passkeys.finish_adding(request, require_session(reader), token, sent.credential, sent.label)
    return Onward(to="/account")


@router.post("/sign-in/passkey/begin", dependencies=[public("signing in"), limit("ceremony")])
async def begin_passkey_sign_in(request: Request) -> Response:
    """Options for `navigator.credentials.get`, as WebAuthn writes them in JSON."""
    options, token = await passkeys.begin_sign_in(request)
    return _with_ceremony(request, options, token)


@router.post("/sign-in/passkey", dependencies=[public("signing in"), limit("sign-in-address")])
async def sign_in_with_passkey(request: Request, response: Response, sent: Credential) -> Onward:
    """Open a session with a passkey."""
    opened = await passkeys.finish_sign_in(request, _ceremony(request), sent.credential)
    let_in(request, response, opened)
    return Onward(to=own_path(sent.back))


def _with_ceremony(request: Request, options: str, token: str) -> Response:
    answer = Response(options, media_type="application/json", headers={"Cache-Control": "no-store"})
    answer.set_cookie(
        CEREMONY_COOKIE,
        token,
        max_age=int(passkeys.CEREMONY_LASTS.total_seconds()),
        path="/",
        secure=secure(request),
        httponly=True,
        samesite="lax",
    )
    return answer


def _ceremony(request: Request) -> str:
    token = request.cookies.get(CEREMONY_COOKIE)
    if not token:
        raise Conflict("This was begun too long ago, or elsewhere. Begin again from the page.")
    return token


# -- tokens for programs


@router.get("/tokens", dependencies=OWN)
def list_tokens(request: Request, conn: Reading, reader: CurrentReader) -> list[TokenKept]:
    """One's own tokens that are good."""
    return [
        TokenKept(
            id=row.id,
            label=row.label,
            role=row.role,
            created_at=row.created_at,
            expires_at=row.expires_at,
            used_at=row.used_at,
        )
        for row in queries.api_tokens(conn, reader.staff, now_of(request))
    ]


@router.post("/tokens", dependencies=[*OWN, limit("token")], status_code=201)
def make_token(request: Request, work: Writing, reader: CurrentReader, sent: TokenIn) -> TokenMade:
    """Make a token for a program that acts for oneself. Needs a recent sign-in."""
    token = service.make_token(
        work,
        require_recent(reader, now_of(request)),
        label=sent.label,
        role=sent.role,
        days=sent.days,
        now=now_of(request),
        visitor=visitor_of(request),
    )
    return TokenMade(token=token)


@router.delete("/tokens/{token_id}", dependencies=OWN, status_code=204)
def revoke_token(
    request: Request, work: Writing, reader: CurrentReader, token_id: Annotated[str, Path(max_length=80)]
) -> None:
    """Revoke one of one's own tokens."""
    service.revoke_token(work, reader, token_id, now_of(request), visitor_of(request))
    forget_after(request, work)


# -- staff


@router.get("/staff", dependencies=[permit("staff.manage")])
def list_staff(conn: Reading, reader: CurrentReader) -> list[Person]:
    """Everyone of the outfit who has, or had, an account."""
    return [_person(row) for row in queries.staff_of(conn, reader.outfit)]


@router.post("/staff", dependencies=[permit("staff.manage"), limit("invite")], status_code=201)
def invite(request: Request, work: Writing, reader: CurrentReader, sent: InviteIn) -> Invited:
    """Let someone in: the answer holds a link for them, good once and shown once."""
    made = service.invite(
        work,
        reader,
        name=sent.name,
        email=sent.email,
        role=sent.role,
        now=now_of(request),
        visitor=visitor_of(request),
    )
    return Invited(id=made.staff, link=link_to(request, f"/join/{made.token}"), expires_at=made.expires_at)


@router.patch("/staff/{staff}", dependencies=[permit("staff.manage")])
def change_staff(
    request: Request, work: Writing, reader: CurrentReader, staff: StaffId, sent: PersonChange
) -> Person:
    """Give someone another role, or keep them out. Their sign-ins end."""
    now, visitor = now_of(request), visitor_of(request)
    if sent.role is not None:
        service.change_role(work, reader, staff, sent.role, now, visitor)
    if sent.active is not None:
        service.set_active(work, reader, staff, sent.active, now, visitor)
    forget_after(request, work)
    return _person(service.colleague(work, reader, staff))


def _person(row: Row[Any]) -> Person:
    return Person(id=row.id, name=row.name, email=row.email, role=row.role, active=row.active)


# -- who is on a trip


@router.get("/trips/{trip}/staff", dependencies=[permit("trip.read")])
def read_assigned(conn: Reading, trip: TripId) -> list[AssignedPerson]:
    """The guides who are assigned to a trip, and so see it."""
    return [
        AssignedPerson(staff=row.id, member=row.member, name=row.name, role=row.role)
        for row in queries.trip_staff(conn, trip)
    ]


@router.put("/trips/{trip}/staff", dependencies=[permit("trip.assign")])
def assign(
    request: Request,
    work: Writing,
    reader: CurrentReader,
    trip: TripId,
    sent: Annotated[AssignedIn, Body()],
) -> list[AssignedPerson]:
    """Make exactly these the guides who are assigned to a trip."""
    people = {one.staff: one.member for one in sent.staff}
    assigning.assign(work, reader, trip, people, now_of(request), visitor_of(request))
    forget_after(request, work)
    return read_assigned(work, trip)


# -- the log


@router.get("/staff-log", dependencies=[permit("staff.log")])
def read_log(
    conn: Reading,
    reader: CurrentReader,
    before: Annotated[
        str | None, Query(max_length=40, pattern=r"^[0-9a-f-]*$", description="Id of the oldest line known.")
    ] = None,
    limit: Annotated[int, Query(ge=1, le=500, description="Most lines to answer with.")] = 100,
) -> list[LogLine]:
    """Sign-ins and changes of access, the newest first."""
    return [
        LogLine(id=row.id, at=row.at, who=row.name, what=row.what, about=row.about, address=row.address)
        for row in queries.log_lines(conn, reader.outfit, before=before, limit=limit)
    ]
