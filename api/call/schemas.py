"""What a lead guide fills in, and what the API answers about calls."""

from datetime import datetime
from typing import Annotated, Literal
from uuid import UUID

from pydantic import BaseModel, ConfigDict, Field, field_validator

from api.ids import is_uuid7
from api.journal.decisions import Decision
from api.readiness.schemas import CAUTION, Shown


class CallForm(BaseModel):
    """A call as a lead guide fills it in."""

    model_config = ConfigDict(frozen=True)

    decision: Decision
    reason: str = ""
    stays: tuple[str, ...] = ()
    moves: dict[str, str] = Field(default_factory=dict)
    """Member to the rope they go on with."""
    left: str = ""
    accepts: dict[str, str] = Field(default_factory=dict)
    """Finding to the reason for which it is accepted."""
    turnaround_at: datetime | None = None


class CallWrite(CallForm):
    """A call sent to the API, with what its writer had read."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    id: UUID | None = None
    """Made where it was called (UUID version 7): sent twice, it is made once."""
    seen_seq: Annotated[int, Field(ge=0)] | None = None
    """Number of the last journal entry its writer had read; None: all that is here."""

    @field_validator("id")
    @classmethod
    def _made_there(cls, id_: UUID | None) -> UUID | None:
        if id_ is not None and not is_uuid7(id_):
            raise ValueError("the id of a call is a UUID of version 7; leave it out to have one made")
        return id_


class CallLine(Shown):
    """A call in a list."""

    call: str
    hold: str
    hold_name: str
    decision: Decision
    reason: str
    called_by: str
    called_at: datetime
    countersigned: bool
    differences: tuple[str, ...] = ()


class CallMadeHere(CallLine):
    """A call as it was just made, with its place in the journal and the caution."""

    caution: str = CAUTION
    seq: int


class Calls(Shown):
    """The calls of a trip, with the caution they must not travel without."""

    caution: str = CAUTION
    trip: str
    calls: tuple[CallLine, ...]


class SealedFault(Shown):
    """Something wrong with a sealed record."""

    where: str
    says: str


class CheckedRecord(Shown):
    """What checking a record found."""

    caution: str = CAUTION
    good: bool
    says: tuple[str, ...]
    faults: tuple[SealedFault, ...] = ()
    chain: str | None = None
    differences: tuple[str, ...] | None = None
    versions: tuple[str, ...] = ()


class PublicKey(Shown):
    """A key that calls of this outfit are signed with."""

    key_id: str
    algorithm: Literal["Ed25519"] = "Ed25519"
    public_key: str
    """32 bytes in hexadecimal (RFC 8032)."""
    created_at: datetime


class PublicKeys(Shown):
    """All of them, the newest first."""

    keys: tuple[PublicKey, ...]
