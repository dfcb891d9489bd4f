"""Three phones in a storm, and a judge that would notice."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import text

from api.journal.fold import fold
from tests.journal.storm import ENTRIES, PHONES, Storm, judge, opened

SEED = 20260714
FEW = 60


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Storm]:
    """A small storm that is over."""
    db = opened(tmp_path)
    storm = Storm(db, SEED, FEW)
    storm.rage()
    yield storm
    db.close()


def test_all_see_the_same_and_nothing_is_lost(tmp_path: Path) -> None:
    db = opened(tmp_path)
    storm = Storm(db, SEED)
    storm.rage()
    assert judge(storm) == []
    assert [len(phone.own) for phone in storm.phones] == [ENTRIES] * PHONES
    assert (
        min(storm.happened[what] for what in ("broken", "split", "sent twice", "delayed", "answer lost")) > 5
    )
    assert storm.happened["service died"] > 0
    assert storm.happened["died"] > 0
    assert any(len(records) > 1 for records in storm.pictures()[-1].sightings.values())
    db.close()


def test_an_entry_lost_is_noticed(small: Storm) -> None:
    assert judge(small) == []
    with small.db.writing() as work:
        work.execute(text("DELETE FROM journal_entry WHERE seq = (SELECT max(seq) FROM journal_entry)"))
    assert any("1 are lost" in wrong for wrong in judge(small))


def test_another_picture_is_noticed(small: Storm) -> None:
    phone = small.phones[1]
    seen = fold(phone.known.values())
    standing = next(records[0].entry for records in seen.sightings.values())
    del phone.known[standing]
    assert judge(small) == ["phone 1 sees another picture"]


def test_the_same_seed_is_the_same_storm(small: Storm, tmp_path: Path) -> None:
    (tmp_path / "again").mkdir()
    db = opened(tmp_path / "again")
    again = Storm(db, SEED, FEW)
    again.rage()
    assert again.happened == small.happened
    assert [phone.own for phone in again.phones] == [phone.own for phone in small.phones]
    db.close()
