"""The journal on the wire."""

from typing import Annotated, Any, Literal

from pydantic import BaseModel, Field

from api.journal.entry import StoredEntry

MOST_AT_ONCE = 500


class JournalBatch(BaseModel):
    """Entries to append, in order. Each is judged for itself; see `Entry` for what one holds."""

    entries: Annotated[list[Any], Field(min_length=1, max_length=MOST_AT_ONCE)]


class FieldFault(BaseModel):
    """A field of an entry that cannot be used."""

    field: str
    value: Any
    message: str
    remedy: str


class EntryOutcome(BaseModel):
    """What became of one entry of a batch."""

    position: int
    """Its place in the batch, from 0."""
    id: str | None
    """Its id; None when it had none that could be read."""
    status: Literal["stored", "already-there", "refused"]
    seq: int | None = None
    problem: str = ""
    fields: list[FieldFault] = []


class BatchOutcome(BaseModel):
    """What became of a batch, in its order."""

    trip: str
    head_seq: int
    """Number of the journal's last entry now."""
    outcomes: list[EntryOutcome]


class JournalPage(BaseModel):
    """Entries after a number."""

    trip: str
    head_seq: int
    entries: list[StoredEntry]
    next_after: int | None
    """Ask for the entries after this number next; None when these were the last."""


class ChainState(BaseModel):
    """Whether a journal is as it was stored."""

    trip: str
    whole: bool
    entries: int
    """How many entries are good, from the first on."""
    head_hash: str
    broken_seq: int | None
    problem: str


class Revision(BaseModel):
    """A journal's newest number, as an event."""

    trip: str
    seq: int
