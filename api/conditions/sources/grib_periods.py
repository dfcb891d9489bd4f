"""Sums and maxima over periods, as GRIB files write them, as periods that follow one another. Pure.

Centres write sums since the start of the run, since the last six hours, for each step alone, or several of
these beside each other. What stands between two sums with one beginning is their difference.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import groupby

import numpy as np

from api.conditions.series import Floats, Ints

ROUNDED = 0.05
"""kg m-2 (or m of snow): by so much a sum can fall from one step to the next only because it was rounded."""


@dataclass(frozen=True, slots=True)
class Period:
    """A value from `start` to `end`, in seconds since 1970."""

    start: int
    end: int
    value: float


@dataclass(frozen=True, slots=True)
class Periods:
    """Values [member, time], the period of each time [time, 2], and how many could not be placed."""

    values: Floats
    bounds: Ints
    left_out: int


def in_turn(periods: Iterable[Period], *, sums: bool) -> tuple[dict[int, Period], int]:
    """Periods that do not overlap, by their end, and how many were left out.

    Sums with one beginning become what fell in between. Of two with one end the shorter stays. One that
    overlaps what stands before it is left out, as is a sum that falls by more than rounding explains:
    nothing is counted twice and nothing is made up.
    """
    kept: dict[int, Period] = {}
    left_out, reached = 0, None
    known = sorted(
        {p for p in periods if p.end > p.start and np.isfinite(p.value)}, key=lambda p: (p.end, p.start)
    )
    steps = [step for p in known for step in (_since(p, known) if sums else [p])]
    for end, same in groupby(sorted(steps, key=lambda p: (p.end, -p.start)), key=lambda p: p.end):
        step = next(same)
        if (reached is not None and step.start < reached) or (sums and step.value < -ROUNDED):
            left_out += 1
            continue
        kept[end] = Period(step.start, end, max(step.value, 0.0)) if sums else step
        reached = end
    return kept, left_out


def _since(period: Period, known: list[Period]) -> Iterator[Period]:
    """What a sum adds to the last sum with the same beginning; itself when there is none."""
    earlier = [p for p in known if p.start == period.start and p.end < period.end]
    if not earlier:
        yield period
        return
    last = earlier[-1]
    yield Period(last.end, period.end, period.value - last.value)


def arranged(
    by_member: Mapping[str, Iterable[Period]], members: list[str], times: list[int], *, sums: bool
) -> Periods:
    """The periods of all members on one axis of time. A member whose period differs from that of most
    others has no value there: it would be compared with something else.
    """
    placed: dict[str, dict[int, Period]] = {}
    left_out = 0
    for member, periods in by_member.items():
        placed[member], lost = in_turn(periods, sums=sums)
        left_out += lost
    values = np.full((len(members), len(times)), np.nan)
    bounds = np.repeat(np.array(times, dtype=np.int64)[:, None], 2, axis=1)
    for column, time in enumerate(times):
        starts = [there[time].start for there in placed.values() if time in there]
        if not starts:
            continue
        start = max(sorted(set(starts)), key=starts.count)
        bounds[column, 0] = start
        for member, there in placed.items():
            if time in there and there[time].start == start:
                values[members.index(member), column] = there[time].value
            elif time in there:
                left_out += 1
    return Periods(values, bounds, left_out)
