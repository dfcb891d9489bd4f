"""The patterns planted in the shipped history are found, and nothing else is called a change."""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import pytest

from api.seasons.counting import Cell, TripCell
from api.seasons.cube import Cube
from api.seasons.measures import AT, MEASURES, lead_class
from api.seasons.rules import FALSE_ALARM, MARKED_IN_VAIN, Split, Verdict, through_time
from api.seasons.service import changes, split_by_group
from seeds.history import FAST, FITTED, HEAT, MAIL, PLANTED, InventedTrip, history, invent
from seeds.history_story import ADVISED_M, ROUTES


def cube_of_invention(trips: tuple[InventedTrip, ...]) -> Cube:
    """The counts that the journals of these trips come to, without writing them."""
    counts: defaultdict[Cell, np.ndarray] = defaultdict(lambda: np.zeros((len(PLANTED), len(MEASURES)), int))
    people: defaultdict[Cell, int] = defaultdict(int)
    for trip in trips:
        for person in trip.people:
            lead = lead_class(person.booked_days)
            cell = Cell(
                trip.season,
                trip.month,
                str(trip.route),
                "list",
                trip.kind,
                lead,
                person.booking,
                person.rental,
            )
            people[cell] += 1
            lacking = {gap.what for gap in person.gaps}
            for at, what in enumerate(PLANTED):
                if what != "backup-mitts" or min(trip.freezing_m) < ROUTES[trip.route][1] - ADVISED_M:
                    counts[cell][at, AT["asked"]] += 1
                    counts[cell][at, AT["lacking"]] += what in lacking
    rows = [(cell, people[cell], counts[cell].astype("<i4").tobytes()) for cell in sorted(counts)]
    kinds = [TripCell(trip.season, trip.month, str(trip.route), "list", trip.kind, 1) for trip in trips]
    return Cube.of(rows, lambda _edition: tuple(PLANTED), kinds)


@pytest.fixture(scope="module")
def cube() -> Cube:
    return cube_of_invention(history())


def test_changes_between_the_seasons(cube: Cube) -> None:
    found = {name: one.verdict for name, one in changes(cube, cube.where(), [2024, 2025]).items()}
    assert found.pop("glacier-glasses") is Verdict.BETTER
    assert found.pop("headlamp-power") is Verdict.WORSE
    assert found.pop("arrival-nights") is Verdict.MIX
    assert not [name for name, verdict in found.items() if verdict.called]


def test_groups_that_lack_it_more_often(cube: Cube) -> None:
    out = {
        (s.requirement, s.dimension, s.group): s for s in split_by_group(cube, cube.where()) if s.stands_out
    }
    for planted, more in (
        (("crampons", "rental", MAIL), True),
        (("crampons", "rental", FITTED), False),
        (("sleeping-bag", "month", "9"), True),
        (("arrival-nights", "kind", FAST), True),
        (("backup-mitts", "kind", HEAT), True),
    ):
        found: Split = out.pop(planted)
        assert (found.inside.share > found.outside.share) is more
    # What is left is the other side of a planted pattern: the people who are not of that group.
    assert set(out) <= {
        (requirement, "kind", group)
        for requirement in ("arrival-nights", "backup-mitts")
        for group in ("arrived early", "list read in mild weather")
    }


HISTORIES = 200
"""Of two seasons each: 200 last seasons are held against one before."""
TRIPS = 60
"""In each season."""


@pytest.fixture(scope="module")
def nothing_planted() -> list[Cube]:
    """Histories by the generator, in which everyone is as likely as anyone else to lack a thing."""
    return [cube_of_invention(tuple(invent(TRIPS, seed, planted=False))) for seed in range(1, HISTORIES + 1)]


def test_changes_are_called_in_vain_as_rarely_as_stated(nothing_planted: list[Cube]) -> None:
    alarms = [
        any(one.verdict.called for one in changes(cube, cube.where(), [2024, 2025]).values())
        for cube in nothing_planted
    ]
    assert sum(alarms) <= FALSE_ALARM * HISTORIES


def test_groups_stand_out_in_vain_as_rarely_as_stated(nothing_planted: list[Cube]) -> None:
    alarms = [
        any(split.stands_out for split in split_by_group(cube, cube.where())) for cube in nothing_planted
    ]
    assert sum(alarms) <= FALSE_ALARM * HISTORIES


def test_months_are_marked_in_vain_as_rarely_as_stated(nothing_planted: list[Cube]) -> None:
    """By control limits and the run rule together, of months that have limits."""
    marked = judged = 0
    for cube in nothing_planted:
        months = cube.groups("season", "month")
        by_month = cube.by(cube.where(), months)
        for r in range(len(PLANTED)):
            _, points = through_time(list(months.labels), by_month[:, r])  # type: ignore[arg-type]
            with_limits = [point for point in points if math.isfinite(point.upper)]
            judged += len(with_limits)
            marked += sum(point.outside or point.run for point in with_limits)
    assert judged > 20 * HISTORIES
    assert marked <= MARKED_IN_VAIN * judged
