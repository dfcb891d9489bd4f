"""The demo's own controls: its clock, its story, and who one reads as. Only in demo mode."""

from __future__ import annotations

from datetime import timedelta
from typing import Annotated, Literal
from urllib.parse import urlsplit

from fastapi import APIRouter, Depends, FastAPI, Form, Request
from fastapi.responses import RedirectResponse

from api.access.current import NAMES, ROLE_COOKIE, ROLES, Reader, Role
from api.access.permissions import may, public
from api.clock import MovableClock
from api.db import Writing
from api.errors import NotFound
from api.journal.service import Journals
from api.nights.service import HealthNotes
from seeds import loading
from seeds.demo import scenario
from web.pages.screens import menu_at
from web.rendering import DemoBar, Shell, units_of
from web.words import Units

STEPS = {"1h": timedelta(hours=1), "6h": timedelta(hours=6)}


def only_in_demo(request: Request) -> None:
    """Raises NotFound outside demo mode."""
    if not request.app.state.settings.demo:
        raise NotFound("There is nothing here. These controls belong to the demo.")


router = APIRouter(prefix="/demo", dependencies=[Depends(only_in_demo)], include_in_schema=False)


@router.post("/clock", dependencies=[public("the demo's clock, on this machine only")])
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
            request.app.state.demo_moment = moment
            clock.move_to(loading.begins_at(moment))
    else:
        clock.move_to(clock.now() + STEPS[move])
    return RedirectResponse(_here(back), status_code=303)


@router.post("/role", dependencies=[public("the demo's choice of role, on this machine only")])
def choose_role(role: Annotated[Role, Form()], back: Annotated[str, Form()] = "/") -> RedirectResponse:
    """Read the demo as someone else."""
    answer = RedirectResponse(_here(back), status_code=303)
    answer.set_cookie(ROLE_COOKIE, role, httponly=True, samesite="lax")
    return answer


def begin(app: FastAPI) -> None:
    """Let the demo's clock begin at the moment its story has reached."""
    moment = loading.reached_in(app.state.db)
    app.state.demo_moment = moment
    if moment is not None:
        app.state.clock.move_to(loading.begins_at(moment))


def shell(request: Request) -> Shell:
    """What is around every page: the reader's units and, in demo mode, the demo's bar."""
    units = units_of(request)
    if not request.app.state.settings.demo:
        return signed_in_shell(request, units)
    ahead = loading.following(request.app.state.demo_moment)
    chosen = request.cookies.get(ROLE_COOKIE)
    role = next((role for role in ROLES if role == chosen), ROLES[0])
    bar = DemoBar(
        now=request.app.state.clock.now().astimezone(scenario().zone),
        role=role,
        roles=tuple(NAMES.items()),
        next_moment=ahead.title if ahead else None,
    )
    reader: Reader | None = getattr(request.state, "reader", None)
    return Shell(units=units, reader=NAMES[role], demo=bar, menu=menu_at(request.url.path, reader))


def signed_in_shell(request: Request, units: Units) -> Shell:
    """What is around the pages of someone who has signed in, or of a stranger."""
    reader: Reader | None = getattr(request.state, "reader", None)
    if reader is None:
        return Shell(units=units)
    return Shell(
        units=units,
        reader=reader.name,
        signed_in=True,
        manages=may(reader, "staff.manage"),
        menu=menu_at(request.url.path, reader),
    )


def _here(back: str) -> str:
    """Where to go back to: a path on this site, whatever was sent."""
    parts = urlsplit(back)
    local = not parts.scheme and not parts.netloc and parts.path.startswith("/")
    return parts.path if local and not parts.path.startswith("//") else "/"
