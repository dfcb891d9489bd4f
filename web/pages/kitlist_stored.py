"""Drafts of kit lists as they are stored, for the forms that change them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import Depends, Request
from sqlalchemy import Connection

from api.access.current import Reader
from api.db import Work
from api.errors import Conflict, NotFound
from api.kitlist import service
from api.kitlist.models import EditionState
from api.kitlist.queries import EditionRow
from api.kitlist.schemas import Edition
from api.kitlist.service import EditionFixed
from api.kitlist.writing import to_plain
from web.pages.kitlist_tree import Tree, tree_of


async def _sent(request: Request) -> Tree:
    settings = request.app.state.settings
    form = await request.form(
        max_fields=settings.max_form_fields, max_part_size=settings.max_form_field_bytes, max_files=0
    )
    return tree_of((name, text) for name, text in form.multi_items() if isinstance(text, str))


Sent = Annotated[Tree, Depends(_sent)]
"""What was typed. Name it before ``Writing``: the turn to write must not wait for an upload."""


@dataclass(frozen=True, slots=True)
class Draft:
    """A draft as it is stored, for the forms that change it."""

    row: EditionRow
    edition: Edition

    @property
    def url(self) -> str:
        return f"/kit-lists/{self.row.id}"


def draft_of(conn: Connection, reader: Reader, edition: str) -> Draft:
    """The draft. Raises NotFound, and EditionFixed for an edition that is published."""
    row = service.get_row(conn, reader.outfit, edition)
    if row.state is not EditionState.DRAFT:
        raise EditionFixed(f"{row.title} is published, so it is never changed. Copy it and change the copy.")
    return Draft(row, service.get_edition(conn, reader.outfit, edition))


def part_of(draft: Draft, kind: str, part: str) -> dict[str, Any]:
    """A requirement or line as a file gives it. Raises NotFound."""
    listed = to_plain(draft.edition).get(kind, ()) if kind in ("requirements", "lines") else ()
    for one in listed:
        if one["id"] == part:
            return dict(one)
    raise NotFound(f"This draft has no {part} any more. Go back to the draft.")


def unchanged(row: EditionRow, sent: Tree) -> None:
    """Raise Conflict when an edition is not what the page that was sent had shown."""
    if sent.get("seen") != row.sha256:
        raise Conflict(
            f"Someone else changed {row.title} in between. Nothing was stored; read it again first."
        )


def store(work: Work, reader: Reader, draft: Draft, new: Edition, now: datetime, sent: Tree) -> None:
    """Give a draft new content. Raises Conflict when it is not what the form was filled in for."""
    if sent.get("seen") != draft.row.sha256:
        raise Conflict(
            f"Someone else changed {draft.row.title} in between. Nothing was stored, and what was typed is "
            "still below. Look at the draft as it is now; saving again puts this part in place of theirs."
        )
    service.change(work, reader.outfit, draft.row.id, new, now=now, expected=draft.row.sha256)
