"""The journal: appending against bare inserts with the same durability, and folding against parsing."""

from __future__ import annotations

import json
import tempfile
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from functools import partial
from pathlib import Path
from statistics import median
from typing import Any

from api.clock import SystemClock
from api.db import Database, metadata, sqlite_module
from api.journal import queries, store
from api.journal.chain import KeptEntry, genesis, parse, seal
from api.journal.entry import Entry
from api.journal.fold import fold
from api.journal.kinds import Remark, Sighting, Withdrawn
from api.tables import import_all
from tests.bench import Row
from tests.journal.histories import START, entry, entry_id

ONE_BY_ONE = 600
LONG = 5_000
ROUNDS = 7


def run() -> list[Row]:
    """Append one by one and in batches; parse and fold a long journal; how folding grows."""
    with tempfile.TemporaryDirectory() as folder:
        singly, batched, bare = _appending(Path(folder))
    kept = _kept(_entries(LONG))
    parsed = parse(kept)
    text = f"[{','.join(each.json() for each in kept)}]"
    json_ms, parse_ms = _least_ms(lambda: json.loads(text)), _least_ms(lambda: parse(kept))
    short_ms, fold_ms = _least_ms(lambda: fold(parsed[: LONG // 10])), _least_ms(lambda: fold(parsed))
    inserts = "bare inserts of the same rows"
    return [
        Row("append one by one", inserts, singly / bare, f"{singly:.0f} against {bare:.0f} a second", 0.3),
        Row(
            "append, 500 at once", inserts, batched / bare, f"{batched:.0f} against {bare:.0f} a second", 1.0
        ),
        Row(f"fold {LONG} entries", "60 ms", 60 / fold_ms, f"{fold_ms:.1f} ms", 1.0),
        Row(
            f"fold {LONG} entries",
            f"{LONG // 10} of them, growing with an exponent of 1.05",
            short_ms * 10**1.05 / fold_ms,
            f"{fold_ms:.1f} against {short_ms:.2f} ms",
            1.0,
        ),
        Row(
            f"parse {LONG} kept entries",
            "json.loads of the same text",
            json_ms / parse_ms,
            f"{parse_ms:.1f} against {json_ms:.1f} ms",
            0.2,
        ),
    ]


def _entries(count: int) -> list[Entry]:
    """Twelve people, seventy requirements, some remarks, a few entries taken back."""
    last: dict[tuple[str, ...], int] = {}
    entries = []
    for number in range(1, count + 1):
        body: Sighting | Remark | Withdrawn = Sighting.model_validate(
            {
                "subject": f"m{number * 7 % 12}",
                "requirement": f"r{number * 11 % 70}",
                "known": "seen",
                "state": "fits",
                "answers": {"category": 4, "side-cover": True},
            }
        )
        if number % 20 == 0:
            body = Remark(text="windy at the camp")
        elif number % 33 == 0:
            body = Withdrawn(entry=entry_id(number - 1))
        key = body.key()
        after = (entry_id(last[key]),) if key is not None and key in last else ()
        if key is not None:
            last[key] = number
        entries.append(entry(number, body, phone=number % 3, after=after))
    return entries


def _kept(entries: list[Entry]) -> list[KeptEntry]:
    kept: list[KeptEntry] = []
    prev_hash = genesis("trip")
    for seq, each in enumerate(entries, start=1):
        kept.append(seal(each, each.after or (), seq, prev_hash, START + timedelta(days=1)))
        prev_hash = kept[-1].hash
    return kept


def _appending(folder: Path) -> tuple[float, float, float]:
    """Entries a second: one by one, in batches, and as bare inserts."""
    import_all()
    db = Database(f"sqlite:///{folder / 'ours.sqlite3'}")
    metadata.create_all(db.engines()[1])
    with db.writing() as work:
        queries.create_outfit(work, "nordhang", "Nordhang")
        queries.create_trip(work, "trip", "nordhang", START)
    one_by_one = ROUNDS * ONE_BY_ONE
    entries = _entries(one_by_one + 2_000)
    singly, bare = [], []
    for done in range(0, one_by_one, ONE_BY_ONE):
        # In turns, because a disk has better and worse moments.
        singly.append(_rate(ONE_BY_ONE, partial(_append_singly, db, entries[done : done + ONE_BY_ONE])))
        bare.append(_bare_inserts(db, folder / f"bare-{done}.sqlite3"))
    batches = [entries[start : start + 500] for start in range(one_by_one, len(entries), 500)]
    batched = _rate(2_000, lambda: _append(db, batches))
    db.close()
    return median(singly), batched, median(bare)


def _append_singly(db: Database, entries: list[Entry]) -> None:
    _append(db, [[each] for each in entries])


def _append(db: Database, batches: list[list[Entry]]) -> None:
    """Each batch in a unit of work of its own."""
    for batch in batches:
        with db.writing() as work:
            store.append(work, "trip", "nordhang", batch, START)


def _bare_inserts(db: Database, file: Path) -> float:
    """The first rows just stored, inserted one by one into the same table by the driver alone."""
    with db.reading() as conn:
        table = "type = 'table' AND name = 'journal_entry'"
        made = conn.exec_driver_sql(f"SELECT sql FROM sqlite_master WHERE {table}").scalar_one()
        index = "type = 'index' AND tbl_name = 'journal_entry' AND sql IS NOT NULL"
        indexes = conn.exec_driver_sql(f"SELECT sql FROM sqlite_master WHERE {index}").scalars().all()
        rows = [tuple(row) for row in conn.exec_driver_sql(f"SELECT * FROM journal_entry LIMIT {ONE_BY_ONE}")]
    with closing(sqlite_module().connect(file)) as bare:
        bare.isolation_level = None
        for statement in ("PRAGMA journal_mode = WAL", "PRAGMA synchronous = FULL", made, *indexes):
            bare.execute(statement)
        insert = f"INSERT INTO journal_entry VALUES ({', '.join('?' * len(rows[0]))})"
        return _rate(len(rows), lambda: [bare.execute(insert, row) for row in rows])


def _rate(count: int, do: Callable[[], Any]) -> float:
    clock = SystemClock()
    started = clock.monotonic()
    do()
    return count / (clock.monotonic() - started)


def _least_ms(do: Callable[[], Any]) -> float:
    """The least of some rounds: what others on the machine do can only add to it."""
    return min(1e3 / _rate(1, do) for _ in range(ROUNDS))
