"""What the review shows, for pages, JSON and files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection

from api.access.current import Reader, may_see
from api.errors import NotFound
from api.kitlist.models import EditionState
from api.kitlist.service import get_edition, list_editions
from api.science.survival import Survival, kaplan_meier
from api.seasons import packing, queries
from api.seasons.cube import Cube, Mask
from api.seasons.cube_cache import cube_of
from api.seasons.queries import Choice, NoteLine
from api.seasons.rules import (
    Compared,
    Counts,
    Point,
    Rate,
    Recurrence,
    Split,
    compared,
    rate,
    recurrences,
    splits,
    through_time,
)
from api.seasons.written.queries import TrialRow

MOST_REMARKS = 40
SPLIT_BY = ("rental", "booking", "month", "lead", "route", "kind")
"""What groups are made by. Each word of a kind of trip, between commas, is a group of its own."""


@dataclass(frozen=True, slots=True)
class Overview:
    """The recurring gaps of chosen trips, ranked, with what changed and what stands out."""

    revision: int
    trips: Mapping[int, int]
    people: int
    lines: tuple[Recurrence, ...]
    changed: Mapping[str, Compared]
    """By requirement: the last season against those before; empty with fewer than two seasons."""
    stands_out: tuple[Split, ...]
    groups_compared: int
    items: Mapping[str, str]
    lendable: frozenset[str]
    """Requirements that the locker is meant to cover."""

    @property
    def all_trips(self) -> int:
        """How many trips are chosen."""
        return sum(self.trips.values())

    @property
    def last_season(self) -> int | None:
        return max(self.trips, default=None)


def overview(conn: Connection, outfit: str, choice: Choice) -> Overview:
    """Everything the first page says."""
    cube = cube_of(conn, outfit)
    chosen, trips = chosen_of(cube, choice)
    found = split_by_group(cube, chosen)
    return Overview(
        revision=queries.revision(conn, outfit)[0],
        trips=trips,
        people=int(cube.people[chosen].sum()),
        lines=recurrences(cube.requirements, cube.total(chosen)),
        changed=changes(cube, chosen, sorted(trips)),
        stands_out=tuple(split for split in found if split.stands_out),
        groups_compared=len(found),
        items=items_of(conn, outfit),
        lendable=lendable(conn, outfit),
    )


def lendable(conn: Connection, outfit: str) -> frozenset[str]:
    """Requirements that the locker is meant to cover, by any published edition."""
    published = [row.id for row in list_editions(conn, outfit) if row.state is EditionState.PUBLISHED]
    editions = (get_edition(conn, outfit, id_) for id_ in published)
    return frozenset(r.id for edition in editions for r in edition.requirements if r.loan == "pool")


def chosen_of(cube: Cube, choice: Choice) -> tuple[Mask, dict[int, int]]:
    """The cells of a choice, and how many trips it is, by season."""
    wanted: dict[str, Any] = choice._asdict()
    return cube.where(**wanted), cube.trips_where(**wanted)


def items_of(conn: Connection, outfit: str) -> dict[str, str]:
    """What each requirement of any published edition is called; the newest has the last word."""
    editions = sorted(list_editions(conn, outfit), key=lambda row: (row.changed_at, row.number))
    published = [row.id for row in editions if row.state is EditionState.PUBLISHED]
    return {r.id: r.item for id_ in published for r in get_edition(conn, outfit, id_).requirements}


def changes(cube: Cube, chosen: Mask, seasons: Sequence[int]) -> dict[str, Compared]:
    """The last season against those before it, trips of one kind against their like."""
    if len(seasons) < 2:
        return {}
    season = cube.groups("season")
    last = season.code == season.labels.index(seasons[-1])
    kinds = cube.groups("kind")
    before, after = cube.shares_by(chosen & ~last, kinds), cube.shares_by(chosen & last, kinds)
    return {one.requirement: one for one in compared(cube.requirements, before, after)}


def split_by_group(cube: Cube, chosen: Mask) -> tuple[Split, ...]:
    """Every requirement in every group of people against all others, within seasons."""
    seasons = cube.groups("season")
    every = cube.shares_by(chosen, seasons)
    groups: dict[tuple[str, str], tuple[Counts, Counts]] = {}
    for dimension in SPLIT_BY:
        found = cube.groups(dimension)
        words = [_words(label, dimension) for label in found.labels]
        for group in dict.fromkeys(word for told in words for word in told):
            named = np.array([group in told for told in words], dtype=np.bool_)
            inside = cube.shares_by(chosen & named[found.code], seasons)
            groups[dimension, group] = (inside, every - inside)
    return splits(cube.requirements, groups)


def _words(label: object, dimension: str) -> tuple[str, ...]:
    return tuple(str(label).split(", ")) if dimension == "kind" else (str(label),)


# -- one requirement -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OneRequirement:
    """One requirement through time and across routes."""

    requirement: str
    item: str
    line: Recurrence
    changed: Compared | None
    centre: float
    points: tuple[Point, ...]
    routes: tuple[tuple[str, Rate], ...]
    groups: tuple[Split, ...]
    clearing: Survival | None
    """Time to clear [h], exact to the minute; None without gaps."""
    remarks: tuple[NoteLine, ...]


def one_requirement(conn: Connection, outfit: str, requirement: str, choice: Choice) -> OneRequirement:
    """Everything about one requirement. Raises NotFound where it was asked of nobody."""
    cube = cube_of(conn, outfit)
    chosen, trips = chosen_of(cube, choice)
    lines = recurrences(cube.requirements, cube.total(chosen)) if chosen.any() else ()
    line = next((one for one in lines if one.requirement == requirement), None)
    if line is None:
        raise NotFound(f"{requirement} was asked of nobody on these trips. Choose others, or another line.")
    r = cube.requirements.index(requirement)
    months = cube.groups("season", "month")
    by_month = cube.by(chosen, months)[:, r]
    asked = [at for at, row in enumerate(by_month) if row.any()]
    centre, points = through_time([months.labels[at] for at in asked], by_month[asked])  # type: ignore[misc]
    routes = cube.groups("route")
    by_route = recurrences([str(label) for label in routes.labels], cube.by(chosen, routes)[:, r])
    found = split_by_group(cube, chosen)
    return OneRequirement(
        requirement=requirement,
        item=items_of(conn, outfit).get(requirement, requirement),
        line=line,
        changed=changes(cube, chosen, sorted(trips)).get(requirement),
        centre=centre,
        points=points,
        routes=tuple((one.requirement, one.rate) for one in by_route),
        groups=tuple(split for split in found if split.requirement == requirement),
        clearing=_clearing(conn, outfit, requirement, choice),
        remarks=tuple(
            queries.notes(
                conn, outfit, choice, about=queries.DEBRIEF, requirement=requirement, limit=MOST_REMARKS
            )
        ),
    )


def _clearing(conn: Connection, outfit: str, requirement: str, choice: Choice) -> Survival | None:
    """Time to clear of the chosen people's gaps."""
    parts = []
    for people, packed in queries.gaps_of(conn, outfit, requirement, choice):
        gaps = np.frombuffer(packed, dtype=packing.GAP)
        meant = np.array([_meant(person, choice) for person in people], dtype=np.bool_)
        parts.append(gaps[meant[gaps["member"]]])
    together = np.concatenate(parts) if parts else np.zeros(0, dtype=packing.GAP)
    if not len(together):
        return None
    return kaplan_meier(together["open_min"] / 60.0, (together["bits"] & packing.CLOSED) > 0)


# -- the trips behind a number -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class TripBehind:
    """A trip behind a number: by name and address only for a reader who may see it."""

    trip: str | None
    name: str
    starts_on: Any
    route: str
    kind: str
    asked: int
    counted: int


COUNTED: dict[str, tuple[str, int]] = {
    "asked": ("asked", 0),
    "lacking": ("lacking", 0),
    "late": ("found after base", packing.LATE),
    "surprise": ("opened by the forecast after base", packing.SURPRISE),
    "carried-past": ("carried past its hold point", packing.CARRIED),
    "accepted": ("accepted by name", packing.ACCEPTED),
    "came-back": ("came back", packing.CAME_BACK),
    "said-wrong": ("said to be fine, and was not", 0),
}
"""What can be asked of the trips behind a number: in words, and the bit of a gap that it is."""


def trips_behind(
    conn: Connection, reader: Reader, requirement: str, what: str, choice: Choice, *, limit: int
) -> tuple[TripBehind, ...]:
    """The trips that a number is made of, the last first. Raises NotFound for an unknown number."""
    if what not in COUNTED:
        raise NotFound(f"There is no number {what}. Open the trips from the number on the page.")
    rows = queries.trips_with(
        conn, reader.outfit, requirement, choice, only_lacking=what not in ("asked", "said-wrong"), limit=None
    )
    sees = may_see(conn, reader)
    found = []
    for row in rows:
        asked, counted = _counted(row, what, choice)
        if not counted:
            continue
        seen = sees(row.trip_id)
        name = (row.name or row.trip_id) if seen else f"A trip of {row.starts_on:%B %Y}"
        found.append(
            TripBehind(
                row.trip_id if seen else None, name, row.starts_on, row.route, row.kind, asked, counted
            )
        )
        if len(found) >= limit:
            break
    return tuple(found)


def _counted(row: queries.TripLine, what: str, choice: Choice) -> tuple[int, int]:
    """How many of the chosen people were asked, and how many are counted."""
    states = np.frombuffer(row.states, dtype=np.uint8)
    meant = np.array([_meant(person, choice) for person in row.people], dtype=np.bool_)
    asked = meant & ((states & packing.ASKED) > 0)
    if what == "asked":
        return int(asked.sum()), int(asked.sum())
    if what == "said-wrong":
        wrong = packing.SAID_FINE | packing.CHECKED | packing.SAID_WRONG
        return int(asked.sum()), int((meant & ((states & wrong) == wrong)).sum())
    gaps = np.frombuffer(row.gaps, dtype=packing.GAP)
    bit = COUNTED[what][1]
    here = meant[gaps["member"]]
    counted = here if not bit else here & ((gaps["bits"] & bit) > 0)
    return int(asked.sum()), int(counted.sum())


def _meant(person: Sequence[Any], choice: Choice) -> bool:
    return all(
        not wanted or person[at] in wanted
        for at, wanted in ((1, choice.lead), (2, choice.booking), (3, choice.rental))
    )


# -- whether a change worked


@dataclass(frozen=True, slots=True)
class Watched:
    """The number that was to be watched: as it was, and in the seasons begun since."""

    requirement: str
    item: str
    was: float | None
    since: tuple[tuple[int, Rate], ...]


def watched(conn: Connection, outfit: str, trial: TrialRow) -> Watched | None:
    """What became of the number an adopted trial is watched by; None while it is not adopted."""
    if trial.adopted_at is None:
        return None
    cube = cube_of(conn, outfit)
    seasons = cube.groups("season")
    since: list[tuple[int, Rate]] = []
    if trial.watch in cube.requirements:
        r = cube.requirements.index(trial.watch)
        counts = cube.shares_by(cube.where(), seasons)[:, r]
        for season, row in zip(seasons.labels, counts.tolist(), strict=True):
            if isinstance(season, int) and season > trial.adopted_at.year and row[0]:
                since.append((season, rate(row[1], row[0])))
    item = items_of(conn, outfit).get(trial.watch, trial.watch)
    return Watched(trial.watch, item, trial.watch_rate, tuple(since))
