"""The board and the pages one reaches by tapping on it."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import Request
from fastapi.responses import Response

from api.conditions.stages import StageConditions
from api.errors import NotFound
from api.journal.trip import TripPlan
from api.readiness.schemas import CAUTION, Board, ItemRow
from web.charts.mountain import picture
from web.charts.sheet import Threshold
from web.pages.board_view import BoardView, TripLine, by_zone
from web.rendering import conditional, page, shell_of


def show_trips(request: Request, trips: Sequence[TripLine]) -> Response:
    """The list of trips, soonest first."""
    listed = sorted(trips, key=lambda trip: (trip.starts_on, trip.name))
    return page(request, "trips/list.html", trips=listed, caution=CAUTION)


def show_board(
    request: Request,
    board: Board,
    plan: TripPlan | None,
    conditions: StageConditions | None,
    *,
    part: bool = False,
    lines: Sequence[Threshold] = (),
    links: Sequence[tuple[str, str]] = (),
) -> Response:
    """The board as a page, or as the part of it that is swapped.

    `lines` are thresholds on the freezing level to draw besides those that open findings rest on; `links` are
    (address, words) of the other pages of this trip.
    """
    shell = shell_of(request)
    view = BoardView(board)
    drawn = None
    if plan is not None:
        thresholds = dict.fromkeys((*lines, *view.thresholds))
        drawn = picture(plan, conditions, now=board.as_of, lines=thresholds, units=shell.units)
    answer = page(
        request,
        "board/_board.html" if part else "board/page.html",
        shell=shell,
        board=board,
        plan=plan,
        picture=drawn,
        view=view,
        say=view.say(shell.units),
        live=f"/api/trips/{board.trip}/events",
        links=links,
    )
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


def show_sheet(request: Request, board: Board, subject: str, rows: Sequence[ItemRow]) -> Response:
    """Everything known about a person, a rope or the party. Raises NotFound when there is no such subject."""
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
        view=view,
        say=view.say(shell.units),
    )
