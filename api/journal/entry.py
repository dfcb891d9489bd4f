"""One entry of a journal: as written on a device, and as kept by a store."""

from typing import Annotated
from uuid import UUID

from pydantic import AwareDatetime, Field, field_validator

from api.journal.kinds import AnyBody, Key
from api.journal.trip import ShortText, Slug, Value


class Actor(Value):
    """Who wrote an entry."""

    id: Slug
    name: ShortText
    role: Annotated[str, Field(pattern="^(lead|assistant|climber|office|admin|system)$")]


class Entry(Value):
    """An entry as it was written, wherever that was.

    `after` lists the entries about the same thing that the writer knew and replaces. It makes the picture
    independent of the order in which entries travel: an entry that nobody replaces stands, and two that do
    not know of each other are seen to disagree. A writer that leaves it out (None) lets the store work it out
    from `seen_seq`, the number up to which the writer had read that store's journal.
    """

    id: UUID
    trip: Slug
    body: AnyBody
    actor: Actor
    device: Annotated[str, Field(min_length=1, max_length=80)]
    happened_at: AwareDatetime
    seen_seq: Annotated[int, Field(ge=0)] = 0
    after: tuple[UUID, ...] | None = Field(default=None, max_length=50)

    @field_validator("id")
    @classmethod
    def _version_7(cls, value: UUID) -> UUID:
        if value.version != 7:
            raise ValueError("an entry id must be a UUID of version 7")
        return value

    @property
    def kind(self) -> str:
        return self.body.kind

    def key(self) -> Key | None:
        return self.body.key()


class StoredEntry(Entry):
    """An entry with what the store added: its number, when it arrived, and its link in the hash chain."""

    seq: Annotated[int, Field(ge=1)]
    received_at: AwareDatetime
    prev_hash: str
    hash: str
