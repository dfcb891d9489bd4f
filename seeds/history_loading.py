"""Putting the invented history into a database, as journals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime

from api.clock import Clock, FixedClock
from api.conditions.service import store
from api.conditions.sources.manual import to_forecast
from api.db import Database, Work
from api.journal import queries as journal_queries
from api.journal.kinds import AnyBody
from api.journal.service import Journal
from api.kitlist import service as kitlists
from api.readiness.service import Readiness
from api.seasons import projection
from seeds import demo
from seeds.history import SEASONS, InventedTrip, history
from seeds.history_story import Story, edition_of

AT_ONCE = 10
Report = Callable[[int], None]


def load(
    db: Database,
    clock: Clock,
    *,
    trips: Sequence[InventedTrip] | None = None,
    report: Report | None = None,
) -> int:
    """Write the history's journals into the demo's outfit and review them; answers with how many are new."""
    wanted = list(history() if trips is None else trips)
    outfit = demo.scenario().data["outfit"]["id"]
    with db.writing() as work:
        have = set(journal_queries.trip_ids(work, outfit))
        _editions(work, outfit)
    new = [trip for trip in wanted if trip.id not in have]
    for at in range(0, len(new), AT_ONCE):
        with db.writing() as work:
            for trip in new[at : at + AT_ONCE]:
                _write(work, outfit, trip)
        if report is not None:
            report(min(at + AT_ONCE, len(new)))
    readiness = Readiness(Journal(clock), clock)
    projection.catch_up(db, readiness, outfit, clock.now().date())
    return len(new)


def _editions(work: Work, outfit: str) -> None:
    have = {row.id for row in kitlists.list_editions(work, outfit)}
    for season in SEASONS:
        edition = edition_of(season)
        if edition.id not in have:
            now = datetime.combine(edition.dated, datetime.min.time(), UTC)
            kitlists.create(work, outfit, edition, now=now)
            kitlists.publish(work, outfit, edition.id, now=now)
            kitlists.mark_used(work, outfit, edition.id)


def _write(work: Work, outfit: str, trip: InventedTrip) -> None:
    story = Story(trip, edition_of(trip.season))
    journal_queries.create_trip(work, trip.id, outfit, story.at(-240, "10:00"))
    heard: list[tuple[datetime, AnyBody]] = []
    for forecast in story.forecasts():
        received = to_forecast(forecast.typed, story.plan.place)
        heard.append((forecast.at, store(work, outfit, received, forecast.at)))
    journal = Journal(FixedClock(story.at(4, "12:00")))
    outcomes = journal.record(work, outfit, trip.id, story.entries(heard))
    refused = [outcome.problem for outcome in outcomes if outcome.status == "refused"]
    if refused:
        raise RuntimeError(f"the history does not fit its journal: {refused[0]}")
