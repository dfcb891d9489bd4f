"""The lines of a changed list that no array over all trips answers: ropes, the party, amounts worked out.

They go the ordinary way, trip by trip and entry by entry, with the forecasts and records as they were known
then. It takes a tenth of a second or more a trip, so it is done only where such a line has changed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime

import numpy as np
from sqlalchemy import Connection

from api.journal.entry import Entry, StoredEntry
from api.journal.fold import Picture
from api.journal.kinds import HoldPassed
from api.kitlist.schemas import Edition, Requirement, Scope
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.lacks import Subject
from api.readiness.service import Readiness
from api.readiness.stepping import Walk
from api.seasons.outcome import UNTOLD
from api.seasons.trial import Counted, Effect, Pair, effect_of

Key = tuple[str, str]
"""(subject, requirement)."""


@dataclass(slots=True)
class Told:
    """What a list would have said of one requirement of somebody, a rope or the party."""

    first: int | None = None
    at: datetime | None = None
    worst: int = 0
    untold: bool = False


@dataclass(slots=True)
class Way:
    """One trip by one list."""

    told: dict[Key, Told] = field(default_factory=dict)
    concerned: set[Key] = field(default_factory=set)


NOTHING = Told()


def only(edition: Edition, pairs: Sequence[Pair]) -> Edition:
    """The list with nothing but these lines, or all of it where one asks for an amount: such a line looks at
    everything that somebody has."""
    wanted = {one.id for pair in pairs for one in pair if one is not None}
    whole = any(one.how_many.computed is not None for pair in pairs for one in pair if one is not None)
    kept = tuple(r for r in edition.requirements if whole or r.id in wanted)
    return edition.model_copy(update={"requirements": kept})


def way(conn: Connection, readiness: Readiness, outfit: str, trip: str, edition: Edition) -> Way:
    """Go past every entry of a trip's journal with a list. Raises NotFound."""
    found = Way()
    if not edition.requirements:
        return found
    journal = readiness.journal.picture(conn, outfit, trip).entries

    def anew(picture: Picture, entries: Sequence[Entry]) -> Evaluation | None:
        if picture.trip is None:
            return None
        seq = next(stored.seq for stored in reversed(journal) if stored.id == entries[-1].id)
        usual = readiness.evaluation(conn, outfit, trip, seq=seq)
        return evaluate(trip, usual.seq, picture, usual.plan, edition, usual.conditions, usual.quantities)

    steps = Walk(anew)
    for entry in journal:
        if isinstance(entry.body, HoldPassed):
            continue  # it makes a stop of a fix, which a trial leaves out
        steps.step(entry)
        if steps.evaluation is not None:
            _note(found, steps.evaluation, edition, entry)
    return found


def _note(found: Way, evaluation: Evaluation, edition: Edition, entry: StoredEntry) -> None:
    for told in found.told.values():
        told.untold = False
    if evaluation.lacks is not None:
        for subject in evaluation.lacks.subjects:
            about = (r for r in edition.requirements if _concerns(r, subject))
            found.concerned.update((subject.id, r.id) for r in about)
    for finding in evaluation.findings:
        key = (finding.subject, finding.requirement)
        if key not in found.concerned:
            continue
        told = found.told.setdefault(key, Told())
        if finding.kind in UNTOLD or not finding.conditions_known:
            told.untold = True
            continue
        if told.first is None:
            told.first, told.at = entry.seq, entry.happened_at
        told.worst = max(told.worst, finding.grade.weight)


def _concerns(requirement: Requirement, subject: Subject) -> bool:
    if requirement.scope is not subject.scope:
        return False
    return subject.scope is not Scope.PERSON or not requirement.roles or subject.role in requirement.roles


def counted(before: Way, after: Way, requirement: str) -> Counted:
    """What one requirement's change means on one trip."""
    total = Counted()
    for key in sorted(before.concerned | after.concerned):
        if key[1] == requirement:
            total += _one(before.told.get(key, NOTHING), after.told.get(key, NOTHING))
    return total


def _one(was: Told, now: Told) -> Counted:
    earlier = later = False
    hours = 0.0
    if was.first is not None and now.first is not None:
        earlier, later = now.first < was.first, now.first > was.first
    if earlier and was.at is not None and now.at is not None:
        hours = (was.at - now.at).total_seconds() / 3600.0
    both = was.first is not None and now.first is not None
    return Counted(
        people=1,
        flagged_before=was.first is not None,
        flagged_after=now.first is not None,
        come=was.first is None and now.first is not None,
        gone=was.first is not None and now.first is None,
        earlier=earlier,
        later=later,
        heavier=both and now.worst > was.worst,
        lighter=both and now.worst < was.worst,
        untold_before=was.untold,
        untold_after=now.untold,
        hours_earlier=hours,
    )


@dataclass
class Walked:
    """The changed lines of two lists, trip by trip."""

    base: Edition
    changed: Edition
    pairs: Sequence[Pair]
    _sums: dict[str, dict[str, list[float]]] = field(default_factory=lambda: defaultdict(dict))

    def go(self, conn: Connection, readiness: Readiness, outfit: str, trip: str) -> None:
        """Go through another trip."""
        lists = (only(edition, self.pairs) for edition in (self.base, self.changed))
        before, after = (way(conn, readiness, outfit, trip, edition) for edition in lists)
        for requirement in self._named():
            one = counted(before, after, requirement)
            for name in Counted.__dataclass_fields__:
                self._sums[requirement].setdefault(name, []).append(float(getattr(one, name)))

    def _named(self) -> Mapping[str, Requirement]:
        named = (pair[1] or pair[0] for pair in self.pairs)
        return {one.id: one for one in named if one is not None}

    def effects(self, trips: Sequence[str]) -> Iterator[Effect]:
        """What each line's change means, over the trips that were gone through, in that order."""
        for requirement, named in self._named().items():
            sums = {name: np.array(column) for name, column in self._sums[requirement].items()}
            whole = {
                name: sums[name] if name == "hours_earlier" else sums[name].astype(np.int64) for name in sums
            }
            yield effect_of(trips, named, whole)
