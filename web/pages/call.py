"""The call: the walk-down before it, giving views, tripwires, turnaround, and making it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.access.queries import trip_staff
from api.call import rules
from api.call.review import Review, nearest, review, shift_in_words
from api.call.schemas import CallForm
from api.call.service import CallRoom, Calls, Sitting
from api.conditions.choice import issues_in_force
from api.conditions.service import forecast_by_hash
from api.db import Reading, Work, Writing
from api.errors import Conflict, Invalid, from_validation
from api.ids import is_uuid7, new_id
from api.journal.decisions import Wire
from api.journal.trip import Slug, TripPlan
from api.readiness.board_nights import without_nights
from api.readiness.evaluation import Evaluation
from api.roster.rules import local_input
from web import words
from web.pages.board_view import BoardView
from web.pages.call_view import (
    COMPARISONS,
    DECISIONS,
    MEANS,
    METRIC_UNITS,
    metric_choices,
    place_choices,
    place_of,
)
from web.pages.roster_forms import Form, Sent
from web.rendering import forms_errors, page, shell_of

router = APIRouter(prefix="/trips/{trip}/call", include_in_schema=False)
OWN_VIEW = "Give your own. A lead guide enters a view that was said aloud."
READ, VIEW, MAKE = [permit("trip.read")], [permit("call.view")], [permit("call.make")]


@router.get("", dependencies=READ)
def show(request: Request, trip: Slug, conn: Reading, reader: CurrentReader, room: CallRoom) -> Response:
    """The walk-down."""
    return _page(request, trip, conn, reader, room)


@router.get("/kept", dependencies=READ)
def show_kept(request: Request, trip: Slug, conn: Reading, reader: CurrentReader, room: CallRoom) -> Response:
    """The walk-down as a phone may keep it: nothing about health, nobody's view."""
    return _page(request, trip, conn, reader, room, kept=True)


@router.post("/view", dependencies=VIEW)
def give_view(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, room: CallRoom
) -> Response:
    """Give one guide's view, before seeing those of others."""

    def act(at: Sitting) -> None:
        view = sent.text("view")
        if view not in DECISIONS:
            raise Invalid.field("view", view, "No view is chosen.", "Choose go, with changes, wait or down.")
        member, evaluation = sent.text("member"), room.evaluation(work, reader, trip)
        if member in rules.asked(evaluation.picture) and member not in _whose(work, reader, trip, evaluation):
            raise Invalid.field("member", member, "This is another guide's view.", OWN_VIEW)
        room.give_view(at, member, view, sent.text("why"), sent.text("hold"))

    return _done(request, trip, sent, work, reader, room, act, "views")


@router.post("/tripwires", dependencies=MAKE)
def set_tripwire(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, room: CallRoom
) -> Response:
    """Watch for a number, or for something in words."""

    def act(at: Sitting) -> None:
        plan = room.evaluation(work, reader, trip).plan
        wire = _wire(sent, plan)
        room.set_tripwire(at, sent.text("says") or (_wire_in_words(wire, plan) if wire else ""), wire)

    return _done(request, trip, sent, work, reader, room, act, "tripwires")


@router.post("/tripwires/{tripwire}/end", dependencies=MAKE)
def end_tripwire(
    request: Request,
    trip: Slug,
    tripwire: Slug,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    room: CallRoom,
) -> Response:
    """Watch for it no more."""

    def act(at: Sitting) -> None:
        room.end_tripwire(at, tripwire, sent.text("reason"))

    return _done(request, trip, sent, work, reader, room, act, "tripwires")


@router.post("/tripwires/{tripwire}/crossed", dependencies=VIEW)
def cross_tripwire(
    request: Request,
    trip: Slug,
    tripwire: Slug,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    room: CallRoom,
) -> Response:
    """Say that it was seen crossed."""

    def act(at: Sitting) -> None:
        room.cross_tripwire(at, tripwire, sent.text("says"))

    return _done(request, trip, sent, work, reader, room, act, "tripwires")


@router.post("/turnaround", dependencies=MAKE)
def set_turnaround(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, room: CallRoom
) -> Response:
    """Set when to turn round."""

    def act(at: Sitting) -> None:
        plan = room.evaluation(work, reader, trip).plan
        moment = sent.moment("turnaround_at", plan.place.zone)
        sent.check()
        if moment is None:
            raise Invalid.field("turnaround_at", "", "No time was given.", "Give the day and time to turn.")
        room.set_turnaround(at, sent.text("stage"), moment)

    return _done(request, trip, sent, work, reader, room, act, "turnaround")


@router.post("/pace", dependencies=MAKE)
def set_pace(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, room: CallRoom
) -> Response:
    """Set how long the way down takes, and how much time is kept in hand."""

    def act(at: Sitting) -> None:
        down_h = sent.measured("down_h", "h")
        margin_h = sent.measured("margin_h", "h", default_unit="min")
        sent.check()
        room.set_pace(at, sent.text("stage"), down_h, margin_h, sent.text("reason"))

    return _done(request, trip, sent, work, reader, room, act, "turnaround")


@router.post("", dependencies=MAKE)
def make(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, room: CallRoom
) -> Response:
    """Make the call."""

    def act(at: Sitting) -> None:
        plan = room.evaluation(work, reader, trip).plan
        room.make(at, _call_form(sent, plan))

    return _done(request, trip, sent, work, reader, room, act, "calls")


def _done(
    request: Request,
    trip: str,
    sent: Form,
    work: Work,
    reader: Reader,
    room: Calls,
    act: Callable[[Sitting], None],
    part: str,
) -> Response:
    """Do it and go back to that part of the page; what is in the way comes back with all that was typed."""
    try:
        at = Sitting(work, reader, trip, sent.seen_seq(), entry_of(sent))
        with work.begin_nested():
            act(at)
    except (Invalid, Conflict) as problem:
        return _page(request, trip, work, reader, room, problem, sent)
    return RedirectResponse(f"/trips/{trip}/call#{part}", status_code=303)


def entry_of(sent: Form) -> UUID:
    """The id made with the form: sent twice, it is written once. Raises Invalid."""
    text = sent.text("entry")
    try:
        found: UUID | None = UUID(text)
    except ValueError:
        found = None
    if found is None or not is_uuid7(found):
        raise Invalid.field("entry", text, "The form carries no id.", "Open the page again.")
    return found


def _page(
    request: Request,
    trip: str,
    conn: Connection,
    reader: Reader,
    room: Calls,
    problem: Invalid | Conflict | None = None,
    sent: Form | None = None,
    *,
    kept: bool = False,
) -> Response:
    shell = shell_of(request)
    evaluation = room.evaluation(conn, reader, trip)
    named = may(reader, "health.read") and not kept
    board = room.readiness.board(conn, reader.outfit, trip, named=named)
    if kept:
        board = without_nights(board)
    found = review(evaluation, board, room.now, reader.staff, reader.role)
    calls = room.lines(evaluation)
    if kept:
        found, calls = found.to_be_kept(), tuple(c.model_copy(update={"differences": ()}) for c in calls)
    plan, view = evaluation.plan, BoardView(board)
    body = problem.body() if problem else None
    turn = found.turnaround
    typed = sent.typed() if sent else {}
    return page(
        request,
        "call/page.html",
        status_code=problem.status if problem else 200,
        headers={"Cache-Control": "no-store"},
        shell=shell,
        say=view.say(shell.units),
        board=board,
        view=view,
        plan=plan,
        review=found,
        members=[(m, profile) for m, profile in sorted(evaluation.picture.profiles.items())],
        guides=[(m, evaluation.picture.profiles[m].name) for m in _whose(conn, reader, trip, evaluation)],
        me=_me(conn, reader, trip, evaluation),
        reader=reader,
        may=may,
        decisions=DECISIONS,
        decision_rows=[(value, label, MEANS[value]) for value, label in DECISIONS.items()],
        rope_rows=[(rope.id, rope.name) for rope in found.ropes],
        metrics=metric_choices(),
        places=place_choices(plan),
        comparisons=COMPARISONS,
        tipping=[(shift_in_words(p), p) for p in _tipping(conn, reader, evaluation)],
        calls=calls,
        turn_input=local_input(turn.at, plan.place.zone) if turn and turn.at else "",
        entries=_entries(found),
        typed=typed,
        problem=body,
        errors=forms_errors(body),
        live="" if kept else f"/api/trips/{trip}/events",
        kept=kept,
        actor={"id": reader.staff, "name": reader.name, "role": reader.role},
    )


def _entries(found: Review) -> dict[str, UUID]:
    """An id for each form of the page."""
    names = ["view", "tripwire", "turnaround", "pace", "call"]
    names += [f"{wire.id}-{deed}" for wire in found.tripwires for deed in ("crossed", "end")]
    return {name: new_id() for name in names}


def _me(conn: Connection, reader: Reader, trip: str, evaluation: Evaluation) -> str | None:
    """Who of the guides on the trip the reader is, as far as that is known."""
    assigned = {row.id: row.member for row in trip_staff(conn, trip)}
    if assigned.get(reader.staff):
        return str(assigned[reader.staff])
    profiles = evaluation.picture.profiles
    return next((m for m, profile in profiles.items() if profile.name == reader.name), None)


def _whose(conn: Connection, reader: Reader, trip: str, evaluation: Evaluation) -> tuple[str, ...]:
    """Whose view the reader may enter: an assistant who is known on the trip only their own.

    By entering another's they would come to see all views before giving theirs.
    """
    asked, me = rules.asked(evaluation.picture), _me(conn, reader, trip, evaluation)
    return (me,) if reader.role == "assistant" and me in asked else asked


def _tipping(conn: Connection, reader: Reader, evaluation: Evaluation) -> tuple[Any, ...]:
    received = [record.body.forecast for record in issues_in_force(evaluation.picture)][-2:]
    loaded = [forecast_by_hash(conn, reader.outfit, hash_) for hash_ in received]
    return nearest(evaluation, loaded[-1] if loaded else None, loaded[0] if len(loaded) > 1 else None)


def _wire(sent: Form, plan: TripPlan) -> Wire | None:
    metric = sent.text("metric")
    if not metric:
        return None
    inside, shown = METRIC_UNITS.get(metric, ("1", "1"))
    value = sent.measured("value", inside, default_unit=shown)
    sent.check()
    if value is None:
        raise Invalid.field("value", "", "No figure was given.", "Give the figure that must not be reached.")
    stage, at = place_of(sent.text("place"), plan)
    moment = sent.moment("at", plan.place.zone)
    sent.check()
    try:
        return Wire.model_validate(
            {
                "metric": metric,
                "comparison": sent.text("comparison") or "at-least",
                "value": value,
                "stage": stage,
                "at": moment or at,
            }
        )
    except ValidationError as error:
        raise from_validation(error.errors(), skip=()) from error


def _wire_in_words(wire: Wire, plan: TripPlan) -> str:
    title = dict(metric_choices()).get(wire.metric, wire.metric).split(" [")[0]
    inside, _ = METRIC_UNITS.get(wire.metric, ("1", "1"))
    side = "below" if wire.comparison == "below" else "from"
    name = next((stage.name for stage in plan.stages if stage.id == wire.stage), "")
    where = f" on {name}" if name else ""
    when = f" at {wire.at.astimezone(plan.place.zone):%a %H:%M}" if wire.at else ""
    return f"{title} {side} {words.quantity(wire.value, inside)}{where}{when}"[:120]


def _call_form(sent: Form, plan: TripPlan) -> CallForm:
    decision = sent.text("decision")
    if decision not in DECISIONS:
        raise Invalid.field("decision", decision, "No call is chosen.", "Choose one of the four.")
    turn: datetime | None = sent.moment("turnaround_at", plan.place.zone)
    sent.check()
    goes = decision == "go-with-changes"
    return CallForm(
        decision=decision,
        reason=sent.text("reason"),
        stays=tuple(sent.texts("stays")) if goes else (),
        moves=_prefixed(sent, "moves.") if goes else {},
        left=sent.text("left") if goes else "",
        accepts=_prefixed(sent, "accept."),
        turnaround_at=turn,
    )


def _prefixed(sent: Form, prefix: str) -> dict[str, str]:
    found = {name.removeprefix(prefix): sent.text(name) for name in sent.names() if name.startswith(prefix)}
    return {name: value for name, value in found.items() if value}
