"""Pages of season letters: begin one from the numbers, put it into other words, take it along."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, NotFound
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations
from api.seasons import letters
from api.seasons.written.queries import letters as kept_letters
from web.pages.locker_view import SentForm, done_or_again, form_page

router = APIRouter(prefix="/letters", include_in_schema=False)
READ = [permit("seasons.read")]


@router.get("", dependencies=READ)
def show_letters(request: Request, conn: Reading, reader: CurrentReader) -> Response:
    """All letters, and the form for another."""
    return _list(request, conn, reader)


def _list(request: Request, conn: Any, reader: Any, problem: Any = None) -> Response:
    return form_page(
        request,
        "seasons/letters.html",
        problem,
        letters=kept_letters(conn, reader.outfit),
        readers=letters.READERS,
        caution=CAUTION,
    )


@router.post("", dependencies=READ)
def begin(
    request: Request, sent: SentForm, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Write a letter from the numbers as they are."""
    try:
        with work.begin_nested():
            id_ = letters.begin(work, reader, readiness.clock, sent.get("reader", ""))
    except (Invalid, Conflict) as problem:
        return _list(request, work, reader, problem)
    return RedirectResponse(f"/seasons/letters/{id_}", status_code=303)


@router.get("/{letter}", dependencies=READ)
def show_letter(request: Request, letter: str, conn: Reading, reader: CurrentReader) -> Response:
    """A letter, to read and to put into other words."""
    return _one(request, conn, reader, letter)


def _one(
    request: Request, conn: Any, reader: Any, letter: str, problem: Any = None, values: Any = None
) -> Response:
    row = letters.find(conn, reader.outfit, letter)
    return form_page(
        request,
        "seasons/letter.html",
        problem,
        letter=row,
        values=values or {"title": row.title, "text": row.text, "version": str(row.version)},
        readers=letters.READERS,
        caution=CAUTION,
    )


@router.post("/{letter}", dependencies=READ)
def change(
    request: Request,
    letter: str,
    sent: SentForm,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Keep another wording."""
    version = sent.get("version", "")

    def act() -> None:
        if not version.isdigit() or len(version) > 6:
            raise Invalid.field("version", version, "not a version.", "Open the letter again.")
        letters.change(
            work, reader, readiness.clock, letter, sent.get("title", ""), sent.get("text", ""), int(version)
        )

    def again(problem: Invalid | Conflict) -> Response:
        return _one(request, work, reader, letter, problem, sent)

    return done_or_again(work, act, f"/seasons/letters/{letter}", again)


@router.get("/{letter}/{kind}", dependencies=READ)
def download(letter: str, kind: str, conn: Reading, reader: CurrentReader) -> Response:
    """The letter as a file: Markdown or PDF."""
    row = letters.find(conn, reader.outfit, letter)
    if kind == "md":
        content, media = letters.markdown(row).encode(), "text/markdown; charset=utf-8"
    elif kind == "pdf":
        content, media = letters.pdf(row), "application/pdf"
    else:
        raise NotFound(f"There is no {kind} of a letter. Choose md or pdf.")
    name = f'attachment; filename="season-letter.{kind}"'
    return Response(content, media_type=media, headers={"Content-Disposition": name})
