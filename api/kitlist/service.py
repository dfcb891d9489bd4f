"""Use cases of kit lists: keep, copy, change, publish and compare editions.

A draft may be changed. A published edition never is, so a trip that names one always means the same list; a
change begins with a copy.
"""

import hashlib
from dataclasses import replace
from datetime import datetime
from typing import Any

import orjson
from pydantic import ValidationError
from sqlalchemy import Connection

from api.errors import Conflict, FieldProblem, Invalid, NotFound
from api.kitlist import queries
from api.kitlist.difference import Difference, difference
from api.kitlist.loading import NotAnEdition, edition_from_plain, read_edition, read_file, shipped
from api.kitlist.models import EditionState
from api.kitlist.queries import EditionRow
from api.kitlist.rules import new_number
from api.kitlist.schemas import Edition

MOST_KEPT_READ = 64
_read: dict[str, Edition] = {}
"""Editions read from their stored content, by its hash: the same hash is always the same edition."""


class EditionFixed(Conflict):
    """A published edition is never changed; a change begins with a copy of it."""

    code = "edition-fixed"
    title = "This edition is fixed"


class EditionIsDraft(Conflict):
    """A trip can only name a published edition."""

    code = "edition-is-draft"
    title = "This edition is still a draft"


class EditionUnfit(Invalid):
    """What was sent is no usable kit list edition; `faults` lists each with its line."""

    code = "edition-unfit"
    title = "This is not a usable kit list"


def read_sent(content: bytes, *, is_json: bool) -> Edition:
    """An edition as somebody sent it. Raises EditionUnfit with every fault."""
    try:
        if not is_json:
            return read_edition(content)
        try:
            plain = orjson.loads(content)
        except orjson.JSONDecodeError as error:
            raise Invalid.field(
                "body", None, str(error), "Send well-formed JSON, or YAML as application/yaml."
            ) from None
        return edition_from_plain(plain)
    except NotAnEdition as error:
        raise unfit(error) from None


def unfit(error: NotAnEdition) -> EditionUnfit:
    """The problem to answer with when something is no edition."""
    faults = error.faults
    fields, listed = [], []
    for fault in faults:
        line = {"line": fault.place.line, "column": fault.place.column} if fault.place else {}
        where = f"line {line['line']}, column {line['column']}: " if line else ""
        fields.append(
            FieldProblem(fault.path or "edition", fault.value or None, fault.remedy, where + fault.message)
        )
        listed.append(
            line
            | {"path": fault.path, "value": fault.value, "message": fault.message, "remedy": fault.remedy}
        )
    noun = "thing needs" if len(faults) == 1 else "things need"
    return EditionUnfit(
        f"{len(faults)} {noun} a correction. Nothing was stored.", fields=fields, extra={"faults": listed}
    )


def list_editions(conn: Connection, outfit_id: str) -> list[EditionRow]:
    """All editions of the outfit, without their content."""
    return queries.rows(conn, outfit_id)


def get_row(conn: Connection, outfit_id: str, edition_id: str) -> EditionRow:
    """What is kept beside an edition's content. Raises NotFound."""
    found = queries.row(conn, outfit_id, edition_id)
    if found is None:
        raise NotFound(f"There is no kit list edition {edition_id}. Choose one of the list.")
    return found


def get_edition(conn: Connection, outfit_id: str, edition_id: str) -> Edition:
    """An edition. Raises NotFound."""
    sha256 = get_row(conn, outfit_id, edition_id).sha256
    if sha256 not in _read:
        if len(_read) >= MOST_KEPT_READ:
            _read.clear()
        _read[sha256] = Edition.model_validate(queries.body(conn, outfit_id, edition_id))
    return _read[sha256]


def create(conn: Connection, outfit_id: str, edition: Edition, *, now: datetime) -> EditionRow:
    """Keep an edition as a draft under its own id. Raises Conflict when the id is taken."""
    return _add(conn, outfit_id, edition, family=edition.id, now=now)


def copy(
    conn: Connection, outfit_id: str, edition_id: str, *, now: datetime, new_id: str | None = None
) -> EditionRow:
    """Make a draft from an edition, with the next number. Raises NotFound; Conflict when the id is taken."""
    source_row = get_row(conn, outfit_id, edition_id)
    source = get_edition(conn, outfit_id, edition_id)
    existing = queries.rows(conn, outfit_id)
    number = new_number(row.number for row in existing if row.family == source_row.family)
    changes = {
        "id": new_id or _free_id(source_row.family, number, {row.id for row in existing}),
        "number": number,
        "made_from": source.id,
        "dated": now.date(),
    }
    return _add(conn, outfit_id, _with(source, changes), family=source_row.family, now=now)


def change(
    conn: Connection,
    outfit_id: str,
    edition_id: str,
    edition: Edition,
    *,
    now: datetime,
    expected: str | None = None,
) -> EditionRow:
    """Give a draft new content. Its id, number and origin stay.

    `expected` is the hash that the writer saw; Conflict when someone else changed the draft in between.
    Raises EditionFixed for a published edition.
    """
    row = _draft(conn, outfit_id, edition_id)
    if expected is not None and expected != row.sha256:
        raise Conflict(
            f"Someone else changed {edition_id} in between. Nothing was stored; "
            "open it again and repeat the change."
        )
    kept = _with(edition, {"id": row.id, "number": row.number, "made_from": row.made_from})
    content, sha256 = _content(kept)
    queries.change(conn, outfit_id, edition_id, title=kept.title, body=content, sha256=sha256, changed_at=now)
    return replace(row, title=kept.title, sha256=sha256, changed_at=now)


def publish(conn: Connection, outfit_id: str, edition_id: str, *, now: datetime) -> EditionRow:
    """Fix a draft, so that trips may name it. Publishing again changes nothing."""
    row = get_row(conn, outfit_id, edition_id)
    if row.state is EditionState.PUBLISHED:
        return row
    queries.change(conn, outfit_id, edition_id, state=EditionState.PUBLISHED, changed_at=now)
    return replace(row, state=EditionState.PUBLISHED, changed_at=now)


def mark_used(conn: Connection, outfit_id: str, edition_id: str) -> None:
    """Say that a trip names this edition. Raises NotFound, and EditionIsDraft for a draft."""
    row = get_row(conn, outfit_id, edition_id)
    if row.state is EditionState.DRAFT:
        raise EditionIsDraft(
            f"{edition_id} is a draft and may still change. Publish it first, then choose it."
        )
    if not row.used:
        queries.change(conn, outfit_id, edition_id, used=True)


def discard(conn: Connection, outfit_id: str, edition_id: str) -> None:
    """Forget a draft. Raises EditionFixed for a published edition."""
    _draft(conn, outfit_id, edition_id)
    queries.remove(conn, outfit_id, edition_id)


def compare(conn: Connection, outfit_id: str, old_id: str, new_id: str) -> Difference:
    """What differs between two editions. Raises NotFound."""
    return difference(get_edition(conn, outfit_id, old_id), get_edition(conn, outfit_id, new_id))


def add_shipped(conn: Connection, outfit_id: str, *, now: datetime) -> list[EditionRow]:
    """Give an outfit the editions that come with the installation, published; those it has are left alone."""
    have = {row.id for row in queries.rows(conn, outfit_id)}
    added = []
    for file in shipped().values():
        edition = read_file(file)
        if edition.id not in have:
            create(conn, outfit_id, edition, now=now)
            added.append(publish(conn, outfit_id, edition.id, now=now))
    return added


def _add(conn: Connection, outfit_id: str, edition: Edition, *, family: str, now: datetime) -> EditionRow:
    if queries.row(conn, outfit_id, edition.id) is not None:
        raise Conflict(
            f"There is a kit list edition {edition.id} already. Nothing was stored; choose another id.",
            fields=[FieldProblem("id", edition.id, "Choose another id.", "taken")],
        )
    content, sha256 = _content(edition)
    row = EditionRow(
        id=edition.id,
        family=family,
        title=edition.title,
        number=edition.number,
        state=EditionState.DRAFT,
        used=False,
        made_from=edition.made_from,
        sha256=sha256,
        created_at=now,
        changed_at=now,
    )
    queries.add(conn, outfit_id, row, content)
    return row


def _draft(conn: Connection, outfit_id: str, edition_id: str) -> EditionRow:
    row = get_row(conn, outfit_id, edition_id)
    if row.state is not EditionState.DRAFT:
        used = " and trips use it" if row.used else ""
        raise EditionFixed(
            f"{edition_id} is published{used}, so it is never changed. Copy it and change the copy."
        )
    return row


def _with(edition: Edition, changes: dict[str, Any]) -> Edition:
    """The edition with other values, validated like one that came from outside."""
    try:
        return Edition.model_validate({**dict(edition), **changes})
    except ValidationError as error:
        named = error.errors()[0]
        raise Invalid.field(
            str(named["loc"][0]), named["input"], named["msg"], "Use small letters, digits and hyphens."
        ) from None


def _free_id(family: str, number: int, taken: set[str]) -> str:
    stem = family[:55].rstrip("-")
    while (made := f"{stem}-{number}") in taken:
        number += 1
    return made


def _content(edition: Edition) -> tuple[Any, str]:
    """An edition as it is kept, and the hash of its canonical bytes."""
    plain = edition.model_dump(mode="json", by_alias=True)
    canonical = orjson.dumps(plain, option=orjson.OPT_SORT_KEYS)
    return plain, hashlib.sha256(canonical).hexdigest()
