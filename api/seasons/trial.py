"""A changed kit list against recorded trips: which flags would have come, gone, or come earlier. Pure.

Everything is taken as it was known then: the forecasts as they came in, the records as they were written.
Somebody of whom nothing was ever told is counted apart; nothing is guessed.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from datetime import date

import numpy as np

from api.kitlist.schemas import AtLeast, Below, Edition, FromLine, FromMetric, Requirement, Scope, walk
from api.seasons import packing
from api.seasons.grid import Bools, Grid, GridWeather, Ints, LayerKey
from api.seasons.outcome import NONE, NOT_KNOWN, Held, Line, rests_on_dates

NEVER = np.int64(2**40)
NOTHING_TOLD = "[]"
MOST_TRIPS = 200
Pair = tuple[Requirement | None, Requirement | None]
"""A requirement before and after; None where an edition has no such line."""


@dataclass(frozen=True, slots=True)
class Counted:
    """What a changed list would have meant for people, counted once for each requirement."""

    people: int = 0
    """To whom the requirement, old or changed, could apply."""
    flagged_before: int = 0
    flagged_after: int = 0
    come: int = 0
    gone: int = 0
    earlier: int = 0
    later: int = 0
    heavier: int = 0
    lighter: int = 0
    untold_before: int = 0
    """Asked by the list as it is, and to the end nobody had told enough to judge."""
    untold_after: int = 0
    hours_earlier: float = 0.0
    """Sum over flags that come earlier [h]."""

    def __add__(self, other: Counted) -> Counted:
        return Counted(*(getattr(self, f.name) + getattr(other, f.name) for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Effect:
    """One requirement: the sum, and where it differs."""

    requirement: str
    item: str
    total: Counted
    differs: Bools
    """By trip of the grid: whether anything differs there."""
    trips: dict[str, Counted]
    """The trips on which most differs, at most `MOST_TRIPS`."""


@dataclass(frozen=True, slots=True)
class HeldRows:
    """What was known of one requirement on all trips of a grid, in its order; packed as they are kept."""

    payloads: Sequence[str]
    holdings: Sequence[bytes]


Dates = Callable[[str], tuple[date, date]]


@dataclass(frozen=True, slots=True, eq=False)
class Spells:
    """Stretches in which the same was known of a person under one epoch."""

    person: Ints
    """Place of the person among all people of the grid."""
    held: Ints
    epoch: Ints
    seq: Ints
    minute: Ints
    distinct: tuple[Held, ...]
    by_held: list[tuple[int, Ints]]


def affected(base: Edition, changed: Edition) -> list[Pair]:
    """Requirements that the two editions may judge differently, as (before, after)."""
    lines = {line.id: line for line in base.lines}
    moved = {line.id for line in changed.lines if lines.get(line.id) != line}
    pairs: dict[str, Pair] = {r.id: (r, changed.requirement(r.id)) for r in base.requirements}
    pairs |= {r.id: (None, r) for r in changed.requirements if r.id not in pairs}
    return [
        pair for pair in pairs.values() if pair[0] != pair[1] or any(_rests_on(r, moved) for r in pair if r)
    ]


def _rests_on(requirement: Requirement, lines: set[str]) -> bool:
    return any(isinstance(part, FromLine) and part.line in lines for _, part in walk(requirement))


def layers_of(requirements: Sequence[Requirement]) -> list[LayerKey]:
    """The layers of metrics that some requirements look at."""
    found = []
    for _, part in (step for requirement in requirements for step in walk(requirement)):
        if isinstance(part, Below):
            found.append((part.metric, "low"))
        elif isinstance(part, AtLeast):
            found.append((part.metric, "high"))
        elif isinstance(part, FromMetric) and part.metric in packing.METRIC_NAMES:
            found += [(part.metric, "low"), (part.metric, "high")]
    return [packing.LAYERS[packing.layer_of(*layer)] for layer in found]


def for_people(pair: Pair) -> bool:
    """Whether it is about people; gear of ropes and the party is not tried."""
    return all(one is None or one.scope is Scope.PERSON for one in pair)


class Trial:
    """Two editions over one grid."""

    def __init__(self, grid: Grid, base: Edition, changed: Edition) -> None:
        self.grid = grid
        pairs = [one for pair in affected(base, changed) if for_people(pair) for one in pair if one]
        grid.fetch(layers_of(pairs))
        self.before, self.after = GridWeather(base, grid), GridWeather(changed, grid)
        self._people = People.of(grid)

    def effect(self, pair: Pair, rows: HeldRows, dates: Dates) -> Effect:
        """What one requirement's change means."""
        named = pair[1] or pair[0]
        assert named is not None
        dated = any(one is not None and rests_on_dates(one) for one in pair)
        spells = _spells(self.grid, self._people, rows, dates if dated else None)
        before = self._outcome(self.before, pair[0], spells)
        after = self._outcome(self.after, pair[1], spells)
        return _effect(self.grid, self._people, named, before, after)

    def _outcome(self, weather: GridWeather, requirement: Requirement | None, spells: Spells) -> Outcome:
        codes = np.zeros(len(spells.person), dtype=np.int64)
        concerned = self._people.concerned(requirement)
        if requirement is not None:
            line = Line(weather, requirement)
            for held, places in spells.by_held:
                epochs, back = _distinct(spells.epoch[places], len(self.grid.epoch_seq))
                codes[places] = line.codes(spells.distinct[held], epochs)[back]
            codes[~concerned[spells.person]] = NONE
        return Outcome.of(codes, spells, len(self._people.trip), concerned)


def _by_held(held: Ints, distinct: int) -> list[tuple[int, Ints]]:
    """The spells of each distinct state of what was known."""
    # Sixteen bits are sorted by their digits, which is many times faster; there are few distinct records.
    small = held.astype(np.uint16) if distinct < 2**16 else held
    order = np.argsort(small, kind="stable")
    ends = np.cumsum(np.bincount(held, minlength=distinct))
    parts = np.split(order, ends[:-1])
    return [(which, places) for which, places in enumerate(parts) if len(places)]


def _distinct(places: Ints, size: int) -> tuple[Ints, Ints]:
    """The distinct ones of some places under `size`, in order, and where among them each is."""
    present = np.zeros(size, dtype=np.bool_)
    present[places] = True
    return np.nonzero(present)[0], (np.cumsum(present) - 1)[places]


@dataclass(frozen=True, slots=True, eq=False)
class People:
    """Everyone on the trips of a grid, trip after trip."""

    trip: Ints
    start: Ints
    """Place of each trip's first person."""
    joined: Ints
    left: Ints
    role: Ints
    """Place of the role in `packing.ROLES`."""

    @classmethod
    def of(cls, grid: Grid) -> People:
        """List them."""
        size = packing.MEMBER.itemsize
        sizes = np.array([len(one) // size for one in grid.members], dtype=np.int64)
        together = np.frombuffer(b"".join(grid.members), dtype=packing.MEMBER)
        left = together["left"].astype(np.int64)
        return cls(
            trip=np.repeat(np.arange(len(sizes)), sizes),
            start=np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64),
            joined=together["joined"].astype(np.int64),
            left=np.where(left == packing.STAYED, NEVER, left),
            role=together["role"].astype(np.int64),
        )

    def concerned(self, requirement: Requirement | None) -> Bools:
        """To whom a requirement can apply."""
        if requirement is None:
            return np.zeros(len(self.role), dtype=np.bool_)
        named = {role.value for role in requirement.roles}
        meant = np.array([not named or role in named for role in packing.ROLES], dtype=np.bool_)
        return meant[self.role]


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """What one edition's requirement gives each person."""

    first: Ints
    """Entry of the first known gap; NEVER without one."""
    minute: Ints
    worst: Ints
    untold: Bools
    """The last word on it is that it is not known."""
    concerned: Bools

    @classmethod
    def of(cls, codes: Ints, spells: Spells, people: int, concerned: Bools) -> Outcome:
        """Fold spells into people. Spells come in order of person and entry."""
        gap = codes > NOT_KNOWN
        first, minute = np.full(people, NEVER), np.full(people, NEVER)
        # Written back to front, so that the first one stays.
        first[spells.person[gap][::-1]] = spells.seq[gap][::-1]
        minute[spells.person[gap][::-1]] = spells.minute[gap][::-1]
        worst = np.zeros(people, dtype=np.int64)
        np.maximum.at(worst, spells.person[gap], codes[gap])
        last = np.zeros(people, dtype=np.int64)
        last[spells.person] = codes
        return cls(first, minute, worst, last == NOT_KNOWN, concerned)


def _spells(grid: Grid, people: People, rows: HeldRows, dates: Dates | None) -> Spells:
    """Every stretch in which the same was known of a person under one epoch, in order."""
    distinct: dict[Held, int] = {}
    told, member, trip, told_seq, told_minute = _changes(grid, people, rows, dates, distinct)
    told_by = people.start[trip] + member
    untold, blank = _never_told(people, grid, told_by, dates, distinct)
    # Changes lie in order of person and entry, and so do those of whom nothing was ever told.
    before = np.searchsorted(told_by, untold, side="left") + np.arange(len(untold))
    after = np.searchsorted(untold, told_by, side="left") + np.arange(len(told_by))
    size = len(untold) + len(told_by)
    person, held, seq, minute = (np.empty(size, dtype=np.int64) for _ in range(4))
    for column, first, later in (
        (person, untold, told_by),
        (held, blank, told),
        (seq, people.joined[untold], told_seq),
        (minute, np.full(len(untold), -NEVER), told_minute),
    ):
        column[before], column[after] = first, later
    same = np.concatenate([person[1:] == person[:-1], [False]]) if len(person) else np.zeros(0, dtype=bool)
    until = np.where(same, np.concatenate([seq[1:], [0]]) if len(seq) else seq, people.left[person])
    return _crossed(grid, people, person, held, seq, until, minute, tuple(distinct))


def _changes(
    grid: Grid, people: People, rows: HeldRows, dates: Dates | None, distinct: dict[Held, int]
) -> tuple[Ints, Ints, Ints, Ints, Ints]:
    sizes = np.array([len(one) // packing.HOLDING.itemsize for one in rows.holdings], dtype=np.int64)
    together = np.frombuffer(b"".join(rows.holdings), dtype=packing.HOLDING)
    tables: list[Ints] = []
    starts: dict[object, int] = {}
    offset = np.zeros(len(sizes), dtype=np.int64)
    end = 0
    for at, listed in enumerate(rows.payloads):
        span = dates(grid.trips[at]) if dates is not None else (None, None)
        key = (listed, span)
        start = starts.get(key)
        if start is None:
            held = [distinct.setdefault(Held(p, *span), len(distinct)) for p in split_payloads(listed)]
            tables.append(np.array(held, dtype=np.int64))
            start = starts[key] = end
            end += len(held)
        offset[at] = start
    table = np.concatenate(tables) if tables else np.zeros(0, dtype=np.int64)
    trip = np.repeat(np.arange(len(sizes)), sizes)
    codes = table[offset[trip] + together["payload"]] if len(together) else np.zeros(0, dtype=np.int64)
    return (
        codes,
        together["member"].astype(np.int64),
        trip,
        together["seq"].astype(np.int64),
        together["minute"].astype(np.int64),
    )


def _never_told(
    people: People, grid: Grid, told_by: Ints, dates: Dates | None, distinct: dict[Held, int]
) -> tuple[Ints, Ints]:
    """Of whom nothing was ever told. For others the time before the first word cannot make a known gap."""
    untold = np.nonzero(np.bincount(told_by, minlength=len(people.trip)) == 0)[0]
    if dates is None:
        return untold, np.full(len(untold), distinct.setdefault(Held(NOTHING_TOLD), len(distinct)))
    spans = [dates(grid.trips[trip]) for trip in people.trip[untold].tolist()]
    blank = [distinct.setdefault(Held(NOTHING_TOLD, *span), len(distinct)) for span in spans]
    return untold, np.array(blank, dtype=np.int64)


def _crossed(
    grid: Grid,
    people: People,
    person: Ints,
    held: Ints,
    seq: Ints,
    until: Ints,
    minute: Ints,
    distinct: tuple[Held, ...],
) -> Spells:
    """Cut stretches at the epochs of their trips."""
    trip = people.trip[person]
    starts = grid.epoch_trip * NEVER + grid.epoch_seq
    first = np.searchsorted(starts, trip * NEVER + seq, side="right") - 1
    last = np.searchsorted(starts, trip * NEVER + np.minimum(until, NEVER - 1) - 1, side="right") - 1
    begins = np.searchsorted(grid.epoch_trip, np.arange(len(grid.trips)), side="left")
    trip_first = begins[trip]
    first = np.maximum(first, trip_first)
    counts = np.maximum(last - first + 1, 0)
    counts = np.where(until > seq, counts, 0)
    which = np.repeat(np.arange(len(person)), counts)
    step = np.arange(len(which)) - np.repeat(np.cumsum(counts) - counts, counts)
    epoch = first[which] + step
    return Spells(
        person=person[which],
        held=held[which],
        epoch=epoch,
        seq=np.maximum(seq[which], grid.epoch_seq[epoch]),
        minute=np.maximum(minute[which], grid.epoch_minute[epoch]),
        distinct=distinct,
        by_held=_by_held(held[which], len(distinct)),
    )


def split_payloads(listed: str) -> list[str]:
    """The texts of a canonical JSON list of lists, each as it stands in there."""
    return [json.dumps(one, sort_keys=True, separators=(",", ":")) for one in json.loads(listed)]


def _effect(grid: Grid, people: People, named: Requirement, before: Outcome, after: Outcome) -> Effect:
    was, now = before.first < NEVER, after.first < NEVER
    both = was & now
    marks = {
        "people": before.concerned | after.concerned,
        "flagged_before": was,
        "flagged_after": now,
        "come": now & ~was,
        "gone": was & ~now,
        "earlier": both & (after.first < before.first),
        "later": both & (after.first > before.first),
        "heavier": both & (after.worst > before.worst),
        "lighter": both & (after.worst < before.worst),
        "untold_before": before.untold,
        "untold_after": after.untold,
    }
    hours = np.where(marks["earlier"], (before.minute - after.minute) / 60.0, 0.0)
    trips = len(grid.trips)
    sums = {name: np.bincount(people.trip[mark], minlength=trips) for name, mark in marks.items()}
    sums["hours_earlier"] = np.bincount(people.trip, weights=hours, minlength=trips)
    differs = np.zeros(trips, dtype=np.bool_)
    for name in ("come", "gone", "earlier", "later", "heavier", "lighter"):
        differs |= sums[name] > 0
    differs |= sums["untold_before"] != sums["untold_after"]
    most = np.argsort(-(sums["come"] + sums["gone"]), kind="stable")
    return Effect(
        requirement=named.id,
        item=named.item,
        total=_counted({name: part.sum() for name, part in sums.items()}),
        differs=differs,
        trips={
            grid.trips[at]: _counted({name: part[at] for name, part in sums.items()})
            for at in most[differs[most]][:MOST_TRIPS].tolist()
        },
    )


def _counted(sums: dict[str, np.generic]) -> Counted:
    values = {name: int(value) for name, value in sums.items() if name != "hours_earlier"}
    return Counted(**values, hours_earlier=float(sums["hours_earlier"]))
