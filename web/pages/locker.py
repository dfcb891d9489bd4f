"""Pages of the locker: the list, a thing, its labels, and what can be done with it."""

from __future__ import annotations

import re
from datetime import date
from typing import Annotated, Any
from urllib.parse import quote

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, NotFound
from api.journal.service import Journals
from api.locker import service
from api.locker.rules import PPE_KINDS
from api.locker.schemas import (
    ItemCreate,
    ItemPage,
    ItemWrite,
)
from api.locker.sizes import MEASURE_WORDS
from web.pages.locker_deeds import deed_named
from web.pages.locker_view import (
    EVENTS,
    LOANS,
    STATES,
    Sent,
    SentForm,
    as_lines,
    done_or_again,
    filled,
    form_page,
    item_address,
    lines_of,
    qr,
    shown,
    taken,
    typed,
)
from web.pages.locker_words import facts
from web.rendering import page

router = APIRouter(prefix="/locker", include_in_schema=False)
READ, CHANGE = [permit("locker.read")], [permit("locker.change")]

MOST_LABELS = 60
_LABEL = re.compile(r"(?:.*/locker/items/)?([a-z0-9][a-z0-9-]{0,63})/?$")
Text = Annotated[str, Query(max_length=300)]


@router.get("", dependencies=READ)
def show_list(
    request: Request,
    conn: Reading,
    reader: CurrentReader,
    journals: Journals,
    what: Text = "",
    size: Text = "",
    state: Text = "",
    free_from: Text = "",
    free_until: Text = "",
    free_only: Text = "",
) -> Response:
    """The list, filtered."""
    problem = None
    first, last = None, None
    try:
        first, last = _day("free_from", free_from), _day("free_until", free_until)
        listed = _listed(conn, reader, journals, what, size, state, first, last, bool(free_only))
    except Invalid as wrong:
        problem = wrong
        listed = _listed(conn, reader, journals, what, size, state, None, None, bool(free_only))
    return form_page(
        request,
        "locker/list.html",
        problem,
        items=listed.items,
        sizes=sorted({item.size for item in listed.items if item.size}),
        states=STATES,
        asked={
            "what": what,
            "size": size,
            "state": state,
            "free_from": free_from,
            "free_until": free_until,
            "free_only": free_only,
        },
        days=bool(first or last),
    )


def _listed(
    conn: Connection,
    reader: Reader,
    journals: Journals,
    what: str,
    size: str,
    state: str,
    first: date | None,
    last: date | None,
    free_only: bool,
) -> Any:
    return service.listed(
        conn,
        reader,
        today=journals.clock.now().date(),
        first=first,
        last=last,
        what=what,
        size=size,
        state=state,
        free_only=free_only,
    )


def _day(field: str, written: str) -> date | None:
    if not written:
        return None
    try:
        return date.fromisoformat(written)
    except ValueError:
        raise Invalid.field(
            field, written, "not a date.", "Write it as YYYY-MM-DD, for example 2026-09-12."
        ) from None


@router.get("/find", dependencies=READ)
def find(conn: Reading, reader: CurrentReader, label: Text = "") -> Response:
    """From what a label says, typed or scanned, to the thing."""
    found = _LABEL.match(label.strip().lower())
    if found is None:
        raise NotFound(
            f"{label[:80]!r} is no label of the locker. Type the id below the code, such as pa-01."
        )
    item = service.find(conn, reader.outfit, found[1])
    return RedirectResponse(f"/locker/items/{item.id}", status_code=303)


@router.get("/labels", dependencies=READ)
def show_labels(
    request: Request,
    conn: Reading,
    reader: CurrentReader,
    journals: Journals,
    item: Annotated[list[str] | None, Query(max_length=MOST_LABELS)] = None,
) -> Response:
    """A sheet of labels to print: those asked for, else all that are in use."""
    listed = service.listed(conn, reader, today=journals.clock.now().date())
    wanted = [
        thing for thing in listed.items if thing.retired_on is None and (item is None or thing.id in item)
    ]
    labels = [(thing, qr(item_address(request, thing.id))) for thing in wanted]
    return page(request, "locker/labels.html", labels=labels)


# -- a thing -------------------------------------------------------------------------------------------------


@router.get("/items/new", dependencies=CHANGE)
def show_new(request: Request) -> Response:
    """The form for a new thing."""
    return _entry_form(request, None, {})


@router.post("/items/new", dependencies=CHANGE)
def add(
    request: Request, sent: SentForm, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Enter a new thing."""

    def act() -> None:
        service.create(work, reader, journals.clock, taken(ItemCreate, _entered(sent, "id")))

    def again(problem: Invalid | Conflict) -> Response:
        return _entry_form(request, None, sent, problem)

    return done_or_again(work, act, f"/locker/items/{quote(sent.get('id', ''))}", again)


@router.get("/items/{item}", dependencies=READ)
def show_item(
    request: Request, item: str, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """A thing: its life, its loans, what happened to it, and its label."""
    thing = _page(conn, reader, journals, item)
    return page(
        request,
        "locker/item.html",
        item=thing,
        facts=facts(conn, reader.outfit, thing.meets, thing.answers, thing.traits),
        states=STATES,
        events=EVENTS,
        loans=LOANS,
        measures=MEASURE_WORDS,
        ppe=PPE_KINDS.get(thing.protective or ""),
        label=qr(item_address(request, thing.id)),
    )


@router.get("/items/{item}/change", dependencies=CHANGE)
def show_change(
    request: Request, item: str, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """The form to change what is entered."""
    thing = _page(conn, reader, journals, item)
    return _entry_form(request, thing, _values(thing))


@router.post("/items/{item}/change", dependencies=CHANGE)
def change(
    request: Request, item: str, sent: SentForm, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Change what is entered."""
    thing = _page(work, reader, journals, item)

    def act() -> None:
        service.change(work, reader, journals.clock, item, taken(ItemWrite, _entered(sent)))

    return done_or_again(
        work, act, f"/locker/items/{thing.id}", lambda problem: _entry_form(request, thing, sent, problem)
    )


def _page(conn: Connection, reader: Reader, journals: Journals, item: str) -> ItemPage:
    return service.one(conn, reader, item, today=journals.clock.now().date())


def _entry_form(
    request: Request, thing: ItemPage | None, values: Sent, problem: Invalid | Conflict | None = None
) -> Response:
    return form_page(
        request,
        "locker/form.html",
        problem,
        item=thing,
        values=values,
        measures=[(measure.value, words_) for measure, words_ in MEASURE_WORDS.items()],
        kinds=[("", "no protective gear"), *((id_, kind.name) for id_, kind in PPE_KINDS.items())],
    )


_PLAIN = (
    "what",
    "size",
    "sized_by",
    "weight_g",
    "quantity",
    "protective",
    "made",
    "bought",
    "first_use",
    "days_used",
    "inspected_on",
    "inspect_months",
    "years_from_made",
    "years_from_first_use",
    "retire_by",
    "limit_source",
    "place",
    "remark",
)


def _entered(sent: Sent, *more: str) -> dict[str, Any]:
    """What the form of a thing says, in the shape the API takes."""
    return {
        **filled(sent, *_PLAIN, *more),
        "meets": [part for part in re.split(r"[\s,]+", sent.get("meets", "")) if part],
        "counted": sent.get("counted") == "yes",
        "answers": {key: typed(value) for key, value in lines_of("answers", sent.get("answers", "")).items()},
        "traits": lines_of("traits", sent.get("traits", "")),
    }


def _values(thing: ItemPage) -> dict[str, str]:
    """What is entered, as the form shows it."""
    plain = {name: getattr(thing, name, None) for name in _PLAIN}
    return {
        **{name: shown(value) for name, value in plain.items() if value not in (None, "")},
        "meets": ", ".join(thing.meets),
        "counted": "yes" if thing.counted else "",
        "answers": as_lines(thing.answers),
        "traits": as_lines(thing.traits),
    }


# -- what can be done with a thing ---------------------------------------------------------------------------


@router.get("/items/{item}/{deed}", dependencies=CHANGE)
def show_deed(
    request: Request, item: str, deed: str, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """The small form for what is to be done."""
    found = deed_named(deed)
    today = journals.clock.now().date().isoformat()
    return form_page(
        request,
        "locker/deed.html",
        item=_page(conn, reader, journals, item),
        deed=found,
        values={"on": today},
    )


@router.post("/items/{item}/{deed}", dependencies=CHANGE)
def do_deed(
    request: Request,
    item: str,
    deed: str,
    sent: SentForm,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
) -> Response:
    """Do it, and go back to the thing."""
    found = deed_named(deed)
    thing = _page(work, reader, journals, item)

    def act() -> None:
        values: dict[str, Any] = filled(sent, *found.fields)
        if "passed" in values:
            values["passed"] = values["passed"] == "yes"
        found.act(work, reader, journals.clock, item, taken(found.takes, values))

    def again(problem: Invalid | Conflict) -> Response:
        return form_page(request, "locker/deed.html", problem, item=thing, deed=found, values=sent)

    return done_or_again(work, act, f"/locker/items/{thing.id}", again)
