"""The story of each gap of a trip, from what happened to its flag. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from api.journal.entry import StoredEntry
from api.journal.kinds import GearState, HoldPassed, Known, LoanHandedOut, Sighting
from api.journal.trip import HOLD_ORDER, HoldKind, TripPlan
from api.kitlist.schemas import Edition, Grade
from api.readiness.queries import EventRow
from api.readiness.schemas import GapKind
from api.readiness.transitions import Happened
from api.seasons import packing
from api.seasons.measures import COVERED, HOLDS, KNOWN, OPEN

GUIDES_SEE = (Known.SEEN, Known.TRIED)
OFFICE, HANDS_ON, MOUNTAIN = 0, 1, 2
_SOURCES = {"locker": "lent", "person": "shared", "party": "shared", "bought": "bought"}
GapRow = tuple[int, int, int, int, int, int, int, int, int]


@dataclass(frozen=True)
class Story:
    """A trip's events, sightings, loans and hold points, ready to be asked about one gap."""

    start: datetime
    ends_at: datetime
    edition: Edition
    events: dict[tuple[str, str], list[EventRow]]
    by_id: dict[str, StoredEntry]
    sightings: dict[tuple[str, str], list[StoredEntry]]
    lent: dict[tuple[str, str], list[tuple[int, str]]]
    passed: list[tuple[int, HoldKind]]
    _base: int | None = field(default=None)

    @classmethod
    def of(
        cls,
        entries: Sequence[StoredEntry],
        plan: TripPlan,
        start: datetime,
        edition: Edition,
        events: Iterable[EventRow],
    ) -> Story:
        """Sort a journal by what it is about."""
        told: defaultdict[tuple[str, str], list[EventRow]] = defaultdict(list)
        for event in events:
            told[event.subject, event.requirement].append(event)
        sightings: defaultdict[tuple[str, str], list[StoredEntry]] = defaultdict(list)
        lent: defaultdict[tuple[str, str], list[tuple[int, str]]] = defaultdict(list)
        kinds = {hold.id: hold.kind for hold in plan.hold_points}
        passed = []
        for entry in entries:
            match entry.body:
                case Sighting(subject=subject, requirement=requirement):
                    sightings[subject, requirement].append(entry)
                case LoanHandedOut(terms=terms):
                    lent[terms.subject, terms.requirement].append((entry.seq, _SOURCES[terms.source]))
                case HoldPassed(hold=hold) if hold in kinds:
                    passed.append((entry.seq, kinds[hold]))
        base = next((seq for seq, kind in passed if kind is HoldKind.BASE), None)
        last = plan.stages[-1].ends_at if plan.stages else start
        return cls(
            start=start,
            ends_at=max(last, entries[-1].happened_at),
            edition=edition,
            events=dict(told),
            by_id={str(entry.id): entry for entry in entries},
            sightings=dict(sightings),
            lent=dict(lent),
            passed=passed,
            _base=base,
        )

    def gap(self, member: str, requirement: str, place: int) -> GapRow | None:
        """The gap of a member in a requirement, packed; None when none became known."""
        events = self._from_opening(member, requirement)
        if not events:
            return None
        first = events[0]
        bits, closed, covered, is_open = 0, None, "open", False
        for event in events:
            if event.happened == Happened.CLEARED.value:
                is_open = False
                closed = event if closed is None else closed
                covered = self._covered(event)
            elif opens(event) or event.happened == Happened.REOPENED.value:
                if closed is not None or event.happened == Happened.REOPENED.value:
                    bits |= packing.CAME_BACK
                is_open = True
            elif event.happened == Happened.ACCEPTED.value:
                bits |= packing.ACCEPTED
        ends = closed.at if closed is not None else self.ends_at
        late = self._after_base(first.seq)
        by_forecast = first.cause_kind in ("forecast-received", "forecast-chosen")
        bits |= packing.CLOSED if closed is not None else 0
        bits |= packing.LATE if late and not by_forecast else 0
        bits |= packing.SURPRISE if late and by_forecast else 0
        bits |= packing.CARRIED if self._carried(events) else 0
        return (
            place,
            KNOWN.index(self._known(first).value),
            HOLDS.index(first.hold),
            Grade(first.grade).weight,
            OPEN if is_open else COVERED.index(covered),
            bits,
            self._found(first),
            round((first.at - self.start).total_seconds() / 60),
            max(0, round((ends - first.at).total_seconds() / 60)),
        )

    def surprised(self, member: str, requirement: str) -> EventRow | None:
        """The event by which a forecast opened this gap after base; None when it was no surprise."""
        events = self._from_opening(member, requirement)
        if not events or events[0].cause_kind != "forecast-received" or not self._after_base(events[0].seq):
            return None
        return events[0]

    def _from_opening(self, member: str, requirement: str) -> list[EventRow]:
        """The events of a gap from its opening on.

        A gap that a forecast took away again, and that came later, is reckoned from when it came: before the
        first forecast everything is taken to be asked.
        """
        events = self.events.get((member, requirement), [])
        openings = [at for at, event in enumerate(events) if opens(event)]
        for at, event in enumerate(events):
            cleared = event.happened == Happened.CLEARED.value and self._covered(event) == "not-asked"
            if cleared and any(opening > at for opening in openings):
                openings = [opening for opening in openings if opening > at]
        return events[openings[0] :] if openings else []

    def _after_base(self, seq: int) -> bool:
        return self._base is not None and seq > self._base

    def _known(self, event: EventRow) -> Known:
        """How the thing was known: by the record that opened the gap, else by the last one before it."""
        cause = self.by_id.get(event.cause)
        if cause is not None and isinstance(cause.body, Sighting):
            return cause.body.known
        told = [
            entry.body.known
            for entry in self.sightings.get((event.subject, event.requirement), [])
            if entry.seq <= event.seq and isinstance(entry.body, Sighting)
        ]
        return told[-1] if told else Known.SAID

    def _found(self, event: EventRow) -> int:
        if self._after_base(event.seq):
            return MOUNTAIN
        return HANDS_ON if self._known(event) in GUIDES_SEE else OFFICE

    def _covered(self, event: EventRow) -> str:
        if event.cause_kind in ("forecast-received", "forecast-chosen", "trip-planned"):
            return "not-asked"
        if event.cause_kind == "member-left":
            return "left"
        lent = [source for seq, source in self.lent.get((event.subject, event.requirement), ())]
        return lent[-1] if lent else "own"

    def _carried(self, events: Sequence[EventRow]) -> bool:
        """Whether it was open when its hold point, or a later one, was passed."""
        is_open, hold, at = False, HoldKind.BASE, 0
        marks: list[tuple[int, EventRow | HoldKind]] = [(event.seq, event) for event in events]
        marks += list(self.passed)
        for at, mark in sorted(marks, key=lambda mark: mark[0]):
            if isinstance(mark, HoldKind):
                if is_open and at > events[0].seq and HOLD_ORDER[mark] >= HOLD_ORDER[hold]:
                    return True
            else:
                is_open = mark.happened not in (Happened.CLEARED.value, Happened.ACCEPTED.value)
                hold = HoldKind(mark.hold)
        return False


def opens(event: EventRow) -> bool:
    """Whether a gap is known to be one from this event on."""
    happened = (Happened.OPENED.value, Happened.CHANGED.value, Happened.REOPENED.value)
    return event.happened in happened and GapKind(event.gap).known_gap


def known_gap_ids(story: Story) -> tuple[tuple[str, str], ...]:
    """(subject, requirement) of every gap that became known, in order."""
    return tuple(sorted(key for key, events in story.events.items() if any(map(opens, events))))


def self_report(sightings: Sequence[StoredEntry], lacking: bool) -> int:
    """Bits of what a person had said of a thing, and whether it held when somebody looked."""
    told = [entry.body for entry in sightings if isinstance(entry.body, Sighting)]
    if not told or told[0].known in GUIDES_SEE or told[0].state is not GearState.FITS:
        return 0
    looked = next((body for body in told if body.known in GUIDES_SEE), None)
    if looked is None:
        return packing.SAID_FINE
    wrong = packing.SAID_WRONG if lacking else 0
    return packing.SAID_FINE | packing.CHECKED | wrong
