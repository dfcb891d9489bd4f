"""The hands-on check as pages that need no script: one tap is one small form."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from math import isnan
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.limits import limit
from api.access.permissions import may, permit
from api.db import Reading, Work, Writing
from api.errors import Conflict, Invalid
from api.handson import steps
from api.handson.looking import TAPS, ToWrite, look, told
from api.handson.rules import UNDO_WITHIN
from api.journal.entry import StoredEntry
from api.journal.kinds import Answer, GearState, Sighting, Withdrawn
from api.journal.service import Journal, Journals
from api.kitlist.schemas import Question, Scope
from api.photos import service as photos
from api.photos.service import Sent as PhotoSent
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations, Readiness
from web.pages.hands_on_view import Thing, Walk
from web.pages.phone import ahead, packed, script_url
from web.pages.roster_forms import Form, Sent
from web.rendering import page, shell_of
from web.words import Say

router = APIRouter(prefix="/trips/{trip}/hands-on", include_in_schema=False)
DEVICE = "web"


@router.get("", dependencies=[permit("trip.read")])
def start(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Who is to be checked, and how far they are."""
    walk = _walk(conn, reader, readiness, trip)
    ropes = walk.evaluation.picture.rope_teams
    roped = {member for rope in ropes for member in rope.members}
    loose = [s.id for s in walk.subjects.values() if s.scope is Scope.PERSON and s.id not in roped]
    groups = [(rope.id, rope.name, [*rope.members, rope.id]) for rope in ropes]
    groups += [("loose", "Not on a rope", loose)] if loose else []
    return _page(
        request,
        "hands-on/start.html",
        walk,
        reader,
        groups=[(id_, name, [walk.progress(subject) for subject in ids]) for id_, name, ids in groups],
        party=walk.progress("party") if walk.subjects else None,
        ropes=ropes,
    )


@router.get("/of/{subject}", dependencies=[permit("trip.read")])
def person(
    request: Request,
    trip: str,
    subject: str,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    item: str | None = None,
    ask: str | None = None,
    value: str | None = None,
    more: bool = False,
) -> Response:
    """One thing of a person, a rope or the party, with its buttons; below it everything on their list."""
    walk = _walk(conn, reader, readiness, trip)
    walk.subject(subject)
    thing = walk.thing(subject, item) if item else walk.next_after(subject, None)
    return _page(
        request,
        "hands-on/person.html",
        walk,
        reader,
        progress=walk.progress(subject),
        thing=thing,
        stage=_stage(thing, ask, value, walk, more=more) if thing else None,
        stations=walk.stations(subject),
        not_asked=walk.not_asked(subject),
        undo=_last_own(walk, reader, readiness.clock.now()) is not None,
        later=walk.next_after(subject, thing.requirement.id) if thing else None,
    )


@router.post("/of/{subject}", dependencies=[permit("check.record")])
def tapped(
    trip: str,
    subject: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
    readiness: Evaluations,
) -> Response:
    """Keep one tap, and go on to what comes next."""
    walk = _walk(work, reader, readiness, trip)
    thing = walk.thing(subject, sent.text("item"))
    written = _meant(thing, sent, reader)
    _write(work, journals, reader, trip, written)
    again = _walk(work, reader, readiness, trip)
    after = again.thing(subject, thing.requirement.id)
    here = f"/trips/{trip}/hands-on/of/{subject}"
    if written.body.state is GearState.FITS and (after.questions or after.counts):
        return _go(f"{here}?{urlencode({'item': thing.requirement.id, 'ask': 'on'})}")
    following = again.next_after(subject, thing.requirement.id)
    return _go(f"{here}?item={following.requirement.id}" if following else here)


@router.get("/call/{group}", dependencies=[permit("trip.read")])
def call_out(
    request: Request,
    trip: str,
    group: str,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    item: str | None = None,
) -> Response:
    """One item across everyone of a rope or of the party."""
    walk = _walk(conn, reader, readiness, trip)
    items = walk.items_of(group)
    ids = [requirement.id for requirement in items]
    if item not in ids:
        item = next((i for i in ids if any(t.left for t in walk.called(group, i))), ids[0] if ids else None)
    at = ids.index(item) if item else 0
    return _page(
        request,
        "hands-on/call.html",
        walk,
        reader,
        group=group,
        group_name=walk.group_name(group),
        requirement=items[at] if item else None,
        called=list(walk.called(group, item)) if item else [],
        before=ids[at - 1] if at else None,
        following=ids[at + 1] if at + 1 < len(ids) else None,
        place=at + 1,
        how_many=len(ids),
        undo=_last_own(walk, reader, readiness.clock.now()) is not None,
    )


@router.post("/call/{group}", dependencies=[permit("check.record")])
def called(
    trip: str,
    group: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
    readiness: Evaluations,
) -> Response:
    """Keep one tap of a call-out; `rest` means that everyone not looked at yet holds it up."""
    walk = _walk(work, reader, readiness, trip)
    item, (do, _, subject) = sent.text("item"), sent.text("do").partition(":")
    things = [thing for thing in walk.called(group, item) if subject in ("", thing.subject.id)]
    if do == "rest":
        things, do = [thing for thing in things if not thing.holding.records], "seen"
    if do not in TAPS:
        raise _nothing_meant(sent)
    for thing in things:
        known, state = TAPS[do]
        written = look(thing.subject.id, item, thing.holding.records, known, state)
        _write(work, journals, reader, trip, written)
    return _go(f"/trips/{trip}/hands-on/call/{group}?item={item}")


@router.post("/photo/{subject}", dependencies=[permit("check.record"), limit("upload")])
def photographed(
    request: Request,
    trip: str,
    subject: str,
    sent: PhotoSent,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
    readiness: Evaluations,
) -> Response:
    """Keep a photo of a thing that has been looked at."""
    thing = _walk(work, reader, readiness, trip).thing(subject, sent.text("item"))
    item = thing.requirement.id
    if sent.made is None:
        raise photos.NotAPhoto("No photo was chosen. Take one first.")
    records, photo = thing.holding.records, sent.made.hash
    written = told(subject, item, records, reader.staff, photo=photo)
    if written is None:
        raise _not_looked_at()
    photos.keep(
        work,
        request.app.state.settings,
        reader.outfit,
        trip,
        subject=subject,
        requirement=item,
        shows="whole",
        made=sent.made,
        now=readiness.clock.now(),
        by=reader.name,
    )
    _write(work, journals, reader, trip, written)
    return _go(f"/trips/{trip}/hands-on/of/{subject}?item={item}")


@router.post("/undo", dependencies=[permit("check.record")])
def undo(
    trip: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
    readiness: Evaluations,
) -> Response:
    """Take back one's own last record, by an entry that says so."""
    walk = _walk(work, reader, readiness, trip)
    last = _last_own(walk, reader, readiness.clock.now())
    if last is None:
        raise Conflict(
            "There is nothing of the last ten minutes to take back. Look at the thing again instead."
        )
    journals.write(work, reader, trip, Withdrawn(entry=last.id, reason="taken back"), device=DEVICE)
    body = last.body
    assert isinstance(body, Sighting)
    group = sent.text("group")
    if group:
        return _go(f"/trips/{trip}/hands-on/call/{group}?item={body.requirement}")
    return _go(f"/trips/{trip}/hands-on/of/{body.subject}?item={body.requirement}")


# -- what a page is made from --------------------------------------------------------------------------------


def _walk(conn: Connection, reader: Reader, readiness: Readiness, trip: str) -> Walk:
    snapshot = readiness.journal.picture(conn, reader.outfit, trip)
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return Walk(evaluation, snapshot.entries, readiness.clock.now())


def _page(request: Request, template: str, walk: Walk, reader: Reader, **context: Any) -> Response:
    shell = shell_of(request)
    plan = walk.evaluation.plan
    answer = page(
        request,
        template,
        headers={
            "Cache-Control": "no-store",
            "Vary": "Accept-Encoding",
            "Link": ahead(walk.evaluation.trip),
        },
        shell=shell,
        say=Say(units=shell.units, zone=plan.place.zone, now=walk.now),
        walk=walk,
        trip=walk.evaluation.trip,
        plan=plan,
        seq=walk.evaluation.seq,
        recording=may(reader, "check.record"),
        script=script_url(),
        caution=CAUTION,
        at=request.url.path + (f"?{request.url.query}" if request.url.query else ""),
        live=f"/api/trips/{walk.evaluation.trip}/events",
        **context,
    )
    return packed(answer, request.headers.get("accept-encoding", ""))


def _go(address: str) -> RedirectResponse:
    return RedirectResponse(address, status_code=303)


@dataclass(frozen=True, slots=True)
class Stage:
    """What the buttons of a thing are for at this moment: the thing itself, a question, or more about it."""

    mode: str
    question: Question | None = None
    value: float | date | None = None
    unit: str | None = None

    def steps(self) -> list[tuple[str, str]]:
        """(words, value) of the buttons of a stepper."""
        if isinstance(self.value, date):
            months = ((-12, "− 1 year"), (-1, "− 1 month"), (1, "+ 1 month"), (12, "+ 1 year"))
            return [(words, steps.stepped_month(self.value, by).isoformat()) for by, words in months]
        small, large = steps.steps(self.question.unit if self.question else self.unit)
        at = self.value or 0.0
        return [
            (f"{'−' if by < 0 else '+'} {abs(by):g}", f"{at + by:g}") for by in (-large, -small, small, large)
        ]


def _stage(thing: Thing, ask: str | None, value: str | None, walk: Walk, *, more: bool) -> Stage:
    """What is asked now. `ask`: `on` for the next open question, else the id of a question or `count`."""
    if more:
        return Stage("more")
    only_asked = thing.best is not None and thing.left and not thing.finding_is_unseen
    if ask is None and not only_asked:
        return Stage("look")
    if ask == "count" or (ask in (None, "on") and not thing.questions and thing.counts):
        stated = thing.best.body.count if thing.best else None
        asked = 0.0 if isnan(thing.how_many) else thing.how_many
        begin = asked if stated is None else stated
        return Stage("count", value=_number(value, begin), unit=thing.requirement.how_many.unit)
    question = next((q for q in thing.requirement.questions if q.id == ask), None)
    question = question or next(iter(thing.questions), None)
    if question is None:
        return Stage("look")
    answered = thing.holding.answers.get(question.id)
    if question.kind == "number":
        number = answered if isinstance(answered, float) else None
        return Stage("number", question, _number(value, steps.begin(question, number)))
    if question.kind == "date":
        known = answered if isinstance(answered, str) else None
        begin_day = steps.begin_day(question, walk.evaluation.plan, value or known)
        return Stage("date", question, begin_day)
    return Stage(question.kind, question)


def _number(written: str | None, begin: float) -> float:
    try:
        return float(written) if written else begin
    except ValueError:
        raise Invalid.field("value", written, "is no number.", "Use the buttons.") from None


# -- what a tap means ----------------------------------------------------------------------------------------


def _meant(thing: Thing, sent: Form, reader: Reader) -> ToWrite:
    """The record that the pressed button stands for."""
    do, subject, requirement = sent.text("do"), thing.subject.id, thing.requirement
    records = thing.holding.records
    if do in TAPS:
        known, state = TAPS[do]
        return look(subject, requirement.id, records, known, state)
    detail: ToWrite | None = None
    if do.startswith("answer:"):
        question = next((q for q in requirement.questions if q.id == sent.text("question")), None)
        if question is None:
            raise _nothing_meant(sent)
        answers = {question.id: _answer(question, do.removeprefix("answer:"))}
        detail = told(subject, requirement.id, records, reader.staff, answers=answers)
    elif do.startswith("count:"):
        count = _number(do.removeprefix("count:"), 0.0)
        detail = told(subject, requirement.id, records, reader.staff, count=count)
    elif do.startswith("stand-in:"):
        stand_in = do.removeprefix("stand-in:")
        detail = told(subject, requirement.id, records, reader.staff, stand_in=stand_in)
    elif do == "remark":
        detail = told(subject, requirement.id, records, reader.staff, remark=sent.text("remark"))
    else:
        raise _nothing_meant(sent)
    if detail is None:
        raise _not_looked_at()
    return detail


def _not_looked_at() -> Conflict:
    return Conflict("Nobody has looked at it yet, or two records disagree. Say first how it is.")


def _nothing_meant(sent: Form) -> Invalid:
    return Invalid.field("do", sent.text("do"), "is none of the buttons.", "Press one of those on the page.")


def _answer(question: Question, given: str) -> Answer:
    if question.kind == "yes-no":
        return given == "yes"
    return _number(given, 0.0) if question.kind == "number" else given


def _write(work: Work, journals: Journal, reader: Reader, trip: str, written: ToWrite) -> None:
    journals.write(work, reader, trip, written.body, device=DEVICE, after=written.after)


def _last_own(walk: Walk, reader: Reader, now: datetime) -> StoredEntry | None:
    """One's own newest record that still stands, if it is of the last minutes."""
    standing: set[UUID] = {
        record.entry for records in walk.evaluation.picture.sightings.values() for record in records
    }
    own = (
        entry
        for entry in reversed(walk.entries)
        if entry.id in standing and entry.actor.id == reader.staff and now - entry.happened_at <= UNDO_WITHIN
    )
    return next(own, None)
