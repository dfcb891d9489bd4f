"""The store: numbering, idempotence, refusals, and what tables beside the journal say."""

import itertools
import random
import re
import threading
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event, text

from api.db import Database
from api.errors import Conflict, NotFound
from api.journal import queries, store
from api.journal.entry import Entry
from api.journal.fold import fold
from api.journal.kinds import (
    GearState,
    HoldPassed,
    MemberLeft,
    MemberSet,
    Remark,
    RopesSet,
    TripPlanned,
    Withdrawn,
)
from api.journal.store import Outcome
from api.journal.trip import MemberProfile, Role, RopeTeam
from tests.journal.conftest import open_trip
from tests.journal.histories import START, entry, entry_id, for_trip, histories, plan, sighting
from tests.support.statements import Counter

NOW = START + timedelta(days=1)
_numbers = itertools.count()


def append(db: Database, *entries: Entry, trip: str = "trip", **more: Any) -> list[Outcome]:
    with db.writing() as work:
        return store.append(work, trip, "nordhang", entries, NOW, **more)


def ids_standing(db: Database) -> list[Any]:
    with db.reading() as conn:
        return [record.entry for record in fold(store.read(conn, "trip")).sightings["mara", "helmet"]]


def tables_beside(db: Database) -> dict[str, list[Any]]:
    with db.reading() as conn:
        return {
            name: sorted(map(tuple, conn.execute(text(f"SELECT * FROM {name}"))))
            for name in ("trip", "trip_member")
        }


class TestAppend:
    def test_entries_are_numbered_from_one_in_order(self, db: Database) -> None:
        outcomes = append(db, entry(1, sighting()), entry(2, Remark(text="cold")))
        assert [(outcome.status, outcome.seq) for outcome in outcomes] == [("stored", 1), ("stored", 2)]
        assert append(db, entry(3, Remark(text="colder")))[0].seq == 3

    def test_what_is_read_is_what_was_written(self, db: Database) -> None:
        written = entry(1, TripPlanned(plan=plan('Grüße \u2028 “ \\ " \n 𝄞')), after=())
        append(db, written)
        with db.reading() as conn:
            stored = store.read(conn, "trip")[0]
        assert Entry.model_validate(stored.model_dump(include=set(Entry.model_fields))) == written
        assert stored.received_at == NOW

    def test_a_nul_in_a_text_is_kept_and_shown_without_it(self, db: Database) -> None:
        profile = MemberProfile(name="Ma\0ra", role=Role.CLIMBER)
        written = [entry(1, MemberSet(member="mara", profile=profile)), entry(2, Remark(text="a\0b"))]
        assert [outcome.status for outcome in append(db, *written)] == ["stored", "stored"]
        with db.reading() as conn:
            assert [each.body for each in store.read(conn, "trip")] == [each.body for each in written]
            assert [row.name for row in queries.members(conn, "trip")] == ["Mara"]

    def test_sending_twice_changes_nothing(self, db: Database) -> None:
        sent = [entry(1, sighting(), after=()), entry(2, TripPlanned(plan=plan()), after=())]
        append(db, *sent)
        with db.reading() as conn:
            before = store.read_kept(conn, "trip"), store.head(conn, "trip")
        outcomes = append(db, *sent, *sent)
        assert [(outcome.status, outcome.seq) for outcome in outcomes] == [
            ("already-there", 1),
            ("already-there", 2),
        ] * 2
        with db.reading() as conn:
            assert (store.read_kept(conn, "trip"), store.head(conn, "trip")) == before

    def test_twice_in_one_batch_is_stored_once(self, db: Database) -> None:
        outcomes = append(db, entry(1, sighting()), entry(1, sighting()))
        assert [outcome.status for outcome in outcomes] == ["stored", "already-there"]

    def test_another_content_under_a_used_id_is_refused(self, db: Database) -> None:
        append(db, entry(1, sighting(state=GearState.FITS)))
        changed = append(db, entry(1, sighting(state=GearState.ABSENT)), entry(2, Remark(text="windy")))
        assert [outcome.status for outcome in changed] == ["refused", "stored"]
        assert changed[0].problem.startswith(f"id: {entry_id(1)} is already used by entry 1, which says")
        with db.reading() as conn:
            assert store.read(conn, "trip")[0].body == sighting(state=GearState.FITS)

    @pytest.mark.parametrize(
        ("bad", "names"),
        [
            (entry(5, sighting(), trip="other"), "trip: "),
            (entry(5, sighting(), seen_seq=2**62), "seen_seq: "),
            (entry(5, sighting()).model_copy(update={"device": "a\x00b"}), "device: "),
            (entry(5, sighting()).model_copy(update={"device": "a\ud800"}), "device: "),
            (entry(5, sighting(), after=(entry_id(5),)), "after: "),
            (entry(5, sighting()).model_copy(update={"happened_at": datetime.min.replace(tzinfo=UTC)}), None),
            (entry(5, sighting(), at=datetime.fromisoformat("0001-01-01T00:00:00+14:00")), "happened_at: "),
            (entry(5, sighting().model_copy(update={"answers": {"warmth": float("nan")}})), "nan"),
        ],
        ids=["trip", "seen_seq", "nul", "surrogate", "itself", "earliest", "before-time", "nan"],
    )
    def test_a_refused_entry_stands_in_nobodys_way(self, db: Database, bad: Entry, names: str | None) -> None:
        outcomes = append(db, entry(1, sighting()), bad, entry(2, Remark(text="fine")))
        assert [outcome.status for outcome in outcomes] == [
            "stored",
            "refused" if names else "stored",
            "stored",
        ]
        assert [outcome.seq for outcome in outcomes] == ([1, None, 2] if names else [1, 2, 3])
        assert (names or "") in outcomes[1].problem
        with db.reading() as conn:
            assert store.verify_trip(conn, "trip").whole

    def test_a_check_of_a_room_refuses_only_what_it_names(self, db: Database) -> None:
        def no_remarks(written: Entry, _taken_back: Entry | None) -> str | None:
            return "body: no remarks today" if isinstance(written.body, Remark) else None

        outcomes = append(db, entry(1, Remark(text="x")), entry(2, sighting()), checks=[no_remarks])
        assert [(o.status, o.problem) for o in outcomes] == [
            ("refused", "body: no remarks today"),
            ("stored", ""),
        ]

    def test_a_sighting_of_something_unknown_is_kept(self, db: Database) -> None:
        assert append(db, entry(1, sighting("nobody", "no-such-thing")))[0].status == "stored"

    def test_an_unknown_trip_and_another_outfits_are_not_found(self, db: Database) -> None:
        with pytest.raises(NotFound), db.writing() as work:
            store.append(work, "nowhere", "nordhang", [entry(1, sighting(), trip="nowhere")], NOW)
        with pytest.raises(NotFound), db.writing() as work:
            store.append(work, "trip", "others", [entry(1, sighting())], NOW)

    def test_statements_do_not_grow_with_the_batch(self, db: Database, query_counter: Counter) -> None:
        counts = []
        for start, size in ((1, 2), (100, 200)):
            with query_counter() as statements:
                append(db, *(entry(n, sighting("mara", f"r{n}")) for n in range(start, start + size)))
            counts.append(statements.count)
        assert counts[0] == counts[1] <= 6


class TestWhatTheWriterKnew:
    def test_what_had_been_read_is_replaced(self, db: Database) -> None:
        append(db, entry(1, sighting(state=GearState.ABSENT), phone=1))
        append(db, entry(2, sighting(), phone=2, seen_seq=1))
        assert ids_standing(db) == [entry_id(2)]

    def test_what_had_not_been_read_stands_beside_it(self, db: Database) -> None:
        append(db, entry(1, sighting(state=GearState.ABSENT), phone=1))
        append(db, entry(2, sighting(), phone=2, seen_seq=0))
        assert ids_standing(db) == [entry_id(1), entry_id(2)]

    def test_a_device_knows_what_it_wrote_itself(self, db: Database) -> None:
        append(db, entry(1, sighting(state=GearState.ABSENT)), entry(2, sighting(), seen_seq=0))
        append(db, entry(3, sighting(state=GearState.UNFIT), seen_seq=0))
        assert ids_standing(db) == [entry_id(3)]

    def test_both_sides_of_a_disagreement_are_replaced_by_who_saw_both(self, db: Database) -> None:
        append(db, entry(1, sighting(), phone=1), entry(2, sighting(state=GearState.UNFIT), phone=2))
        append(db, entry(3, sighting(), phone=0, seen_seq=2))
        assert ids_standing(db) == [entry_id(3)]

    def test_a_withdrawn_entry_is_not_what_is_replaced(self, db: Database) -> None:
        append(db, entry(1, sighting(), after=()), entry(2, sighting(state=GearState.ABSENT)))
        append(db, entry(3, Withdrawn(entry=entry_id(2))))
        append(db, entry(4, sighting(state=GearState.UNFIT), seen_seq=3))
        with db.reading() as conn:
            assert store.read(conn, "trip", after_seq=3)[0].after == (entry_id(1),)

    def test_sending_again_without_after_is_already_there(self, db: Database) -> None:
        append(db, entry(1, sighting(), phone=1))
        later = entry(2, sighting(), phone=2, seen_seq=1)
        append(db, later)
        assert append(db, later)[0].status == "already-there"

    @settings(max_examples=100, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 1), st.integers(0, 20)), max_size=15))
    def test_one_writer_at_a_time_who_reads_first_never_disagrees(
        self, shared_db: Database, writes: list[tuple[int, int, int]]
    ) -> None:
        trip = f"turns-{next(_numbers)}"
        with shared_db.writing() as work:
            queries.create_trip(work, trip, "nordhang", START)
            for number, (phone, item, _) in enumerate(writes, start=1):
                written = entry(
                    number, sighting("mara", f"r{item}"), trip=trip, phone=phone, seen_seq=number - 1
                )
                store.append(work, trip, "nordhang", [written], NOW)
            picture = fold(store.read(work, trip))
        assert all(len(records) == 1 for records in picture.sightings.values())


class TestAnyWayOfArriving:
    @settings(max_examples=400)
    @given(histories(), st.integers(0, 2**32))
    def test_two_stores_show_the_same(self, shared_db: Database, written: list[Entry], seed: int) -> None:
        chance = random.Random(seed)
        number = next(_numbers)
        pictures = []
        for copy in ("here", "there"):
            trip = f"{copy}-{number}"
            sent = for_trip(written + chance.choices(written, k=len(written) // 2) if written else [], trip)
            chance.shuffle(sent)
            with shared_db.writing() as work:
                queries.create_trip(work, trip, "nordhang", START)
                while sent:
                    size = chance.randint(1, 6)
                    batch, sent = sent[:size], sent[size:]
                    outcomes = store.append(work, trip, "nordhang", batch, NOW)
                    assert "refused" not in [outcome.status for outcome in outcomes]
                entries = store.read(work, trip)
                assert store.verify_trip(work, trip).whole
                beside = queries.members(work, trip)
            assert sorted(each.id for each in entries) == sorted(each.id for each in written)
            pictures.append((fold(entries), beside))
        assert pictures[0] == pictures[1]
        assert pictures[0][0] == fold(written)


class TestBeside:
    def people(self) -> list[Entry]:
        profile = {"role": Role.CLIMBER}
        return [
            entry(1, TripPlanned(plan=plan("Four days")), after=()),
            entry(2, MemberSet(member="mara", profile=MemberProfile(name="Mara", **profile)), after=()),
            entry(3, MemberSet(member="tobin", profile=MemberProfile(name="Tobin", **profile)), after=()),
            entry(4, RopesSet(ropes=(RopeTeam(id="r1", name="One", members=("mara", "tobin")),)), after=()),
        ]

    def members(self, db: Database) -> list[tuple[str, str | None, bool]]:
        with db.reading() as conn:
            return [(row.name, row.rope, row.left) for row in queries.members(conn, "trip")]

    def test_a_list_of_trips_shows_the_plan(self, db: Database) -> None:
        append(db, *self.people())
        with db.reading() as conn:
            first, second = queries.trips(conn, "nordhang")
        assert (first.id, first.name, str(first.starts_on), first.head_seq) == (
            "trip",
            "Four days",
            "2026-07-14",
            4,
        )
        assert (second.id, second.name, second.head_seq) == ("other", None, 0)

    def test_members_follow_the_entries(self, db: Database) -> None:
        append(db, *self.people())
        assert self.members(db) == [("Mara", "r1", False), ("Tobin", "r1", False)]
        append(db, entry(5, MemberLeft(member="mara"), after=(entry_id(2),)))
        assert self.members(db) == [("Mara", None, True), ("Tobin", "r1", False)]
        append(db, entry(6, Withdrawn(entry=entry_id(5))))
        assert self.members(db) == [("Mara", "r1", False), ("Tobin", "r1", False)]

    def test_a_withdrawal_that_came_first_counts_when_its_entry_comes(self, db: Database) -> None:
        append(db, entry(9, Withdrawn(entry=entry_id(2))))
        append(db, *self.people())
        assert self.members(db) == [("Tobin", "r1", False)]

    @settings(max_examples=100)
    @given(histories())
    def test_rebuilding_gives_the_same_tables(self, shared_db: Database, written: list[Entry]) -> None:
        trip = f"rebuilt-{next(_numbers)}"
        with shared_db.writing() as work:
            queries.create_trip(work, trip, "nordhang", START)
            for each in for_trip(written, trip):
                store.append(work, trip, "nordhang", [each], NOW)
        before = tables_beside(shared_db)
        with shared_db.writing() as work:
            work.execute(text("DELETE FROM trip_member WHERE trip_id = :trip"), {"trip": trip})
            work.execute(
                text("UPDATE trip SET name = 'wrong', head_seq = 77, head_hash = 'x' WHERE id = :trip"),
                {"trip": trip},
            )
        assert tables_beside(shared_db) != before
        with shared_db.writing() as work:
            store.rebuild(work, trip)
        assert tables_beside(shared_db) == before

    def test_rebuilding_on_each_database(self, db: Database) -> None:
        append(db, *self.people(), entry(5, MemberLeft(member="mara"), after=(entry_id(2),)))
        before = tables_beside(db)
        with db.writing() as work:
            work.execute(text("DELETE FROM trip_member"))
            work.execute(text("UPDATE trip SET name = NULL, head_seq = 0"))
            store.rebuild(work, "trip")
            store.rebuild(work, "other")
        assert tables_beside(db) == before


class TestTrips:
    def test_an_id_can_be_taken_once(self, db: Database) -> None:
        with pytest.raises(Conflict, match="already a trip trip"), db.writing() as work:
            queries.create_trip(work, "trip", "nordhang", START)
        with pytest.raises(Conflict, match="already an outfit nordhang"), db.writing() as work:
            queries.create_outfit(work, "nordhang", "Nordhang")

    def test_a_trip_needs_its_outfit(self, db: Database) -> None:
        with pytest.raises(NotFound, match="no outfit elsewhere"), db.writing() as work:
            queries.create_trip(work, "new", "elsewhere", START)


class TestReading:
    def test_a_span_and_a_limit(self, db: Database) -> None:
        append(db, *(entry(n, Remark(text=str(n))) for n in range(1, 11)))
        with db.reading() as conn:
            assert [e.seq for e in store.read(conn, "trip", 3)] == [4, 5, 6, 7, 8, 9, 10]
            assert [e.seq for e in store.read(conn, "trip", 3, 6)] == [4, 5, 6]
            assert [e.seq for e in store.read(conn, "trip", 3, limit=2)] == [4, 5]
            assert store.read(conn, "trip", 10) == store.read(conn, "other") == []

    def test_a_long_journal_is_read_in_pages(self, db: Database, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(store, "PAGE", 3)
        append(db, *(entry(n, Remark(text=str(n))) for n in range(1, 8)))
        with db.reading() as conn:
            assert [kept.seq for kept in store.stream_kept(conn, "trip")] == list(range(1, 8))


class TestManyWriters:
    def test_threads_of_two_processes_leave_no_gap(self, db: Database) -> None:
        second = Database(db.url.render_as_string(hide_password=False))
        sent = {n: entry(n, HoldPassed(hold=f"h{n % 5}", at=NOW), phone=n % 3) for n in range(1, 81)}
        problems: list[BaseException] = []

        def write(through: Database, numbers: range) -> None:
            try:
                for number in numbers:
                    append(through, sent[number])
            except BaseException as problem:
                problems.append(problem)

        threads = [
            threading.Thread(target=write, args=(through, range(start, 81, 4)))
            for start, through in enumerate((db, second, db, second), start=1)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        second.close()
        assert problems == []
        with db.reading() as conn:
            assert [each.seq for each in store.read(conn, "trip")] == list(range(1, 81))
            assert {each.id for each in store.read(conn, "trip")} == {each.id for each in sent.values()}
            assert store.verify_trip(conn, "trip").whole


class TestSpread:
    def test_every_query_by_trip_meets_one_part_of_the_journal(self, postgres_url: str) -> None:
        db = Database(postgres_url)
        open_trip(db, "trip", "other")
        plans: list[str] = []

        def explain(conn: Any, _cursor: Any, statement: str, parameters: Any, *_rest: Any) -> None:
            if "journal_entry" in statement and statement.startswith(("SELECT", "UPDATE", "DELETE")):
                with conn.connection.cursor() as cursor:
                    plan = cursor.execute(f"EXPLAIN {statement}", parameters).fetchall()
                plans.append("\n".join(line for (line,) in plan))

        for engine in db.engines():
            event.listen(engine, "before_cursor_execute", explain)
        append(db, entry(1, sighting()), entry(2, TripPlanned(plan=plan())))
        append(db, entry(3, Withdrawn(entry=entry_id(1))), entry(4, sighting()))
        append(db, entry(5, sighting()))
        with db.writing() as work:
            store.rebuild(work, "trip")
        with db.reading() as conn:
            store.read(conn, "trip", 1, 3)
            store.verify_trip(conn, "trip")
        db.close()
        assert len(plans) >= 10
        for found in plans:
            assert len(set(re.findall(r"journal_entry_p\d+", found))) == 1, found
