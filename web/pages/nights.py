"""Nights: everyone's sleeping heights, the notes for those who may read them, and telling both.

The page opens without any health note on it, because it is often open on a shared tablet; a guide opens the
notes knowingly, and that is kept. Nothing here may stay in a cache.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import date
from typing import Annotated, Any
from urllib.parse import quote
from uuid import UUID

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.db import Reading, Work, Writing
from api.errors import Conflict, Invalid, NotFound, Problem, from_validation
from api.journal.fold import Picture, Record
from api.journal.health import HealthNote
from api.journal.service import actor_of
from api.journal.trip import TripPlan
from api.nights import erasing
from api.nights.rules import planned_nights
from api.nights.schemas import CONSENT, NO_DIAGNOSIS, NightsWrite, NoteShown, NoteWrite
from api.nights.service import Health, HealthNotes
from api.units import Kind, QuantityError, parse_quantity
from web import words
from web.pages.nights_view import NightsView
from web.rendering import forms_errors, page, shell_of

router = APIRouter(prefix="/trips/{trip}/nights", include_in_schema=False)
NEVER_KEPT = {"Cache-Control": "no-store"}

SCORE = (
    "headache",
    "gastrointestinal",
    "fatigue",
    "dizziness",
    "function",
    "hours_since_gain",
    "by",
    "remark",
)
READING = ("spo2_percent", "pulse_bpm", "minutes_at_rest", "hand_warmed", "device")


class Form:
    """A form as it was sent."""

    def __init__(self, values: Mapping[str, str], lists: Callable[[str], list[str]]) -> None:
        self.values = values
        self.list = lists

    def get(self, name: str) -> str:
        return self.values.get(name, "")

    def filled(self, *names: str) -> dict[str, str]:
        return {name: self.values[name] for name in names if self.values.get(name)}


async def _form(request: Request) -> Form:
    sent = await request.form()
    values = {name: value.strip() for name, value in sent.items() if isinstance(value, str)}
    return Form(values, lambda name: [v for v in sent.getlist(name) if isinstance(v, str)])


Sent = Annotated[Form, Depends(_form)]


@router.get("", dependencies=[permit("trip.read")])
def nights(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, health: HealthNotes
) -> Response:
    """Everyone's nights; that there are private notes, not what they say."""
    return _page(request, conn, reader, health, trip, None)


@router.get("/notes", dependencies=[permit("health.read")])
def nights_with_notes(
    request: Request,
    trip: str,
    work: Writing,
    reader: CurrentReader,
    health: HealthNotes,
    seq: Annotated[int | None, Query(ge=0)] = None,
) -> Response:
    """The same with the notes open, as they are now or as they stood after entry `seq`."""
    return _page(request, work, reader, health, trip, health.read(work, reader, trip, seq=seq), seq)


@router.post("/slept", dependencies=[permit("health.write")])
def slept(
    request: Request, trip: str, sent: Sent, work: Writing, reader: CurrentReader, health: HealthNotes
) -> Response:
    """Record that the party slept where the plan has it, but for those ticked."""
    plan, known = _known(work, reader, health, trip)
    on = _day(sent.get("on"))
    night = next((n for n in planned_nights(plan) if n.on == on and n.elevation_m is not None), None)
    if night is None:
        raise NotFound("The plan has no night on that date. Open the nights again.")
    members = tuple(m for m in sorted(known.members) if m not in sent.list("not"))
    if not members:
        raise Invalid.field("not", "everyone", "nobody is left.", "Tell each night on the person's page.")
    told = NightsWrite(members=members, on=night.on, elevation_m=night.elevation_m, known="spent")
    health.tell_nights(work, reader, trip, told)
    return RedirectResponse(f"/trips/{quote(trip)}/nights", status_code=303)


@router.get("/people/{member}", dependencies=[permit("health.write")])
def person(
    request: Request,
    trip: str,
    member: str,
    conn: Reading,
    reader: CurrentReader,
    health: HealthNotes,
    corrects: UUID | None = None,
) -> Response:
    """One person: tell a night, write a note, or put one right."""
    values = {"corrects": str(corrects)} if corrects else None
    return _person(request, conn, reader, health, trip, member, values=values)


@router.post("/people/{member}/night", dependencies=[permit("health.write")])
def tell_night(
    request: Request,
    trip: str,
    member: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    health: HealthNotes,
) -> Response:
    """Record where this person slept on a date."""
    units = shell_of(request).units

    def act() -> None:
        known = "spent" if sent.get("known") == "spent" else "said"
        height = _height("elevation", sent.get("elevation"), units)
        on = _day(sent.get("on"))
        told = made(NightsWrite, {"members": (member,), "on": on, "elevation_m": height, "known": known})
        health.tell_nights(work, reader, trip, told)

    return _done(request, work, act, reader, health, trip, member, sent)


@router.post("/people/{member}/consent", dependencies=[permit("health.write")])
def consent(
    trip: str, member: str, sent: Sent, work: Writing, reader: CurrentReader, health: HealthNotes
) -> Response:
    """Record the answer to the text about health notes."""
    given = sent.get("given") == "yes"
    health.consent(work, reader.outfit, trip, actor_of(reader), member, given=given)
    return RedirectResponse(_person_address(trip, member), status_code=303)


@router.post("/people/{member}/notes", dependencies=[permit("health.write")])
def write_note(
    request: Request,
    trip: str,
    member: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    health: HealthNotes,
) -> Response:
    """Seal a note about this person."""
    units = shell_of(request).units

    def act() -> None:
        content = _content(sent, units, reader)
        note = {"member": member, "content": content, "emergency": sent.get("emergency") == "yes"}
        note["corrects"] = sent.get("corrects") or None
        health.write(work, reader.outfit, trip, actor_of(reader), made(NoteWrite, note))

    return _done(request, work, act, reader, health, trip, member, sent)


@router.post("/people/{member}/erase", dependencies=[permit("health.erase")])
def erase(
    request: Request,
    trip: str,
    member: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    health: HealthNotes,
) -> Response:
    """Erase this person's notes for good."""
    if sent.get("sure") != "yes":
        raise Invalid.field("sure", "", "not ticked.", "Tick it if their health notes are to be erased.")
    erasing.erase(work, health, reader.outfit, trip, actor_of(reader), member)
    return RedirectResponse(f"/trips/{quote(trip)}/nights", status_code=303)


# -- putting pages together


def _known(conn: Connection, reader: Reader, health: Health, trip: str) -> tuple[TripPlan, Picture]:
    known = health.journal.picture(conn, reader.outfit, trip).picture
    if known.trip is None:
        raise Conflict("This trip has no plan yet. Enter its place, days and stages first.")
    return known.trip, known


def _say(request: Request, plan: TripPlan, health: Health) -> words.Say:
    return words.Say(units=shell_of(request).units, zone=plan.place.zone, now=health.clock.now())


def _page(
    request: Request,
    conn: Connection,
    reader: Reader,
    health: Health,
    trip: str,
    notes: tuple[NoteShown, ...] | None,
    seq: int | None = None,
) -> Response:
    snapshot = health.journal.picture(conn, reader.outfit, trip)
    if seq is not None:
        if seq > snapshot.seq:
            raise NotFound(f"The journal of this trip has no entry {seq}.")
        snapshot = snapshot.at(seq)
    known = snapshot.picture
    if known.trip is None:
        raise Conflict("This trip has no plan yet. Enter its place, days and stages first.")
    say = _say(request, known.trip, health)
    today = health.clock.now().astimezone(known.trip.place.zone).date()
    return page(
        request,
        "nights/page.html",
        headers=NEVER_KEPT,
        trip=trip,
        plan=known.trip,
        view=NightsView(known.trip, known, say, notes, today),
        say=say,
        may_read=may(reader, "health.read"),
        may_write=may(reader, "health.write"),
        notes_open=notes is not None,
        counts=health.counts(conn, reader.outfit, trip),
        caution=NO_DIAGNOSIS,
        errors={},
    )


def _person(
    request: Request,
    conn: Connection,
    reader: Reader,
    health: Health,
    trip: str,
    member: str,
    problem: Problem | None = None,
    values: Mapping[str, str] | None = None,
) -> Response:
    plan, known = _known(conn, reader, health, trip)
    if member not in known.members:
        raise NotFound("Nobody like that is on this trip. Choose the person on the nights page.")
    say = _say(request, plan, health)
    view = NightsView(plan, known, say)
    answer = known.consents.get((member, CONSENT))
    body = problem.body() if problem else None
    return page(
        request,
        "nights/person.html",
        status_code=problem.status if problem else 200,
        headers=NEVER_KEPT,
        trip=trip,
        plan=plan,
        view=view,
        person=view.person(member),
        say=say,
        values=values or {},
        problem=body,
        errors=forms_errors(body),
        corrects=_put_right(known, member, (values or {}).get("corrects", "")),
        agreed=answer.body.given if answer else None,
        consent_text=health.consent_text()[0],
        lead=reader.role == "lead",
        may_erase=may(reader, "health.erase"),
        caution=NO_DIAGNOSIS,
    )


def _put_right(known: Picture, member: str, entry: str) -> Record[HealthNote] | None:
    """The note that is to be put right; None when none of this person's is."""
    return next((r for r in known.health_notes.get(member, ()) if str(r.entry) == entry), None)


def _done(
    request: Request,
    work: Work,
    act: Callable[[], None],
    reader: Reader,
    health: Health,
    trip: str,
    member: str,
    sent: Form,
) -> Response:
    """Do it and go back to the person; what is in the way comes back on the form, with what was typed."""
    try:
        with work.begin_nested():
            act()
    except (Invalid, Conflict) as problem:
        return _person(request, work, reader, health, trip, member, problem, sent.values)
    return RedirectResponse(_person_address(trip, member), status_code=303)


def _person_address(trip: str, member: str) -> str:
    return f"/trips/{quote(trip)}/nights/people/{quote(member)}"


# -- reading forms


def _content(sent: Form, units: words.Units, reader: Reader) -> dict[str, Any]:
    kind = sent.get("kind")
    match kind:
        case "symptom-score":
            return {"kind": kind, **sent.filled(*SCORE)}
        case "reading":
            height = _height("reading_height", sent.get("reading_height"), units)
            return {"kind": kind, **sent.filled(*READING), "elevation_m": height, "read_by": reader.name}
        case "history-told":
            return {"kind": kind, "said": sent.get("history_said"), "worst": sent.get("worst") or None}
        case "danger-signs":
            return {"kind": kind, "signs": sent.list("signs")}
        case "medication-said":
            return {"kind": kind, "said": sent.get("medicine")}
        case "private-talk":
            return {"kind": kind, "text": sent.get("talk"), "decided": sent.get("decided") or None}
    return {"kind": kind, "text": sent.get("text")}


def made(model: Any, values: Mapping[str, Any]) -> Any:
    """What a form makes of a model. Raises Invalid by the form's own fields."""
    try:
        return model.model_validate(values)
    except ValidationError as error:
        problem = from_validation(error.errors(), skip=())
        # The form has each part of a note as a field of its own.
        fields = [replace(field, field=field.field.rsplit(".", 1)[-1]) for field in problem.fields]
        raise Invalid(problem.detail, fields=fields) from None


def _day(written: str) -> date:
    try:
        return date.fromisoformat(written)
    except ValueError:
        raise Invalid.field("on", written, "not a date.", "Write it as YYYY-MM-DD.") from None


def _height(field: str, written: str, units: words.Units) -> float | None:
    if not written:
        return None
    unit = "ft" if units is words.Units.US else "m"
    try:
        return parse_quantity(written, Kind.LENGTH, field=field, default_unit=unit)
    except QuantityError as wrong:
        raise Invalid.field(field, written, str(wrong), f"Write a height such as 3240 {unit}.") from None
