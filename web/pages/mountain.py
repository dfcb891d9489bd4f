"""The mountain: what each stage will be like, what would change the board, and what if."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from fastapi import APIRouter, Request
from fastapi.responses import Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import permit
from api.conditions.choice import newest_of_each, provider_in_force
from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.many import base_member
from api.conditions.service import forecast_by_hash
from api.conditions.shifts import NO_SHIFT
from api.db import Reading
from api.errors import Invalid
from api.readiness.board import board as board_of
from api.readiness.evaluation import Evaluation
from api.readiness.service import Evaluations, Readiness
from web import words
from web.pages.board_view import BoardView
from web.pages.mountain_form import asked_for, shift_of
from web.pages.mountain_show import show_form_again, show_mountain, show_what_if
from web.pages.mountain_view import SourceRow
from web.rendering import shell_of

router = APIRouter(prefix="/trips/{trip}/mountain", include_in_schema=False)


@router.get("", dependencies=[permit("trip.read")])
def mountain_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """The picture, the stages, tipping points and the what-if form."""
    return _mountain(request, trip, conn, reader, readiness, part=False)


@router.get("/_part", dependencies=[permit("trip.read")])
def mountain_part(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """The part that is swapped when something has changed."""
    return _mountain(request, trip, conn, reader, readiness, part=True)


@router.get("/what-if", dependencies=[permit("trip.read")])
def what_if_page(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """The board under a shifted forecast or start. Nothing is stored."""
    given = dict(request.query_params)
    outlook = readiness.outlook(conn, reader.outfit, trip)
    board = readiness.board(conn, reader.outfit, trip)
    if not asked_for(given):
        return _mountain(request, trip, conn, reader, readiness, part=False)
    try:
        shift = shift_of(given, outlook.evaluation.plan, shell_of(request).units)
    except Invalid as problem:
        return show_form_again(request, board, outlook.evaluation.plan, given, problem)
    if shift == NO_SHIFT:
        return _mountain(request, trip, conn, reader, readiness, part=False)
    then = readiness.evaluation(conn, reader.outfit, trip, shift=shift)
    then_board = board_of(then, now=board.as_of, demo=readiness.demo)
    return show_what_if(
        request,
        board,
        outlook.evaluation,
        then,
        then_board,
        shift,
        given,
        forecast=outlook.forecast,
    )


def _mountain(
    request: Request, trip: str, conn: Connection, reader: Reader, readiness: Readiness, *, part: bool
) -> Response:
    outlook = readiness.outlook(conn, reader.outfit, trip)
    board = readiness.board(conn, reader.outfit, trip)
    say = BoardView(board).say(shell_of(request).units)
    evaluation = outlook.evaluation
    received = newest_of_each(evaluation.picture)
    loaded = {
        provider: forecast_by_hash(conn, reader.outfit, record.body.forecast)
        for provider, record in received.items()
    }
    return show_mountain(
        request,
        board,
        outlook,
        sources=tuple(sources_of(evaluation, loaded, say)),
        by_source=readiness.by_source(conn, reader.outfit, trip),
        part=part,
    )


def sources_of(evaluation: Evaluation, newest: Mapping[str, Forecast], say: words.Say) -> Iterator[SourceRow]:
    """The newest issue of each provider, each held against the plan by itself."""
    plan, picture = evaluation.plan, evaluation.picture
    in_force, received = provider_in_force(picture), newest_of_each(picture)
    heights = [max(s.from_m, s.to_m, *(via.elevation_m for via in s.via)) for s in plan.stages]
    for provider, forecast in newest.items():
        origin = forecast.provenance
        level = wind = words.NOT_KNOWN
        if heights:
            top = int(np.argmax(heights))
            conditions = stage_conditions(plan, base_member(forecast))
            level = say.elevation(float(conditions.low["freezing_level_m"][0, top]))
            wind = say.speed(float(conditions.high["wind_mps"][0, top]))
        yield SourceRow(
            provider=provider,
            label=origin.label,
            issued_at=origin.issued_at,
            received_at=received[provider].happened_at,
            in_force=provider == in_force,
            attribution=origin.attribution,
            licence=origin.licence,
            level=level,
            wind=wind,
            warnings=origin.warnings,
        )
