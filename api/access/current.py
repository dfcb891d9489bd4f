"""Who is asking: a session's cookie, a program's token, or in demo mode the role that was chosen.

Everything else takes a `Reader` and does not care where it came from. What was looked up is remembered for a
moment; a change made by this process is seen at once, one made by another within `REMEMBERED_S`.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, ClassVar, Literal, TypeVar, get_args

import structlog
from fastapi import Depends, Request
from sqlalchemy import Connection

from api.access import queries
from api.access.staff_log import record
from api.access.tokens import hash_of
from api.clock import Clock
from api.db import Database
from api.errors import NotFound, Problem, Refused, Unavailable
from api.settings import Settings

Role = Literal["lead", "assistant", "office", "admin"]
ROLES: tuple[Role, ...] = get_args(Role)
ROLE_COOKIE = "rimaye_role"

NAMES: dict[Role, str] = {
    "lead": "Lead guide",
    "assistant": "Assistant guide",
    "office": "Office",
    "admin": "Administrator",
}
"""How someone without an account is named in the journal: in the demo, and in lists of roles."""

LESSER_ROLES: dict[Role, tuple[Role, ...]] = {
    "lead": ("lead", "assistant"),
    "assistant": ("assistant",),
    "office": ("office",),
    "admin": ("admin", "office"),
}
"""Roles that a program's token may have, by the role of its owner."""

SESSION_COOKIE = "rimaye"
SECURE_SESSION_COOKIE = "__Host-rimaye"
REMEMBERED_S = 2.0
MOST_REMEMBERED = 10_000
SEEN_EVERY = timedelta(minutes=10)
RECENT = timedelta(minutes=15)
"""How long after signing in on a device one may add other ways in without proving again who one is."""

log = structlog.get_logger(__name__)
T = TypeVar("T")


class SignInNeeded(Problem):
    """Nobody is signed in, or the sign-in has ended; sign in and do it again."""

    status = 401
    code: ClassVar[str] = "sign-in-needed"
    title = "Please sign in"


class ProofNeeded(Refused):
    """Signed in too long ago for this: sign in again on this device, then do it again."""

    code: ClassVar[str] = "proof-needed"
    title = "Please sign in once more"


@dataclass(frozen=True, slots=True)
class Reader:
    """The person a request comes from."""

    outfit: str
    staff: str
    """Id of the person among the outfit's staff."""
    name: str
    role: Role
    everywhere: bool = False
    """Sees every trip of the outfit without being assigned, as the roles of the demo do."""
    session: str | None = None
    """Id of the session, for those who came by one."""
    signed_in_at: datetime | None = None
    """When this session's owner last proved who they are, on this device."""

    @property
    def sees_all_trips(self) -> bool:
        """Whether every trip of the outfit is theirs to see."""
        return self.everywhere or self.role in ("office", "admin")


@dataclass(frozen=True, slots=True)
class _Known:
    reader: Reader
    until: datetime


class Remembered:
    """What was looked up a moment ago, and is asked for again with each request."""

    def __init__(self, clock: Clock, seconds: float = REMEMBERED_S) -> None:
        self._clock = clock
        self._seconds = seconds
        self._kept: OrderedDict[object, tuple[float, object]] = OrderedDict()

    def get(self, key: object, kind: type[T]) -> T | None:
        """What was put under `key`, unless it is too old."""
        found = self._kept.get(key)
        if found is None or found[0] <= self._clock.monotonic() or not isinstance(found[1], kind):
            return None
        return found[1]

    def put(self, key: object, value: object) -> None:
        """Remember `value` for a moment."""
        self._kept[key] = (self._clock.monotonic() + self._seconds, value)
        if len(self._kept) > MOST_REMEMBERED:
            self._kept.popitem(last=False)

    def forget(self) -> None:
        """Forget everything, because something about access has changed."""
        self._kept.clear()


# -- the dependencies ----------------------------------------------------------------------------------------


async def current_reader(request: Request) -> Reader:
    """The person this request comes from. Raises SignInNeeded when it is nobody known."""
    reader = await reader_or_none(request)
    if reader is None:
        raise SignInNeeded(
            "You are not signed in, or your sign-in has ended. Sign in and do it again; nothing was stored.",
            headers={"WWW-Authenticate": "Bearer"},
        )
    return reader


async def reader_or_none(request: Request) -> Reader | None:
    """The person this request comes from; None for a stranger. Kept as ``request.state.reader``."""
    reader = await _find_reader(request)
    request.state.reader = reader
    return reader


async def _find_reader(request: Request) -> Reader | None:
    settings: Settings = request.app.state.settings
    if settings.demo:
        return await _demo_reader(request)
    token = bearer_token(request)
    if token is not None:
        return await _known(request, "token", token, _by_token)
    token = session_token(request)
    return await _known(request, "session", token, _by_session) if token else None


CurrentReader = Annotated[Reader, Depends(current_reader)]
AnyReader = Annotated[Reader | None, Depends(reader_or_none)]


def secure(request: Request) -> bool:
    """Whether people reach this installation by https."""
    settings: Settings = request.app.state.settings
    return settings.base_url.startswith("https:") or request.url.scheme == "https"


def session_cookie(request: Request) -> str:
    """The name of the cookie. With its prefix no other name of the same domain can set it."""
    return SECURE_SESSION_COOKIE if secure(request) else SESSION_COOKIE


def session_token(request: Request) -> str | None:
    """The session token that was sent."""
    return request.cookies.get(session_cookie(request))


def bearer_token(request: Request) -> str | None:
    """The program's token that was sent."""
    kind, _, token = request.headers.get("authorization", "").partition(" ")
    return token.strip() if kind.lower() == "bearer" and token.strip() else None


async def sees_trip(request: Request, reader: Reader, trip: str) -> bool:
    """Whether the reader may see `trip`: it is their outfit's, and a guide is assigned to it."""
    remembered = remembered_of(request)
    staff = None if reader.sees_all_trips else reader.staff
    key = ("trip", reader.outfit, staff, trip)
    if remembered.get(key, bool):
        return True
    db: Database = request.app.state.db
    async with db.reading_async() as conn:
        seen = queries.trip_is_seen(conn, trip, reader.outfit, staff)
    if seen:
        remembered.put(key, True)
    return seen


async def still_sees(request: Request, trip: str) -> bool:
    """For what goes on after a request was let through: whether it would be let through to `trip` now."""
    reader = await reader_or_none(request)
    return reader is not None and await sees_trip(request, reader, trip)


def may_see(conn: Connection, reader: Reader) -> Callable[[str], bool]:
    """For lists: a test of trip ids of the reader's outfit."""
    if reader.sees_all_trips:
        return lambda _trip: True
    return queries.assigned_trips(conn, reader.staff).__contains__


# -- looking up ----------------------------------------------------------------------------------------------

Lookup = Callable[[Connection, str, datetime], queries.Found | None]


async def _known(request: Request, kind: str, token: str, look_up: Lookup) -> Reader | None:
    clock: Clock = request.app.state.clock
    remembered = remembered_of(request)
    key = (kind, hash_of(token))
    known = remembered.get(key, _Known)
    now = clock.now()
    if known is None:
        db: Database = request.app.state.db
        async with db.reading_async() as conn:
            found = look_up(conn, key[1], now)
        if found is None:
            return None
        known = _Known(_reader(found), found.until)
        remembered.put(key, known)
        if now - found.seen_at > SEEN_EVERY:
            await _note_seen(db, kind, key[1], found, now)
    return known.reader if now < known.until else None


def _by_session(conn: Connection, token_hash: str, now: datetime) -> queries.Found | None:
    return queries.by_session(conn, token_hash, now)


def _by_token(conn: Connection, token_hash: str, now: datetime) -> queries.Found | None:
    found = queries.by_api_token(conn, token_hash, now)
    if found is None or found.role not in LESSER_ROLES[_role(found.owner_role)]:
        return None
    return found


def _reader(found: queries.Found) -> Reader:
    role = _role(found.role)
    return Reader(found.outfit, found.staff, found.name, role, False, found.session, found.signed_in_at)


def _role(stored: str) -> Role:
    return next(role for role in ROLES if role == stored)


async def _note_seen(db: Database, kind: str, token_hash: str, found: queries.Found, now: datetime) -> None:
    """Keep when a session or token was last used. It must not stand in the way of a reader."""
    try:
        async with db.writing_async() as work:
            if kind == "session":
                queries.session_seen(work, token_hash, now)
            else:
                queries.api_token_seen(work, token_hash, now)
                record(work, now, "token used", outfit=found.outfit, staff=found.staff, about=found.label)
    except Unavailable:
        log.info("seen_not_noted", kind=kind)


async def _demo_reader(request: Request) -> Reader:
    chosen = request.cookies.get(ROLE_COOKIE)
    role = next((role for role in ROLES if role == chosen), ROLES[0])
    outfit = await _only_outfit(request)
    return Reader(outfit=outfit, staff=role, name=NAMES[role], role=role, everywhere=True)


async def _only_outfit(request: Request) -> str:
    known: str | None = getattr(request.app.state, "only_outfit", None)
    if known is not None:
        return known
    db: Database = request.app.state.db
    async with db.reading_async() as conn:
        outfit = queries.first_outfit(conn)
    if outfit is None:
        raise NotFound("There is no outfit yet. Fill in the demo with: rimaye demo seed.")
    request.app.state.only_outfit = outfit
    return outfit


def remembered_of(request: Request) -> Remembered:
    """What this app remembers of its readers."""
    state = request.app.state
    if not hasattr(state, "remembered"):
        state.remembered = Remembered(state.clock)
    remembered: Remembered = state.remembered
    return remembered


def require_session(reader: Reader) -> Reader:
    """The reader, if they are here themselves. Raises Refused for a program: it may not widen its access."""
    if reader.session is None:
        raise Refused("This is done by a person who is signed in, not by a program with a token.")
    return reader


def is_recent(reader: Reader, now: datetime) -> bool:
    """Whether the reader proved a moment ago who they are: a phone left lying open is no proof."""
    return reader.signed_in_at is not None and now - reader.signed_in_at <= RECENT


def require_recent(reader: Reader, now: datetime) -> Reader:
    """The reader, if they are here themselves and signed in a moment ago. Raises Refused or ProofNeeded."""
    if not is_recent(require_session(reader), now):
        raise ProofNeeded(
            f"You signed in here more than {RECENT.total_seconds() / 60:.0f} minutes ago. "
            "Sign in once more on this device (/sign-in?again=true), then do it again; nothing was changed."
        )
    return reader
