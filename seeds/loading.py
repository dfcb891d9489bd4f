"""Putting the demo into a database, and taking it from one moment of its story to the next."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from sqlalchemy import Connection

from api.access.current import Reader
from api.clock import FixedClock, SystemClock
from api.conditions.service import receive_typed
from api.db import Database, Work
from api.journal import queries
from api.journal.entry import Entry
from api.journal.kinds import HoldPassed
from api.journal.service import Journal
from api.kitlist import service as kitlists
from api.kitlist.schemas import Edition
from api.nights.schemas import NoteWrite
from api.nights.service import Health
from api.readiness.acceptance import acceptance
from api.readiness.service import Readiness
from seeds import demo
from seeds.deciding import calls_of, decide
from seeds.demo import Moment
from seeds.nights import notes_of

A_WHILE = timedelta(minutes=5)


def seed(db: Database) -> bool:
    """Bring the demo up to its first moment; False when it was there already."""
    told = demo.scenario()
    outfit = told.data["outfit"]
    first = demo.moments(told)[0]
    with db.writing() as work:
        if any(id_ == outfit["id"] for id_, _ in queries.outfits(work)):
            return False
        booked = told.moment(told.data["booked_at"])
        queries.create_outfit(work, outfit["id"], outfit["name"])
        kitlists.add_shipped(work, outfit["id"], now=booked)
        kitlists.mark_used(work, outfit["id"], told.data["edition"])
        queries.create_trip(work, told.trip, outfit["id"], booked)
        _bring(work, Journal(FixedClock(first.at)), first)
    return True


def reached(conn: Connection, journal: Journal) -> Moment | None:
    """The last moment of the story that the demo's journal holds; None without the demo."""
    told = demo.scenario()
    outfit = told.data["outfit"]["id"]
    if not any(row.id == told.trip for row in queries.trips(conn, outfit)):
        return None
    remarks = {record.body.about for record in journal.picture(conn, outfit, told.trip).picture.remarks}
    held = [moment for moment in demo.moments(told) if moment.mark in remarks]
    return held[-1] if held else None


def reached_in(db: Database) -> Moment | None:
    """The same, for a database that nobody reads yet."""
    with db.reading() as conn:
        return reached(conn, Journal(SystemClock()))


def following(moment: Moment | None) -> Moment | None:
    """The moment after this one; None at the end of the story."""
    story = demo.moments(demo.scenario())
    if moment is None:
        return story[0]
    place = story.index(moment)
    return story[place + 1] if place + 1 < len(story) else None


def advance(work: Work, journal: Journal, health: Health | None = None) -> Moment | None:
    """Bring the demo to the next moment of its story; None when it has reached the last.

    The story's private notes are sealed with the keys of `health`; without it they are left out.
    """
    ahead = following(reached(work, journal))
    if ahead is not None:
        _bring(work, journal, ahead)
        if health is not None:
            _note(work, journal, health, ahead)
    return ahead


def begins_at(moment: Moment) -> datetime:
    """What the demo's clock shows on reaching a moment."""
    return moment.at + A_WHILE


def _bring(work: Work, journal: Journal, moment: Moment) -> None:
    """Write what was done, heard and seen until a moment."""
    told = demo.scenario()
    outfit = told.data["outfit"]["id"]
    seen = journal.picture(work, outfit, told.trip).seq
    entries = demo.entries_of(_edition(work, outfit), moment.id, seen)
    passes = [(entry.body.hold, entry) for entry in entries if isinstance(entry.body, HoldPassed)]
    _record(work, journal, outfit, [e for e in entries if not isinstance(e.body, HoldPassed)])
    for accepted in demo.accepted_at(moment.id):
        _accept(work, journal, outfit, accepted)
    here, later = calls_of(moment.id)
    decide(work, journal, outfit, here)
    # A go that was answered has passed its hold point already.
    passed = journal.picture(work, outfit, told.trip).picture.holds_passed
    _record(work, journal, outfit, [entry for hold, entry in passes if hold not in passed])
    lead = demo.actors(told)["p01"]
    reader = Reader(outfit=outfit, staff=lead.id, name=lead.name, role="lead")
    for id_ in moment.forecasts:
        typed = demo.forecast(told, id_)
        heard = Journal(FixedClock(max(typed.issued_at, moment.at)), journal.live, journal.pictures)
        receive_typed(work, reader, heard, told.trip, typed)
    decide(work, journal, outfit, later)


def _record(work: Work, journal: Journal, outfit: str, entries: Sequence[Entry]) -> None:
    """Append entries. Raises RuntimeError when one is refused."""
    outcomes = journal.record(work, outfit, demo.scenario().trip, entries)
    refused = [outcome.problem for outcome in outcomes if outcome.status == "refused"]
    if refused:
        raise RuntimeError(f"the demo's story does not fit its journal: {refused[0]}")


def _accept(work: Work, journal: Journal, outfit: str, accepted: demo.Acceptance) -> None:
    """Accept a gap as it stands by then; nothing to do when a visitor of the demo has cleared it."""
    told = demo.scenario()
    evaluation = Readiness(journal, FixedClock(accepted.at)).evaluation(work, outfit, told.trip)
    if all(finding.id != accepted.finding for finding in evaluation.findings):
        return
    writer = demo.Writer(told, evaluation.seq)
    body = acceptance(evaluation, accepted.finding, accepted.reason)
    _record(work, journal, outfit, [writer.write(body, at=accepted.at, actor=accepted.by)])


def _note(work: Work, journal: Journal, health: Health, moment: Moment) -> None:
    """Write what was noted in private until a moment."""
    told = demo.scenario()
    outfit = told.data["outfit"]["id"]
    for noted in notes_of(moment.id):
        then = Health(health.settings, FixedClock(noted.at), journal)
        if noted.content is None:
            then.consent(work, outfit, told.trip, noted.by, noted.member, given=True, device="demo")
        else:
            written = {"member": noted.member, "content": noted.content}
            note = NoteWrite.model_validate(written)
            then.write(work, outfit, told.trip, noted.by, note, device="demo")


def _edition(conn: Connection, outfit: str) -> Edition:
    return kitlists.get_edition(conn, outfit, demo.scenario().data["edition"])
