"""Where extra nights would bring a plan within the guideline: the fewest, then the earliest. Pure.

Two kinds of extra night help. One more night at a camp is the rest that the guideline asks for now and then.
A night on the way, between two camps, divides a gain that is too large; it must lie in a band of height, and
where the itinerary has a stop in that band, it is named.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from itertools import pairwise
from math import ceil

from api.science.ascent import GAIN_BETWEEN_RESTS_M, GAIN_PER_NIGHT_M, NIGHTS_BETWEEN_RESTS, RULE_FROM_M

MOST_PROPOSED = 5
MOST_NIGHTS = 60


class Where(StrEnum):
    """Which kind of extra night."""

    AGAIN = "again"
    """One more night at the same camp."""
    BETWEEN = "between"
    """A night on the way to the next camp."""


@dataclass(frozen=True, slots=True)
class ExtraNight:
    """One night to add.

    Attributes
    ----------
    where
        Its kind.
    after
        Index into the heights given: the night after which it comes.
    low_m, high_m
        Between which heights it may lie, m; equal for one more night at the same camp.
    place
        A stop of the itinerary in that band, if there is one.
    """

    where: Where
    after: int
    low_m: float
    high_m: float
    place: str | None = None

    @property
    def at_m(self) -> float:
        """The height it is reckoned at, m."""
        return (self.low_m + self.high_m) / 2


@dataclass(frozen=True, slots=True)
class Proposal:
    """A set of extra nights with which the plan keeps to the guideline.

    Attributes
    ----------
    nights
        In order; empty when the plan keeps to it as it is.
    heights_m
        All nights with the extra ones in their places, m.
    """

    nights: tuple[ExtraNight, ...]
    heights_m: tuple[float, ...]


def extra_nights(
    heights_m: Sequence[float], fixed: int = 1, stops: Mapping[int, Sequence[tuple[str, float]]] | None = None
) -> tuple[Proposal, ...]:
    """Search for the extra nights that bring a plan within the guideline.

    Parameters
    ----------
    heights_m
        Sleeping elevations in order, m, all known, at most `MOST_NIGHTS`.
    fixed
        How many of them are over and cannot be changed, at least 1. What was too much by then stays so and
        is not counted.
    stops
        Stops of the itinerary as (name, m), by the index of the night after which they are passed.

    Returns
    -------
    At most `MOST_PROPOSED` proposals of the same, smallest number of nights, the earliest first. Empty when
    no number of nights helps.

    Raises
    ------
    ValueError
        For no fixed night, or more nights than `MOST_NIGHTS`.
    """
    if not 1 <= fixed <= len(heights_m) or len(heights_m) > MOST_NIGHTS:
        raise ValueError(
            f"fixed is {fixed} of {len(heights_m)} nights; give 1 to all of them, at most {MOST_NIGHTS}"
        )
    slots = list(_divided(heights_m, fixed, stops or {}))
    return tuple(_proposal(slots, rests) for rests in _rests([slot.height_m for slot in slots], slots, fixed))


@dataclass(frozen=True, slots=True)
class _Slot:
    """A night of the plan, or one that divides a gain."""

    height_m: float
    original: int
    added: ExtraNight | None = None


def _divided(
    heights: Sequence[float], fixed: int, stops: Mapping[int, Sequence[tuple[str, float]]]
) -> Iterator[_Slot]:
    for i, height in enumerate(heights):
        if i >= fixed:
            yield from _between(heights[i - 1], height, i - 1, stops.get(i - 1, ()))
        yield _Slot(height, i)


def _between(start: float, end: float, after: int, stops: Sequence[tuple[str, float]]) -> Iterator[_Slot]:
    """The nights that divide the way from one camp to the next, none when it is within the limit."""
    left = nights_between(start, end)
    here = start
    while left:
        # Not so low that the nights left do not suffice, not higher than the limit has it from here.
        low = max(here, end - GAIN_PER_NIGHT_M * left)
        high = min(end, max(RULE_FROM_M, here + GAIN_PER_NIGHT_M))
        named = [stop for stop in stops if low <= stop[1] <= high]
        if named:
            place, at = named[0]
            added = ExtraNight(Where.BETWEEN, after, at, at, place)
        else:
            added = ExtraNight(Where.BETWEEN, after, low, high)
        yield _Slot(added.at_m, after, added)
        here, left = added.at_m, left - 1


def nights_between(start_m: float, end_m: float) -> int:
    """How many nights on the way a gain needs to keep to the limit a night; 0 when it does."""
    if end_m <= RULE_FROM_M or end_m - start_m <= GAIN_PER_NIGHT_M:
        return 0
    # A first night up to the threshold is free, however far below it one starts.
    first = max(RULE_FROM_M, start_m + GAIN_PER_NIGHT_M)
    return 1 + max(0, ceil((end_m - GAIN_PER_NIGHT_M - first) / GAIN_PER_NIGHT_M))


def _rests(heights: Sequence[float], slots: Sequence[_Slot], fixed: int) -> list[tuple[int, ...]]:
    """After which slots one more night makes rests come often enough: the fewest, the earliest first."""
    last_fixed = next(i for i, slot in enumerate(slots) if slot.original == fixed - 1 and slot.added is None)
    since, base = _begun(heights, last_fixed)

    @cache
    def fewest(i: int, since: int, base: float) -> int | None:
        """Rests needed from slot `i` on, standing at slot `i` with these; None: no number helps."""
        costs = [
            cost + rests
            for rests, cost in ((r, _ahead(i, *_rested(i, since, base, r))) for r in (0, 1))
            if cost is not None
        ]
        return min(costs, default=None)

    def _rested(i: int, since: int, base: float, rests: int) -> tuple[int, float]:
        return (0, heights[i]) if rests else (since, base)

    def _ahead(i: int, since: int, base: float) -> int | None:
        if i + 1 == len(heights):
            return 0
        stepped = _step(heights[i], heights[i + 1], since, base)
        return None if stepped is None else fewest(i + 1, *stepped)

    def all_ways(i: int, since: int, base: float, left: int) -> Iterator[tuple[int, ...]]:
        for rests in (1, 0):
            stands = _rested(i, since, base, rests)
            if rests > left or _ahead(i, *stands) != left - rests:
                continue
            taken = (i,) * rests
            if i + 1 == len(heights):
                yield taken
                continue
            stepped = _step(heights[i], heights[i + 1], *stands)
            assert stepped is not None
            for rest in all_ways(i + 1, *stepped, left - rests):
                yield (*taken, *rest)

    needed = fewest(last_fixed, since, base)
    if needed is None:
        return []
    ways = all_ways(last_fixed, since, base, needed)
    return [way for way, _ in zip(ways, range(MOST_PROPOSED), strict=False)]


def _begun(heights: Sequence[float], last: int) -> tuple[int, float]:
    """(climbing nights since the last rest, height climbed from) as they stand after the fixed nights."""
    since, base = 0, heights[0]
    for before, here in pairwise(heights[: last + 1]):
        since, base = (0, here) if here <= before or here <= RULE_FROM_M else (since + 1, base)
    return since, base


def _step(before: float, here: float, since: int, base: float) -> tuple[int, float] | None:
    """The same one night on; None when a rest was due before it."""
    if here <= before or here <= RULE_FROM_M:
        return 0, here
    gained = here - max(base, RULE_FROM_M)
    if since + 1 > NIGHTS_BETWEEN_RESTS or gained > GAIN_BETWEEN_RESTS_M:
        return None
    return since + 1, base


def _proposal(slots: Sequence[_Slot], rests: Sequence[int]) -> Proposal:
    nights, heights = [], []
    for i, slot in enumerate(slots):
        heights.append(slot.height_m)
        if slot.added is not None:
            nights.append(slot.added)
        if i in rests:
            nights.append(ExtraNight(Where.AGAIN, slot.original, slot.height_m, slot.height_m))
            heights.append(slot.height_m)
    return Proposal(tuple(nights), tuple(heights))
