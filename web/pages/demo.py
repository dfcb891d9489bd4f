"""The demo's own controls: its clock, its story, and who one reads as. Only in demo mode."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Literal
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse

from api.access.current import NAMES, ROLE_COOKIE, ROLES, Role
from api.clock import MovableClock
from api.db import Database, Writing
from api.errors import NotFound
from api.journal.service import Journal, Journals
from api.nights.service import HealthNotes
from seeds import loading
from seeds.demo import scenario
from web.rendering import DemoBar, Shell, units_of

STEPS = {"1h": timedelta(hours=1), "6h": timedelta(hours=6)}


def only_in_demo(request: Request) -> None:
    """Raises NotFound outside demo mode."""
    if not request.app.state.settings.demo:
        raise NotFound("There is nothing here. These controls belong to the demo.")


router = APIRouter(prefix="/demo", dependencies=[Depends(only_in_demo)], include_in_schema=False)


@router.post("/clock")
def move_clock(
    request: Request,
    work: Writing,
    journal: Journals,
    health: HealthNotes,
    move: Annotated[Literal["1h", "6h", "next"], Form()],
    back: Annotated[str, Form()] = "/",
) -> RedirectResponse:
    """Move the demo's clock by some hours, or take the story to its next moment."""
    clock: MovableClock = request.app.state.clock
    if move == "next":
        moment = loading.advance(work, journal, health)
        if moment is not None:
            clock.move_to(loading.begins_at(moment))
    else:
        clock.move_to(clock.now() + STEPS[move])
    return RedirectResponse(_here(back), status_code=303)


@router.post("/role")
def choose_role(role: Annotated[Role, Form()], back: Annotated[str, Form()] = "/") -> RedirectResponse:
    """Read the demo as someone else."""
    answer = RedirectResponse(_here(back), status_code=303)
    answer.set_cookie(ROLE_COOKIE, role, httponly=True, samesite="lax")
    return answer


def set_clock(clock: MovableClock, db: Database) -> None:
    """Let the demo's clock begin at the moment its story has reached."""
    with db.reading() as conn:
        moment = loading.reached(conn, Journal(clock))
    if moment is not None:
        clock.move_to(loading.begins_at(moment))


def shell(request: Request) -> Shell:
    """What is around every page: the reader's units and, in demo mode, the demo's bar."""
    units = units_of(request)
    if not request.app.state.settings.demo:
        return Shell(units=units)
    with request.app.state.db.reading() as conn:
        ahead = loading.following(loading.reached(conn, request.app.state.journal))
    chosen = request.cookies.get(ROLE_COOKIE)
    role = next((role for role in ROLES if role == chosen), ROLES[0])
    bar = DemoBar(
        now=request.app.state.clock.now().astimezone(scenario().zone),
        role=role,
        roles=tuple(NAMES.items()),
        next_moment=ahead.title if ahead else None,
    )
    return Shell(units=units, reader=NAMES[role], demo=bar)


def _here(back: str) -> str:
    """Where to go back to: a path on this site, whatever was sent."""
    parts = urlsplit(back)
    local = not parts.scheme and not parts.netloc and parts.path.startswith("/")
    return parts.path if local and not parts.path.startswith("//") else "/"
