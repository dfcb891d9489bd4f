"""Two processes on one PostgreSQL, one of them killed now and then; and a judge that would notice a loss.

The long run is a command: `python -m tests.fault.two_processes --minutes 10 --seed 1`.
"""

from __future__ import annotations

import json
import threading
from pathlib import Path

from sqlalchemy import text

from api.db import Database
from api.journal import store
from seeds import loading
from tests.fault.two_processes import TRIP, Run, Screen, Told, judge_entries, judge_screens, storm


def test_nothing_acknowledged_is_lost_and_all_screens_agree(postgres_url: str, tmp_path: Path) -> None:
    told = storm(postgres_url, tmp_path, Run(seconds=16, kill_every_s=4, seed=20260714))
    assert told.wrong == []
    assert told.happened["killed"] >= 1
    assert told.happened["no answer"] > 0, "nobody noticed the kills"
    assert told.happened["acknowledged"] > 50


def test_the_judge_notices(postgres_url: str) -> None:
    db = Database(postgres_url)
    loading.seed(db)
    with db.reading() as conn:
        stored = store.read_kept(conn, TRIP)
    told = Told(acknowledged={kept.id: kept.seq for kept in stored})
    assert judge_entries(db, told) == stored
    assert told.wrong == []
    with db.writing() as work:
        work.execute(text("DELETE FROM journal_entry WHERE seq = 3"))
    judge_entries(db, told)
    assert any("1 acknowledged entries are lost" in wrong for wrong in told.wrong)
    assert any("gaps" in wrong for wrong in told.wrong)
    assert any("chain is broken" in wrong for wrong in told.wrong)
    db.close()
    screen = Screen(1, 0, [], Told(), threading.Event())
    screen.kept = [json.loads(kept.json()) for kept in stored]
    screen.kept[0] = screen.kept[0] | {"device": "another"}
    other = Told()
    judge_screens(stored, [screen], other)
    assert other.wrong == ["screen 0 has another copy of the journal"]
