"""Five hundred calls made on one database come out the same on both, and after every migration."""

import json
import random
from collections.abc import Iterator, Mapping
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import Connection, insert, select

from api import upgrade
from api.access.current import Reader
from api.call.arriving import Arrivals, sealed_or_raise
from api.call.keys import Keys
from api.call.models import OutfitKey
from api.call.record import compared, evaluated
from api.call.verify import check_here
from api.clock import FixedClock
from api.conditions.models import StoredForecast
from api.conditions.service import receive_typed
from api.conditions.sources.manual import ManualForecast
from api.db import Database
from api.ids import new_id
from api.journal import queries, store, sync
from api.journal.decisions import CallMade, Decision, Knew
from api.journal.entry import Actor, Entry
from api.journal.fold import record_of
from api.journal.kinds import (
    AnyBody,
    GearState,
    HoldPassed,
    Known,
    MemberLeft,
    MemberSet,
    RopesSet,
    Sighting,
    TripPlanned,
)
from api.journal.models import JournalEntry, table
from api.journal.service import Journal
from api.journal.trip import MemberProfile, Role, RopeTeam
from api.kitlist import service as kitlists
from api.readiness.acceptance import acceptance
from api.readiness.service import Readiness
from tests.readiness import building

OUTFIT, TRIPS, CALLS = "outfit", 10, 50
LEAD = Actor(id="lead", name="Mara", role="lead")
PEOPLE = ("ann", "bo", "cy", "di")
ITEMS = ("goggles", "mitts", "lamp", "rope")
DECISIONS: tuple[Decision, ...] = ("go", "wait", "down")


def edition() -> object:
    cold = {"metric": "wind_chill_c", "below": "-8 °C"}
    return building.edition(
        building.requirement("goggles", takes="tried", life_safety=True),
        building.requirement("mitts", when=cold, grades=[{"grade": "fix", "at": "high-camp"}]),
        building.requirement("lamp", grades=[{"grade": "advise", "at": "base"}]),
        building.requirement("rope", scope="rope", zone="rope-gear", how_many={"per": "rope"}),
    )


def typed(number: int, chance: random.Random) -> ManualForecast:
    starts = building.START - timedelta(hours=6)
    level = chance.randint(1800, 4500)
    wind = chance.randint(0, 90)
    return ManualForecast.model_validate(
        {
            "issued_at": starts + timedelta(seconds=number),
            "source_text": "invented",
            "who": "Mara",
            "label": f"N{number}",
            "blocks": [
                {
                    "starts_at": starts,
                    "ends_at": starts + timedelta(days=5),
                    "freezing_level": {"low": level - 150, "best": level, "high": level + 150},
                    "wind": [{"altitude": 3000, "wind": wind}],
                    "precipitation": 0,
                    "new_snow": 0,
                    "uv_max": 6,
                    "thunder": "none",
                }
            ],
        }
    )


class Season:
    """One trip on which much happens, call after call."""

    def __init__(self, database: Database, data_dir: Path, trip: str, seed: int) -> None:
        self.database, self.trip = database, trip
        self.clock = FixedClock(building.START)
        self.journal = Journal(self.clock)
        self.readiness = Readiness(self.journal, self.clock)
        self.arrivals = Arrivals(self.readiness, Keys(data_dir, self.clock))
        self.journal.react("call-made", self.arrivals.arrived)
        self.chance = random.Random(seed)
        self.calls: list[str] = []

    def write(self, work: object, body: AnyBody) -> None:
        now = self.clock.now()
        seen = self.journal.picture(work, OUTFIT, self.trip).seq  # type: ignore[arg-type]
        entry = Entry(
            id=new_id(now), trip=self.trip, body=body, actor=LEAD, device="d", happened_at=now, seen_seq=seen
        )
        (outcome,) = self.journal.record(work, OUTFIT, self.trip, [entry])  # type: ignore[arg-type]
        assert outcome.status == "stored", outcome.problem
        self.clock.advance(timedelta(seconds=20))

    def happenings(self) -> Iterator[AnyBody]:
        chance = self.chance
        for _ in range(chance.randint(1, 3)):
            subject, item = chance.choice(PEOPLE), chance.choice(ITEMS[:3])
            state = chance.choice(list(GearState))
            if chance.random() < 0.2:
                subject, item = "r1", "rope"
            yield Sighting(
                subject=subject, requirement=item, known=chance.choice(list(Known)[1:]), state=state
            )
        if chance.random() < 0.1:
            yield MemberLeft(member="di")
        elif chance.random() < 0.1:
            yield member("di")
        if chance.random() < 0.1:
            people = chance.sample(PEOPLE, 3)
            yield RopesSet(ropes=(RopeTeam(id="r1", name="Rope 1", members=tuple(people)),))

    def begin(self) -> None:
        plan = building.plan(edition_id="test")
        with self.database.writing() as work:
            queries.create_trip(work, self.trip, OUTFIT, building.START)
            for body in (TripPlanned(plan=plan), *(member(id_) for id_ in PEOPLE)):
                self.write(work, body)
            self.write(work, RopesSet(ropes=(RopeTeam(id="r1", name="Rope 1", members=PEOPLE),)))

    def go_through(self) -> None:
        self.begin()
        for number in range(CALLS):
            with self.database.writing() as work:
                self.one_call(work, number)

    def one_call(self, work: object, number: int) -> None:
        if number % 10 == 0:
            reader = Reader(outfit=OUTFIT, staff="lead", name="Mara", role="lead")
            receive_typed(work, reader, self.journal, self.trip, typed(number, self.chance))  # type: ignore[arg-type]
        for body in self.happenings():
            self.write(work, body)
        evaluation = self.readiness.evaluation(work, OUTFIT, self.trip)  # type: ignore[arg-type]
        if evaluation.findings and self.chance.random() < 0.4:
            finding = self.chance.choice(evaluation.findings)
            self.write(work, acceptance(evaluation, finding.id, "good enough for today"))
        holds = [hold.id for hold in evaluation.plan.hold_points]
        knew = Knew(seq=self.chance.randint(0, evaluation.seq), findings=(), forecast=None)
        hold = holds[min(number * 4 // CALLS, 3)]
        call = CallMade(hold=hold, decision=self.chance.choice(DECISIONS), reason="for the test", knew=knew)
        self.write(work, call)
        made = self.journal.picture(work, OUTFIT, self.trip).picture.decided.calls[-1]  # type: ignore[arg-type]
        self.calls.append(str(made.entry))


def member(id_: str) -> MemberSet:
    role = Role.ASSISTANT if id_ == "bo" else Role.CLIMBER
    return MemberSet(member=id_, profile=MemberProfile(name=id_.capitalize(), role=role))


def opened(url: str) -> Database:
    db = Database(url)
    with db.writing() as work:
        queries.create_outfit(work, OUTFIT, "Outfit")
        kitlists.create(work, OUTFIT, edition(), now=building.START)  # type: ignore[arg-type]
        kitlists.publish(work, OUTFIT, "test", now=building.START)
    return db


def copied(source: Database, target: Database) -> None:
    """The rows that calls rest on, moved to another database as they are."""
    with source.reading() as conn:
        rows = {
            model: [dict(row._mapping) for row in conn.execute(select(table(model)))]
            for model in (JournalEntry, StoredForecast, OutfitKey)
        }
        trips = queries.trip_ids(conn)
    with target.writing() as work:
        for trip in trips:
            queries.create_trip(work, trip, OUTFIT, building.START)
        for model, found in rows.items():
            work.execute(insert(table(model)), found)
        for trip in trips:
            store.rebuild(work, trip)


def made_again(conn: Connection, readiness: Readiness, record: Mapping[str, Any]) -> Mapping[str, Any]:
    """What a record says about its trip, worked out again."""
    seq, trip = record["journal"]["seq"], record["about"]["trip"]
    entry = readiness.journal.picture(conn, OUTFIT, trip).entries[seq - 1]
    return evaluated(readiness.evaluation(conn, OUTFIT, trip, seq=seq), record_of(entry))


def through_all_migrations(url: str) -> None:
    """Back to the tables of the time the call was added, and forward through every migration since."""
    config = upgrade._config(url)
    command.downgrade(config, "0009_call")
    command.upgrade(config, "head")


def test_five_hundred_calls_come_out_the_same_after_migrations_and_on_the_other_database(
    sqlite_url: str, postgres_url: str, tmp_path: Path
) -> None:
    sealed: dict[tuple[str, str], bytes] = {}
    with closing(opened(sqlite_url)) as here, closing(opened(postgres_url)) as there:
        for number in range(TRIPS):
            season = Season(here, tmp_path, f"trip-{number}", 4111 + number)
            season.go_through()
            with here.reading() as conn:
                for call in season.calls:
                    sealed[season.trip, call] = sealed_or_raise(conn, OUTFIT, season.trip, call).encode()
        copied(here, there)
    assert len(sealed) == TRIPS * CALLS == 500
    through_all_migrations(sqlite_url)
    with closing(Database(sqlite_url)) as here, closing(Database(postgres_url)) as there:
        assert upgrade.state_of(here).current
        with here.reading() as conn:
            for (trip, call), text in sealed.items():
                assert sealed_or_raise(conn, OUTFIT, trip, call).encode() == text
        for database in (here, there):
            come_out_the_same(database, sealed)
    counts = {len(json.loads(text)["record"]["findings"]) for text in sealed.values()}
    assert len(counts) > 5, "the generated calls hardly differ"


def come_out_the_same(database: Database, sealed: Mapping[tuple[str, str], bytes]) -> None:
    """The findings of each call are what its inputs give on this database."""
    readiness = Readiness(Journal(FixedClock(building.START)), FixedClock(building.START))
    with database.reading() as conn:
        for number, text in enumerate(sealed.values()):
            record = json.loads(text)["record"]
            assert compared(record, made_again(conn, readiness, record)) == ()
            if number % 25 == 0:  # walking the whole chain each time would only take long
                found = check_here(conn, readiness, OUTFIT, text)
                assert found.good, found.says()


def test_a_record_taken_over_by_a_file_says_so(sqlite_url: str, postgres_url: str, tmp_path: Path) -> None:
    with closing(opened(sqlite_url)) as here, closing(opened(postgres_url)) as there:
        season = Season(here, tmp_path, "trip-0", 1)
        season.begin()
        with here.writing() as work:
            season.write(work, CallMade(hold="base", decision="go", knew=Knew(seq=0)))
            call = season.journal.picture(work, OUTFIT, "trip-0").picture.decided.calls[0]
            sealed = sealed_or_raise(work, OUTFIT, "trip-0", str(call.entry)).encode()
            lines = list(sync.export_journal(work, "trip-0"))
        with there.writing() as work:
            later = building.START + timedelta(days=9)
            sync.import_journal(work, lines, later, by="test", create=True)
        readiness = Readiness(Journal(FixedClock(building.START)), FixedClock(building.START))
        with there.reading() as conn:
            found = check_here(conn, readiness, OUTFIT, sealed)
        assert found.key_known is None
        assert found.chain is not None
        assert "taken over from a file" in found.chain
        assert found.differences == ()


@pytest.mark.one_database
def test_calls_pass_hold_points_once(sqlite_url: str, tmp_path: Path) -> None:
    with closing(opened(sqlite_url)) as here:
        season = Season(here, tmp_path, "trip-0", 1)
        season.begin()
        with here.writing() as work:
            for _ in range(2):
                season.write(work, CallMade(hold="base", decision="go", knew=Knew(seq=0)))
            entries = season.journal.picture(work, OUTFIT, "trip-0").entries
        assert sum(isinstance(entry.body, HoldPassed) for entry in entries) == 1
