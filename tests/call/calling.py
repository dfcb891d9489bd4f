"""The demo trip with its calls: at each moment of its story, on any database."""

from datetime import timedelta
from pathlib import Path
from uuid import UUID

from api.access.current import Reader, Role
from api.call.arriving import Arrivals, sealed_or_raise
from api.call.keys import Keys
from api.call.schemas import CallForm
from api.call.service import Calls, Sitting
from api.clock import FixedClock
from api.db import Database
from api.ids import new_id
from api.journal.decisions import CallCountersigned, CallMade, Knew
from api.journal.entry import Actor, Entry
from api.journal.fold import Picture, Record
from api.journal.kinds import AnyBody
from api.journal.pictures import Snapshot
from api.journal.service import Journal
from api.readiness.evaluation import Evaluation
from api.readiness.service import Readiness
from seeds import demo, loading

OUTFIT = "quillstone"
TRIP = "kessandry-2026-09"
LEAD = Actor(id="p01", name="Maren Okafor-Lindqvist", role="lead")
SECOND = Actor(id="p02", name="Tashi Wangdrak", role="assistant")
THIRD = Actor(id="p03", name="Inés Quiroga Bell", role="assistant")


class Expedition:
    """The demo on one database, with a key of its own."""

    def __init__(self, database: Database, data_dir: Path) -> None:
        self.database = database
        self.clock = FixedClock(loading.begins_at(demo.moments(demo.scenario())[0]))
        self.journal = Journal(self.clock)
        self.readiness = Readiness(self.journal, self.clock, demo=True)
        self.arrivals = Arrivals(self.readiness, Keys(data_dir, self.clock))
        self.journal.react("call-made", self.arrivals.arrived)
        self.calls = Calls(self.readiness, self.arrivals)
        loading.seed(database)

    def on(self) -> None:
        """To the next moment of the story."""
        with self.database.writing() as work:
            moment = loading.advance(work, self.journal)
        assert moment is not None
        self.clock.set(loading.begins_at(moment))

    def snapshot(self) -> Snapshot:
        with self.database.reading() as conn:
            return self.journal.picture(conn, OUTFIT, TRIP)

    def picture(self) -> Picture:
        return self.snapshot().picture

    def evaluation(self) -> Evaluation:
        with self.database.reading() as conn:
            return self.readiness.evaluation(conn, OUTFIT, TRIP)

    def reader(self, role: Role = "lead", staff: str | None = None) -> Reader:
        return Reader(outfit=OUTFIT, staff=staff or role, name=f"The {role}", role=role, everywhere=True)

    def call(self, decision: str, role: Role = "lead", seen_seq: int | None = None, **form: object) -> None:
        """Make a call on the page."""
        with self.database.writing() as work:
            at = Sitting(work, self.reader(role), TRIP, seen_seq=seen_seq, entry=new_id(self.clock.now()))
            self.calls.make(at, CallForm.model_validate({"decision": decision, **form}))
        self.clock.advance(timedelta(seconds=1))  # the order of two calls is that of their moments

    def view(self, member: str, view: str, staff: str, hold: str = "glacier-edge", why: str = "") -> None:
        """Give a view on the page."""
        with self.database.writing() as work:
            at = Sitting(work, self.reader("assistant", staff), TRIP)
            self.calls.give_view(at, member, view, why, hold)  # type: ignore[arg-type]

    def send(self, body: AnyBody, actor: Actor = LEAD, device: str = "phone", seen_seq: int = 0) -> UUID:
        """Send an entry that was written elsewhere five minutes ago."""
        at = self.clock.now() - timedelta(minutes=5)
        entry = Entry(
            id=new_id(at), trip=TRIP, body=body, actor=actor, device=device, happened_at=at, seen_seq=seen_seq
        )
        with self.database.writing() as work:
            (outcome,) = self.journal.record(work, OUTFIT, TRIP, [entry])
        assert outcome.status == "stored", outcome.problem
        return entry.id

    def last_call(self) -> Record[CallMade]:
        return self.picture().decided.calls[-1]

    def countersignature(self) -> CallCountersigned:
        """Of the last call."""
        decided = self.picture().decided
        return decided.countersigned[decided.calls[-1].entry].body

    def sealed(self) -> bytes:
        """The record of the last call."""
        with self.database.reading() as conn:
            return sealed_or_raise(conn, OUTFIT, TRIP, str(self.last_call().entry)).encode()

    def knew(self) -> Knew:
        """What someone who has read everything knows now."""
        evaluation = self.evaluation()
        forecast = evaluation.picture.newest_forecast
        return Knew(
            seq=evaluation.seq,
            findings=tuple(finding.id for finding in evaluation.findings),
            forecast=forecast.body.forecast if forecast else None,
        )
