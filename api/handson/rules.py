"""How a check is gone through: stations, what is left, how long people took, clocks that are off. Pure."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from api.kitlist.schemas import Scope, Zone
from api.readiness.schemas import GapKind


@dataclass(frozen=True, slots=True)
class Station:
    """A place in the yard where part of the gear is checked."""

    id: str
    title: str
    zones: tuple[Zone, ...]


STATIONS: tuple[Station, ...] = (
    Station("feet", "Feet and hardware", (Zone.FEET, Zone.TECHNICAL, Zone.LIGHT)),
    Station(
        "body",
        "Body, hands, eyes, sleep",
        (
            Zone.TORSO,
            Zone.LEGS,
            Zone.HANDS,
            Zone.HEAD,
            Zone.SLEEP,
            Zone.KITCHEN,
            Zone.CARE,
            Zone.PAPERS,
        ),
    ),
    Station("shared", "Rope and party gear", (Zone.ROPE, Zone.PARTY)),
)
"""In the order guides go through them (common practice, no published source): one at feet and hardware while
another looks at body, hands and eyes.
"""

TO_LOOK_AT = frozenset({GapKind.UNKNOWN, GapKind.UNSEEN, GapKind.UNANSWERED, GapKind.DISAGREE})
"""Gaps that a guide closes by looking; the others need gear."""

LONGEST_LOOK = timedelta(minutes=3)
"""A longer pause between two records of one guide was spent on something else."""
NOW_WITHIN = timedelta(minutes=5)
"""Whoever recorded something about a person this recently is taken to be with them."""
UNDO_WITHIN = timedelta(minutes=10)
"""How long a record can be taken back by its writer with one tap."""
AHEAD_BY = timedelta(minutes=5)
"""A clock that is ahead by more than this is off."""
BEHIND_BY = timedelta(days=30)
"""Records older than this on arrival do not come from a few days without signal."""


def station_of(zone: Zone) -> Station:
    """The station at which gear of a zone is checked."""
    return next(station for station in STATIONS if zone in station.zones)


def check_order(zone: Zone, place: int) -> tuple[int, int, int]:
    """Sort key for a check: station by station, zone by zone, then as the edition lists it."""
    station = station_of(zone)
    return STATIONS.index(station), station.zones.index(zone), place


def stations_for(scope: Scope) -> tuple[Station, ...]:
    """The stations that concern a person, or those for what ropes and party carry together."""
    shared = scope is not Scope.PERSON
    return tuple(station for station in STATIONS if (station.id == "shared") is shared)


@dataclass(frozen=True, slots=True)
class Look:
    """One record of a check: who looked at whose gear, and when."""

    guide: str
    subject: str
    at: datetime


def spent(looks: Iterable[Look]) -> dict[str, timedelta]:
    """How long was spent on each subject: between a guide's records, from each to the one before it.

    A pause longer than `LONGEST_LOOK` counts for nobody, so the sum is rather too short than too long.
    """
    by_guide: defaultdict[str, list[Look]] = defaultdict(list)
    for look in looks:
        by_guide[look.guide].append(look)
    took: defaultdict[str, timedelta] = defaultdict(timedelta)
    for own in by_guide.values():
        own.sort(key=lambda look: look.at)
        for before, look in pairwise(own):
            pause = look.at - before.at
            took[look.subject] += pause if pause <= LONGEST_LOOK else timedelta(0)
    return dict(took)


def odd_clock(happened_at: datetime, received_at: datetime) -> str | None:
    """`ahead` or `behind` when a record's own moment cannot be right, as seen when it arrived; else None."""
    if happened_at - received_at > AHEAD_BY:
        return "ahead"
    if received_at - happened_at > BEHIND_BY:
        return "behind"
    return None
