"""A person's sleeping heights, night by night, held against the guideline. Pure.

What is not known stays not known: a night nobody told of is never taken to be like the one before. The
thresholds and the table are those of `api.science.ascent`, with their sources.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum
from itertools import pairwise

from api.journal.fold import Picture
from api.journal.kinds import NightTold
from api.journal.trip import TripPlan
from api.science.ascent import (
    RULE_FROM_M,
    TABLE_START_BELOW_M,
    History,
    NightGain,
    RestCheck,
    RiskAssessment,
    rest_nights,
    sleeping_gains,
    wms_risk_2024,
)

NIGHTS_BEFORE = 4
"""So many nights before the trip are always shown, told or not (common practice, no published source)."""
EARLY_HOUR = 4
"""Whoever reaches camp before this hour began that night the evening before."""


class How(StrEnum):
    """How it is known where someone slept."""

    SPENT = "spent"
    """Someone on the trip recorded it."""
    SAID = "said"
    """The person said so."""
    PLANNED = "planned"
    """The itinerary has it; nobody has recorded it yet."""
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class SleptNight:
    """One night of one person.

    Attributes
    ----------
    on
        The date on which it began, in the trip's time zone.
    elevation_m
        Sleeping elevation, m; None if not known.
    how
        How that is known.
    place
        Name of the planned place, if it is that night's.
    planned_m
        What the plan has for that night, m; None if it has nothing.
    """

    on: date
    elevation_m: float | None
    how: How
    place: str | None = None
    planned_m: float | None = None

    @property
    def told(self) -> bool:
        return self.how in (How.SPENT, How.SAID)


@dataclass(frozen=True, slots=True)
class PlannedNight:
    """Where the plan has everyone sleep on a date; None: it does not say."""

    on: date
    place: str | None
    elevation_m: float | None


def planned_nights(plan: TripPlan) -> tuple[PlannedNight, ...]:
    """The nights of the plan, one a date, from the first stage to the start of the last.

    Days on which no stage moves on are spent where the last one ended.
    """
    nights: dict[date, PlannedNight] = {}
    for stage, following in zip(plan.stages, (*plan.stages[1:], None), strict=False):
        ends = stage.ends_at.astimezone(plan.place.zone)
        arrived = ends.date() - timedelta(days=ends.hour < EARLY_HOUR)
        leaves = following.starts_at.astimezone(plan.place.zone).date() if following else None
        if stage.night is None:
            for on in _dates(arrived, leaves or arrived):
                nights.setdefault(on, PlannedNight(on, None, None))
        else:
            for on in _dates(arrived, max(leaves or arrived, arrived + timedelta(days=1))):
                nights[on] = PlannedNight(on, stage.night.place, stage.night.elevation_m)
    return tuple(nights[on] for on in sorted(nights))


def _dates(first: date, until: date) -> Iterator[date]:
    """The dates from `first` to the one before `until`."""
    for day in range((until - first).days):
        yield first + timedelta(days=day)


def ladder(plan: TripPlan, picture: Picture, member: str) -> tuple[SleptNight, ...]:
    """A person's nights without a gap in the dates: before the trip as told, on it as told or else planned.

    Parameters
    ----------
    plan, picture
        The trip, and what was told.
    member
        Whose nights.

    Returns
    -------
    One `SleptNight` a date, from `NIGHTS_BEFORE` before the first day, or the first night told if that is
    earlier, to the last planned or told night.
    """
    told = picture.nights.get(member, {})
    planned = {night.on: night for night in planned_nights(plan)}
    first = min([plan.starts_on - timedelta(days=NIGHTS_BEFORE), *told])
    last = max([plan.starts_on - timedelta(days=1), *told, *planned])
    return tuple(
        _night(on, planned.get(on), told[on].body if on in told else None)
        for on in _dates(first, last + timedelta(days=1))
    )


def _night(on: date, meant: PlannedNight | None, told: NightTold | None) -> SleptNight:
    place, planned_m = (meant.place, meant.elevation_m) if meant else (None, None)
    if told is None:
        how = How.UNKNOWN if planned_m is None else How.PLANNED
        return SleptNight(on, planned_m, how, place, planned_m)
    if told.elevation_m is None:
        return SleptNight(on, None, How.UNKNOWN, None, planned_m)
    there = place if told.elevation_m == planned_m else None
    return SleptNight(on, told.elevation_m, How(told.known), there, planned_m)


def happened(nights: Sequence[SleptNight], today: date) -> tuple[SleptNight, ...]:
    """The nights that are over, as they were: one that nobody recorded is not known, whatever was planned.

    `today` is the date in the trip's time zone; the night that begins on it is still ahead.
    """
    return tuple(
        night if night.told else SleptNight(night.on, None, How.UNKNOWN, night.place, night.planned_m)
        for night in nights
        if night.on < today
    )


class State(StrEnum):
    """A person's acclimatisation by the guideline, in a word."""

    WITHIN = "within"
    ABOVE = "above"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class Assessment:
    """A person's nights against the guideline.

    Attributes
    ----------
    nights
        The nights looked at.
    gains, rests
        One each for every night but the first.
    risk
        Category of the 2024 table, with which criterion decided.
    state
        above: a known gain or rest breaks the guideline; unknown: what is not known could; within: neither.
    """

    nights: tuple[SleptNight, ...]
    gains: tuple[NightGain, ...]
    rests: tuple[RestCheck, ...]
    risk: RiskAssessment
    state: State

    @property
    def above(self) -> tuple[NightGain, ...]:
        """The gains known to be more than the guideline has."""
        return tuple(gain for gain in self.gains if gain.above_limit)

    @property
    def not_known(self) -> tuple[NightGain, ...]:
        """The gains that cannot be judged, on nights whose own height is known."""
        return tuple(
            gain
            for gain in self.gains
            if gain.above_limit is None and self.nights[gain.night].elevation_m is not None
        )

    @property
    def overdue(self) -> tuple[RestCheck, ...]:
        """The nights before which a rest was due."""
        return tuple(rest for rest in self.rests if rest.overdue)

    @property
    def unknown_nights(self) -> tuple[SleptNight, ...]:
        """The nights right before those that cannot be judged, as far back as nobody knows them."""
        found: dict[date, SleptNight] = {}
        for gain in self.not_known:
            for night in reversed(self.nights[: gain.night]):
                if night.elevation_m is not None:
                    break
                found[night.on] = night
        return tuple(found[on] for on in sorted(found))


def assess(nights: Sequence[SleptNight], history: History | None = None) -> Assessment:
    """Hold nights against the guideline.

    Parameters
    ----------
    nights
        As `ladder` or `happened` gives them.
    history
        The worst the person has had at altitude; None if not known, which is never taken as none.
    """
    heights = [night.elevation_m for night in nights]
    gains, rests = tuple(sleeping_gains(heights)), tuple(rest_nights(heights))
    above = any(gain.above_limit for gain in gains) or any(rest.overdue for rest in rests)
    open_ = any(_open(nights, night) for night in range(len(nights))) or any(
        gain.above_limit is None for gain in gains if heights[gain.night] is not None
    )
    state = State.ABOVE if above else State.UNKNOWN if open_ else State.WITHIN
    return Assessment(tuple(nights), gains, rests, _risk(nights, gains, rests, history), state)


def _open(nights: Sequence[SleptNight], night: int) -> bool:
    """Whether a night is not known and could have been too high: no known low night comes after it."""
    if nights[night].elevation_m is not None:
        return False
    following = next((n.elevation_m for n in nights[night:] if n.elevation_m is not None), None)
    return following is None or following > RULE_FROM_M


def _risk(
    nights: Sequence[SleptNight],
    gains: Sequence[NightGain],
    rests: Sequence[RestCheck],
    history: History | None,
) -> RiskAssessment:
    first, start = first_sleep(nights)
    high = [g for g in gains if (nights[g.night].elevation_m or 0.0) > RULE_FROM_M]
    fastest: float | None = None
    if all(g.gain_m is not None and g.over == 1 for g in high):
        fastest = max((max(0.0, g.gain_m or 0.0) for g in high), default=0.0)
    elif any(g.above_limit for g in high):
        # What is not known could only make it faster; the table has no column past this one.
        fastest = max(g.gain_m / g.over for g in high if g.gain_m is not None and g.above_limit)
    rested = [rests[g.night - 1].overdue for g in high]
    extra = False if True in rested else None if None in rested else True
    return wms_risk_2024(history, first, fastest, extra, start_m=start)


def first_sleep(nights: Sequence[SleptNight]) -> tuple[float | None, float | None]:
    """(sleeping elevation of the first night at height, elevation of the night before it), m.

    The table is for people who start below 1200 m: its first day is the first night at or above that, right
    after one below. Without such a pair of known nights both are None: where the person came from is not
    known.
    """
    for before, here in pairwise(nights):
        if before.elevation_m is None or here.elevation_m is None:
            continue
        if before.elevation_m < TABLE_START_BELOW_M <= here.elevation_m:
            return here.elevation_m, before.elevation_m
    return None, None


def assessments(plan: TripPlan, picture: Picture) -> Mapping[str, Assessment]:
    """Everyone's nights, as they were and as planned from there, by member; histories are private and left
    out.
    """
    return {member: assess(ladder(plan, picture, member)) for member in sorted(picture.members)}
