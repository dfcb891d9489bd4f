"""Stock across trips, promises and hand-outs as entries, and the cover plan applied; on both databases."""

import threading
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta

import pytest

from api.access.current import Reader
from api.clock import FixedClock
from api.db import Database
from api.errors import Invalid, NotFound
from api.journal import queries as journal_queries
from api.journal import store
from api.journal.kinds import HoldPassed, LoanPromised, LoanReleased, LoanTerms
from api.locker import covering, queries, service
from api.locker.givers import Shop
from api.locker.loans import Desk, NotToBeHad
from api.locker.plan import cheapest
from api.locker.schemas import Applied, CoverPlan, HandOut, LetGo, Promise, Quarantine, Return
from api.readiness.service import Readiness
from tests.locker.conftest import LEAD, OTHER, OUTFIT, TRIP


def plan_of(db: Database, readiness: Readiness, *, sent_up: bool = False) -> CoverPlan:
    with db.reading() as conn:
        return covering.propose(conn, LEAD, readiness, TRIP, sent_up=sent_up)


def apply(db: Database, readiness: Readiness, lines: Sequence[str]) -> Applied:
    with db.writing() as work:
        return covering.apply(work, LEAD, readiness, TRIP, lines)


def line_for(plan: CoverPlan, finding: str) -> str:
    return next(line.id for line in plan.lines if line.finding == finding)


@pytest.mark.one_database
class TestPlanOfTheDemo:
    """The planted gaps of the invented scenario and the ways out it names."""

    def test_who_gets_what(self, db: Database, readiness: Readiness) -> None:
        plan = plan_of(db, readiness)
        got = {line.finding: line.giver for line in plan.lines if line.source == "locker"}
        assert got["p04.glacier-glasses"] in ("ep-01", "ep-02")
        assert got["p05.crampons"] == "cr-01", "no heel ledge: the strap-on pair, not the heel lever"
        assert got["p09.harness"] == "ha-02", "ha-01 is retired, ha-03 ends during the trip"
        assert got["p09.shell-trousers"] in ("st-01", "st-02")
        assert got["p10.parka"] == "pa-01", "pa-02 is promised elsewhere"
        assert got["p10.sleeping-bag"] == "sb-01", "the other bag would still be too thin"
        assert got["p08.headlamp-power"] == "ce-01"

    def test_what_nobody_lends_is_not_in_it(self, db: Database, readiness: Readiness) -> None:
        plan = plan_of(db, readiness)
        assert any("First-aid certificate" in title for title in plan.not_gear)
        assert any("helmet" in title for title in plan.to_look_at), "two records disagree: look first"
        assert [gap.finding for gap in plan.uncovered] == ["party.satellite-messenger"]
        assert plan.help[0].says.endswith("clears one stop.")
        assert plan.help[0].requirement == "satellite-messenger"

    def test_promised_gear_closes_no_gap(self, db: Database, readiness: Readiness) -> None:
        plan = plan_of(db, readiness)
        with db.reading() as conn:
            before = readiness.evaluation(conn, OUTFIT, TRIP).findings
        applied = apply(db, readiness, [line.id for line in plan.lines])
        assert {result.status for result in applied.results} == {"promised"}
        with db.reading() as conn:
            evaluation = readiness.evaluation(conn, OUTFIT, TRIP)
        assert evaluation.findings == before
        after = plan_of(db, readiness)
        assert after.lines == ()
        assert len(after.promised) == len(plan.lines)

    def test_shop_that_has_shut_is_left_out(
        self, db: Database, readiness: Readiness, clock: FixedClock
    ) -> None:
        assert any(line.source == "bought" for line in plan_of(db, readiness).lines)
        clock.advance(timedelta(hours=3))
        assert not any(line.source == "bought" for line in plan_of(db, readiness).lines)

    def test_on_the_mountain_only_what_is_there_counts(self, db: Database, readiness: Readiness) -> None:
        passed = HoldPassed(hold="base", at=readiness.clock.now())
        with db.writing() as work:
            readiness.journal.write(work, LEAD, TRIP, passed)
        plan = plan_of(db, readiness)
        assert {line.source for line in plan.lines} <= {"party", "person"}
        glasses = next(line for line in plan.lines if line.finding == "p04.glacier-glasses")
        assert glasses.opens == "Leaves fewer spares than asked: an advice for the party."
        brought = plan_of(db, readiness, sent_up=True)
        assert "locker" in {line.source for line in brought.lines}


class TestApplied:
    def test_line_gone_meanwhile_is_refused_and_the_others_kept(
        self, db: Database, readiness: Readiness
    ) -> None:
        plan = plan_of(db, readiness)
        gone, kept = line_for(plan, "p09.harness"), line_for(plan, "p10.parka")
        with db.writing() as work:
            service.quarantine(work, LEAD, readiness.clock, "ha-02", Quarantine(reason="stitching worn"))
        applied = apply(db, readiness, [gone, kept, "p10.parka|locker:pa-02", "nobody.nothing|locker:x"])
        says = {result.line: (result.status, result.says) for result in applied.results}
        assert says[gone][0] == "refused"
        assert "stitching worn" in says[gone][1]
        assert says[kept][0] == "promised"
        assert says["p10.parka|locker:pa-02"] == (
            "refused",
            "Chiara Bonfanti already gets something else for this.",
        )
        assert says["nobody.nothing|locker:x"] == ("refused", "This gap is not open any more.")
        with db.reading() as conn:
            assert [row.giver for row in journal_queries.loans(conn, TRIP)] == ["pa-01"]

    def test_one_thing_is_promised_once(self, db: Database, readiness: Readiness) -> None:
        lines = ["p05.crampons|locker:cr-01", "p05.crampons|locker:cr-01"]
        applied = apply(db, readiness, lines)
        assert [result.status for result in applied.results] == ["promised"]
        again = apply(db, readiness, lines[:1])
        assert again.results[0].says == "Something is promised for this already."

    def test_crampons_that_do_not_suit_are_no_line(self, db: Database, readiness: Readiness) -> None:
        applied = apply(db, readiness, ["p05.crampons|locker:cr-02"])
        assert applied.results[0].status == "refused"
        assert "does not suit B1 boots" in applied.results[0].says


class TestAcrossTrips:
    def test_what_another_trip_has_is_refused_with_its_days(self, db: Database, readiness: Readiness) -> None:
        asked = Promise(item="pa-02", subject="p10", requirement="parka")
        why = "Glacier course on the Anselt, 13 September 2026 to 16 September 2026"
        with pytest.raises(NotToBeHad, match=why), db.writing() as work:
            Desk(work, LEAD, readiness, TRIP).promise(asked)

    def test_of_a_trip_one_may_not_see_only_the_days_are_told(
        self, db: Database, readiness: Readiness
    ) -> None:
        guide = replace(LEAD, everywhere=False, staff="nobody")
        with db.reading() as conn:
            page = service.one(conn, guide, "pa-02", today=date(2026, 9, 1))
        assert "Glacier course" not in page.model_dump_json()
        assert [(loan.trip, loan.trip_name, loan.subject) for loan in page.loans] == [
            ("", "another trip", "")
        ]

    def test_letting_go_frees_it(self, db: Database, readiness: Readiness) -> None:
        with db.writing() as work:
            Desk(work, LEAD, readiness, OTHER).let_go("loan-pa-02", LetGo())
        with db.writing() as work:
            Desk(work, LEAD, readiness, TRIP).promise(
                Promise(item="pa-02", subject="p10", requirement="parka")
            )
        with db.reading() as conn:
            rows = queries.loans_of(conn, OUTFIT, "pa-02")["pa-02"]
        assert sorted((row.trip_id, row.state) for row in rows) == [(OTHER, "released"), (TRIP, "promised")]

    def test_two_trips_at_the_same_moment_one_gets_it(self, db: Database, readiness: Readiness) -> None:
        said: list[str] = []

        def ask(trip: str, subject: str) -> None:
            try:
                with db.writing() as work:
                    desk = Desk(work, LEAD, readiness, trip)
                    desk.promise(Promise(item="he-01", subject=subject, requirement="helmet"))
                said.append("promised")
            except NotToBeHad:
                said.append("refused")

        threads = [
            threading.Thread(target=ask, args=(trip, subject))
            for trip, subject in ((TRIP, "p06"), (OTHER, "c01"), (TRIP, "p07"), (OTHER, "c01"))
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert sorted(said) == ["promised", "refused", "refused", "refused"]

    def test_projection_is_what_the_journal_says(self, db: Database, readiness: Readiness) -> None:
        apply(db, readiness, [line.id for line in plan_of(db, readiness).lines])
        with db.writing() as work:
            kept = journal_queries.loans(work, TRIP)
            store.rebuild(work, TRIP)
            assert journal_queries.loans(work, TRIP) == kept
        assert len(kept) > 5

    def test_another_outfit_sees_nothing(self, db: Database, readiness: Readiness) -> None:
        stranger = Reader(outfit="elsewhere", staff="x", name="X", role="lead", everywhere=True)
        with db.reading() as conn:
            assert service.listed(conn, stranger, today=date(2026, 9, 1)).items == ()
            with pytest.raises(NotFound):
                service.one(conn, stranger, "pa-01", today=date(2026, 9, 1))


@pytest.mark.one_database
class TestSharedSpares:
    """On the mountain the locker is out of reach; a pair that is lent is no longer a spare."""

    TERMS = LoanTerms(
        source="party",
        giver="party",
        spare="spare-mitts",
        what="Spare mitts of the guides",
        subject="p07",
        requirement="backup-mitts",
    )

    def count(self, db: Database, readiness: Readiness) -> float | None:
        with db.reading() as conn:
            picture = readiness.journal.picture(conn, OUTFIT, TRIP).picture
        return picture.sightings["party", "spare-mitts"][-1].body.count

    def test_hand_out_and_return_count_down_and_up(self, db: Database, readiness: Readiness) -> None:
        with db.writing() as work:
            loan = Desk(work, LEAD, readiness, TRIP).write_promise(self.TERMS).loan
        with db.writing() as work:
            Desk(work, LEAD, readiness, TRIP).hand_out(loan, HandOut())
        assert self.count(db, readiness) == 1
        with db.writing() as work:
            Desk(work, LEAD, readiness, TRIP).take_back(loan, Return(condition="fine"))
        assert self.count(db, readiness) == 2


@pytest.mark.one_database
class TestWhatIsRefused:
    @pytest.mark.parametrize(
        ("asked", "field"),
        [
            (Promise(item="pa-01", subject="p99", requirement="parka"), "subject"),
            (Promise(item="pa-01", subject="p10", requirement="boots"), "requirement"),
            (Promise(item="pa-01", subject="p10", requirement="parka", until=date(2026, 9, 1)), "until"),
        ],
    )
    def test_names_the_field(self, db: Database, readiness: Readiness, asked: Promise, field: str) -> None:
        with pytest.raises(Invalid) as caught, db.writing() as work:
            Desk(work, LEAD, readiness, TRIP).promise(asked)
        assert [problem.field for problem in caught.value.fields] == [field]

    def test_quarantined_since_it_was_promised_is_not_handed_out(
        self, db: Database, readiness: Readiness
    ) -> None:
        with db.writing() as work:
            asked = Promise(item="he-01", subject="p06", requirement="helmet")
            loan = Desk(work, LEAD, readiness, TRIP).promise(asked).loan
        with db.writing() as work:
            service.quarantine(work, LEAD, readiness.clock, "he-01", Quarantine(reason="dropped"))
        with pytest.raises(NotToBeHad, match="dropped"), db.writing() as work:
            Desk(work, LEAD, readiness, TRIP).hand_out(loan, HandOut())


@pytest.mark.one_database
class TestLoansInTheFold:
    def test_newest_entry_says_where_a_loan_stands(self, db: Database, readiness: Readiness) -> None:
        terms = TestSharedSpares.TERMS
        with db.writing() as work:
            for body in (LoanPromised(loan="l1", terms=terms), LoanReleased(loan="l1", terms=terms)):
                readiness.journal.write(work, LEAD, TRIP, body)
        with db.reading() as conn:
            loans = readiness.journal.picture(conn, OUTFIT, TRIP).picture.loans
        assert {loan: record.body.kind for loan, record in loans.items()} == {"l1": "loan-released"}

    def test_terms_name_who_gives(self) -> None:
        with pytest.raises(ValueError, match="giver names"):
            LoanTerms(source="locker", what="Mitts", subject="p07", requirement="mitts")


class TestCheapest:
    """The lowest price on the buying list, and none where prices cannot be compared."""

    def shop(self, price: float | None, currency: str = "EUR", meets: tuple[str, ...] = ("mitts",)) -> Shop:
        return Shop(f"{price}-{currency}", "Mitts", meets, "Base village", price=price, currency=currency)

    def test_lowest_price_for_as_many_as_are_wanted(self) -> None:
        shops = [self.shop(60.0), self.shop(45.0), self.shop(None), self.shop(5.0, meets=("rope",))]
        assert cheapest(shops, "mitts", 2) == (90.0, "EUR")

    def test_none_without_a_price_or_in_two_currencies(self) -> None:
        assert cheapest([self.shop(None)], "mitts", 1) is None
        assert cheapest([self.shop(60.0), self.shop(70.0, "CHF")], "mitts", 1) is None

    @pytest.mark.one_database
    def test_a_price_is_said_even_where_the_shop_is_shut(
        self, db: Database, readiness: Readiness, clock: FixedClock
    ) -> None:
        with db.writing() as work:
            shop = Shop(
                "satellite",
                "Satellite messenger",
                ("satellite-messenger",),
                "The village",
                until=clock.now() - timedelta(hours=1),
                price=240.0,
                currency="EUR",
            )
            queries.add_shop(work, OUTFIT, shop)
        one = plan_of(db, readiness).help[0]
        assert one.says.endswith("clears one stop, from 240 EUR by the buying list.")
        assert (one.price, one.currency, one.units) == (240.0, "EUR", 1)
