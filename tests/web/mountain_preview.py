"""The mountain page on its own: the demo trip under its issues, and a large trip under an ensemble."""

from __future__ import annotations

import sys
from datetime import datetime
from functools import cache

import uvicorn
from fastapi import FastAPI, Request
from fastapi.responses import Response

from api import errors
from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.quantities import quantities
from api.conditions.shifts import NO_SHIFT, Shift
from api.conditions.sources.manual import to_forecast
from api.errors import Invalid
from api.readiness.board import board as board_of
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.mountain import Outlook
from api.readiness.schemas import Board
from seeds import demo
from tests.readiness import big
from tests.web import preview, sample
from web import site
from web.pages import preferences
from web.pages.mountain_form import asked_for, shift_of
from web.pages.mountain_show import show_form_again, show_mountain, show_what_if
from web.pages.mountain_view import SourceRow
from web.rendering import problem_page, set_shell, shell_of

ISSUES = ("F1", "F2", "F3")
LARGE = "large"


@cache
def issues(upto: str) -> tuple[Forecast, ...]:
    """The demo's issues up to one, oldest first."""
    plan = sample.evaluation().plan
    names = ISSUES[: ISSUES.index(upto) + 1]
    return tuple(to_forecast(demo.forecast(demo.scenario(), name), plan.place) for name in names)


@cache
def outlook(trip: str, issue: str = "F1") -> Outlook:
    """A trip with its forecasts: `large` under an ensemble, or the demo's under one of its issues."""
    if trip == LARGE:
        return Outlook(_large(NO_SHIFT), (big.forecast(seed=8), big.forecast()))
    return Outlook(sample.evaluation(issue), issues(issue))


def what_if(trip: str, issue: str, shift: Shift) -> Evaluation:
    """The trip under a shift."""
    if trip == LARGE:
        return _large(shift)
    before = sample.evaluation(issue)
    conditions = stage_conditions(before.plan, issues(issue)[-1], None, shift)
    amounts = quantities(before.plan, conditions, len(before.picture.members))
    return evaluate(trip, before.seq, before.picture, before.plan, before.edition, conditions, amounts)


def _large(shift: Shift) -> Evaluation:
    plan, party = big.plan(), big.party()
    conditions = stage_conditions(plan, big.forecast(), big.forecast(seed=8), shift)
    amounts = quantities(plan, conditions, len(party.members))
    return evaluate(LARGE, 1, party, plan, big.edition(), conditions, amounts)


def board(evaluation: Evaluation, told: Outlook | None = None) -> Board:
    """The board of a trip some hours before it begins."""
    now = sample.START if evaluation.trip != LARGE else evaluation.plan.stages[0].starts_at
    shown = board_of(evaluation, now=now)
    extra = {"possible": told.possible, "since": told.since} if told else {}
    return shown.model_copy(update=extra)


def source(told: Outlook) -> SourceRow:
    """The forecast in force as a source."""
    assert told.forecast is not None
    origin = told.forecast.provenance
    issued: datetime = origin.issued_at
    return SourceRow(origin.provider, origin.label, issued, issued, True, level="2,800 m", wind="60 km/h")


def build() -> FastAPI:
    """An app that shows both trips and keeps nothing. `?issue=F3` shows a later forecast of the demo trip."""
    app = FastAPI()
    errors.install(app)
    errors.set_page_renderer(app, problem_page)
    app.add_middleware(site.SecurityHeaders)
    set_shell(app, preview.shell)
    app.include_router(preferences.router)

    @app.get("/trips/{trip}/mountain")
    @app.get("/trips/{trip}/mountain/_part")
    def mountain(request: Request, trip: str, issue: str = "F1") -> Response:
        told = outlook(trip, issue)
        part = request.url.path.endswith("/_part")
        return show_mountain(request, board(told.evaluation, told), told, sources=[source(told)], part=part)

    @app.get("/trips/{trip}/mountain/what-if")
    def supposed(request: Request, trip: str, issue: str = "F1") -> Response:
        told, given = outlook(trip, issue), dict(request.query_params)
        now = board(told.evaluation, told)
        assert asked_for(given)
        try:
            shift = shift_of(given, told.evaluation.plan, shell_of(request).units)
        except Invalid as problem:
            return show_form_again(request, now, told.evaluation.plan, given, problem)
        if shift == NO_SHIFT:
            return mountain(request, trip, issue)
        then = what_if(trip, issue, shift)
        shown = (told.evaluation, then, board(then), shift, given)
        return show_what_if(request, now, *shown, forecast=told.forecast)

    site.mount(app)
    return app


if __name__ == "__main__":
    uvicorn.run(build(), host="127.0.0.1", port=int(sys.argv[1]), log_level="warning")
