"""What all pages of the roster share: saving and going on, or showing the form again."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from typing import Any

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from pydantic import BaseModel
from sqlalchemy import Connection

from api.access.current import Reader
from api.access.permissions import may
from api.db import Work
from api.errors import Conflict, Invalid, NotFound
from api.journal.pictures import Snapshot
from api.kitlist import service as kit_lists
from api.kitlist.schemas import Edition
from api.roster.changes import Change, ChangedMeanwhile
from api.roster.rules import local_input
from web.rendering import forms_errors, page, shell_of
from web.words import Say


@dataclass(frozen=True, slots=True)
class ShownClash:
    """One field that two people set differently, as the page lists it."""

    what: str
    yours: str
    theirs: str


def saved(
    work: Work, act: Callable[[], Change], done: str, form: Callable[[Invalid | Conflict], Response]
) -> Response:
    """Do it and go on to ``done``; what is in the way comes back on the form, with everything typed kept."""
    try:
        with work.begin_nested():
            change = act()
    except (Invalid, Conflict) as problem:
        return form(problem)
    path, _, anchor = done.partition("#")
    query = "saved=merged" if change.also_changed else "saved=1" if change.changed else "saved=same"
    return RedirectResponse(f"{path}?{query}" + (f"#{anchor}" if anchor else ""), status_code=303)


def form_page(
    request: Request,
    template: str,
    snapshot: Snapshot | None,
    problem: Invalid | Conflict | None = None,
    **context: Any,
) -> Response:
    """A page of the roster: the form as it is, or as it was sent with what is in the way."""
    plan = snapshot.picture.trip if snapshot else None
    shell = shell_of(request)
    say = Say(units=shell.units, zone=plan.place.zone) if plan else Say(units=shell.units)
    body = problem.body() if problem else None
    clash = isinstance(problem, ChangedMeanwhile)
    return page(
        request,
        template,
        status_code=problem.status if problem else 200,
        headers={"Cache-Control": "no-store"},
        shell=shell,
        say=say,
        trip=snapshot.trip_id if snapshot else None,
        plan=plan,
        picture=snapshot.picture if snapshot else None,
        seen_seq=snapshot.seq if snapshot else 0,
        problem=None if clash else body,
        errors={} if clash else forms_errors(body),
        clash=problem if clash else None,
        clashes=_clashes(problem, say) if isinstance(problem, ChangedMeanwhile) else [],
        saved=request.query_params.get("saved", ""),
        may=may,
        **context,
    )


def _clashes(problem: ChangedMeanwhile, say: Say) -> list[ShownClash]:
    return [
        ShownClash(in_words(clash.field), told(clash.yours, say), told(clash.theirs, say))
        for clash in problem.clashes
    ]


def in_words(field: str) -> str:
    """A field's path as people read it: ``stages.walk-in.ends_at`` becomes ``walk-in: ends at``."""
    *where, name = field.split(".")
    plain = name.removesuffix("_m").removesuffix("_deg").replace("_", " ")
    group = where[-1] if where and where[0] in ("stages", "hold_points", "ropes") else ""
    return f"{group}: {plain}" if group else plain


def told(value: Any, say: Say) -> str:
    """Any value of a plan or a person in words."""
    if value is None or value == "" or value == ():
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        return local_input(value, say.zone).replace("T", " ")  # type: ignore[arg-type]
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, Enum):
        return str(value.value).replace("-", " ")
    if isinstance(value, BaseModel):
        return ", ".join(f"{k.replace('_', ' ')} {told(v, say)}" for k, v in value if v not in (None, "", ()))
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {told(inner, say)}" for key, inner in value.items()) or "nothing"
    if isinstance(value, frozenset):
        return ", ".join(sorted(told(inner, say) for inner in value)) or "nothing"
    if isinstance(value, tuple | list):
        return ", ".join(told(inner, say) for inner in value)
    return str(value)


def edition_of(conn: Connection, reader: Reader, edition_id: str | None) -> Edition | None:
    """A kit list edition; None when there is none of this id."""
    if edition_id is None:
        return None
    try:
        return kit_lists.get_edition(conn, reader.outfit, edition_id)
    except NotFound:
        return None
