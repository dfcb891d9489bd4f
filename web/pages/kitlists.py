"""Kit lists to read: the list of editions, one edition, the difference between two, import and export."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import RedirectResponse, Response
from starlette.datastructures import UploadFile

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.db import Reading, Writing
from api.errors import Invalid, Problem
from api.kitlist import service
from api.kitlist.metrics import METRICS
from api.kitlist.models import EditionState
from api.kitlist.queries import EditionRow
from api.kitlist.routes import Now
from api.kitlist.schemas import Edition, Requirement, Zone
from api.readiness.schemas import CAUTION
from api.seasons import trying
from web.pages import kitlist_choices as choices
from web.pages import kitlist_edit, kitlist_wording
from web.rendering import forms_errors, page

router = APIRouter(prefix="/kit-lists", include_in_schema=False)
PASTED = "text"
UPLOADED = "file"


@dataclass(frozen=True, slots=True)
class ZonePart:
    """The requirements of one zone, in the order of the edition."""

    zone: Zone
    requirements: tuple[Requirement, ...]


@router.get("", dependencies=[permit("kitlist.read")])
def listed(request: Request, conn: Reading, reader: CurrentReader) -> Response:
    """All editions of the outfit, each kit list with its newest first."""
    rows = service.list_editions(conn, reader.outfit)
    families = [
        tuple(sorted(found, key=lambda row: row.number, reverse=True))
        for _, found in groupby(rows, key=lambda row: row.family)
    ]
    return _page(request, "kitlists/list.html", reader, families=families)


@router.get("/_import", dependencies=[permit("kitlist.edit")])
def import_form(request: Request, reader: CurrentReader) -> Response:
    """Where an edition is sent as YAML or JSON."""
    return _import_page(request, reader)


async def _content(request: Request) -> dict[str, bytes]:
    """What was pasted, and what was uploaded; either may be empty."""
    async with request.form() as form:
        pasted, file = form.get(PASTED), form.get(UPLOADED)
        return {
            PASTED: pasted.encode() if isinstance(pasted, str) else b"",
            UPLOADED: await file.read() if isinstance(file, UploadFile) else b"",
        }


Content = Annotated[dict[str, bytes], Depends(_content)]


@router.post("/_import", dependencies=[permit("kitlist.edit")])
def import_edition(
    request: Request, reader: CurrentReader, now: Now, sent: Content, work: Writing
) -> Response:
    """Keep an edition as a draft, or list every fault with its line."""
    pasted, uploaded = sent[PASTED], sent[UPLOADED]
    text = (uploaded or pasted).decode("utf-8", "replace")
    try:
        if bool(pasted.strip()) == bool(uploaded):
            both = "Both a file and a text were sent." if uploaded else "Neither a file nor a text was sent."
            raise Invalid.field(UPLOADED, None, both, "Send one of them.")
        is_json = text.lstrip().startswith("{") and text.rstrip().endswith("}")
        edition = service.read_sent(uploaded or pasted, is_json=is_json)
        made = service.create(work, reader.outfit, edition, now=now)
    except Problem as problem:
        return _import_page(request, reader, problem, text)
    return RedirectResponse(f"/kit-lists/{made.id}", status_code=303)


@router.get("/{edition}", dependencies=[permit("kitlist.read")])
def one(
    request: Request,
    edition: str,
    conn: Reading,
    reader: CurrentReader,
    now: Now,
    whole: Annotated[bool, Query()] = False,
) -> Response:
    """One edition to read, by zone. `whole` shows every part of it opened."""
    row = service.get_row(conn, reader.outfit, edition)
    found = service.get_edition(conn, reader.outfit, edition)
    others = [other for other in service.list_editions(conn, reader.outfit) if other.id != edition]
    return _page(
        request,
        "kitlists/edition.html",
        reader,
        row=row,
        edition=found,
        zones=by_zone(found),
        others=others,
        whole=whole,
        draft=row.state is EditionState.DRAFT,
        may_try=may(reader, "seasons.read"),
        trials=trying.trials(conn, reader.outfit, now, edition) if may(reader, "seasons.read") else (),
    )


@router.get("/{edition}/difference", dependencies=[permit("kitlist.read")])
def difference(
    request: Request, edition: str, conn: Reading, reader: CurrentReader, since: Annotated[str, Query()]
) -> Response:
    """What differs in this edition from another one."""
    rows = [service.get_row(conn, reader.outfit, id_) for id_ in (since, edition)]
    found = service.compare(conn, reader.outfit, since, edition)
    return _page(request, "kitlists/difference.html", reader, old=rows[0], new=rows[1], found=found)


def by_zone(edition: Edition) -> Sequence[ZonePart]:
    """The requirements in the order of a check: feet first."""
    return [
        ZonePart(zone, found)
        for zone in Zone
        if (found := tuple(one for one in edition.requirements if one.zone is zone))
    ]


def state_words(row: EditionRow) -> str:
    """ "published, used by trips"."""
    if row.state is EditionState.DRAFT:
        return "draft, may still change"
    return f"published, {'used by trips' if row.used else 'not used yet'}"


def _import_page(
    request: Request, reader: Reader, problem: Problem | None = None, text: str = ""
) -> Response:
    body = problem.body() if problem else None
    return _page(
        request,
        "kitlists/import.html",
        reader,
        status_code=problem.status if problem else 200,
        problem=body,
        errors=forms_errors(body) if problem and not problem.extra.get("faults") else {},
        faults=problem.extra.get("faults", ()) if problem else (),
        text=text,
        metrics=METRICS.values(),
    )


def _page(
    request: Request, template: str, reader: Reader, *, status_code: int = 200, **context: Any
) -> Response:
    return page(
        request,
        template,
        status_code=status_code,
        may_edit=may(reader, "kitlist.edit"),
        state_words=state_words,
        wording=kitlist_wording,
        choices=choices,
        caution=CAUTION,
        **context,
    )


router.include_router(kitlist_edit.router)
