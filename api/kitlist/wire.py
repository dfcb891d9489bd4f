"""What goes over the wire about kit lists."""

from datetime import datetime
from typing import Self

from pydantic import BaseModel, ConfigDict

from api.journal.trip import Slug
from api.kitlist.difference import Change, Difference, FieldChange, in_words
from api.kitlist.models import EditionState
from api.kitlist.queries import EditionRow
from api.kitlist.schemas import Edition


class Wire(BaseModel):
    """Base of what is sent and received here."""

    model_config = ConfigDict(extra="forbid", from_attributes=True)


class EditionSummary(Wire):
    """An edition without its content."""

    id: str
    family: str
    title: str
    number: int
    state: EditionState
    used: bool
    made_from: str | None
    sha256: str
    created_at: datetime
    changed_at: datetime

    @classmethod
    def of(cls, row: EditionRow) -> Self:
        return cls.model_validate(row)


class EditionWhole(Wire):
    """An edition with its content."""

    summary: EditionSummary
    edition: Edition


class CopyWanted(Wire):
    """What the copy is to be called; without an id one is made from the family and the number."""

    id: Slug | None = None


class Named(Wire):
    """A requirement or line by id and title."""

    id: str
    title: str


class FieldDiffers(Wire):
    """A field in words, before and after; null where there is none."""

    field: str
    was: str | None
    now: str | None


class Differs(Wire):
    """A requirement or line that is in both editions and differs."""

    id: str
    title: str
    fields: list[FieldDiffers]


class DifferenceFound(Wire):
    """What differs between two editions."""

    old: str
    new: str
    edition: list[FieldDiffers]
    added: list[Named]
    removed: list[Named]
    changed: list[Differs]
    lines_added: list[Named]
    lines_removed: list[Named]
    lines_changed: list[Differs]
    text: list[str]
    """The same, as lines to read."""

    @classmethod
    def of(cls, old: str, new: str, found: Difference) -> Self:
        return cls(
            old=old,
            new=new,
            edition=_fields(found.edition),
            added=_named(found.added),
            removed=_named(found.removed),
            changed=_differ(found.changed),
            lines_added=_named(found.lines_added),
            lines_removed=_named(found.lines_removed),
            lines_changed=_differ(found.lines_changed),
            text=in_words(found),
        )


def _fields(fields: tuple[FieldChange, ...]) -> list[FieldDiffers]:
    return [FieldDiffers.model_validate(field) for field in fields]


def _named(pairs: tuple[tuple[str, str], ...]) -> list[Named]:
    return [Named(id=one, title=title) for one, title in pairs]


def _differ(changes: tuple[Change, ...]) -> list[Differs]:
    return [Differs(id=one.id, title=one.title, fields=_fields(one.fields)) for one in changes]
