"""What all changes to a trip share: seeing what others changed, merging, refusing a clash, writing."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import to_jsonable_python

from api.access.current import Reader
from api.db import Work
from api.errors import Conflict, FieldProblem, Invalid, from_validation
from api.journal import store
from api.journal.fold import Record
from api.journal.kinds import MemberSet, RopesSet, TripPlanned
from api.journal.pictures import Snapshot
from api.journal.service import Journal
from api.roster.merging import Difference, Merged, Parts, differences, merge
from api.roster.rules import FieldError
from api.roster.text import control_character

V = TypeVar("V")


class ChangedMeanwhile(Conflict):
    """Someone else changed the same thing in between; both versions are listed and nothing was stored."""

    code = "changed-meanwhile"
    title = "Someone else changed this in between"

    def __init__(
        self, snapshot: Snapshot, clashes: Sequence[Difference], theirs: Record[Any] | None, what: str
    ) -> None:
        self.clashes = tuple(clashes)
        self.by = theirs.actor.name if theirs else None
        self.at = theirs.happened_at if theirs else None
        self.seq = snapshot.seq
        who = f"{self.by} changed" if self.by else "Someone changed"
        fields = [
            FieldProblem(
                clash.field,
                to_jsonable_python(clash.yours),
                "Keep theirs, or send yours again with the new seen_seq.",
                f"{who} this to {to_jsonable_python(clash.theirs)} in between.",
            )
            for clash in self.clashes
        ]
        super().__init__(
            f"{who} {what} after you opened it. Nothing of yours was stored; choose which stands.",
            fields=fields,
            extra={
                "seq": snapshot.seq,
                "by": self.by,
                "at": self.at.isoformat() if self.at else None,
                "changes": [to_jsonable_python(clash) for clash in self.clashes],
            },
        )


@dataclass(frozen=True, slots=True)
class Change:
    """What came of a change."""

    seq: int
    changed: bool
    also_changed: tuple[str, ...] = ()


def invalid(*errors: FieldError) -> Invalid:
    """The problem to answer with for fields that cannot be used."""
    fields = [FieldProblem(error.field, error.value, error.remedy, error.message) for error in errors]
    return Invalid(" ".join(f"{field.message}" for field in fields), fields=fields)


def seen(
    work: Work, journal: Journal, reader: Reader, trip_id: str, seen_seq: int
) -> tuple[Snapshot, Snapshot]:
    """The trip now, and as the writer saw it."""
    snapshot = journal.picture(work, reader.outfit, trip_id)
    if seen_seq > snapshot.seq:
        raise Invalid.field(
            "seen_seq",
            seen_seq,
            f"The journal has only {snapshot.seq} entries.",
            "Send the number that came with the trip when it was read.",
        )
    return snapshot, snapshot.at(seen_seq)


def merged_or_clash(
    snapshot: Snapshot, record: Record[Any] | None, base: Parts, yours: Parts, theirs: Parts, what: str
) -> Merged:
    merged = merge(base, yours, theirs)
    if merged.clashes:
        raise ChangedMeanwhile(snapshot, differences(merged.clashes, base, yours, theirs), record, what)
    return merged


def whole(
    make: Callable[[Parts], V],
    merged: Merged,
    snapshot: Snapshot,
    record: Record[Any] | None,
    yours: V,
    theirs: V | None,
    parts_of: Callable[[V | None], Parts],
    what: str,
) -> V:
    """The value that merged parts make up. Parts that fit one by one but not together are a clash as well."""
    try:
        return make(merged.parts)
    except ValidationError as error:
        if not merged.also_changed:
            raise from_validation(error.errors()) from error
        mine, other = parts_of(yours), parts_of(theirs)
        keys = [key for key in {**mine, **other} if mine.get(key) != other.get(key)]
        raise ChangedMeanwhile(snapshot, differences(keys, other, mine, other), record, what) from error


def write(
    work: Work,
    journal: Journal,
    reader: Reader,
    snapshot: Snapshot,
    merged: Merged,
    body: TripPlanned | MemberSet | RopesSet,
    *,
    device: str,
) -> Change:
    # What was merged has seen everything up to now, whatever the form had seen.
    journal.write(work, reader, snapshot.trip_id, body, device=device, seen_seq=snapshot.seq)
    return Change(store.head(work, snapshot.trip_id).seq, True, merged.also_paths)


def check_texts(field: str, *values: BaseModel) -> None:
    """Refuse invisible control characters: they survive neither a workbook nor a database everywhere."""
    problems = [
        FieldError(
            path,
            text,
            f"It contains an invisible control character (U+{ord(found):04X}).",
            "Type the text anew instead of pasting it.",
        )
        for value in values
        for path, text in _texts(field, value.model_dump(mode="json"))
        if (found := control_character(text))
    ]
    if problems:
        raise invalid(*problems)


def _texts(path: str, value: Any) -> Iterable[tuple[str, str]]:
    if isinstance(value, str):
        yield path, value
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from _texts(f"{path}.{key}", inner)
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from _texts(f"{path}.{index}", inner)
