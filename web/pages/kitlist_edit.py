"""Changing a draft in forms, publishing it, and taking parts of it out. Everything works without scripts."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from api.access.current import CurrentReader, Reader
from api.access.permissions import permit
from api.db import Reading, Work, Writing
from api.errors import Conflict, Problem
from api.kitlist import service
from api.kitlist.metrics import CONDITION_METRICS
from api.kitlist.routes import Now
from api.kitlist.schemas import Zone
from web.pages import kitlist_choices as choices
from web.pages.kitlist_draft import by_field, with_head, with_line, with_requirement, without, wrongs
from web.pages.kitlist_form import line_from, requirement_from
from web.pages.kitlist_rows import line_tree, requirement_tree, with_ids
from web.pages.kitlist_stored import Draft, Sent, draft_of, part_of, store, unchanged
from web.pages.kitlist_tree import BLANK, Tree, changed
from web.rendering import page

router = APIRouter(include_in_schema=False)

SAVE = "save"
NEW_REQUIREMENT: Tree = {"grades": [dict(BLANK["grade"])], "basis": {"kind": "common-practice"}}


# -- the draft as a whole --------------------------------------------------------------------------------


@router.post("/{edition}/copy", dependencies=[permit("kitlist.edit")])
def copy(edition: str, reader: CurrentReader, now: Now, work: Writing) -> Response:
    """Make a draft from an edition."""
    made = service.copy(work, reader.outfit, edition, now=now)
    return RedirectResponse(f"/kit-lists/{made.id}/edit", status_code=303)


@router.get("/{edition}/edit", dependencies=[permit("kitlist.edit")])
def outline(request: Request, edition: str, conn: Reading, reader: CurrentReader) -> Response:
    """All parts of a draft, each a way to its form."""
    draft = draft_of(conn, reader, edition)
    head = {
        "title": draft.edition.title,
        "dated": draft.edition.dated.isoformat(),
        "note": draft.edition.note,
    }
    return _outline(request, draft, head)


@router.post("/{edition}/edit", dependencies=[permit("kitlist.edit")])
def save_head(
    request: Request, edition: str, reader: CurrentReader, now: Now, sent: Sent, work: Writing
) -> Response:
    """Change what a draft says about itself."""
    draft = draft_of(work, reader, edition)
    try:
        store(work, reader, draft, with_head(draft.edition, sent), now, sent)
    except Problem as problem:
        return _outline(request, draft, sent, problem)
    return RedirectResponse(f"{draft.url}/edit", status_code=303)


@router.get("/{edition}/publish", dependencies=[permit("kitlist.edit")])
def publish_form(request: Request, edition: str, conn: Reading, reader: CurrentReader) -> Response:
    """Ask before an edition is fixed for good."""
    draft = draft_of(conn, reader, edition)
    return _confirm(
        request,
        draft,
        title=f"Publish {draft.edition.title}, edition {draft.edition.number}?",
        says=(
            "A published edition is fixed: it can never be changed or taken back, and trips may name it from "
            "then on. A later change is made in a copy, which becomes the next edition."
        ),
        do="Publish it",
        back=draft.url,
    )


@router.post("/{edition}/publish", dependencies=[permit("kitlist.edit")])
def publish(edition: str, reader: CurrentReader, now: Now, sent: Sent, work: Writing) -> Response:
    """Fix a draft, as it was read before."""
    row = service.get_row(work, reader.outfit, edition)
    unchanged(row, sent)
    service.publish(work, reader.outfit, edition, now=now)
    return RedirectResponse(f"/kit-lists/{edition}", status_code=303)


@router.get("/{edition}/discard", dependencies=[permit("kitlist.edit")])
def discard_form(request: Request, edition: str, conn: Reading, reader: CurrentReader) -> Response:
    """Ask before a draft is forgotten."""
    draft = draft_of(conn, reader, edition)
    return _confirm(
        request,
        draft,
        title=f"Throw the draft {draft.edition.title}, edition {draft.edition.number}, away?",
        says="It is forgotten with everything that was changed in it. Other editions stay as they are.",
        do="Throw it away",
        back=f"{draft.url}/edit",
    )


@router.post("/{edition}/discard", dependencies=[permit("kitlist.edit")])
def discard(edition: str, reader: CurrentReader, sent: Sent, work: Writing) -> Response:
    """Forget a draft."""
    unchanged(draft_of(work, reader, edition).row, sent)
    service.discard(work, reader.outfit, edition)
    return RedirectResponse("/kit-lists", status_code=303)


# -- requirements ----------------------------------------------------------------------------------------


@router.get("/{edition}/add-requirement", dependencies=[permit("kitlist.edit")])
def new_requirement(
    request: Request, edition: str, conn: Reading, reader: CurrentReader, zone: Zone = Zone.FEET
) -> Response:
    """An empty requirement."""
    draft = draft_of(conn, reader, edition)
    return _requirement(request, draft, None, NEW_REQUIREMENT | {"zone": zone.value, "after": choices.LAST})


@router.post("/{edition}/add-requirement", dependencies=[permit("kitlist.edit")])
def add_requirement(
    request: Request, edition: str, reader: CurrentReader, now: Now, sent: Sent, work: Writing
) -> Response:
    """Add a requirement to a draft, or change the rows of its form."""
    return _save_requirement(request, work, reader, edition, None, sent, now)


@router.get("/{edition}/requirements/{requirement}", dependencies=[permit("kitlist.edit")])
def requirement_form(
    request: Request, edition: str, requirement: str, conn: Reading, reader: CurrentReader
) -> Response:
    """A requirement of a draft, to change."""
    draft = draft_of(conn, reader, edition)
    tree = requirement_tree(part_of(draft, "requirements", requirement))
    known = draft.edition.requirement(requirement)
    after = choices.place_of(draft.edition, known) if known else choices.LAST
    return _requirement(request, draft, requirement, tree | {"after": after})


@router.post("/{edition}/requirements/{requirement}", dependencies=[permit("kitlist.edit")])
def save_requirement(
    request: Request,
    edition: str,
    requirement: str,
    reader: CurrentReader,
    now: Now,
    sent: Sent,
    work: Writing,
) -> Response:
    """Change a requirement of a draft, or the rows of its form."""
    return _save_requirement(request, work, reader, edition, requirement, sent, now)


def _save_requirement(
    request: Request, work: Work, reader: Reader, edition: str, old: str | None, sent: Tree, now: datetime
) -> Response:
    draft = draft_of(work, reader, edition)
    if old is not None:
        part_of(draft, "requirements", old)
    tree = with_ids(sent | {"id": old or ""}, [one.id for one in draft.edition.requirements])
    do = sent.get("do", SAVE)
    if do != SAVE:
        # An id made from half a name would stay with it for good.
        return _requirement(request, draft, old, changed(tree | {"id": old or ""}, do))
    try:
        new = with_requirement(draft.edition, requirement_from(tree), old, tree.get("after", choices.LAST))
        store(work, reader, draft, new, now, sent)
    except Problem as problem:
        return _requirement(request, draft, old, tree | {"id": old or ""}, problem)
    return RedirectResponse(f"{draft.url}/edit#r-{tree['id']}", status_code=303)


# -- lines -----------------------------------------------------------------------------------------------


@router.get("/{edition}/add-line", dependencies=[permit("kitlist.edit")])
def new_line(request: Request, edition: str, conn: Reading, reader: CurrentReader) -> Response:
    """An empty line."""
    return _line(request, draft_of(conn, reader, edition), None, {})


@router.post("/{edition}/add-line", dependencies=[permit("kitlist.edit")])
def add_line(
    request: Request, edition: str, reader: CurrentReader, now: Now, sent: Sent, work: Writing
) -> Response:
    """Add a line to a draft."""
    return _save_line(request, work, reader, edition, None, sent, now)


@router.get("/{edition}/lines/{line}", dependencies=[permit("kitlist.edit")])
def line_form(request: Request, edition: str, line: str, conn: Reading, reader: CurrentReader) -> Response:
    """A line of a draft, to change."""
    draft = draft_of(conn, reader, edition)
    return _line(request, draft, line, line_tree(part_of(draft, "lines", line)))


@router.post("/{edition}/lines/{line}", dependencies=[permit("kitlist.edit")])
def save_line(
    request: Request, edition: str, line: str, reader: CurrentReader, now: Now, sent: Sent, work: Writing
) -> Response:
    """Change a line of a draft."""
    return _save_line(request, work, reader, edition, line, sent, now)


def _save_line(
    request: Request, work: Work, reader: Reader, edition: str, old: str | None, sent: Tree, now: datetime
) -> Response:
    draft = draft_of(work, reader, edition)
    if old is not None:
        part_of(draft, "lines", old)
    tree = with_ids(sent | {"id": old or ""}, [one.id for one in draft.edition.lines], title="title")
    try:
        store(work, reader, draft, with_line(draft.edition, line_from(tree), old), now, sent)
    except Problem as problem:
        return _line(request, draft, old, sent, problem)
    return RedirectResponse(f"{draft.url}/edit#l-{tree['id']}", status_code=303)


# -- taking parts out ------------------------------------------------------------------------------------


@router.get("/{edition}/{kind}/{part}/remove", dependencies=[permit("kitlist.edit")])
def remove_form(
    request: Request, edition: str, kind: str, part: str, conn: Reading, reader: CurrentReader
) -> Response:
    """Ask before a requirement or line is taken out of a draft."""
    draft = draft_of(conn, reader, edition)
    return _removal(request, draft, kind, part)


@router.post("/{edition}/{kind}/{part}/remove", dependencies=[permit("kitlist.edit")])
def remove(
    request: Request,
    edition: str,
    kind: str,
    part: str,
    reader: CurrentReader,
    now: Now,
    sent: Sent,
    work: Writing,
) -> Response:
    """Take a requirement or line out of a draft."""
    draft = draft_of(work, reader, edition)
    part_of(draft, kind, part)
    try:
        store(work, reader, draft, without(draft.edition, kind, part), now, sent)
    except Problem as problem:
        return _removal(request, draft, kind, part, problem)
    return RedirectResponse(f"{draft.url}/edit", status_code=303)


# -- together --------------------------------------------------------------------------------------------


def _form_page(
    request: Request, template: str, draft: Draft, problem: Problem | None, sent: Tree | None, **context: Any
) -> Response:
    found = wrongs(problem.fields) if problem else []
    # After a conflict the writer has been told, and may put what was typed on top of it.
    conflict = isinstance(problem, Conflict)
    seen = draft.row.sha256 if conflict else (sent or {}).get("seen") or draft.row.sha256
    return page(
        request,
        template,
        status_code=problem.status if problem else 200,
        draft=draft,
        edition=draft.edition,
        row=draft.row,
        seen=seen,
        problem=problem,
        found=found,
        errors=by_field(found),
        choices=choices,
        **context,
    )


def _outline(request: Request, draft: Draft, head: Tree, problem: Problem | None = None) -> Response:
    zones = [(zone, [one for one in draft.edition.requirements if one.zone is zone]) for zone in Zone]
    return _form_page(request, "kitlists/outline.html", draft, problem, head, head=head, zones=zones)


def _requirement(
    request: Request, draft: Draft, old: str | None, tree: Tree, problem: Problem | None = None
) -> Response:
    return _form_page(
        request,
        "kitlists/requirement.html",
        draft,
        problem,
        tree,
        tree=tree,
        old=draft.edition.requirement(old) if old else None,
        places=choices.places(draft.edition, old),
        measured=choices.measured(draft.edition),
        metrics=CONDITION_METRICS.values(),
    )


def _line(
    request: Request, draft: Draft, old: str | None, tree: Tree, problem: Problem | None = None
) -> Response:
    title = next((line.title for line in draft.edition.lines if line.id == old), None)
    return _form_page(
        request,
        "kitlists/line.html",
        draft,
        problem,
        tree,
        tree=tree,
        old=old,
        title=title,
        metrics=CONDITION_METRICS.values(),
    )


def _removal(
    request: Request, draft: Draft, kind: str, part: str, problem: Problem | None = None
) -> Response:
    plain = part_of(draft, kind, part)
    name = plain.get("item") or plain["title"]
    return _confirm(
        request,
        draft,
        title=f"Take “{name}” out of this draft?",
        says="Editions that are published keep it.",
        do="Take it out",
        back=f"{draft.url}/{kind}/{part}",
        problem=problem,
    )


def _confirm(request: Request, draft: Draft, *, problem: Problem | None = None, **context: Any) -> Response:
    return _form_page(request, "kitlists/confirm.html", draft, problem, None, **context)
