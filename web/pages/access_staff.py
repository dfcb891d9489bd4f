"""The staff of an outfit, who of them is on a trip, and the log of access."""

from __future__ import annotations

import io
from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection

from api.access import assigning, queries, service
from api.access.current import ROLES, CurrentReader, Reader
from api.access.limits import limit
from api.access.permissions import ROLE_WORDS, permit
from api.access.signing_in import forget_after, link_to, now_of, visitor_of
from api.db import Reading, Writing
from api.errors import Invalid, Problem
from web.rendering import forms_errors, page
from web.words import Say

router = APIRouter(include_in_schema=False)
NO_STORE = {"Cache-Control": "no-store"}
MANAGE = [permit("staff.manage")]
Text = Annotated[str, Form(max_length=400, pattern=r"^[^\x00]*$")]
LINES_A_PAGE = 100


@router.get("/staff", dependencies=MANAGE)
def staff_page(request: Request, conn: Reading, reader: CurrentReader) -> Response:
    """Everyone of the outfit, and the form to invite someone."""
    return _staff(request, conn, reader)


def _staff(
    request: Request,
    conn: Connection,
    reader: Reader,
    *,
    problem: Problem | None = None,
    made: service.MadeLink | None = None,
    typed: dict[str, str] | None = None,
) -> Response:
    now = now_of(request)
    link = link_to(request, f"/join/{made.token}") if made else None
    return page(
        request,
        "access/staff.html",
        status_code=problem.status if problem else 200,
        headers=NO_STORE,
        say=Say(now=now),
        outfit=queries.outfit_name(conn, reader.outfit),
        people=queries.staff_of(conn, reader.outfit),
        waiting=queries.waiting_links(conn, reader.outfit, now),
        roles=[(role, ROLE_WORDS[role]) for role in ROLES],
        role_words=ROLE_WORDS,
        made=made,
        made_for=queries.staff_by_id(conn, made.staff) if made else None,
        link=link,
        picture=qr_picture(link) if link else None,
        typed=typed or {},
        problem=problem.body() if problem else None,
        errors=forms_errors(problem.body() if problem else None),
    )


def qr_picture(text: str) -> str:
    """A QR code as an SVG element that can stand in a page: no style or script in it."""
    import segno

    out = io.BytesIO()
    code = segno.make(text, micro=False, error="m")
    code.save(
        out,
        kind="svg",
        xmldecl=False,
        svgns=False,
        scale=6,
        border=4,
        light="#fff",
        svgclass="qr",
        lineclass=None,
    )
    return out.getvalue().decode()


@router.post("/staff", dependencies=[*MANAGE, limit("invite")])
def invite(
    request: Request, work: Writing, reader: CurrentReader, name: Text, email: Text, role: Text
) -> Response:
    """Let someone in: the page then shows their link, once."""
    typed = {"name": name, "email": email, "role": role}
    visitor = visitor_of(request)
    try:
        made = service.invite(
            work, reader, name=name, email=email, role=role, now=now_of(request), visitor=visitor
        )
    except Problem as problem:
        return _staff(request, work, reader, problem=problem, typed=typed)
    return _staff(request, work, reader, made=made)


@router.post("/staff/{staff}/link", dependencies=[*MANAGE, limit("invite")])
def new_link(request: Request, work: Writing, reader: CurrentReader, staff: str) -> Response:
    """A new link for someone; earlier ones become worthless."""
    person = service.colleague(work, reader, staff)
    made = service.new_link(work, person, now_of(request), by=reader.staff, visitor=visitor_of(request))
    return _staff(request, work, reader, made=made)


@router.post("/staff/{staff}/links/revoke", dependencies=MANAGE)
def revoke_links(request: Request, work: Writing, reader: CurrentReader, staff: str) -> Response:
    """Make someone's unused link worthless."""
    person = service.colleague(work, reader, staff)
    service.revoke_links(work, person, now_of(request), by=reader.staff, visitor=visitor_of(request))
    return RedirectResponse("/staff", status_code=303)


@router.post("/staff/{staff}/role", dependencies=MANAGE)
def change_role(request: Request, work: Writing, reader: CurrentReader, staff: str, role: Text) -> Response:
    """Give someone another role."""
    service.change_role(work, reader, staff, role, now_of(request), visitor_of(request))
    forget_after(request, work)
    return RedirectResponse("/staff", status_code=303)


@router.post("/staff/{staff}/end", dependencies=MANAGE)
def end_sign_ins(request: Request, work: Writing, reader: CurrentReader, staff: str) -> Response:
    """Sign someone out everywhere, for instance when a phone was lost."""
    person = service.colleague(work, reader, staff)
    service.end_everywhere(work, person, now_of(request), visitor_of(request), by=reader.staff)
    forget_after(request, work)
    return RedirectResponse("/staff", status_code=303)


@router.post("/staff/{staff}/active", dependencies=MANAGE)
def set_active(
    request: Request, work: Writing, reader: CurrentReader, staff: str, active: Annotated[bool, Form()]
) -> Response:
    """Keep someone out, or let them in again."""
    service.set_active(work, reader, staff, active, now_of(request), visitor_of(request))
    forget_after(request, work)
    return RedirectResponse("/staff", status_code=303)


@router.get("/staff/log", dependencies=[permit("staff.log")])
def log_page(
    request: Request,
    conn: Reading,
    reader: CurrentReader,
    before: Annotated[str | None, Query(max_length=40, pattern=r"^[0-9a-f-]*$")] = None,
) -> Response:
    """Sign-ins and changes of access, the newest first."""
    lines = queries.log_lines(conn, reader.outfit, before=before, limit=LINES_A_PAGE + 1)
    more = lines[LINES_A_PAGE - 1].id if len(lines) > LINES_A_PAGE else None
    return page(
        request,
        "access/log.html",
        headers=NO_STORE,
        say=Say(now=now_of(request)),
        lines=lines[:LINES_A_PAGE],
        more=more,
    )


# -- who is on a trip


@router.get("/trips/{trip}/staff", dependencies=[permit("trip.assign")])
def assign_page(request: Request, conn: Reading, reader: CurrentReader, trip: str) -> Response:
    """Which guides are assigned to a trip."""
    on = {row.id: row.member for row in queries.trip_staff(conn, trip)}
    people = [
        row
        for row in queries.staff_of(conn, reader.outfit)
        if row.id in on or (row.active and row.role in assigning.GUIDE_ROLES)
    ]
    return page(
        request,
        "access/trip_staff.html",
        headers=NO_STORE,
        trip=trip,
        name=queries.trip_name(conn, trip) or trip,
        people=people,
        on=on,
        members=queries.trip_members(conn, trip),
        role_words=ROLE_WORDS,
    )


@router.post("/trips/{trip}/staff", dependencies=[permit("trip.assign")])
async def assign(request: Request, work: Writing, reader: CurrentReader, trip: str) -> Response:
    """Make exactly the chosen guides those who are assigned."""
    form = await request.form()
    people: dict[str, str | None] = {}
    if any("\x00" in str(value) for value in form.values()):
        raise Invalid.field("staff", None, "This is no id.", "Choose from the list.")
    for staff in form.getlist("staff"):
        member = form.get(f"member-{staff}")
        people[str(staff)] = str(member) if member else None
    assigning.assign(work, reader, trip, people, now_of(request), visitor_of(request))
    forget_after(request, work)
    return RedirectResponse(f"/trips/{trip}/staff", status_code=303)
