"""Walking through a journal entry by entry, and what that does to flags. Pure.

A full evaluation is made only where an entry can touch everything; a sighting touches one finding.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import cast, get_args

from api.journal.decisions import CallBody, HoursSet, PaceSet
from api.journal.entry import Entry
from api.journal.fold import Picture, Record, fold, heads, record_of
from api.journal.health import ConsentGiven, HealthErased, HealthNote
from api.journal.kinds import (
    AcceptanceEnded,
    FlagAccepted,
    FlagBody,
    FlagReleased,
    FlagTaken,
    GearShared,
    HoldPassed,
    IntentionTold,
    Key,
    LoanBody,
    NightTold,
    PartyRulesSet,
    Remark,
    RopesSet,
    Sighting,
    Withdrawn,
)
from api.readiness.body_findings import asked_of_the_body
from api.readiness.evaluation import Evaluation, with_nights, with_picture, with_sightings
from api.readiness.transitions import FlagEvent, events_of, transitions

Evaluate = Callable[[Picture, Sequence[Entry]], Evaluation | None]
"""Evaluates a trip from scratch; None while it has no plan."""

WITHIN = (RopesSet, HoldPassed, PartyRulesSet, GearShared, HoursSet, PaceSet)
"""Kinds that change what people have, how ropes are made up and how fast they go, but not what is asked."""
SLEPT = (NightTold, HealthNote, HealthErased)
"""Kinds that change what is known of people's nights, and nothing else."""
HARMLESS = (
    *(ConsentGiven, IntentionTold, LoanBody, Remark),
    *(kind for kind in get_args(CallBody) if kind is not PaceSet),
)
"""Kinds that no finding rests on. After a kind that is not named at all, everything is worked out anew."""


@dataclass
class Walk:
    """A walk through one journal. Begin after the entries that are known, then `step` on."""

    evaluate: Evaluate
    entries: list[Entry] = field(default_factory=list)
    evaluation: Evaluation | None = None
    _registers: defaultdict[Key, list[Entry]] = field(default_factory=lambda: defaultdict(list))
    _withdrawals: list[Entry] = field(default_factory=list)

    def begin(self, entries: Iterable[Entry]) -> None:
        """Stand after some entries, without asking what they did."""
        for entry in entries:
            self._note(entry)
        self.evaluation = self.evaluate(fold(self.entries), self.entries)

    def _note(self, entry: Entry) -> None:
        self.entries.append(entry)
        key = entry.key()
        if key is not None:
            self._registers[key].append(entry)
        elif isinstance(entry.body, Withdrawn):
            self._withdrawals.append(entry)

    def step(self, entry: Entry) -> list[FlagEvent]:
        """Go past one entry, and say what it did to flags."""
        self._note(entry)
        before, body = self.evaluation, entry.body
        if isinstance(body, HARMLESS) or (
            before is None and isinstance(body, (*WITHIN, *SLEPT, Sighting, FlagBody))
        ):
            return []
        if before is not None and isinstance(body, Sighting):
            return self._sighted(before, entry, body)
        if before is not None and isinstance(body, FlagBody):
            return self._flagged(before, entry, body)
        picture = fold(self.entries)
        if before is not None and isinstance(body, SLEPT):
            self.evaluation = with_nights(before, len(self.entries), picture)
        elif before is not None and isinstance(body, WITHIN):
            self.evaluation = with_picture(before, len(self.entries), picture)
        else:
            self.evaluation = self.evaluate(picture, self.entries)
        return self._compared(before, entry)

    def _compared(self, before: Evaluation | None, entry: Entry) -> list[FlagEvent]:
        return transitions(before, self.evaluation, [entry]) if self.evaluation else []

    def _sighted(self, before: Evaluation, entry: Entry, body: Sighting) -> list[FlagEvent]:
        key = (body.subject, body.requirement)
        records = tuple(cast(Record[Sighting], record_of(e)) for e in self._heads_of(entry))
        picture = replace(before.picture, sightings={**before.picture.sightings, key: records})
        after = with_sightings(before, len(self.entries), picture, *key)
        self.evaluation = after
        asked = after.edition.requirements if after.edition is not None else ()
        touched = [body.requirement, *(r.id for r in asked if asked_of_the_body(r))]
        return events_of(before, after, [entry], [f"{body.subject}.{requirement}" for requirement in touched])

    def _flagged(self, before: Evaluation, entry: Entry, body: FlagBody) -> list[FlagEvent]:
        records = tuple(record_of(e) for e in self._heads_of(entry))
        picture = before.picture
        if isinstance(body, FlagTaken | FlagReleased):
            picture = replace(picture, flags={**picture.flags, body.finding: records})
        elif isinstance(body, FlagAccepted | AcceptanceEnded):
            picture = replace(picture, acceptances={**picture.acceptances, body.finding: records})
        after = replace(before, seq=len(self.entries), picture=picture)
        self.evaluation = after
        return events_of(before, after, [entry], [body.finding])

    def _heads_of(self, entry: Entry) -> tuple[Entry, ...]:
        key = entry.key()
        assert key is not None
        return heads([*self._registers[key], *self._withdrawals]).get(key, ())
