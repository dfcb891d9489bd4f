"""Drafts of kit lists as forms change them: one part put in its place, and the whole checked. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from api.errors import FieldProblem, Invalid
from api.kitlist.loading import NotAnEdition, edition_from_plain
from api.kitlist.schemas import Edition, Path
from api.kitlist.writing import to_plain
from web import words
from web.pages.kitlist_choices import FIRST, field_words, place_of
from web.pages.kitlist_form import Written, field_problems

Plain = dict[str, Any]


def with_requirement(edition: Edition, written: Written, old: str | None, after: str) -> Edition:
    """The edition with a requirement in the place of `old`, or added.

    `after` is which other requirement it follows. Raises Invalid with faults under the form's names.
    """
    plain = to_plain(edition)
    listed: list[Plain] = list(plain["requirements"])
    here = next((at for at, one in enumerate(listed) if one["id"] == old), None)
    before = edition.requirement(old) if old else None
    stays = before is not None and written.plain.get("zone") == before.zone.value
    if here is not None and before is not None and stays and after == place_of(edition, before):
        listed[here] = written.plain
    else:
        if here is not None:
            del listed[here]
        here = _place(listed, written.plain.get("zone", ""), after)
        listed.insert(here, written.plain)
    return _checked(plain | {"requirements": listed}, ("requirements", here), written)


def with_line(edition: Edition, written: Written, old: str | None) -> Edition:
    """The edition with a line in the place of `old`, or added at the end."""
    plain = to_plain(edition)
    listed: list[Plain] = list(plain.get("lines", ()))
    here = next((at for at, one in enumerate(listed) if one["id"] == old), len(listed))
    listed[here : here + 1] = [written.plain]
    return _checked(plain | {"lines": listed}, ("lines", here), written)


def without(edition: Edition, kind: str, gone: str) -> Edition:
    """The edition without one of its `requirements` or `lines`. Raises Invalid when another needs it."""
    plain = to_plain(edition)
    plain[kind] = [one for one in plain[kind] if one["id"] != gone]
    return _checked(plain, (kind,), Written({}, {}, ()))


def with_head(edition: Edition, fields: Mapping[str, str]) -> Edition:
    """The edition with other words about itself."""
    head = {key: fields.get(key, "").strip() for key in ("title", "dated", "note")}
    names: dict[Path, str] = {(key,): key for key in head}
    return _checked(to_plain(edition) | head, (), Written(head, names, ()))


def _place(listed: list[Plain], zone: str, after: str) -> int:
    """Where a requirement goes that is to follow `after` in its zone."""
    named = [at for at, one in enumerate(listed) if one["id"] == after]
    if named:
        return named[0] + 1
    same = [at for at, one in enumerate(listed) if one["zone"] == zone]
    if not same:
        return len(listed)
    return same[0] if after == FIRST else same[-1] + 1


def _checked(plain: Plain, base: Path, written: Written) -> Edition:
    found = list(written.faults)
    edition: Edition | None = None
    try:
        edition = edition_from_plain(plain)
    except NotAnEdition as error:
        found += field_problems(error.faults, base, written)
    if edition is None or found:
        noun = "thing needs" if len(found) == 1 else "things need"
        raise Invalid(f"{len(found)} {noun} a correction. Nothing was stored.", fields=found)
    return edition


@dataclass(frozen=True, slots=True)
class Wrong:
    """One thing to correct, with the words for its field."""

    field: str
    words: str
    message: str
    remedy: str


def wrongs(fields: list[FieldProblem]) -> list[Wrong]:
    """What is wrong, each with what people call the field."""
    return [
        Wrong(one.field, words.sentence(field_words(one.field)).rstrip("."), one.message, one.remedy)
        for one in fields
    ]


def by_field(found: list[Wrong]) -> dict[str, Wrong]:
    """What is wrong by field, as the form macros take it; several faults of one field in one text."""
    fields: dict[str, Wrong] = {}
    for one in found:
        before = fields.get(one.field)
        said = (
            one
            if before is None
            else Wrong(one.field, one.words, f"{before.message} {before.remedy} {one.message}", one.remedy)
        )
        fields[one.field] = said
    return fields
