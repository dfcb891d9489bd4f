"""What was known of every piece of gear, entry by entry, as codes. Pure."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from uuid import UUID

from api.journal.entry import Actor, Entry, StoredEntry
from api.journal.fold import Record, heads
from api.journal.kinds import GearState, Key, Known, Sighting, Withdrawn


@dataclass
class Holdings:
    """One requirement on one trip: the distinct records, and from when on each was what was known."""

    payloads: list[str] = field(default_factory=list)
    changes: list[tuple[str, int, int, int]] = field(default_factory=list)
    """(subject, place of the payload, entry, minute)."""

    @property
    def payloads_json(self) -> str:
        return "[" + ",".join(self.payloads) + "]"

    def rows(self, place: Mapping[str, int]) -> list[tuple[int, int, int, int]]:
        """The changes of members, by member and entry."""
        found = (
            (place[subject], payload, seq, minute)
            for subject, payload, seq, minute in self.changes
            if subject in place
        )
        return sorted(found, key=lambda row: (row[0], row[2]))


def holdings_of(entries: Sequence[StoredEntry], start: datetime) -> dict[str, Holdings]:
    """Every change of what was known, by requirement."""
    found: defaultdict[str, Holdings] = defaultdict(Holdings)
    registers: defaultdict[Key, list[Entry]] = defaultdict(list)
    by_id: dict[UUID, StoredEntry] = {}
    withdrawals: list[Entry] = []
    for entry in entries:
        by_id[entry.id] = entry
        about = entry
        if isinstance(entry.body, Withdrawn):
            withdrawals.append(entry)
            taken_back = by_id.get(entry.body.entry)
            if taken_back is None:
                continue
            about = taken_back
        if not isinstance(about.body, Sighting):
            continue
        key = about.body.key()
        if about is entry:
            registers[key].append(entry)
        standing = heads([*registers[key], *withdrawals]).get(key, ())
        here = found[about.body.requirement]
        payload = payload_of(standing)
        if payload not in here.payloads:
            here.payloads.append(payload)
        minute = round((entry.happened_at - start).total_seconds() / 60)
        here.changes.append((about.body.subject, here.payloads.index(payload), entry.seq, minute))
    return dict(found)


def payload_of(entries: Iterable[Entry]) -> str:
    """What some records say, without who wrote them, when, and what was remarked."""
    said = [
        {
            "known": entry.body.known.value,
            "state": entry.body.state.value,
            "count": entry.body.count,
            "answers": entry.body.answers,
            "stand_in": entry.body.stand_in,
            "role": entry.actor.role,
        }
        for entry in entries
        if isinstance(entry.body, Sighting)
    ]
    return json.dumps(said, sort_keys=True, separators=(",", ":"))


def records_of(payload: str, subject: str, requirement: str) -> tuple[Record[Sighting], ...]:
    """The records that a payload stands for, as a picture keeps them."""
    return tuple(
        Record(
            body=Sighting(
                subject=subject,
                requirement=requirement,
                known=Known(told["known"]),
                state=GearState(told["state"]),
                count=told["count"],
                answers=told["answers"],
                stand_in=told["stand_in"],
            ),
            entry=UUID(int=at),
            actor=Actor(id="someone", name="Someone", role=told["role"]),
            device="review",
            happened_at=datetime.fromtimestamp(0).astimezone(),
        )
        for at, told in enumerate(json.loads(payload))
    )
