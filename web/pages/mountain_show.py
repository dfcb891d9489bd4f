"""How the mountain page is put together from what has been evaluated. No database, no evaluation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import timedelta

import numpy as np
from fastapi import Request
from fastapi.responses import Response

from api.conditions.forecast import Forecast
from api.conditions.itinerary import legs_of
from api.conditions.shifts import Shift
from api.errors import Invalid
from api.journal.trip import Stage, TripPlan
from api.readiness.body_report import body_of, report
from api.readiness.by_source import FlagsBySource
from api.readiness.evaluation import Evaluation
from api.readiness.mountain import Outlook
from api.readiness.outlook import Spread
from api.readiness.scenarios import spread_of
from api.readiness.schemas import Board, Finding
from api.readiness.tipping import TippingPoint
from web import words
from web.charts.face import Face, faces
from web.charts.mountain import picture
from web.pages import mountain_words as told
from web.pages.board_show import freezing_lines
from web.pages.board_view import BoardView
from web.pages.body_view import BodyView
from web.pages.mountain_form import Box, blank, boxes
from web.pages.mountain_view import SourceRow, StageNumbers, StageRow, hold_points, notes, says
from web.rendering import conditional, forms_errors, page, shell_of

MOST_POINTS = 12
"""Tipping points told; what lies further off is left to the what-if."""


@dataclass(frozen=True, slots=True)
class Form:
    """The what-if form as it is shown."""

    boxes: tuple[Box, ...]
    values: Mapping[str, str]
    stages: tuple[tuple[str, str], ...]
    problem: Mapping[str, object] | None = None
    errors: Mapping[str, Mapping[str, object]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Scene:
    """The picture and the table of a trip under one forecast or what-if."""

    faces: tuple[Face, ...]
    title: str
    says: tuple[str, ...]
    lines: tuple[str, ...]
    spread: Spread
    rows: tuple[StageRow, ...]
    has_weather: bool


def show_mountain(
    request: Request,
    board: Board,
    outlook: Outlook,
    *,
    sources: Sequence[SourceRow] = (),
    by_source: FlagsBySource | None = None,
    part: bool = False,
) -> Response:
    """The mountain page, or the part of it that is swapped when something changes."""
    shell, view = shell_of(request), BoardView(board)
    say = view.say(shell.units)
    evaluation = outlook.evaluation
    start = outlook.start_stage(board.as_of)
    points = outlook.tipping(start.id if start else None)
    answer = page(
        request,
        "mountain/_mountain.html" if part else "mountain/page.html",
        shell=shell,
        say=say,
        board=board,
        plan=evaluation.plan,
        scene=scene_of(evaluation, board, say),
        headline=view.headline(say),
        points=_told(points, evaluation.plan, say),
        more_points=max(0, len(points) - MOST_POINTS),
        start=start,
        since=board.since,
        turned=told.turned(board.since, say),
        moved=told.moved(board.since, say),
        possible=tuple(told.possible(board.possible)),
        often=_often(outlook, board.findings),
        uncalibrated=_spread_words(evaluation),
        sources=sources,
        differ=tuple(told.by_source(by_source, say)) if by_source else (),
        undecided=tuple(told.undecided(by_source)) if by_source else (),
        notes=notes(evaluation.plan, evaluation.conditions, outlook.forecast, say),
        bodies=BodyView(report(evaluation, body_of(evaluation)), say),
        form=form_of(evaluation.plan, shell.units, {"stage": start.id} if start else None),
        live=f"/api/trips/{board.trip}/events",
    )
    return conditional(request, answer)


def show_what_if(
    request: Request,
    board: Board,
    now: Evaluation,
    then: Evaluation,
    then_board: Board,
    shift: Shift,
    values: Mapping[str, str],
    *,
    forecast: Forecast | None = None,
) -> Response:
    """The board that a what-if would result in. Nothing of it is kept."""
    shell, view = shell_of(request), BoardView(then_board)
    say = view.say(shell.units)
    comes, goes = told.changes_of(_flags(now.findings), _flags(then.findings))
    return page(
        request,
        "mountain/what_if.html",
        shell=shell,
        say=say,
        board=board,
        then=then_board,
        view=view,
        plan=then.plan,
        what=told.change_of(shift, then.plan, say),
        comes=comes,
        goes=goes,
        regraded=told.regraded(
            {finding.id: finding for finding in now.findings},
            {finding.id: finding for finding in then.findings},
        ),
        before=BoardView(board).headline(say),
        headline=view.headline(say),
        scene=scene_of(moved(then, shift), then_board, say),
        notes=notes(then.plan, then.conditions, forecast, say),
        form=form_of(then.plan, shell.units, values),
    )


def show_form_again(
    request: Request,
    board: Board,
    plan: TripPlan,
    values: Mapping[str, str],
    problem: Invalid,
) -> Response:
    """The form with what was typed and what is wrong with it."""
    shell = shell_of(request)
    return page(
        request,
        "mountain/form.html",
        status_code=problem.status,
        shell=shell,
        say=BoardView(board).say(shell.units),
        board=board,
        form=form_of(plan, shell.units, values, problem),
    )


def scene_of(evaluation: Evaluation, board: Board, say: words.Say) -> Scene:
    """What is drawn and tabled."""
    plan, conditions = evaluation.plan, evaluation.conditions
    lines = freezing_lines(evaluation)
    drawn = picture(plan, conditions, now=board.as_of, lines=lines, units=say.units)
    rows = StageNumbers(plan, conditions, say).rows()
    weather = bool(np.any(conditions.complete["freezing_level_m"]))
    return Scene(
        faces=faces(plan, conditions, now=board.as_of, lines=lines, say=say),
        title=drawn.title if drawn else plan.place.name,
        says=(*(drawn.says if drawn else ()), *hold_points(plan, say), *(says(rows) if weather else ())),
        lines=drawn.lines if drawn else (),
        spread=spread_of(conditions.scenarios),
        rows=rows,
        has_weather=weather,
    )


def form_of(
    plan: TripPlan,
    units: words.Units,
    values: Mapping[str, str] | None = None,
    problem: Invalid | None = None,
) -> Form:
    """The form, blank or as filled in."""
    stages = (("", "every stage"), *((stage.id, stage.name) for stage in plan.stages))
    filled = blank(units) | {name: text for name, text in (values or {}).items() if text}
    body = problem.body() if problem else None
    return Form(boxes(units), filled, stages, body, forms_errors(body))


def moved(evaluation: Evaluation, shift: Shift) -> Evaluation:
    """The same with the plan's own times shifted, so that the rope is drawn where it would be."""
    if not shift.start_min:
        return evaluation
    plan = evaluation.plan
    legs = legs_of(plan, shift.start_min, shift.stage)
    stages = tuple(_later(leg.stage, timedelta(seconds=leg.shifted_s)) for leg in legs)
    return replace(evaluation, plan=plan.model_copy(update={"stages": stages}))


def _later(stage: Stage, by: timedelta) -> Stage:
    via = tuple(point.model_copy(update={"at": point.at + by}) for point in stage.via)
    return stage.model_copy(
        update={"starts_at": stage.starts_at + by, "ends_at": stage.ends_at + by, "via": via}
    )


def _told(points: Sequence[TippingPoint], plan: TripPlan, say: words.Say) -> list[str]:
    return [told.tipping(point, plan, say) for point in points[:MOST_POINTS]]


def _flags(findings: Sequence[Finding]) -> dict[str, tuple[str, str]]:
    return {finding.id: (finding.subject_name, finding.item) for finding in findings}


def _often(outlook: Outlook, findings: Sequence[Finding]) -> list[tuple[str, list[str]]]:
    """Open flags that do not appear in every scenario, together where they appear equally often."""
    found: dict[str, list[str]] = {}
    for finding in findings:
        frequency = outlook.frequencies.get(finding.id)
        if (
            frequency is not None
            and frequency.spread is not Spread.NONE
            and frequency.appears < frequency.total
        ):
            found.setdefault(told.frequency(frequency), []).append(f"{finding.subject_name}: {finding.item}")
    return list(found.items())


def _spread_words(evaluation: Evaluation) -> str:
    match spread_of(evaluation.conditions.scenarios):
        case Spread.ENSEMBLE:
            return told.UNCALIBRATED
        case Spread.BY_HAND:
            return told.BY_HAND
        case Spread.NONE:
            return ""
