"""Pictures in memory: the same as from the journal, and cheap when little is new."""

from datetime import timedelta

import pytest

from api.db import Database
from api.errors import NotFound
from api.journal import store
from api.journal.fold import EMPTY, fold
from api.journal.kinds import Remark
from api.journal.pictures import PictureCache
from tests.journal.histories import START, entry, sighting
from tests.support.statements import Counter

NOW = START + timedelta(days=1)


def append(db: Database, *numbers: int, trip: str = "trip") -> None:
    with db.writing() as work:
        store.append(
            work,
            trip,
            "nordhang",
            [entry(n, sighting("mara", f"r{n}"), trip=trip, after=()) for n in numbers],
            NOW,
        )


class TestGet:
    def test_it_follows_the_journal(self, db: Database) -> None:
        cache = PictureCache()
        for numbers in ((), (1, 2), (3,), (4, 5)):
            append(db, *numbers)
            with db.reading() as conn:
                found = cache.get(conn, "trip")
                assert found.head == store.head(conn, "trip")
                assert list(found.entries) == store.read(conn, "trip")
                assert found.picture == fold(found.entries)

    def test_an_empty_journal_gives_the_empty_picture(self, db: Database) -> None:
        with db.reading() as conn:
            found = PictureCache().get(conn, "trip")
        assert (found.seq, found.picture, found.entries) == (0, EMPTY, ())

    def test_only_what_is_new_is_read(
        self, db: Database, query_counter: Counter, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        cache, read = PictureCache(), []
        append(db, 1, 2, 3)
        with db.reading() as conn:
            cache.get(conn, "trip")
        append(db, 4)
        real = store.parse
        monkeypatch.setattr(store, "parse", lambda kept: read.extend(kept) or real(kept))
        with db.reading() as conn, query_counter() as statements:
            cache.get(conn, "trip")
            cache.get(conn, "trip")
        assert [kept.seq for kept in read] == [4]
        assert statements.count == 3

    def test_what_was_rolled_back_leaves_nothing_behind(self, db: Database) -> None:
        cache = PictureCache()
        append(db, 1)
        with pytest.raises(ZeroDivisionError), db.writing() as work:
            store.append(work, "trip", "nordhang", [entry(2, Remark(text="never"))], NOW)
            assert cache.get(work, "trip").seq == 2
            raise ZeroDivisionError
        with db.reading() as conn:
            assert cache.get(conn, "trip").seq == 1
        append(db, 3, 4)
        with db.reading() as conn:
            assert list(cache.get(conn, "trip").entries) == store.read(conn, "trip")
            assert [each.id for each in cache.get(conn, "trip").entries] == [
                entry(n, Remark(text="x")).id for n in (1, 3, 4)
            ]

    def test_another_end_of_the_same_length_is_noticed(self, db: Database) -> None:
        cache = PictureCache()
        append(db, 1)
        with pytest.raises(ZeroDivisionError), db.writing() as work:
            store.append(work, "trip", "nordhang", [entry(2, Remark(text="never"))], NOW)
            cache.get(work, "trip")
            raise ZeroDivisionError
        append(db, 3)
        with db.reading() as conn:
            assert [each.body.kind for each in cache.get(conn, "trip").entries] == ["sighting", "sighting"]

    def test_an_older_snapshot_sees_what_it_saw(self, db: Database) -> None:
        cache = PictureCache()
        append(db, 1, 2)
        with db.reading() as older:
            assert store.head(older, "trip").seq == 2
            append(db, 3)
            with db.reading() as newer:
                assert cache.get(newer, "trip").seq == 3
            found = cache.get(older, "trip")
            assert (found.seq, len(found.entries)) == (2, 2)
        with db.reading() as newest:
            assert cache.get(newest, "trip").seq == 3

    def test_another_outfits_trip_is_not_found_even_when_kept(self, db: Database) -> None:
        cache = PictureCache()
        with db.reading() as conn:
            cache.get(conn, "trip", "nordhang")
            with pytest.raises(NotFound):
                cache.get(conn, "trip", "others")

    def test_the_trips_read_longest_ago_are_dropped(self, db: Database, query_counter: Counter) -> None:
        cache = PictureCache(most_entries=3)
        append(db, 1, 2)
        append(db, 1, 2, trip="other")
        with db.reading() as conn:
            cache.get(conn, "trip")
            cache.get(conn, "other")
            with query_counter() as kept:
                cache.get(conn, "other")
            with query_counter() as dropped:
                cache.get(conn, "trip")
        assert (kept.count, dropped.count) == (1, 2)


class TestAt:
    def test_any_past_moment(self, db: Database) -> None:
        append(db, 1, 2, 3)
        with db.reading() as conn:
            now = PictureCache().get(conn, "trip")
            for seq in range(4):
                then = now.at(seq)
                assert then.picture == fold(store.read(conn, "trip", upto_seq=seq))
                assert then.seq == seq
            assert now.at(0).head.hash == store.read(conn, "trip")[0].prev_hash

    @pytest.mark.parametrize("seq", [-1, 1])
    def test_a_number_outside_the_journal(self, db: Database, seq: int) -> None:
        with db.reading() as conn, pytest.raises(ValueError, match=f"seq is {seq}"):
            PictureCache().get(conn, "trip").at(seq)
