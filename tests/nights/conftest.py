"""The demo taken to the morning of the headache, and its health notes."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from api.access.current import Reader
from api.access.current import Role as ReaderRole
from api.clock import FixedClock
from api.db import Database
from api.journal.pictures import Snapshot
from api.journal.service import Journal
from api.nights.service import Health
from api.settings import Settings
from seeds import demo, loading

OUTFIT = "quillstone"
TRIP = "kessandry-2026-09"
HER = "p11"


def reader(role: ReaderRole = "lead") -> Reader:
    return Reader(outfit=OUTFIT, staff=role, name=role.title(), role=role, everywhere=True)


@dataclass
class Camp:
    """The demo's trip at Moraine Camp."""

    database: Database
    settings: Settings
    clock: FixedClock
    journal: Journal
    health: Health

    def snapshot(self) -> Snapshot:
        with self.database.reading() as conn:
            return self.journal.picture(conn, OUTFIT, TRIP)

    def tell_on(self) -> None:
        with self.database.writing() as work:
            moment = loading.advance(work, self.journal, self.health)
        assert moment is not None
        self.clock.set(loading.begins_at(moment))


def camp_at(database: Database, settings: Settings) -> Camp:
    """The demo's trip in a database, taken to that morning."""
    clock = FixedClock(loading.begins_at(demo.moments(demo.scenario())[0]))
    journal = Journal(clock)
    made = Camp(database, settings, clock, journal, Health(settings, clock, journal))
    loading.seed(database)
    for _ in range(3):
        made.tell_on()
    return made


@pytest.fixture
def camp(database: Database, settings: Settings) -> Camp:
    return camp_at(database, settings)
