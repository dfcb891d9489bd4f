"""Killed at every line of an append and of a rebuild: all or nothing, and what was acknowledged stays."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import text

from api.clock import FixedClock
from api.db import Database
from api.journal import store
from api.journal.entry import Entry
from api.journal.kinds import AnyBody, MemberSet, Remark, RopesSet, TripPlanned, Withdrawn
from api.journal.service import Journal
from api.journal.trip import MemberProfile, Role, RopeTeam
from tests.fault.killing import Mortal
from tests.journal.conftest import open_trip
from tests.journal.histories import START, entry, entry_id, plan, sighting
from tests.support.databases import SqliteTemplates

LEAST_POINTS = 1_000
TABLES = ("trip", "trip_member", "trip_loan", "journal_entry")


def member(name: str) -> MemberSet:
    return MemberSet(member="mara", profile=MemberProfile(name=name, role=Role.CLIMBER))


BATCHES: dict[str, list[AnyBody]] = {
    "one that is only kept": [Remark(text="a remark")],
    "one that shapes the lists": [member("Mara")],
    "a batch of everything": [
        TripPlanned(plan=plan()),
        member("Mara again"),
        RopesSet(ropes=(RopeTeam(id="rope-1", name="Rope", members=("mara",)),)),
        sighting(),
        Withdrawn(entry=entry_id(2)),
    ],
}


@pytest.fixture
def url(sqlite_templates: SqliteTemplates, tmp_path: Path) -> Iterator[str]:
    with sqlite_templates.fresh(tmp_path) as url:
        db = Database(url)
        open_trip(db, "trip")
        db.close()
        yield url


def state(db: Database) -> dict[str, list[str]]:
    with db.reading() as conn:
        return {name: sorted(map(repr, conn.execute(text(f"SELECT * FROM {name}")))) for name in TABLES}


def kill_everywhere(url: str, work: Callable[[Database], None], check: Callable[[int], None]) -> int:
    """Kill `work` at its first line, its second, and so on until it is done; returns how many kills."""
    line = 1
    while Mortal(url).killed_at(line, work):
        check(line)
        line += 1
    return line - 1


def appending(entries: list[Entry], acknowledged: set[int]) -> Callable[[Database], None]:
    journal = Journal(FixedClock(START))

    def append(db: Database) -> None:
        with db.writing() as work:
            outcomes = journal.record(work, "nordhang", "trip", entries)
        acknowledged.update(outcome.seq for outcome in outcomes if outcome.seq is not None)

    return append


def test_an_append_is_all_or_nothing_wherever_it_is_killed(url: str) -> None:
    watcher = Database(url)
    points, number, acknowledged = 0, 1, set[int]()
    for name, bodies in BATCHES.items():
        entries = [entry(number + place, body) for place, body in enumerate(bodies)]
        number += len(entries)
        before, known = state(watcher), len(state(watcher)["journal_entry"])
        stored_unheard = False

        # The head is looked at after each kill; all rows and the chain when it moved, and now and then.
        def check(
            line: int,
            before: dict[str, list[str]] = before,
            name: str = name,
            known: int = known,
            more: int = len(bodies),
        ) -> None:
            nonlocal stored_unheard
            with watcher.reading() as conn:
                there = store.head(conn, "trip").seq
            if line % 20 and there == known:
                return
            now = state(watcher)
            # Killed after the commit and before the answer: all of it is there, though nobody was told.
            if now != before:
                stored_unheard = True
                assert len(now["journal_entry"]) == len(before["journal_entry"]) + more, (name, line)
            with watcher.reading() as conn:
                report = store.verify_trip(conn, "trip")
            assert report.whole, (name, line, report.problem)

        points += kill_everywhere(url, appending(entries, acknowledged), check)
        # The last attempt was not killed. Whether it was the first to be stored or not, it is there once.
        with watcher.reading() as conn:
            stored = store.read(conn, "trip")
        assert [each.id for each in stored] == [entry_id(known) for known in range(1, number)]
        assert {each.seq for each in stored} >= acknowledged
        assert stored_unheard, "no kill came between the commit and the answer"
    watcher.close()
    assert points >= LEAST_POINTS, points


def test_a_rebuild_is_all_or_nothing_wherever_it_is_killed(url: str) -> None:
    watcher = Database(url)
    with watcher.writing() as work:
        entries = [entry(n, member(f"Mara {n}"), at=START + timedelta(hours=n)) for n in range(1, 6)]
        store.append(work, "trip", "nordhang", entries, START)
    right = state(watcher)
    with watcher.writing() as work:
        work.execute(text("UPDATE trip_member SET name = 'wrong'"))
        work.execute(text("UPDATE trip SET head_seq = 2"))
    wrong = state(watcher)

    def rebuild(db: Database) -> None:
        with db.writing() as work:
            store.rebuild(work, "trip")

    def check(line: int) -> None:
        assert state(watcher) in (wrong, right), line

    points = kill_everywhere(url, rebuild, check)
    assert points > 600, points
    assert state(watcher) == right
    watcher.close()
