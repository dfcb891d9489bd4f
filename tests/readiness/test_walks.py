"""Who reads on does not begin at the first entry, and reads the same."""

from __future__ import annotations

import pytest

from api.clock import FixedClock
from api.db import Database
from api.ids import new_id
from api.journal import store
from api.journal.entry import Actor, Entry
from api.journal.kinds import GearState, Known, Sighting
from api.journal.service import Journal
from api.readiness import history
from api.readiness.service import Readiness
from api.readiness.stepping import Walk
from seeds import demo, loading

OUTFIT, TRIP = "quillstone", "kessandry-2026-09"
CLOCK = FixedClock(loading.begins_at(demo.moments(demo.scenario())[0]))


@pytest.fixture
def steps(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """The numbers of the entries that are gone past."""
    taken: list[int] = []
    step = Walk.step

    def counted(self: Walk, entry: Entry) -> object:
        taken.append(entry.seq)  # type: ignore[attr-defined]
        return step(self, entry)

    monkeypatch.setattr(Walk, "step", counted)
    return taken


def sighted(state: GearState) -> Entry:
    return Entry(
        id=new_id(CLOCK.now()),
        trip=TRIP,
        body=Sighting(subject="p09", requirement="boots", known=Known.TRIED, state=state),
        actor=Actor(id="lead", name="Lead guide", role="lead"),
        device="test",
        happened_at=CLOCK.now(),
    )


def test_only_what_is_new_is_walked(database: Database, steps: list[int]) -> None:
    loading.seed(database)
    readiness = Readiness(Journal(CLOCK), CLOCK)
    with database.reading() as conn:
        first = history.history(conn, readiness, OUTFIT, TRIP)
        walked = len(steps)
        assert walked == readiness.journal.picture(conn, OUTFIT, TRIP).seq
        assert history.history(conn, readiness, OUTFIT, TRIP) == first
    assert len(steps) == walked
    with database.writing() as work:
        store.append(work, TRIP, OUTFIT, [sighted(GearState.ABSENT)], CLOCK.now())
        then = history.history(work, readiness, OUTFIT, TRIP)
        assert len(steps) == walked + 1
        assert [row.finding for row in then if row not in first] == ["p09.boots"]
        work.rollback()
    with database.writing() as work:
        store.append(work, TRIP, OUTFIT, [sighted(GearState.UNFIT)], CLOCK.now())
    with database.writing() as work:
        after = history.history(work, readiness, OUTFIT, TRIP)
        assert after != then, "what was rolled back is not gone on from"
        history.rebuild(work, readiness, OUTFIT, TRIP)
        assert history.history(work, readiness, OUTFIT, TRIP) == after
