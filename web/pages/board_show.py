"""How the board's pages are put together from what has been evaluated. No database, no evaluation."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

import numpy as np
from fastapi import Request
from fastapi.responses import Response

from api.call.watching import Watch
from api.conditions.stages import StageConditions
from api.errors import NotFound
from api.journal.trip import TripPlan
from api.kitlist.schemas import FromLine
from api.readiness.asks import Weather
from api.readiness.board import Evaluation
from api.readiness.schemas import CAUTION, Board, ItemRow
from web.charts.levels import FREEZING
from web.charts.mountain import picture
from web.charts.sheet import Threshold
from web.pages import mountain_words as told
from web.pages.board_view import BoardView, TripLine, by_zone
from web.pages.body_view import PersonView
from web.pages.screens import Link
from web.rendering import conditional, page, shell_of


def show_trips(
    request: Request, trips: Sequence[TripLine], today: date, *, links: Sequence[Link] = ()
) -> Response:
    """The list of trips: those ahead, soonest first; then those that are over, latest first."""
    over = [trip for trip in trips if trip.ends_on is not None and trip.ends_on < today]
    ahead = [trip for trip in trips if trip not in over]
    ahead.sort(key=lambda trip: (trip.starts_on is None, trip.starts_on or today, trip.name))
    over.sort(key=lambda trip: trip.ends_on or today, reverse=True)
    return page(request, "trips/list.html", ahead=ahead, over=over, caution=CAUTION, links=links)


def board_answer(
    request: Request,
    board: Board,
    plan: TripPlan | None,
    conditions: StageConditions | None,
    *,
    part: bool = False,
    lines: Sequence[Threshold] = (),
    watch: Watch | None = None,
) -> Response:
    """The board as a page, or as the part of it that is swapped.

    `lines` are thresholds on the freezing level to draw; `watch` is what has given way under the call that
    stands.
    """
    shell = shell_of(request)
    view = BoardView(board)
    drawn = picture(plan, conditions, now=board.as_of, lines=lines, units=shell.units) if plan else None
    return page(
        request,
        "board/_board.html" if part else "board/page.html",
        shell=shell,
        board=board,
        plan=plan,
        picture=drawn,
        view=view,
        say=view.say(shell.units),
        live=f"/api/trips/{board.trip}/events",
        turned=told.turned(board.since, view.say(shell.units)),
        may_come=tuple(told.possible(board.possible)),
        watch=watch,
        trip=board.trip,
    )


def show_board(
    request: Request,
    board: Board,
    plan: TripPlan | None,
    conditions: StageConditions | None,
    *,
    part: bool = False,
    lines: Sequence[Threshold] = (),
    watch: Watch | None = None,
) -> Response:
    """The board as in `board_answer`; "not changed" for a reader who has it."""
    answer = board_answer(request, board, plan, conditions, part=part, lines=lines, watch=watch)
    return conditional(request, answer)


def show_finding(request: Request, board: Board, finding_id: str) -> Response:
    """One finding on a page of its own. Raises NotFound when it is not open (any more)."""
    finding = board.finding(finding_id)
    if finding is None:
        raise NotFound("This finding is not open. It may have been cleared; the board says what is open now.")
    shell = shell_of(request)
    view = BoardView(board)
    return page(
        request,
        "board/finding.html",
        shell=shell,
        board=board,
        finding=finding,
        view=view,
        say=view.say(shell.units),
    )


def show_sheet(
    request: Request, board: Board, subject: str, rows: Sequence[ItemRow], body: PersonView | None = None
) -> Response:
    """Everything known about a person, a rope or the party. Raises NotFound when there is no such subject.

    `body` is what the stages ask of a person's body.
    """
    shell = shell_of(request)
    view = BoardView(board)
    return page(
        request,
        "board/sheet.html",
        shell=shell,
        board=board,
        subject=view.head(subject),
        own=view.own(subject),
        zones=by_zone(rows),
        body=body,
        view=view,
        say=view.say(shell.units),
    )


def freezing_lines(evaluation: Evaluation) -> tuple[Threshold, ...]:
    """The named lines on the freezing level of the edition in force, at the trip's own figures."""
    if evaluation.edition is None:
        return ()
    weather = Weather(evaluation.edition, evaluation.plan, evaluation.conditions)
    lines = []
    for line in evaluation.edition.lines:
        if line.metric == FREEZING:
            levels = weather.threshold(FromLine(line=line.id), line.metric)
            if len(levels) and np.isfinite(levels[0]):
                lines.append(Threshold(line.title.removeprefix("Freezing level at which "), float(levels[0])))
    return tuple(lines)
