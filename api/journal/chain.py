"""The hash chain: what exactly is hashed, and how a change to what is stored is found. Pure.

An entry is kept as canonical JSON (RFC 8785). Its hash is the SHA-256 of the canonical JSON of `{"entry": …,
"prev": hash before it, "received_at": …, "seq": …}`; before the first entry stands a hash made of the trip's
id. The hash is taken over the stored text, so a field that is added to an entry kind later does not change
the hash of older entries.
"""

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, NamedTuple, Self
from uuid import UUID

import rfc8785
from pydantic import TypeAdapter, ValidationError

from api.journal.entry import Actor, Entry, StoredEntry

_STORED: TypeAdapter[list[StoredEntry]] = TypeAdapter(list[StoredEntry])


class CannotBeKept(ValueError):
    """An entry that has no canonical form; the message says why."""


class KeptEntry(NamedTuple):
    """An entry as a store keeps it: `body`, `actor` and `after` are canonical JSON, moments are ISO 8601 in
    UTC.
    """

    trip: str
    seq: int
    id: str
    body: str
    actor: str
    device: str
    happened_at: str
    seen_seq: int
    after: str
    received_at: str
    prev_hash: str
    hash: str

    @property
    def kind(self) -> str:
        """The kind its body states."""
        return str(json.loads(self.body)["kind"])

    def written_json(self) -> str:
        """The entry as it was written, in canonical JSON."""
        return (
            f'{{"actor":{self.actor},"after":{self.after},"body":{self.body},"device":{_quoted(self.device)},'
            f'"happened_at":{_quoted(self.happened_at)},"id":{_quoted(self.id)},"seen_seq":{self.seen_seq},'
            f'"trip":{_quoted(self.trip)}}}'
        )

    def json(self) -> str:
        """The stored entry as JSON: as it was written, with what the store added."""
        return (
            f'{self.written_json()[:-1]},"seq":{self.seq},"received_at":{_quoted(self.received_at)},'
            f'"prev_hash":{_quoted(self.prev_hash)},"hash":{_quoted(self.hash)}}}'
        )

    def true_hash(self) -> str:
        """The hash that belongs to this content after `prev_hash`."""
        return link(self.prev_hash, self.written_json(), self.seq, self.received_at)

    @classmethod
    def from_json(cls, line: Mapping[str, Any]) -> Self:
        """From the parsed JSON of a stored entry. Raises KeyError or CannotBeKept when it is not one."""
        return cls(
            trip=line["trip"],
            seq=line["seq"],
            id=line["id"],
            body=canonical_json(line["body"]),
            actor=canonical_json(line["actor"]),
            device=line["device"],
            happened_at=line["happened_at"],
            seen_seq=line["seen_seq"],
            after=canonical_json(line["after"]),
            received_at=line["received_at"],
            prev_hash=line["prev_hash"],
            hash=line["hash"],
        )


@dataclass(frozen=True, slots=True)
class ChainReport:
    """What a walk along the chain found."""

    entries: int
    """How many entries are good from the first on."""
    head_hash: str
    """Hash of the last good entry."""
    broken_seq: int | None = None
    """The first entry that is not as it was stored; None when all are."""
    problem: str = ""

    @property
    def whole(self) -> bool:
        return self.broken_seq is None


def genesis(trip_id: str) -> str:
    """The hash that stands before the first entry of a trip."""
    return hashlib.sha256(f"journal of {trip_id}".encode()).hexdigest()


def link(prev_hash: str, written: str, seq: int, received_at: str) -> str:
    """The hash of an entry, given as its canonical JSON, at its place in the chain."""
    linked = (
        f'{{"entry":{written},"prev":{_quoted(prev_hash)},"received_at":{_quoted(received_at)},"seq":{seq}}}'
    )
    return hashlib.sha256(linked.encode("utf-8", "surrogatepass")).hexdigest()


def canonical(entry: Entry) -> str:
    """The canonical JSON of an entry. Raises CannotBeKept when it has none."""
    return _kept(entry, entry.after or (), 0, "", "").written_json()


def canonical_json(value: Any) -> str:
    """The canonical JSON (RFC 8785) of plain JSON values. Raises CannotBeKept when there is none."""
    try:
        return rfc8785.dumps(value).decode()
    except rfc8785.CanonicalizationError as error:
        raise CannotBeKept(str(error)) from error


def seal(entry: Entry, after: Iterable[UUID], seq: int, prev_hash: str, received_at: datetime) -> KeptEntry:
    """The entry as kept at this place in the chain. Raises CannotBeKept when it has no canonical form."""
    unsealed = _kept(entry, after, seq, moment(received_at), prev_hash)
    return unsealed._replace(hash=unsealed.true_hash())


def moment(at: datetime) -> str:
    """An aware moment in UTC, always to the microsecond, so that texts sort as moments do."""
    return at.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")


def parse(kept: Iterable[KeptEntry]) -> list[StoredEntry]:
    """Typed entries from kept ones. Raises CannotBeKept naming the first that does not fit any entry kind."""
    kept = list(kept)
    try:
        return _STORED.validate_json(f"[{','.join([entry.json() for entry in kept])}]")
    except ValidationError as error:
        raise CannotBeKept(_first_unreadable(kept)) from error


def verify(trip_id: str, kept: Iterable[KeptEntry]) -> ChainReport:
    """Walk the chain of a trip from its first entry and stop at the first that is not as it was stored."""
    good, prev_hash = 0, genesis(trip_id)
    for entry in kept:
        problem = _fault(trip_id, good + 1, prev_hash, entry)
        if problem:
            return ChainReport(good, prev_hash, good + 1, problem)
        good, prev_hash = good + 1, entry.hash
    return ChainReport(good, prev_hash)


def _fault(trip_id: str, seq: int, prev_hash: str, entry: KeptEntry) -> str:
    if entry.seq != seq:
        return f"entry {seq} is missing; the next one is numbered {entry.seq}"
    if entry.trip != trip_id:
        return f"it belongs to trip {entry.trip}, not to {trip_id}"
    if entry.prev_hash != prev_hash:
        return f"it follows {entry.prev_hash[:12]}…, but the entry before it has {prev_hash[:12]}…"
    if entry.hash != entry.true_hash():
        return f"its content hashes to {entry.true_hash()[:12]}…, but {entry.hash[:12]}… was stored with it"
    return ""


def _kept(entry: Entry, after: Iterable[UUID], seq: int, received_at: str, prev_hash: str) -> KeptEntry:
    try:
        happened_at = moment(entry.happened_at)
    except OverflowError:
        raise CannotBeKept(
            f"happened_at: {entry.happened_at.isoformat()} lies outside the calendar"
        ) from None
    if not _is_unicode(entry.device):
        raise CannotBeKept(f"device: {entry.device!r} is not proper Unicode text")
    return KeptEntry(
        trip=entry.trip,
        seq=seq,
        id=str(entry.id),
        body=canonical_json(entry.body.model_dump(mode="json")),
        actor=_actor_json(entry.actor),
        device=entry.device,
        happened_at=happened_at,
        seen_seq=entry.seen_seq,
        after=canonical_json([str(known) for known in after]),
        received_at=received_at,
        prev_hash=prev_hash,
        hash="",
    )


@lru_cache(maxsize=1_000)
def _actor_json(actor: Actor) -> str:
    return canonical_json(actor.model_dump(mode="json"))


_quoted = json.JSONEncoder(ensure_ascii=False).encode


def _is_unicode(text: str) -> bool:
    try:
        text.encode()
    except UnicodeEncodeError:
        return False
    return True


def _first_unreadable(kept: list[KeptEntry]) -> str:
    for entry in kept:
        try:
            _STORED.validate_json(f"[{entry.json()}]")
        except ValidationError as error:
            where = ".".join(str(part) for part in error.errors()[0]["loc"][1:])
            return (
                f"entry {entry.seq} of trip {entry.trip} cannot be read: {where}: {error.errors()[0]['msg']}"
            )
    return "the entries cannot be read together"
