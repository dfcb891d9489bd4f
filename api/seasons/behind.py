"""The trips behind a number: every number of the review is people on trips, and can be opened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import numpy.typing as npt
from sqlalchemy import Connection

from api.access.current import Reader, may_see
from api.errors import NotFound
from api.seasons import packing, queries
from api.seasons.measures import COVERED, HOLDS, KNOWN
from api.seasons.queries import Choice
from api.seasons.rules import Recurrence

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class TripBehind:
    """A trip behind a number: by name and address only for a reader who may see it."""

    trip: str | None
    name: str
    starts_on: date
    route: str
    kind: str
    asked: int
    counted: int


COVERED_WORDS: dict[str, str] = {
    "own": "their own, or put right",
    "lent": "lent from the locker",
    "shared": "shared by someone on the trip",
    "bought": "bought",
    "not-asked": "not asked any more",
    "left": "the person left the trip",
    "open": "open to the end",
}

_BY_BIT: dict[str, tuple[str, int]] = {
    "late": ("found after base", packing.LATE),
    "surprise": ("opened by the forecast after base", packing.SURPRISE),
    "carried-past": ("carried past its hold point", packing.CARRIED),
    "accepted": ("accepted by name", packing.ACCEPTED),
    "came-back": ("came back", packing.CAME_BACK),
}
_BY_STATE: dict[str, tuple[str, int]] = {
    "said-fine": ("said to be fine", packing.SAID_FINE),
    "said-fine-checked": ("said to be fine, and checked by hand", packing.SAID_FINE | packing.CHECKED),
    "said-fine-wrong": (
        "said to be fine, and was not",
        packing.SAID_FINE | packing.CHECKED | packing.SAID_WRONG,
    ),
}
COUNTED: dict[str, str] = {
    "asked": "asked",
    "lacking": "lacking",
    **{name: words for name, (words, _) in (_BY_BIT | _BY_STATE).items()},
    **{f"known-{known}": f"lacking, {known} when found" for known in KNOWN},
    **{f"hold-{hold}": f"lacking, with {hold.replace('-', ' ')} as its hold point" for hold in HOLDS},
    **{f"covered-{covered}": f"lacking; {COVERED_WORDS[covered]}" for covered in COVERED},
}
"""What can be asked of the trips behind a number, by the name of its measure, in words."""


def numbers_of(line: Recurrence) -> dict[str, int]:
    """Every number of a requirement whose trips can be opened, by the name of its measure."""
    told = line.self_report
    return {
        "asked": line.rate.total,
        "lacking": line.rate.hits,
        "late": line.late,
        "surprise": line.surprise,
        "carried-past": line.carried_past,
        "accepted": line.accepted,
        "came-back": line.came_back,
        "said-fine": line.said_fine,
        "said-fine-checked": told.total if told else 0,
        "said-fine-wrong": told.hits if told else 0,
        **{f"known-{known}": many for known, many in line.known.items()},
        **{f"hold-{hold}": many for hold, many in line.holds.items()},
        **{f"covered-{covered}": many for covered, many in line.covered.items()},
    }


def trips_behind(
    conn: Connection, reader: Reader, requirement: str, what: str, choice: Choice, *, limit: int | None
) -> tuple[TripBehind, ...]:
    """The trips that a number is made of, the last first. Raises NotFound for an unknown number."""
    if what not in COUNTED:
        raise NotFound(f"There is no number {what}. Open the trips from the number on the page.")
    of_all = what == "asked" or what in _BY_STATE
    rows = queries.trips_with(conn, reader.outfit, requirement, choice, only_lacking=not of_all, limit=None)
    sees = may_see(conn, reader)
    found = []
    for row in rows:
        asked, counted = _counted(row, what, choice)
        if not counted:
            continue
        seen = sees(row.trip_id)
        found.append(
            TripBehind(
                trip=row.trip_id if seen else None,
                name=_name(row.trip_id, row.name, row.starts_on, seen),
                starts_on=row.starts_on,
                route=row.route,
                kind=row.kind,
                asked=asked,
                counted=counted,
            )
        )
        if limit is not None and len(found) >= limit:
            break
    return tuple(found)


def all_trips(
    conn: Connection, reader: Reader, choice: Choice, *, limit: int | None
) -> tuple[TripBehind, ...]:
    """The chosen trips, the last first, each with how many of its people are chosen."""
    sees = may_see(conn, reader)
    found = []
    for row in queries.trips_of(conn, reader.outfit, choice, limit=limit):
        people, seen = int(meant_people(row.people, choice).sum()), sees(row.trip_id)
        name = _name(row.trip_id, row.name, row.starts_on, seen)
        trip = row.trip_id if seen else None
        found.append(TripBehind(trip, name, row.starts_on, row.route, row.kind, people, people))
    return tuple(found)


def counted_trips(
    conn: Connection, reader: Reader, counted: Sequence[tuple[str, int]]
) -> tuple[TripBehind, ...]:
    """Trips by id with how many people each, in this order; trips that are kept no more are left out."""
    sees, many = may_see(conn, reader), dict(counted)
    rows = {row.trip_id: row for row in queries.trips_of(conn, reader.outfit, Choice(), only=list(many))}
    found = []
    for trip in many:
        if (row := rows.get(trip)) is not None:
            seen = sees(trip)
            name = _name(trip, row.name, row.starts_on, seen)
            people = len(row.people)
            shown = trip if seen else None
            found.append(TripBehind(shown, name, row.starts_on, row.route, row.kind, people, many[trip]))
    return tuple(found)


def _name(trip: str, name: str | None, starts_on: date, seen: bool) -> str:
    return (name or trip) if seen else f"A trip of {starts_on:%B %Y}"


def _counted(row: queries.TripLine, what: str, choice: Choice) -> tuple[int, int]:
    """How many of the chosen people were asked, and how many are counted."""
    states = np.frombuffer(row.states, dtype=np.uint8)
    meant = meant_people(row.people, choice)
    asked = meant & ((states & packing.ASKED) > 0)
    if what == "asked":
        return int(asked.sum()), int(asked.sum())
    if what in _BY_STATE:
        bits = _BY_STATE[what][1]
        return int(asked.sum()), int((asked & ((states & bits) == bits)).sum())
    gaps = np.frombuffer(row.gaps, dtype=packing.GAP)
    return int(asked.sum()), int((meant[gaps["member"]] & _is(gaps, what)).sum())


def _is(gaps: np.ndarray, what: str) -> Mask:
    """Which gaps a number counts."""
    if what in _BY_BIT:
        return np.asarray((gaps["bits"] & _BY_BIT[what][1]) > 0)
    for column, values in (("known", KNOWN), ("hold", HOLDS), ("covered", COVERED)):
        if what.startswith(f"{column}-"):
            return np.asarray(gaps[column] == values.index(what.removeprefix(f"{column}-")))
    return np.ones(len(gaps), dtype=np.bool_)


def meant_people(people: Sequence[Sequence[Any]], choice: Choice) -> Mask:
    """Which people of a trip, [role, lead class, booking, rental] each, are chosen."""
    wanted = ((1, choice.lead), (2, choice.booking), (3, choice.rental))
    return np.array([all(not w or person[at] in w for at, w in wanted) for person in people], dtype=np.bool_)
