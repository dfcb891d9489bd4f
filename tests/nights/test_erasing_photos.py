"""Photos of a person's gear go when they ask for erasure; by time alone they stay for their own."""

from __future__ import annotations

from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from PIL import Image

from api.db import sqlite_module
from api.nights import erasing
from api.photos import queries as photos
from api.photos.rules import harmless
from api.photos.service import keep
from tests.nights.conftest import HER, OUTFIT, TRIP, Camp
from tests.nights.test_erasing import erase, files_of
from tests.photos.pictures import encoded


def with_photo(camp: Camp, subject: str, colour: tuple[int, int, int]) -> bytes:
    """Keep a photo of somebody's boots; answers with its bytes as they are kept."""
    made = harmless(encoded("PNG", Image.new("RGB", (90, 60), colour)), 1_000_000)
    with camp.database.writing() as work:
        keep(
            work,
            camp.settings,
            OUTFIT,
            TRIP,
            subject=subject,
            requirement="boots",
            shows="whole",
            made=made,
            now=camp.clock.now(),
            by=subject,
        )
    return made.content


def pictured(camp: Camp) -> set[str]:
    with camp.database.reading() as conn:
        return {row.subject for row in photos.listed(conn, OUTFIT, TRIP)}


def test_photos_go_on_request_and_those_of_others_stay(camp: Camp) -> None:
    with_photo(camp, HER, (200, 10, 10))
    with_photo(camp, "p08", (10, 10, 200))
    erase(camp)
    assert pictured(camp) == {"p08"}
    with_photo(camp, HER, (10, 200, 10))
    assert erase(camp) == 0, "also of somebody whose notes are erased already"
    assert pictured(camp) == {"p08"}


def test_photos_stay_for_their_own_time_when_that_of_notes_is_over(camp: Camp) -> None:
    with_photo(camp, HER, (200, 10, 10))
    camp.clock.set(datetime(2026, 10, 16, 12, tzinfo=UTC))
    with camp.database.writing() as work:
        assert erasing.erase_due(work, camp.health) == 1
    assert pictured(camp) == {HER}


@pytest.mark.one_database
def test_no_byte_of_an_erased_photo_is_left_in_database_log_and_copies(camp: Camp, tmp_path: Path) -> None:
    kept = with_photo(camp, HER, (200, 10, 10))
    before = b"".join(path.read_bytes() for path in files_of(camp.database))
    assert kept in before, "the search finds what is there"
    erase(camp)
    copy = tmp_path / "copy.sqlite3"
    connect = sqlite_module().connect
    with closing(connect(str(camp.database.url.database))) as source, closing(connect(str(copy))) as target:
        source.backup(target)
    for path in (*files_of(camp.database), copy):
        raw = path.read_bytes()
        assert all(kept[at : at + 64] not in raw for at in range(0, len(kept) - 64, 64)), path.name
