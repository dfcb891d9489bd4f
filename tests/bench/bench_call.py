"""Past boards of a long journal, freezing and signing a call, its page on paper."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path

from api.access.current import Reader
from api.call import paper
from api.call.arriving import Arrivals
from api.call.keys import Keys
from api.call.queries import sealed_record
from api.call.schemas import CallForm
from api.call.service import Calls, Sitting
from api.clock import FixedClock, SystemClock
from api.db import Database
from api.ids import new_id
from api.journal.entry import Actor, Entry
from api.journal.kinds import AnyBody, Remark, Sighting
from api.journal.pictures import Snapshot
from api.journal.service import Journal
from api.readiness.board import board
from api.readiness.service import Readiness
from seeds import demo, loading
from tests.bench import Row
from tests.support.databases import migrated

LENGTH = 5_000
PAST_BAR_MS, PAPER_BAR_MS = 100.0, 1_000.0
POINTS = 15


def run() -> list[Row]:
    """Boards at points spread over a journal of 5,000 entries, each folded anew; then a call and its page."""
    with tempfile.TemporaryDirectory() as folder:
        url = f"sqlite:///{Path(folder) / 'call.sqlite3'}"
        migrated(url, Path(folder))
        with closing(Database(url)) as db:
            return _measured(db, Path(folder))


def _measured(db: Database, folder: Path) -> list[Row]:
    loading.seed(db)
    told = demo.scenario()
    outfit, trip = told.data["outfit"]["id"], told.trip
    clock = FixedClock(loading.begins_at(demo.moments(told)[0]))
    journal = Journal(clock)
    readiness = Readiness(journal, clock)
    with db.writing() as work:
        snapshot = journal.picture(work, outfit, trip)
        journal.record(work, outfit, trip, _grown(snapshot))
    with db.reading() as conn:
        snapshot = journal.picture(conn, outfit, trip)
        assert snapshot.seq == LENGTH
        board(readiness.evaluation(conn, outfit, trip), now=clock.now())  # the kit list and forecast are read
        took = [
            _ms(lambda seq=seq: board(readiness.evaluation(conn, outfit, trip, seq=seq), now=clock.now()))
            for seq in range(LENGTH // POINTS + 600, LENGTH, LENGTH // POINTS)
        ]
    worst, middle = max(took), sorted(took)[len(took) // 2]
    arrivals = Arrivals(readiness, Keys(folder, clock))
    journal.react("call-made", arrivals.arrived)
    calls = Calls(readiness, arrivals)
    with db.writing() as work:
        reader = Reader(outfit=outfit, staff="lead", name="Lead", role="lead", everywhere=True)
        form = CallForm(decision="wait", reason="for the forecast")
        making = _ms(lambda: calls.make(Sitting(work, reader, trip, entry=new_id(clock.now())), form))
        made = journal.picture(work, outfit, trip).picture.decided.calls[-1]
        sealed = json.loads(sealed_record(work, outfit, trip, str(made.entry)) or "")
    printing = sorted(_ms(lambda: paper.pdf(paper.call_page(sealed), clock.now())) for _ in range(5))
    return [
        Row(
            what="board at any past entry of 5,000, from scratch",
            baseline=f"the bar of {PAST_BAR_MS:.0f} ms",
            ratio=PAST_BAR_MS / worst,
            figure=f"{middle:.0f} ms in the middle, {worst:.0f} ms at worst",
            bar=1.0,
        ),
        Row(
            what="one page on paper of a call",
            baseline=f"the bar of {PAPER_BAR_MS:.0f} ms",
            ratio=PAPER_BAR_MS / printing[-1],
            figure=f"{printing[2]:.0f} ms in the middle, {printing[-1]:.0f} ms at first",
            bar=1.0,
        ),
        Row(
            what="a call made, frozen, signed and answered",
            baseline="a second",
            ratio=1000 / making,
            figure=f"{making:.0f} ms",
        ),
    ]


def _grown(snapshot: Snapshot) -> list[Entry]:
    """Entries that make the demo's journal long: its sightings made again and again, and remarks."""
    sightings = [entry.body for entry in snapshot.entries if isinstance(entry.body, Sighting)]
    start = snapshot.entries[-1].happened_at
    actor = Actor(id="p02", name="Tashi Wangdrak", role="assistant")
    entries = []
    for number in range(LENGTH - snapshot.seq):
        body: AnyBody = sightings[number % len(sightings)]
        if number % 10 == 9:
            body = Remark(text=f"Remark {number}")
        at = start + timedelta(seconds=number)
        entries.append(
            Entry(
                id=new_id(at),
                trip=snapshot.trip_id,
                body=body,
                actor=actor,
                device="bench",
                happened_at=at,
                seen_seq=snapshot.seq,
            )
        )
    return entries


def _ms(act: Callable[[], object]) -> float:
    timer = SystemClock()
    started = timer.monotonic()
    act()
    return (timer.monotonic() - started) * 1000
