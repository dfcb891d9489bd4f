"""A changed kit list against recorded trips: which flags would have come, gone, or come earlier. Pure.

Everything is taken as it was known then: the forecasts as they came in, the records as they were written.
Somebody of whom nothing was ever told is counted apart; nothing is guessed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

import numpy as np

from api.kitlist.schemas import (
    NIGHT_LINES,
    AtLeast,
    Below,
    Edition,
    FromLine,
    FromMetric,
    Requirement,
    Scope,
    walk,
)
from api.seasons import packing
from api.seasons.grid import Bools, Grid, GridWeather, Ints, LayerKey
from api.seasons.outcome import NONE, NOT_KNOWN, Line, rests_on_dates
from api.seasons.spells import NEVER, Dates, HeldRows, People, Spells, spells_of

MOST_TRIPS = 200
OPENED = ("people", "come", "gone", "earlier", "later", "heavier", "lighter", "untold_before", "untold_after")
"""The numbers of a requirement whose trips can be opened."""
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
    """By trip of the grid: whether any flag differs there."""
    trips: dict[str, Counted]
    """The trips on which most differs, in flags or in what cannot be known; at most `MOST_TRIPS`."""
    behind: dict[str, tuple[tuple[str, int], ...]]
    """By number: the trips it is made of with how many people each, the most first; at most `MOST_TRIPS`."""


def affected(base: Edition, changed: Edition) -> list[Pair]:
    """Requirements that the two editions may judge differently, as (before, after)."""
    lines = {line.id: line for line in base.lines}
    moved = {line.id for line in changed.lines if lines.get(line.id) != line}
    pairs: dict[str, Pair] = {r.id: (r, changed.requirement(r.id)) for r in base.requirements}
    pairs |= {r.id: (None, r) for r in changed.requirements if r.id not in pairs}
    # An amount is worked out from all that the list asks for: one thing more or less is felt there.
    others = any(None in pair for pair in pairs.values())
    return [
        pair
        for pair in pairs.values()
        if pair[0] != pair[1]
        or any(_rests_on(r, moved) or (others and r.how_many.computed is not None) for r in pair if r)
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


def at_once(pair: Pair) -> bool:
    """Whether it can be worked out for all trips at once: it is about people's things, counted as told."""
    given = [one for one in pair if one is not None]
    return all(one.scope is Scope.PERSON and one.how_many.computed is None and one.is_thing for one in given)


def about_nights(pair: Pair) -> bool:
    """Whether it is about people's nights and notes, of which the review holds nothing."""
    return any(one is not None and one.id in NIGHT_LINES for one in pair)


class Trial:
    """Two editions over one grid."""

    def __init__(self, grid: Grid, base: Edition, changed: Edition) -> None:
        self.grid = grid
        pairs = [one for pair in affected(base, changed) if at_once(pair) for one in pair if one]
        grid.fetch(layers_of(pairs))
        self.before, self.after = GridWeather(base, grid), GridWeather(changed, grid)
        self._people = People.of(grid)

    def effect(self, pair: Pair, rows: HeldRows, dates: Dates) -> Effect:
        """What one requirement's change means."""
        named = pair[1] or pair[0]
        assert named is not None
        dated = any(one is not None and rests_on_dates(one) for one in pair)
        before, after = self._line(self.before, pair[0]), self._line(self.after, pair[1])
        lines = [line for line in (before, after) if line is not None]
        concerned = np.logical_or.reduce([self._people.concerned(line.requirement) for line in lines])
        spells = spells_of(
            self.grid,
            self._people,
            rows,
            dates if dated else None,
            lambda held: all(line.never_fails(held) for line in lines),
            concerned,
        )
        outcomes = (self._outcome(before, spells), self._outcome(after, spells))
        return _effect(self.grid, self._people, named, *outcomes)

    def _line(self, weather: GridWeather, requirement: Requirement | None) -> Line | None:
        return None if requirement is None else Line(weather, requirement)

    def _outcome(self, line: Line | None, spells: Spells) -> Outcome:
        codes = np.zeros(len(spells.person), dtype=np.int64)
        concerned = self._people.concerned(line.requirement if line else None)
        if line is not None:
            for held, places in spells.by_held:
                epochs, back = _distinct(spells.epoch[places], len(self.grid.epoch_seq))
                codes[places] = line.codes(spells.distinct[held], epochs)[back]
            codes[~concerned[spells.person]] = NONE
        return Outcome.of(codes, spells, len(self._people.trip), concerned)


def _distinct(places: Ints, size: int) -> tuple[Ints, Ints]:
    """The distinct ones of some places under `size`, in order, and where among them each is."""
    present = np.zeros(size, dtype=np.bool_)
    present[places] = True
    return np.nonzero(present)[0], (np.cumsum(present) - 1)[places]


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
    return effect_of(grid.trips, named, sums)


def effect_of(trips: Sequence[str], named: Requirement, sums: Mapping[str, np.ndarray]) -> Effect:
    """What a change means, from how many people each of its numbers counts on each trip.

    Parameters
    ----------
    sums
        By the fields of `Counted`, shape (trip,).
    """
    differs = np.zeros(len(trips), dtype=np.bool_)
    for name in ("come", "gone", "earlier", "later", "heavier", "lighter"):
        differs |= sums[name] > 0
    listed = differs | (sums["untold_before"] != sums["untold_after"])
    most = np.argsort(-(sums["come"] + sums["gone"]), kind="stable")
    return Effect(
        requirement=named.id,
        item=named.item,
        total=_counted({name: part.sum() for name, part in sums.items()}),
        differs=differs,
        trips={
            trips[at]: _counted({name: part[at] for name, part in sums.items()})
            for at in most[listed[most]][:MOST_TRIPS].tolist()
        },
        behind={name: _behind(trips, sums[name]) for name in OPENED},
    )


def _behind(trips: Sequence[str], people: np.ndarray) -> tuple[tuple[str, int], ...]:
    """The trips with most people, of as many the first."""
    there = np.nonzero(people)[0]
    if len(there) > MOST_TRIPS:
        least = np.partition(people[there], -MOST_TRIPS)[-MOST_TRIPS]
        there = there[people[there] >= least]
    order = there[np.argsort(-people[there], kind="stable")][:MOST_TRIPS]
    return tuple((trips[at], int(people[at])) for at in order.tolist())


def _counted(sums: Mapping[str, np.generic]) -> Counted:
    values = {name: int(value) for name, value in sums.items() if name != "hours_earlier"}
    return Counted(**values, hours_earlier=float(sums["hours_earlier"]))
