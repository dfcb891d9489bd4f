"""Two invented seasons of trips with patterns planted in them, for the review to find. All of it is invented.

Gaps are dealt out by quota: among people with the same odds exactly the share that the odds say has the gap,
so that every planted pattern is visible. Who they are, a seeded shuffle decides; the same seed is the same
history on every machine. `python -m seeds.history` writes it to `history.json`.
"""

from __future__ import annotations

import json
import random
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from functools import cache
from pathlib import Path

FILE = Path(__file__).with_name("history.json")
SEED = 4113
"""Chosen because every planted pattern is visible at this size, and nothing else is called."""
SEASONS = (2024, 2025)
MONTHS = ((6, 6), (7, 8), (8, 7), (9, 5))
"""(month, trips of 26 in a season)."""
ROUTES = (
    ("Kessandry", 4586),
    ("Anselt Dome", 4310),
    ("Veskarin Horn", 4420),
)
FAST, HEAT, COLD = "flew in the evening before", "list read in hot weather", "cold drop"
OWN, MAIL, FITTED = "own gear", "rented by mail", "fitted at base"


@dataclass(frozen=True, slots=True)
class Gap:
    """What somebody lacked, where it was found, and how it was met."""

    what: str
    said_fine: bool
    found: str
    """`self`, `office`, `hands-on` or `mountain`."""
    met: str
    """`own`, `lent`, `shared`, `bought` or `open`."""


@dataclass(slots=True)
class Person:
    """A climber, as far as the history needs one."""

    rental: str
    booking: str
    booked_days: int
    first_glacier: bool
    long_gap: bool
    trail_runner: bool
    gaps: list[Gap] = field(default_factory=list)


@dataclass(slots=True)
class InventedTrip:
    """A trip of the history."""

    id: str
    starts_on: str
    route: int
    fast: bool
    heat: bool
    back_to_back: bool
    cold: bool
    freezing_m: list[int]
    """Lowest freezing level of each of three issues: three days before, the evening before, after base."""
    notes: list[list[str]]
    """[about, requirement, text] of each debrief remark."""
    people: list[Person]

    @property
    def season(self) -> int:
        return date.fromisoformat(self.starts_on).year

    @property
    def month(self) -> int:
        return date.fromisoformat(self.starts_on).month

    @property
    def kind(self) -> str:
        """What kind of trip it was, in words."""
        told = [word for word, yes in ((FAST, self.fast), (HEAT, self.heat)) if yes]
        return ", ".join(told) or "arrived early, list read in mild weather"


Odds = Callable[[InventedTrip, Person], float]

PLANTED: dict[str, tuple[float, Odds, float]] = {
    "glacier-glasses": (
        0.07,
        lambda t, p: (2.0 if p.first_glacier else 0.8) * (0.45 if t.season == SEASONS[1] else 1.0),
        0.45,
    ),
    "backup-mitts": (0.08, lambda t, p: 2.0 if t.heat else 0.9, 0.50),
    "headlamp-power": (0.11, lambda t, p: 1.5 if t.season == SEASONS[1] else 1.0, 0.40),
    "crampons": (0.05, lambda t, p: {MAIL: 3.2, OWN: 1.2, FITTED: 0.3}[p.rental], 0.80),
    "shell-trousers": (0.10, lambda t, p: 2.4 if p.trail_runner else 0.8, 0.70),
    "parka": (0.03, lambda t, p: 1.0, 0.60),
    "sleeping-bag": (0.05, lambda t, p: 2.6 if t.month == 9 else 0.8, 0.65),
    "harness": (0.035, lambda t, p: 4.0 if p.long_gap and p.rental == OWN else 0.5, 0.60),
    "arrival-nights": (0.02, lambda t, p: 10.5 if t.fast else 1.0, 0.90),
}
"""By requirement: base rate, what multiplies it, and how often people said it was fine."""

NEAR_MISSES = (
    ("backup-mitts", "A mitt went into the bergschrund; the spare pair saved the hand."),
    ("headlamp-power", "A lamp died at 04:10; the rope waited 25 minutes for a spare."),
    ("crampons", "A crampon came off on 30° snow; the slip was held."),
    ("sleeping-bag", "The bag was too light; a night sitting up in the parka."),
    ("glacier-glasses", "Sunglasses stayed in the pack under cloud; sore eyes that evening."),
    ("", "The stove flooded; water was late."),
    ("", "The satellite device failed its test twice; put right before entry."),
    ("helmet", "A crack in a helmet was seen only in daylight."),
    ("arrival-nights", "Arrived the same day; the whole rope turned at the glacier edge."),
)


def invent(
    trips_a_season: int, seed: int = SEED, climbers: tuple[int, int] = (5, 9), *, planted: bool = True
) -> list[InventedTrip]:
    """The history, `trips_a_season` trips in each of two seasons, with so few to so many climbers each.

    Without `planted`, every person is as likely as any other to lack a thing, in both seasons; chance alone
    decides, and whatever is found in it is a false alarm.
    """
    chance = random.Random(seed)
    trips = [trip for season in SEASONS for trip in _season(season, trips_a_season, chance, climbers)]
    if not planted:
        _deal_blindly(trips, chance)
        return trips
    for season in SEASONS:
        here = [trip for trip in trips if trip.season == season]
        for what, (base, odds, said_fine) in PLANTED.items():
            _deal(what, base, odds, said_fine, here, chance)
    spread = max(1, len(trips) // len(NEAR_MISSES))
    for at, (requirement, text) in enumerate(NEAR_MISSES):
        if at * spread < len(trips):
            trips[at * spread].notes.append(["near-miss", requirement, text])
    return trips


def _season(
    season: int, how_many: int, chance: random.Random, climbers: tuple[int, int]
) -> Iterator[InventedTrip]:
    dates = []
    for month, share in MONTHS:
        in_month = round(how_many * share / 26)
        dates += [
            date(season, month, 1) + timedelta(days=at * 26 // max(in_month, 1)) for at in range(in_month)
        ]
    dates = (dates + [date(season, 9, 24)] * how_many)[:how_many]
    # One trip more or less in a season's share of fast arrivals is the mix that must not look like a change.
    fast = _exactly(how_many, 0.22 if season == SEASONS[0] else 0.44, chance)
    heat = {month: _exactly(how_many, 0.55 if month < 8 else 0.25, chance) for month, _ in MONTHS}
    cold = {month: _exactly(how_many, 0.45 if month == 9 else 0.25, chance) for month, _ in MONTHS}
    for at, starts_on in enumerate(dates):
        yield _trip(
            f"history-{season}-{at + 1:03d}",
            at,
            starts_on,
            fast[at],
            heat[starts_on.month][at],
            cold[starts_on.month][at],
            chance,
            climbers,
        )


def _exactly(how_many: int, share: float, chance: random.Random) -> list[bool]:
    """A shuffled row of which exactly a share is true."""
    yes = round(how_many * share)
    row = [True] * yes + [False] * (how_many - yes)
    chance.shuffle(row)
    return row


def _trip(
    id_: str,
    at: int,
    starts_on: date,
    fast: bool,
    heat: bool,
    cold: bool,
    chance: random.Random,
    climbers: tuple[int, int],
) -> InventedTrip:
    back_to_back = at % 3 == 2
    usual = 4250 if starts_on.month in (7, 8) else 4050
    first = usual + 50 * chance.randint(-3, 5)
    second = first - 50 * chance.randint(0, 4)
    third = second - (50 * chance.randint(10, 18) if cold else 50 * chance.randint(-1, 3))
    notes = []
    if chance.random() < (0.45 if at < 3 else 0.03):
        notes.append(["found-late", "", "The plan of the satellite device had lapsed over the winter."])
    if chance.random() < (0.40 if back_to_back else 0.04):
        notes.append(
            ["lent", "backup-mitts", "The locker ran out of dry mitts; the last trip's came back wet."]
        )
    if chance.random() < (0.35 if cold else 0.06):
        notes.append(["surprised", "", "Fuel ran short: the stream at Moraine Camp froze."])
    return InventedTrip(
        id=id_,
        starts_on=starts_on.isoformat(),
        route=at % len(ROUTES),
        fast=fast,
        heat=heat,
        back_to_back=back_to_back,
        cold=cold,
        freezing_m=[first, second, third],
        notes=notes,
        people=[_person(chance) for _ in range(chance.randint(*climbers))],
    )


def _person(chance: random.Random) -> Person:
    return Person(
        rental=chance.choices((OWN, MAIL, FITTED), (50, 27, 23))[0],
        booking=chance.choices(("direct", "agency", "club"), (55, 30, 15))[0],
        booked_days=chance.choice((10, 25, 40, 60, 90, 120, 150, 200)),
        first_glacier=chance.random() < 0.48,
        long_gap=chance.random() < 0.15,
        trail_runner=chance.random() < 0.22,
    )


def _deal(
    what: str, base: float, odds: Odds, said_fine: float, trips: list[InventedTrip], chance: random.Random
) -> None:
    """Give a gap to exactly its share of the people with the same odds; fractions are carried over."""
    alike: defaultdict[float, list[tuple[InventedTrip, Person]]] = defaultdict(list)
    for trip in trips:
        for person in trip.people:
            alike[round(base * odds(trip, person), 6)].append((trip, person))
    owed = 0.0
    dealt: list[tuple[InventedTrip, Person]] = []
    for rate, people in sorted(alike.items()):
        owed += rate * len(people)
        quota = min(int(owed + 0.5), len(people))
        owed -= quota
        dealt += chance.sample(people, quota)
    told = _exactly(len(dealt), said_fine, chance)
    for (trip, person), fine in zip(dealt, told, strict=True):
        person.gaps.append(_gap(what, fine, trip, chance))


def _deal_blindly(trips: list[InventedTrip], chance: random.Random) -> None:
    """Give each gap to people by its base rate alone."""
    for trip in trips:
        for person in trip.people:
            for what, (base, _, said_fine) in PLANTED.items():
                if chance.random() < base:
                    person.gaps.append(_gap(what, chance.random() < said_fine, trip, chance))


def _gap(what: str, fine: bool, trip: InventedTrip, chance: random.Random) -> Gap:
    if not fine:
        found = chance.choices(("self", "office"), (70, 30))[0]
    elif trip.season == SEASONS[0]:
        found = chance.choices(("office", "hands-on", "mountain"), (18, 72, 10))[0]
    else:
        found = chance.choices(("office", "hands-on", "mountain"), (30, 64, 6))[0]
    ways = {
        "shell-trousers": (("own", "open"), (40, 60)),
        "arrival-nights": (("own", "open"), (30, 70)),
        "sleeping-bag": (("lent", "own", "open"), (60, 30, 10)),
    }.get(what, (("lent", "own", "bought", "shared", "open"), (45, 25, 12, 8, 10)))
    return Gap(what, fine, found, chance.choices(*ways)[0])


# -- the file ------------------------------------------------------------------------------------------------

_PERSON = ("rental", "booking", "booked_days", "first_glacier", "long_gap", "trail_runner")


def written(trips: list[InventedTrip]) -> str:
    """The history as compact JSON, a trip a line."""

    def plain(trip: InventedTrip) -> dict[str, object]:
        data = asdict(trip)
        data["people"] = [
            [
                *(getattr(person, name) for name in _PERSON),
                [list(asdict(gap).values()) for gap in person.gaps],
            ]
            for person in trip.people
        ]
        return data

    lines = (json.dumps(plain(trip), separators=(",", ":"), ensure_ascii=False) for trip in trips)
    return "[\n" + ",\n".join(lines) + "\n]\n"


@cache
def history() -> tuple[InventedTrip, ...]:
    """The history that is shipped."""
    trips = []
    for data in json.loads(FILE.read_text(encoding="utf-8")):
        people = [
            Person(**dict(zip(_PERSON, row[:-1], strict=True)), gaps=[Gap(*gap) for gap in row[-1]])
            for row in data.pop("people")
        ]
        trips.append(InventedTrip(**data, people=people))
    return tuple(trips)


if __name__ == "__main__":
    FILE.write_text(written(invent(100)), encoding="utf-8")
