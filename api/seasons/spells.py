"""From packed records to spells: for how long what was known of whom, under which plan and forecast. Pure."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from api.kitlist.schemas import Requirement
from api.seasons import packing
from api.seasons.grid import Bools, Grid, Ints
from api.seasons.outcome import Held

NEVER = np.int64(2**40)
NOTHING_TOLD = "[]"


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


def spells_of(
    grid: Grid,
    people: People,
    rows: HeldRows,
    dates: Dates | None,
    never_fails: Callable[[Held], bool],
    concerned: Bools,
) -> Spells:
    """Every stretch in which the same was known of a person under one epoch, in order.

    Left out are people whom it does not concern, and those of whom only what can never fail was known.
    """
    distinct: dict[Held, int] = {}
    told, member, trip, told_seq, told_minute = _changes(grid, people, rows, dates, distinct)
    told_by = people.start[trip] + member
    untold, blank = _never_told(people, grid, told_by, dates, distinct)
    matters = np.array([not never_fails(held) for held in distinct], dtype=np.bool_)
    wanted = concerned & (np.bincount(told_by[matters[told]], minlength=len(concerned)) > 0)
    told, told_seq, told_minute = (column[wanted[told_by]] for column in (told, told_seq, told_minute))
    told_by = told_by[wanted[told_by]]
    untold, blank = untold[concerned[untold]], blank[concerned[untold]]
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


def _by_held(held: Ints, distinct: int) -> list[tuple[int, Ints]]:
    """The spells of each distinct state of what was known."""
    # Sixteen bits are sorted by their digits, which is many times faster; there are few distinct records.
    small = held.astype(np.uint16) if distinct < 2**16 else held
    order = np.argsort(small, kind="stable")
    ends = np.cumsum(np.bincount(held, minlength=distinct))
    parts = np.split(order, ends[:-1])
    return [(which, places) for which, places in enumerate(parts) if len(places)]
