"""Writing as somebody, here and now; and knowing the newest number without asking the database."""

import asyncio
from collections.abc import Iterator
from datetime import timedelta

import pytest

from api.access.current import Reader
from api.clock import FixedClock
from api.db import Database
from api.errors import Conflict, NotFound
from api.journal import store
from api.journal.kinds import GearState, Remark
from api.journal.service import Journal, actor_of
from api.journal.writing import written_by
from tests.journal.histories import START, entry, sighting
from tests.support.statements import Counter

NOW = START + timedelta(days=1)
LEAD = Reader(outfit="nordhang", staff="lead", name="Lead guide", role="lead")
ASSISTANT = Reader(outfit="nordhang", staff="assistant", name="Assistant guide", role="assistant")


@pytest.fixture
def journal(db: Database) -> Iterator[Journal]:
    journal = Journal(FixedClock(NOW))
    journal.listen(db)
    yield journal
    journal.close()


class TestWrite:
    def test_it_is_by_the_reader_now_and_knows_all(self, db: Database, journal: Journal) -> None:
        with db.writing() as work:
            journal.write(work, ASSISTANT, "trip", sighting(state=GearState.ABSENT))
        with db.writing() as work:
            outcomes = journal.write(work, LEAD, "trip", sighting(), Remark(text="found in the car"))
        assert [outcome.seq for outcome in outcomes] == [2, 3]
        with db.reading() as conn:
            first, second, third = store.read(conn, "trip")
            assert journal.picture(conn, "nordhang", "trip").seq == 3
        assert second.actor == actor_of(LEAD)
        assert (second.happened_at, second.received_at, second.seen_seq) == (NOW, NOW, 1)
        assert (second.after, third.after) == ((first.id,), ())

    def test_who_had_not_read_it_does_not_replace_it(self, db: Database, journal: Journal) -> None:
        with db.writing() as work:
            journal.write(work, ASSISTANT, "trip", sighting(state=GearState.ABSENT))
            journal.write(work, LEAD, "trip", sighting(), seen_seq=0)
            picture = journal.picture(work, "nordhang", "trip").picture
        assert len(picture.sightings["mara", "helmet"]) == 2

    def test_one_refused_stores_none(self, db: Database, journal: Journal) -> None:
        with pytest.raises(Conflict, match="device"), db.writing() as work:
            journal.write(work, LEAD, "trip", Remark(text="x"), device="\x07")
        with db.reading() as conn:
            assert store.head(conn, "trip").seq == 0

    @pytest.mark.parametrize(("reader", "refused"), [(LEAD, True), (ASSISTANT, True)])
    def test_nobody_writes_in_anothers_name(self, reader: Reader, refused: bool) -> None:
        theirs = entry(1, sighting())
        own = theirs.model_copy(update={"actor": actor_of(reader)})
        assert (written_by(reader)(theirs, None) is not None) is refused
        assert written_by(reader)(own, None) is None


class TestHead:
    def head(self, db: Database, journal: Journal, trip: str = "trip") -> int:
        return asyncio.run(journal.head(db, "nordhang", trip)).seq

    def settled(self, journal: Journal) -> None:
        """On PostgreSQL, wait until the listener is connected and has heard what was written."""
        listener = journal._heads.tick
        for _ in range(500):
            if listener.now() is not None:
                break
            asyncio.run(asyncio.sleep(0.01))
        assert listener.now() is not None

    def test_it_is_read_once_while_nothing_is_stored(
        self, db: Database, journal: Journal, query_counter: Counter
    ) -> None:
        self.settled(journal)
        assert self.head(db, journal) == 0
        with query_counter() as statements:
            assert [self.head(db, journal) for _ in range(5)] == [0] * 5
        assert statements.count == 0

    def test_it_is_new_after_an_append_by_anyone(self, db: Database, journal: Journal) -> None:
        self.settled(journal)
        elsewhere = Database(db.url.render_as_string(hide_password=False))
        for number, through in enumerate((db, elsewhere, db, elsewhere), start=1):
            before = journal._heads.tick.now()
            with through.writing() as work:
                store.append(work, "trip", "nordhang", [entry(number, Remark(text="x"))], NOW)
            for _ in range(500):
                if journal._heads.tick.now() != before:
                    break
                asyncio.run(asyncio.sleep(0.01))
            assert self.head(db, journal) == number
        elsewhere.close()

    def test_an_own_append_counts_before_the_database_has_told_of_it(
        self, db: Database, journal: Journal, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        self.settled(journal)
        tick = journal._heads.tick.now()
        monkeypatch.setattr(journal._heads.tick, "now", lambda: tick)
        assert self.head(db, journal) == 0
        with db.writing() as work:
            journal.record(work, "nordhang", "trip", [entry(1, Remark(text="x"))])
        assert self.head(db, journal) == 1

    def test_another_outfits_trip_is_not_found(self, db: Database, journal: Journal) -> None:
        self.head(db, journal)
        with pytest.raises(NotFound):
            asyncio.run(journal.head(db, "others", "trip"))
