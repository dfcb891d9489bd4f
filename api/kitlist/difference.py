"""The readable difference between two editions. Pure."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from api.kitlist.schemas import Edition
from api.kitlist.wording import line_words, requirement_words


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One field that differs, in words; None where there is no such field."""

    field: str
    was: str | None
    now: str | None


@dataclass(frozen=True, slots=True)
class Change:
    """A requirement or line that is in both editions and differs."""

    id: str
    title: str
    fields: tuple[FieldChange, ...]


@dataclass(frozen=True, slots=True)
class Difference:
    """What one must do to an edition to get another. Ids come with titles."""

    edition: tuple[FieldChange, ...] = ()
    added: tuple[tuple[str, str], ...] = ()
    removed: tuple[tuple[str, str], ...] = ()
    changed: tuple[Change, ...] = ()
    lines_added: tuple[tuple[str, str], ...] = ()
    lines_removed: tuple[tuple[str, str], ...] = ()
    lines_changed: tuple[Change, ...] = ()

    def __bool__(self) -> bool:
        return self != Difference()


def difference(old: Edition, new: Edition) -> Difference:
    """What differs from `old` to `new`, requirement by requirement and field by field."""
    old_words = {r.id: (r.item, requirement_words(r)) for r in old.requirements}
    new_words = {r.id: (r.item, requirement_words(r)) for r in new.requirements}
    old_lines = {line.id: (line.title, line_words(line)) for line in old.lines}
    new_lines = {line.id: (line.title, line_words(line)) for line in new.lines}
    return Difference(
        edition=_fields(_head(old, new_words), _head(new, old_words)),
        added=_only(new_words, old_words),
        removed=_only(old_words, new_words),
        changed=_changed(old_words, new_words),
        lines_added=_only(new_lines, old_lines),
        lines_removed=_only(old_lines, new_lines),
        lines_changed=_changed(old_lines, new_lines),
    )


def in_words(found: Difference) -> list[str]:
    """The difference as lines of text; empty when there is none."""
    lines = [_field_line("", change) for change in found.edition]
    lines += [f"added: {title} ({one})" for one, title in found.added]
    lines += [f"removed: {title} ({one})" for one, title in found.removed]
    for change in found.changed:
        lines.append(f"changed: {change.title} ({change.id})")
        lines += [_field_line("  ", field) for field in change.fields]
    lines += [f"line added: {title} ({one})" for one, title in found.lines_added]
    lines += [f"line removed: {title} ({one})" for one, title in found.lines_removed]
    for change in found.lines_changed:
        lines.append(f"line changed: {change.title} ({change.id})")
        lines += [_field_line("  ", field) for field in change.fields]
    return lines


_Words = Mapping[str, tuple[str, Mapping[str, str]]]


def _head(edition: Edition, other: _Words) -> dict[str, str]:
    """What an edition says of itself. Its order is told by what both have, so an addition is no new order."""
    return {
        "id": edition.id,
        "title": edition.title,
        "number": str(edition.number),
        "dated": edition.dated.isoformat(),
        "made from": edition.made_from or "nothing",
        "note": edition.note or "none",
        "order of requirements": _order(r.id for r in edition.requirements if r.id in other),
    }


def _order(ids: Iterable[str]) -> str:
    return ", ".join(ids)


def _only(these: _Words, others: _Words) -> tuple[tuple[str, str], ...]:
    return tuple((one, title) for one, (title, _) in these.items() if one not in others)


def _changed(old: _Words, new: _Words) -> tuple[Change, ...]:
    both = [one for one in old if one in new]
    found = (Change(one, new[one][0], _fields(old[one][1], new[one][1])) for one in sorted(both))
    return tuple(change for change in found if change.fields)


def _fields(old: Mapping[str, str], new: Mapping[str, str]) -> tuple[FieldChange, ...]:
    return tuple(
        FieldChange(name, old.get(name), new.get(name))
        for name in sorted({*old, *new})
        if old.get(name) != new.get(name)
    )


def _field_line(indent: str, change: FieldChange) -> str:
    if change.was is None:
        return f"{indent}{change.field}, new: {change.now}"
    if change.now is None:
        return f"{indent}{change.field}, gone: {change.was}"
    return f"{indent}{change.field}: {change.was} → {change.now}"
