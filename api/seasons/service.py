"""What the review shows, for pages, JSON and files."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection

from api.errors import NotFound
from api.kitlist.models import EditionState
from api.kitlist.service import get_edition, list_editions
from api.science.survival import Survival, kaplan_meier
from api.seasons import packing, queries
from api.seasons.behind import meant_people
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
    groups: tuple[Split, ...]
    """Every group of people that was compared with all others, those that stand out first."""
    items: Mapping[str, str]
    lendable: frozenset[str]
    """Requirements that the locker is meant to cover."""

    @property
    def all_trips(self) -> int:
        """How many trips are chosen."""
        return sum(self.trips.values())

    def item(self, requirement: str) -> str:
        """What a requirement is called; its id where no edition has it."""
        return self.items.get(requirement, requirement)

    @property
    def stands_out(self) -> tuple[Split, ...]:
        """The groups that lack something more or less often than all others."""
        return tuple(split for split in self.groups if split.stands_out)

    @property
    def last_season(self) -> int | None:
        return max(self.trips, default=None)


def overview(conn: Connection, outfit: str, choice: Choice) -> Overview:
    """Everything the first page says."""
    cube = cube_of(conn, outfit)
    chosen, trips = chosen_of(cube, choice)
    return Overview(
        revision=queries.revision(conn, outfit)[0],
        trips=trips,
        people=int(cube.people[chosen].sum()),
        lines=recurrences(cube.requirements, cube.total(chosen)),
        changed=changes(cube, chosen, sorted(trips)),
        groups=split_by_group(cube, chosen),
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


def groups_of(cube: Cube, choice: Choice, dimension: str, group: str) -> tuple[Choice, Choice]:
    """The choice narrowed to one group of people, and to all others."""
    labels = cube.chosen_labels(chosen_of(cube, choice)[0], dimension)
    inside: Any = tuple(label for label in labels if group in _words(label, dimension))
    others: Any = tuple(label for label in labels if label not in inside)
    return choice._replace(**{dimension: inside}), choice._replace(**{dimension: others})


def _words(label: object, dimension: str) -> tuple[str, ...]:
    return tuple(str(label).split(", ")) if dimension == "kind" else (str(label),)


# -- one requirement -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OneRequirement:
    """One requirement through time and across routes."""

    requirement: str
    item: str
    seasons: tuple[int, ...]
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
        seasons=tuple(sorted(trips)),
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
        meant = meant_people(people, choice)
        parts.append(gaps[meant[gaps["member"]]])
    together = np.concatenate(parts) if parts else np.zeros(0, dtype=packing.GAP)
    if not len(together):
        return None
    return kaplan_meier(together["open_min"] / 60.0, (together["bits"] & packing.CLOSED) > 0)


# -- whether a change worked


@dataclass(frozen=True, slots=True)
class Watched:
    """The number that was to be watched: as it was, and in the seasons begun since."""

    requirement: str
    item: str
    was: float | None
    since: tuple[tuple[int, Compared], ...]
    """Each season begun since, held against all seasons up to the one it was adopted in."""


def watched(conn: Connection, outfit: str, trial: TrialRow) -> Watched | None:
    """What became of the number an adopted trial is watched by; None while it is not adopted."""
    if trial.adopted_at is None:
        return None
    cube = cube_of(conn, outfit)
    item = items_of(conn, outfit).get(trial.watch, trial.watch)
    if trial.watch not in cube.requirements:
        return Watched(trial.watch, item, trial.watch_rate, ())
    r = cube.requirements.index(trial.watch)
    seasons, kinds = cube.groups("season"), cube.groups("kind")
    adopted_in = trial.adopted_at.year

    def counts(chosen: tuple[object, ...]) -> Counts:
        cells = cube.where(season=chosen) if chosen else ~cube.where()
        return cube.shares_by(cells, kinds)[:, r : r + 1]

    years = [label for label in seasons.labels if isinstance(label, int)]
    before = counts(tuple(year for year in years if year <= adopted_in))
    since = tuple(
        (year, compared([trial.watch], before, counts((year,)))[0]) for year in years if year > adopted_in
    )
    return Watched(trial.watch, item, trial.watch_rate, tuple(one for one in since if one[1].after.total))
