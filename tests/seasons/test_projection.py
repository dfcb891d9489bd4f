"""What is kept of past trips: made from the journals, droppable, and the same whichever way it came about."""

from __future__ import annotations

import dataclasses
from contextlib import closing
from typing import Any

import pytest
from sqlalchemy import Connection, select

from api.clock import FixedClock
from api.db import Database
from api.journal.kinds import Remark
from api.journal.models import table
from api.journal.service import Journal
from api.kitlist.service import get_edition
from api.readiness.service import Readiness
from api.seasons import projection, queries, trying
from api.seasons.cube_cache import cube_of
from api.seasons.models import SeasonFact, SeasonNote, SeasonSummary, SeasonTrip
from api.seasons.queries import Choice
from api.seasons.service import overview
from seeds import history_loading, loading
from seeds.history import FILE, PLANTED, history, invent, written
from tests.seasons.conftest import NOW, OFFICE, OUTFIT, TRIPS_A_SEASON
from tests.seasons.oracle import plain, the_long_way, walked
from tests.seasons.test_trial import raised

TABLES = [table(model) for model in (SeasonTrip, SeasonFact, SeasonNote, SeasonSummary)]
TODAY = NOW.date()


def everything(conn: Connection) -> list[list[tuple[Any, ...]]]:
    """All rows of the projection, in order."""
    found = []
    for one in TABLES:
        rows = conn.execute(select(one).order_by(*one.primary_key.columns))
        found.append([tuple(bytes(v) if isinstance(v, memoryview) else v for v in row) for row in rows])
    return found


@pytest.mark.one_database
def test_rebuilt_from_journals_it_is_identical(database: Database, readiness: Readiness) -> None:
    with database.reading() as conn:
        before = everything(conn)
    assert all(before)
    projection.rebuild(database, readiness, OUTFIT, TODAY)
    with database.reading() as conn:
        assert everything(conn) == before


@pytest.mark.one_database
def test_a_trip_that_changed_is_taken_up_again(database: Database, readiness: Readiness) -> None:
    trip = invent(TRIPS_A_SEASON)[0].id
    with database.reading() as conn:
        assert queries.settled(conn, OUTFIT, TODAY)
    with database.writing() as work:
        readiness.journal.write(work, OFFICE, trip, Remark(about="season:kind", text="club trip"))
    with database.reading() as conn:
        assert [row.trip_id for row in queries.behind(conn, OUTFIT, TODAY, 10)] == [trip]
        assert not queries.settled(conn, OUTFIT, TODAY)
        people = cube_of(conn, OUTFIT).people.sum()
    assert projection.catch_up(database, readiness, OUTFIT, TODAY) == 1
    with database.reading() as conn:
        assert queries.settled(conn, OUTFIT, TODAY)
        cube = cube_of(conn, OUTFIT)
        assert cube.people.sum() == people
        assert cube.trips_where(kind=("club trip",)) == {2024: 1}
        counted = everything(conn)
    projection.rebuild(database, readiness, OUTFIT, TODAY)
    with database.reading() as conn:
        assert everything(conn) == counted


@pytest.mark.one_database
def test_counts_are_those_of_the_invention(database: Database) -> None:
    """What the generator dealt out is what the review counts, line by line."""
    trips = invent(TRIPS_A_SEASON)
    with database.reading() as conn:
        found = overview(conn, OUTFIT, Choice())
    lines = {line.requirement: line for line in found.lines}
    people = [person for trip in trips for person in trip.people]
    for what in PLANTED:
        dealt = [gap for person in people for gap in person.gaps if gap.what == what]
        if what == "backup-mitts":  # asked only where the forecast asks for them
            assert lines[what].rate.hits <= len(dealt)
            continue
        line = lines[what]
        assert (line.rate.hits, line.rate.total) == (len(dealt), len(people))
        assert line.late == sum(gap.found == "mountain" for gap in dealt)
        assert line.covered["open"] == sum(gap.met == "open" for gap in dealt)
        assert line.covered["lent"] == sum(gap.met == "lent" for gap in dealt)
        assert line.known["said"] == sum(gap.found == "self" for gap in dealt)
        # What the office saw on a picture is checked only when it is put right.
        looked = [gap for gap in dealt if gap.said_fine and (gap.found, gap.met) != ("office", "open")]
        assert line.self_report is not None
        assert line.self_report.total > line.self_report.hits
        assert line.self_report.hits == len(looked)


@pytest.mark.one_database
def test_no_name_and_no_health_is_kept(database: Database, readiness: Readiness) -> None:
    with database.reading() as conn:
        rows = repr(everything(conn))
        names = {
            profile.name
            for trip in invent(TRIPS_A_SEASON)
            for profile in readiness.journal.picture(conn, OUTFIT, trip.id).picture.profiles.values()
        }
    assert len(names) > 50
    assert not [name for name in names if name in rows]


def test_both_databases_keep_and_sum_the_same(
    database_kind: str, request: pytest.FixtureRequest, clock: FixedClock
) -> None:
    """Two trips written from scratch, taken off, and counted again."""
    templates = request.getfixturevalue(f"{database_kind}_templates")
    fresh = (
        templates.fresh(request.getfixturevalue("tmp_path"))
        if database_kind == "sqlite"
        else templates.fresh()
    )
    with fresh as url, closing(Database(url)) as db:
        loading.seed(db)
        trips = invent(TRIPS_A_SEASON)
        trips = [trips[0], trips[-1]]
        history_loading.load(db, clock, trips=trips)
        readiness = Readiness(Journal(clock), clock)
        with db.reading() as conn:
            before = everything(conn)
            assert queries.settled(conn, OUTFIT, TODAY)
            found = overview(conn, OUTFIT, Choice(season=(2025,)))
            base = get_edition(conn, OUTFIT, "climbers-2025")
            changed = raised(base)
            effect = next(e for e in trying.effects(conn, readiness, OUTFIT, base, changed) if e.total.come)
            long_way = [
                [walked(conn, readiness, OUTFIT, trip.id, edition) for edition in (base, changed)]
                for trip in trips
            ]
            notes = queries.notes(conn, OUTFIT, Choice(season=(2024,)), about=queries.DEBRIEF, limit=5)
            behind = queries.trips_with(
                conn, OUTFIT, "parka", Choice(first=(2025, 1)), only_lacking=False, limit=5
            )
        assert plain(effect.total) == the_long_way(effect, long_way)
        assert [note.text for note in notes] == [text for _, _, text in trips[0].notes]
        assert found.trips == {2025: 1}
        assert found.people == len(trips[1].people) + 2
        assert [row.trip_id for row in behind] == [trips[1].id]
        projection.rebuild(db, readiness, OUTFIT, TODAY)
        with db.reading() as conn:
            assert everything(conn) == before


@pytest.mark.one_database
def test_the_shipped_history_is_what_the_generator_writes() -> None:
    assert FILE.read_text(encoding="utf-8") == written(invent(100))
    assert [dataclasses.asdict(trip) for trip in history()] == [dataclasses.asdict(t) for t in invent(100)]
    assert len(history()) == 200
