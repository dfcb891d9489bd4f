"""Flags to work on: queues, and one flag with everything that can be done about it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.db import Reading, Work, Writing
from api.errors import Conflict, Invalid, NotFound
from api.ids import new_id
from api.kitlist.schemas import Requirement
from api.readiness import flags
from api.readiness.acceptance import acceptance
from api.readiness.evaluation import Evaluation
from api.readiness.history import history
from api.readiness.life import shown_bound
from api.readiness.queries import newest_first
from api.readiness.schemas import Finding
from api.readiness.service import Evaluations, Readiness
from web.pages import flag_forms
from web.pages.board_view import BoardView
from web.pages.roster_forms import Form, Sent
from web.rendering import forms_errors, page, shell_of

router = APIRouter(include_in_schema=False)


@router.get("/trips/{trip}/flags", dependencies=[permit("trip.read")])
def queue_page(
    request: Request,
    trip: str,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    queue: str = "hold",
    rope: str = "",
) -> Response:
    """Flags in queues: mine, one rope's, before the next hold point, those nobody sees to, all."""
    board = readiness.board(conn, reader.outfit, trip)
    ahead, before = flags.before_next_hold(board)
    chosen: tuple[Finding, ...]
    if queue == "mine":
        chosen, title = flags.mine(board, reader.staff), "Mine"
    elif queue == "free":
        chosen, title = flags.free(board.findings), "Nobody sees to these"
    elif queue == "rope":
        name = next((line.name for line in board.ropes if line.rope == rope), None)
        if name is None:
            raise NotFound(f"There is no rope “{rope}” on this trip. Choose one from the board.")
        chosen, title = flags.of_rope(board, rope), name
    elif queue == "all":
        chosen, title = board.findings, "All open flags"
    else:
        chosen, title = before, f"Before {ahead.name}" if ahead else "All open flags"
    shell = shell_of(request)
    view = BoardView(board)
    return page(
        request,
        "flags/queue.html",
        shell=shell,
        board=board,
        view=view,
        say=view.say(shell.units),
        chosen=chosen,
        title=title,
        queue=queue,
        rope=rope,
        ahead=ahead,
        may=may,
        live=f"/api/trips/{trip}/events",
    )


@router.get("/trips/{trip}/flags/{finding}", dependencies=[permit("trip.read")])
def flag_page(
    request: Request, trip: str, finding: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """One flag: its life, what can be done about it, and its history."""
    return _flag(request, conn, readiness, reader, trip, finding)


@router.post("/trips/{trip}/flags/{finding}/take", dependencies=[permit("flag.take")])
def take(
    request: Request,
    trip: str,
    finding: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Take a flag for some hours, or until the next hold point."""

    def act(writer: flags.Writer) -> None:
        until = flag_forms.until(sent, readiness.board(work, reader.outfit, trip))
        flags.take(writer, finding, until, sent.text("note"))

    return _done(request, work, readiness, reader, trip, finding, sent, act)


@router.post("/trips/{trip}/flags/{finding}/give-back", dependencies=[permit("flag.take")])
def give_back(
    request: Request,
    trip: str,
    finding: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Give a flag back."""
    return _done(
        request,
        work,
        readiness,
        reader,
        trip,
        finding,
        sent,
        lambda writer: flags.release(writer, finding, sent.text("note")),
    )


@router.post("/trips/{trip}/flags/{finding}/accept", dependencies=[permit("flag.accept")])
def accept(
    request: Request,
    trip: str,
    finding: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Accept the gap by name."""
    return _done(
        request,
        work,
        readiness,
        reader,
        trip,
        finding,
        sent,
        lambda writer: flags.accept(writer, finding, sent.text("reason"), flag_forms.wider(sent)),
    )


@router.post("/trips/{trip}/flags/{finding}/end-acceptance", dependencies=[permit("flag.accept")])
def end_acceptance(
    request: Request,
    trip: str,
    finding: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Take an acceptance back."""
    return _done(
        request,
        work,
        readiness,
        reader,
        trip,
        finding,
        sent,
        lambda writer: flags.end_acceptance(writer, finding, sent.text("ended") or sent.text("reason")),
    )


@router.post("/trips/{trip}/flags/{finding}/record", dependencies=[permit("check.report")])
def record(
    request: Request,
    trip: str,
    finding: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Record what was found or done: a sighting."""

    def act(writer: flags.Writer) -> None:
        evaluation = readiness.evaluation(work, reader.outfit, trip)
        asked = flag_forms.requirement(evaluation, finding)
        flags.record(writer, flag_forms.sighting(sent, finding, asked))

    return _done(request, work, readiness, reader, trip, finding, sent, act)


# -- showing


def _done(
    request: Request,
    work: Work,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    finding: str,
    sent: Form,
    act: Callable[[flags.Writer], None],
) -> Response:
    """Do it and go on to the flag; what is in the way comes back on the page, with everything typed kept."""
    entry = new_id(readiness.clock.now())
    writer = flags.Writer(work, readiness, reader, trip, entry, sent.whole("seen_seq"), device="page")
    try:
        act(writer)
    except (Invalid, Conflict) as problem:
        return _flag(request, work, readiness, reader, trip, finding, problem, sent)
    if request.headers.get("hx-request") and sent.text("part"):
        return _part(request, work, readiness, reader, trip, finding)
    return RedirectResponse(f"/trips/{trip}/flags/{finding}?saved=1", status_code=303)


@dataclass(frozen=True, slots=True)
class _Ways:
    """What the reader may do about a flag."""

    take: bool
    record: bool
    hands: bool
    """May say that it was seen or tried."""
    accept: bool
    bounds: tuple[str, ...] = ()
    wider: tuple[flag_forms.Widening, ...] = ()


def _ways(evaluation: Evaluation, reader: Reader, finding: Finding) -> _Ways:
    accepting = may(reader, "flag.accept")
    bounds: tuple[str, ...] = ()
    wider: tuple[flag_forms.Widening, ...] = ()
    if accepting:
        try:
            given = acceptance(evaluation, finding.id, "looking ahead")
            bounds = tuple(shown_bound(evaluation, bound).says for bound in given.bounds)
            wider = flag_forms.widenings(given.bounds)
        except (Conflict, NotFound):
            accepting = False
    listed = (
        evaluation.edition is not None and evaluation.edition.requirement(finding.requirement) is not None
    )
    return _Ways(
        take=may(reader, "flag.take"),
        record=listed and may(reader, "check.report"),
        hands=may(reader, "check.record"),
        accept=accepting,
        bounds=bounds,
        wider=wider,
    )


def _flag(
    request: Request,
    conn: Connection,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    finding_id: str,
    problem: Invalid | Conflict | None = None,
    sent: Form | None = None,
) -> Response:
    board = readiness.board(conn, reader.outfit, trip)
    finding = board.finding(finding_id)
    past = newest_first(history(conn, readiness, reader.outfit, trip, finding=finding_id))
    if finding is None and not past:
        raise NotFound("There is no such flag on this trip. The board says what is open.")
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    requirement = evaluation.edition.requirement(finding_id.partition(".")[2]) if evaluation.edition else None
    body = problem.body() if problem else None
    shell, view = shell_of(request), BoardView(board)
    return page(
        request,
        "flags/flag.html",
        status_code=problem.status if problem else 200,
        headers={"Cache-Control": "no-store"},
        shell=shell,
        board=board,
        view=view,
        say=view.say(shell.units),
        finding=finding,
        finding_id=finding_id,
        requirement=requirement,
        choices=_choices(requirement),
        typed=sent.typed() if sent else _standing(evaluation, finding_id),
        ways=_ways(evaluation, reader, finding) if finding else None,
        ahead=next((hold for hold in board.holds if hold.next and hold.at > board.as_of), None),
        past=past,
        reader=reader,
        problem=body,
        errors=forms_errors(body),
        saved=request.query_params.get("saved", ""),
    )


def _choices(requirement: Requirement | None) -> dict[str, list[tuple[str, str]]]:
    """What each choice question offers, by question."""
    questions = requirement.questions if requirement else ()
    return {
        question.id: [("", "not answered"), *((choice.id, choice.label) for choice in question.choices)]
        for question in questions
        if question.kind == "choice"
    }


def _standing(evaluation: Evaluation, finding_id: str) -> dict[str, Any]:
    """What the record form starts from: the answers that stand."""
    subject, _, requirement = finding_id.partition(".")
    typed: dict[str, Any] = {}
    for record in evaluation.picture.sightings.get((subject, requirement), ()):
        for question, answer in record.body.answers.items():
            shown = ("yes" if answer else "no") if isinstance(answer, bool) else answer
            typed[f"answer-{question}"] = f"{shown:g}" if isinstance(shown, float) else str(shown)
    return typed


def _part(
    request: Request, conn: Connection, readiness: Readiness, reader: Reader, trip: str, finding_id: str
) -> Response:
    """The row of one finding, to be swapped in place; what is cleared says so."""
    board = readiness.board(conn, reader.outfit, trip)
    shell, view = shell_of(request), BoardView(board)
    return page(
        request,
        "flags/_swapped.html",
        shell=shell,
        board=board,
        view=view,
        say=view.say(shell.units),
        finding=board.finding(finding_id),
        finding_id=finding_id,
    )
