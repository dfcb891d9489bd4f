"""A process killed at any moment of an append: what was acknowledged is there, nothing is half-written."""

import random
import signal
import subprocess
import sys
import time
from pathlib import Path

from sqlalchemy import text

from api.db import Database
from api.journal import store
from tests.journal.histories import entry_id

KILLS = 6
ROOT = Path(__file__).resolve().parents[2]


def append_until_killed(url: str, first: int, chance: random.Random) -> dict[int, int]:
    """Let another process append for a moment, kill it; return what it had acknowledged: entry → number."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.journal.appender", url, str(first)],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    lines = [process.stdout.readline()]
    time.sleep(chance.uniform(0.0, 0.25))
    process.send_signal(signal.SIGKILL)
    lines += process.stdout.readlines()
    process.stdout.close()
    assert process.wait() == -signal.SIGKILL
    # A line cut short by the kill was not fully said; its entry may or may not be there.
    return {int(number): int(seq) for line in lines if line.endswith("\n") for number, seq in [line.split()]}


def test_nothing_acknowledged_is_lost(db: Database) -> None:
    url = db.url.render_as_string(hide_password=False)
    chance = random.Random(20260714)
    acknowledged: dict[int, int] = {}
    for kill in range(KILLS):
        told = append_until_killed(url, kill * 100_000 + 1, chance)
        assert told
        acknowledged |= told
        with db.reading() as conn:
            stored = {each.id: each.seq for each in store.read(conn, "trip")}
            report = store.verify_trip(conn, "trip")
            people = sorted(map(tuple, conn.execute(text("SELECT * FROM trip_member"))))
        assert {entry_id(number): seq for number, seq in acknowledged.items()}.items() <= stored.items()
        assert report.whole, report.problem
        with db.writing() as work:
            store.rebuild(work, "trip")
            assert sorted(map(tuple, work.execute(text("SELECT * FROM trip_member")))) == people
