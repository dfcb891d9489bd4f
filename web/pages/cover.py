"""Pages of lending on a trip: the cover plan, the loans, handing out and taking back."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse, Response

from api.access.current import CurrentReader
from api.access.permissions import may, permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, NotFound
from api.journal.kinds import Known
from api.kitlist.schemas import Question
from api.locker import covering, service
from api.locker.loans import Desk, TripLoan, loans_of_trip
from api.locker.schemas import Applied, HandOut, LetGo, Promise, Return
from api.readiness.board import Evaluation
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations
from web.pages.locker_view import (
    CONDITIONS,
    LOANS,
    Sent,
    SentForm,
    SentLines,
    answer_of,
    choices_of,
    done_or_again,
    filled,
    form_page,
    taken,
)
from web.rendering import page, shell_of
from web.words import Say

router = APIRouter(prefix="/trips/{trip}", include_in_schema=False)
READ, LEND = [permit("trip.read")], [permit("gear.lend")]


def _say(request: Request, evaluation: Evaluation) -> Say:
    return Say(units=shell_of(request).units, zone=evaluation.plan.place.zone)


# -- the plan ------------------------------------------------------------------------------------------------


@router.get("/cover", dependencies=READ)
def show_cover(
    request: Request,
    trip: str,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    sent_up: Annotated[bool, Query()] = False,
) -> Response:
    """Who could get what from whom, to be confirmed at once or in part."""
    return _cover(request, trip, conn, reader, readiness, sent_up=sent_up)


@router.post("/cover", dependencies=LEND)
def apply_cover(
    request: Request,
    trip: str,
    sent: SentForm,
    lines: SentLines,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Promise the chosen lines; those that cannot be kept are named, the others stand."""
    sent_up = sent.get("sent_up") == "yes"
    if not lines:
        problem = Invalid.field("lines", "", "no line is chosen.", "Tick at least one line, or go back.")
        return _cover(request, trip, work, reader, readiness, sent_up=sent_up, problem=problem)
    applied = covering.apply(work, reader, readiness, trip, lines, sent_up=sent_up)
    if all(result.status == "promised" for result in applied.results):
        return RedirectResponse(f"/trips/{trip}/loans", status_code=303)
    return _cover(request, trip, work, reader, readiness, sent_up=sent_up, applied=applied)


def _cover(
    request: Request,
    trip: str,
    conn: Any,
    reader: CurrentReader,
    readiness: Evaluations,
    *,
    sent_up: bool,
    problem: Invalid | None = None,
    applied: Applied | None = None,
) -> Response:
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return form_page(
        request,
        "locker/cover.html",
        problem,
        trip=trip,
        plan=covering.propose(conn, reader, readiness, trip, sent_up=sent_up),
        trip_name=evaluation.plan.name,
        base=evaluation.plan.place.base_name,
        left_base=covering.has_left_base(evaluation),
        sent_up=sent_up,
        applied=applied,
        say=_say(request, evaluation),
    )


# -- loans ---------------------------------------------------------------------------------------------------


@router.get("/loans", dependencies=READ)
def show_loans(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """What is promised, handed out and back."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return page(
        request,
        "locker/loans.html",
        headers={"Cache-Control": "no-store"},
        trip=trip,
        trip_name=evaluation.plan.name,
        loans=loans_of_trip(evaluation.picture),
        words_of=LOANS,
        caution=CAUTION,
        say=_say(request, evaluation),
    )


@router.get("/loans/new", dependencies=LEND)
def show_promise(
    request: Request,
    trip: str,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    item: Annotated[str, Query(max_length=64)] = "",
) -> Response:
    """The form to promise one thing by hand."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return _promise_form(request, trip, evaluation, conn, reader, {"item": item})


@router.post("/loans/new", dependencies=LEND)
def promise(
    request: Request,
    trip: str,
    sent: SentForm,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Promise one thing by hand."""
    evaluation = readiness.evaluation(work, reader.outfit, trip)

    def act() -> None:
        values = filled(sent, "item", "subject", "requirement", "units", "remark")
        Desk(work, reader, readiness, trip).promise(taken(Promise, values))

    return done_or_again(
        work,
        act,
        f"/trips/{trip}/loans",
        lambda problem: _promise_form(request, trip, evaluation, work, reader, sent, problem),
    )


def _promise_form(
    request: Request,
    trip: str,
    evaluation: Evaluation,
    conn: Any,
    reader: CurrentReader,
    values: Sent,
    problem: Invalid | Conflict | None = None,
) -> Response:
    plan = evaluation.plan
    listed = service.listed(conn, reader, today=plan.starts_on, first=plan.starts_on, last=plan.ends_on)
    people = [(id_, profile.name) for id_, profile in evaluation.picture.profiles.items()]
    ropes = [(rope.id, rope.name) for rope in evaluation.picture.rope_teams]
    chosen = next((thing for thing in listed.items if thing.id == values.get("item")), None)
    edition = evaluation.edition
    wanted = [
        (r.id, r.item)
        for r in (edition.requirements if edition else ())
        if chosen is None or r.id in chosen.meets
    ]
    return form_page(
        request,
        "locker/promise.html",
        problem,
        trip=trip,
        trip_name=plan.name,
        items=[(t.id, f"{t.what}{', ' + t.size if t.size else ''} ({t.id})") for t in listed.items if t.free],
        subjects=[*sorted(people, key=lambda one: one[1]), *ropes, ("party", "The party")],
        requirements=wanted,
        values=values,
        say=_say(request, evaluation),
    )


@router.get("/loans/{loan}", dependencies=LEND)
def show_loan(
    request: Request, trip: str, loan: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """One loan, with the form for what comes next."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return _loan_page(request, trip, evaluation, _loan(evaluation, loan), conn, reader, {})


@router.post("/loans/{loan}/{step}", dependencies=LEND)
def take_step(
    request: Request,
    trip: str,
    loan: str,
    step: str,
    sent: SentForm,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Hand out, take back, or let go."""
    evaluation = readiness.evaluation(work, reader.outfit, trip)
    found = _loan(evaluation, loan)
    desk = Desk(work, reader, readiness, trip)

    def act() -> None:
        if step == "hand-out":
            known = {"known": sent["known"]} if sent.get("known") in ("seen", "tried") else {}
            answers = _answers(evaluation, found, sent) if known else {}
            values = {**known, "answers": answers, **filled(sent, "remark")}
            desk.hand_out(loan, taken(HandOut, values))
        elif step == "return":
            desk.take_back(loan, taken(Return, filled(sent, "condition", "remark")))
        elif step == "release":
            desk.let_go(loan, taken(LetGo, filled(sent, "remark")))
        else:
            raise NotFound("There is no such step. Go back to the loan and choose one.")

    return done_or_again(
        work,
        act,
        f"/trips/{trip}/loans",
        lambda problem: _loan_page(request, trip, evaluation, found, work, reader, sent, problem),
    )


def _loan(evaluation: Evaluation, loan: str) -> TripLoan:
    found = next((one for one in loans_of_trip(evaluation.picture) if one.loan == loan), None)
    if found is None:
        raise NotFound("This trip has no such loan. Choose it from the list of its loans.")
    return found


def _loan_page(
    request: Request,
    trip: str,
    evaluation: Evaluation,
    loan: TripLoan,
    conn: Any,
    reader: CurrentReader,
    values: Sent,
    problem: Invalid | Conflict | None = None,
) -> Response:
    return form_page(
        request,
        "locker/loan.html",
        problem,
        trip=trip,
        trip_name=evaluation.plan.name,
        loan=loan,
        hands=may(reader, "check.record"),
        words_of=LOANS,
        conditions=CONDITIONS,
        questions=[(q, choices_of(q)) for q in _to_answer(evaluation, loan, conn, reader)],
        values=values,
        say=_say(request, evaluation),
    )


def _questions(evaluation: Evaluation, loan: TripLoan) -> Sequence[Question]:
    edition = evaluation.edition
    requirement = edition.requirement(loan.terms.requirement) if edition is not None else None
    return requirement.questions if requirement is not None else ()


def _to_answer(
    evaluation: Evaluation, loan: TripLoan, conn: Any, reader: CurrentReader
) -> Sequence[Question]:
    """What the thing itself does not answer: try-on questions, and what nobody has entered."""
    known: set[str] = set()
    if loan.terms.source == "locker" and loan.terms.giver is not None:
        known = set(service.find(conn, reader.outfit, loan.terms.giver).answers)
    questions = [question for question in _questions(evaluation, loan) if question.id not in known]
    return sorted(questions, key=lambda question: question.needs is not Known.TRIED)


def _answers(evaluation: Evaluation, loan: TripLoan, sent: Sent) -> dict[str, bool | float | str]:
    return {
        question.id: answer_of(question, written)
        for question in _questions(evaluation, loan)
        if (written := sent.get(f"answers.{question.id}"))
    }
