"""Lines about ropes, the party and amounts: tried trip by trip, and counted like all others."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import pytest

from api.clock import FixedClock
from api.db import Database
from api.journal.kinds import PARTY, GearState, Known, Sighting
from api.kitlist import service as kitlists
from api.kitlist.schemas import Edition, GradeRule, Requirement
from api.kitlist.service import get_edition
from api.readiness.service import Readiness
from api.seasons import projection, trying
from api.seasons.trial import Effect
from seeds.history import invent
from tests.seasons.conftest import NOW, OFFICE, OUTFIT, TRIPS_A_SEASON
from tests.seasons.oracle import plain, the_long_way, walked

pytestmark = pytest.mark.one_database
TRIPS = [trip.id for trip in invent(TRIPS_A_SEASON)]
ENOUGH, LITTLE, UNTOLD = TRIPS[:3]


def line(**told: Any) -> Requirement:
    """A line of an invented list."""
    usual: dict[str, Any] = {
        "zone": "party-gear",
        "grades": [{"grade": "fix", "at": "base"}],
        "why": "It is needed.",
        "clears": "It is there.",
        "basis": {"kind": "common-practice", "source": "common practice, no published source"},
    }
    return Requirement.model_validate(usual | told)


FUEL = line(
    id="fuel", item="Fuel", scope="party", how_many={"per": "party", "computed": "fuel_plan_g", "unit": "g"}
)
ROPE = line(id="rope-50", item="Rope", scope="rope", how_many={"per": "rope"})
LIGHT = line(id="light", item="Hours of light", how_many={"computed": "light_h", "unit": "h"})


def with_lines(edition: Edition, *lines: Requirement) -> Edition:
    return edition.model_copy(update={"id": "changed", "requirements": (*edition.requirements, *lines)})


@pytest.fixture
def told(database: Database, readiness: Readiness) -> Database:
    """On one trip enough of everything was seen, on one too little; of all others nobody told."""
    with database.reading() as conn:
        member = next(iter(readiness.journal.picture(conn, OUTFIT, ENOUGH).picture.members))
        other = next(iter(readiness.journal.picture(conn, OUTFIT, LITTLE).picture.members))

    def seen(subject: str, requirement: str, count: float) -> Sighting:
        return Sighting(
            subject=subject, requirement=requirement, known=Known.SEEN, state=GearState.FITS, count=count
        )

    with database.writing() as work:
        readiness.journal.write(
            work,
            OFFICE,
            ENOUGH,
            seen(PARTY, "fuel", 90_000),
            seen("r1", "rope-50", 1),
            seen(member, "light", 99),
        )
        readiness.journal.write(
            work, OFFICE, LITTLE, seen(PARTY, "fuel", 1), seen("r1", "rope-50", 0), seen(other, "light", 0)
        )
    projection.catch_up(database, readiness, OUTFIT, NOW.date())
    return database


def tried(
    database: Database, readiness: Readiness, before: Edition, after: Edition
) -> tuple[dict[str, Effect], list[Any]]:
    with database.reading() as conn:
        found = {e.requirement: e for e in trying.effects(conn, readiness, OUTFIT, before, after)}
        ways = [
            tuple(walked(conn, readiness, OUTFIT, trip, edition) for edition in (before, after))
            for trip in TRIPS
        ]
    return found, ways


def test_lines_of_the_party_ropes_and_amounts_are_tried(told: Database, readiness: Readiness) -> None:
    with told.reading() as conn:
        base = get_edition(conn, OUTFIT, "climbers-2025")
    found, ways = tried(told, readiness, base, with_lines(base, FUEL, ROPE, LIGHT))
    assert set(found) == {"fuel", "rope-50", "light"}
    for effect in found.values():
        assert plain(effect.total) == the_long_way(effect, ways)
    # One trip has little fuel; of all but two nobody ever told, and nothing is guessed of those.
    assert found["fuel"].total.come == 1
    assert found["fuel"].total.untold_after == len(TRIPS) - 2
    assert found["fuel"].total.people == len(TRIPS)
    assert dict(found["fuel"].behind["come"]) == {LITTLE: 1}
    assert found["rope-50"].total.come == 1
    assert found["rope-50"].total.people == 2 * len(TRIPS)
    assert dict(found["light"].behind["come"]) == {LITTLE: 1}
    assert ENOUGH not in dict(found["fuel"].behind["untold_after"])
    assert UNTOLD in dict(found["fuel"].behind["untold_after"])


def test_another_grade_and_another_rule_of_the_same_amount(told: Database, readiness: Readiness) -> None:
    with told.reading() as conn:
        base = get_edition(conn, OUTFIT, "climbers-2025")
    stop = (GradeRule.model_validate({"grade": "stop", "at": "base"}),)
    heavier = FUEL.model_copy(update={"grades": stop})
    found, ways = tried(told, readiness, with_lines(base, FUEL), with_lines(base, heavier))
    assert plain(found["fuel"].total) == the_long_way(found["fuel"], ways)
    assert found["fuel"].total.heavier == found["fuel"].total.flagged_before == 1


def test_what_is_about_nights_is_left_out_and_named(told: Database, readiness: Readiness) -> None:
    with told.reading() as conn:
        base = get_edition(conn, OUTFIT, "climbers-2025")
        changed = with_lines(base, line(id="night-gain", item="Gain between nights"))
        found = list(trying.effects(conn, readiness, OUTFIT, base, changed))
    assert [effect.requirement for effect in found] == []
    assert trying.evidence(base, changed, found)["left_out"] == ["Gain between nights"]


def test_it_says_how_far_it_is_trip_by_trip_and_stops_when_asked(
    told: Database, readiness: Readiness
) -> None:
    with told.reading() as conn:
        base = get_edition(conn, OUTFIT, "climbers-2025")
    steps: list[tuple[int, int]] = []

    def report(done: int, total: int) -> bool:
        steps.append((done, total))
        return done < 3

    with told.reading() as conn, pytest.raises(trying.Stopped):
        list(trying.effects(conn, readiness, OUTFIT, base, with_lines(base, FUEL), report))
    assert steps == [(done, len(TRIPS)) for done in range(4)]


def test_a_kept_trial_goes_through_trips_too(told: Database, readiness: Readiness, clock: FixedClock) -> None:
    with told.writing() as work:
        row = kitlists.copy(work, OUTFIT, "climbers-2025", now=NOW)
        changed = with_lines(get_edition(work, OUTFIT, row.id), FUEL).model_copy(update={"id": row.id})
        kitlists.change(work, OUTFIT, row.id, changed, now=NOW)
        id_ = trying.begin(work, OFFICE, clock, "climbers-2025", row.id)
    trying.run(told, readiness, OUTFIT, id_)
    with told.reading() as conn:
        kept = trying.find(conn, OUTFIT, id_)
        base, changed = (get_edition(conn, OUTFIT, edition) for edition in (kept.base, kept.changed))
        (effect,) = trying.effects(conn, readiness, OUTFIT, base, changed)
    assert (kept.state, kept.done, kept.total) == ("done", len(TRIPS), len(TRIPS))
    assert kept.result is not None
    assert kept.result["total"] == asdict(effect.total)
    assert trying.behind(kept, "fuel", "come") == [(LITTLE, 1)]
