"""Two laptops exchange a trip as files, with no server between them, by the commands a guide would type."""

from __future__ import annotations

import os
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from uuid import UUID

from api.db import Database
from api.journal import store
from api.journal.entry import StoredEntry
from api.journal.fold import fold
from api.journal.kinds import AnyBody, GearState, HoldPassed, TripPlanned
from tests.journal.conftest import open_trip
from tests.journal.histories import START, entry, plan, sighting
from tests.support.databases import migrated

ROOT = Path(__file__).resolve().parents[2]
TRIP = "trip"


class Laptop:
    """A laptop with a database of its own."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir()
        self.folder = folder
        self.url = f"sqlite:///{folder / 'rimaye.sqlite3'}"
        migrated(self.url, folder)

    def rimaye(self, *words: str, fails: bool = False) -> str:
        """Type a command."""
        ran = subprocess.run(
            [sys.executable, "-c", "from api.cli import app; app()", *words],
            cwd=ROOT,
            env={**os.environ, "RIMAYE_DATABASE_URL": self.url, "RIMAYE_DATA_DIR": str(self.folder)},
            capture_output=True,
            text=True,
        )
        assert (ran.returncode != 0) is fails, ran.stderr
        return ran.stdout + ran.stderr

    def write(self, number: int, state: GearState, phone: int, after: tuple[UUID, ...] = ()) -> None:
        db = Database(self.url)
        with db.writing() as work:
            written = entry(number, sighting(state=state), trip=TRIP, phone=phone, after=after)
            outcomes = store.append(work, TRIP, "nordhang", [written], START + timedelta(hours=1))
        assert outcomes[0].status == "stored"
        db.close()

    def entries(self) -> list[StoredEntry]:
        db = Database(self.url)
        with db.reading() as conn:
            found = store.read(conn, TRIP)
        db.close()
        return found


def begun(folder: Path) -> Laptop:
    """A laptop on which the trip was planned."""
    laptop = Laptop(folder)
    db = Database(laptop.url)
    open_trip(db, TRIP)
    bodies: list[AnyBody] = [TripPlanned(plan=plan()), HoldPassed(hold="base", at=START)]
    with db.writing() as work:
        begin = [entry(n, body, trip=TRIP, after=()) for n, body in enumerate(bodies, start=1)]
        store.append(work, TRIP, "nordhang", begin, START)
    db.close()
    return laptop


def carried(giver: Laptop, taker: Laptop, *options: str) -> str:
    """Take a trip from one laptop to the other."""
    file = str(giver.folder / "trip.journal")
    giver.rimaye("journal", "export", TRIP, file)
    return taker.rimaye("journal", "import", file, *options)


def test_two_laptops_end_in_the_same_picture_and_are_seen_to_disagree(tmp_path: Path) -> None:
    first, second = begun(tmp_path / "first"), begun(tmp_path / "second")
    first.write(11, GearState.FITS, phone=1)
    second.write(12, GearState.UNFIT, phone=2)

    assert "1 stored, 2 known, 0 refused" in carried(first, second)
    assert "1 stored, 3 known, 0 refused" in carried(second, first)
    assert "0 stored, 4 known, 0 refused" in carried(first, second)

    pictures = [fold(laptop.entries()) for laptop in (first, second)]
    assert pictures[0] == pictures[1]
    both = pictures[0].sightings["mara", "helmet"]
    assert [record.body.state for record in both] == [GearState.FITS, GearState.UNFIT]
    for laptop in (first, second):
        assert "whole, 4 entries" in laptop.rimaye("journal", "verify", TRIP)

    settling = tuple(record.entry for record in both)
    first.write(13, GearState.FITS, phone=1, after=settling)
    carried(first, second)
    settled = [fold(laptop.entries()).sightings["mara", "helmet"] for laptop in (first, second)]
    assert settled[0] == settled[1]
    assert len(settled[0]) == 1


def test_a_file_that_was_changed_on_the_way_is_refused_whole(tmp_path: Path) -> None:
    first, second = begun(tmp_path / "first"), begun(tmp_path / "second")
    first.write(11, GearState.ABSENT, phone=1)
    file = first.folder / "trip.journal"
    first.rimaye("journal", "export", TRIP, str(file))
    file.write_text(file.read_text().replace('"absent"', '"fits"'))
    assert "chain is broken" in second.rimaye("journal", "import", str(file), fails=True)
    assert len(second.entries()) == 2
