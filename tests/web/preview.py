"""The pages with the hand-made board, on a server of their own: ``python -m tests.web.preview 8137``."""

from __future__ import annotations

import sys
from datetime import timedelta

import uvicorn
from fastapi import FastAPI, Request
from fastapi.responses import Response

from api import errors
from tests.web import sample
from web import site
from web.charts.sheet import Threshold
from web.pages import preferences
from web.pages.board_show import show_board, show_finding, show_sheet, show_trips
from web.pages.board_view import BoardView, TripLine
from web.rendering import DemoBar, Shell, problem_page, set_shell, units_of
from web.words import Units

MITTS = (Threshold("mitt line", 3600.0),)


def _shell(request: Request) -> Shell:
    bar = DemoBar(
        now=sample.NOW,
        role="lead",
        roles=(("lead", "lead guide"), ("assistant", "assistant guide"), ("office", "office")),
        next_moment="leaving Harrow Station",
    )
    demo = bar if "demo" in request.query_params else None
    return Shell(units=units_of(request), reader="lead guide" if demo else None, demo=demo)


def build() -> FastAPI:
    """An app that shows the sample and keeps nothing. `?issue=F3`: later forecast, `?clear`: no findings."""
    app = FastAPI()
    errors.install(app)
    errors.set_page_renderer(app, problem_page)
    app.add_middleware(site.SecurityHeaders)
    set_shell(app, _shell)
    app.include_router(preferences.router)

    @app.get("/")
    def trips(request: Request) -> Response:
        plan, view = sample.plan(), BoardView(sample.board())
        ahead = TripLine(
            sample.TRIP,
            plan.name,
            plan.starts_on,
            plan.ends_on,
            plan.place.name,
            view.board.verdict.standing,
            view.headline(view.say(Units.METRIC)),
        )
        week = timedelta(days=7)
        over = TripLine("august", "Kessandry, August", plan.starts_on - 3 * week, plan.ends_on - 3 * week)
        unplanned = TripLine("october", "Kessandry, October", says="Not planned yet.")
        return show_trips(request, [unplanned, over, ahead], plan.starts_on)

    @app.get("/trips/{trip}")
    @app.get("/trips/{trip}/_board")
    def board(request: Request, trip: str, issue: str = "F1") -> Response:
        wanted = sample.board(demo="demo" in request.query_params, clear="clear" in request.query_params)
        part = request.url.path.endswith("/_board")
        conditions = sample.conditions(issue, spread=issue == "F3")
        return show_board(request, wanted, sample.plan(), conditions, part=part, lines=MITTS)

    @app.get("/trips/{trip}/findings/{finding}")
    def finding(request: Request, trip: str, finding: str) -> Response:
        return show_finding(request, sample.board(), finding)

    @app.get("/trips/{trip}/people/{subject}")
    @app.get("/trips/{trip}/ropes/{subject}")
    def subject(request: Request, trip: str, subject: str) -> Response:
        whole, rows = sample.sheet(subject)
        return show_sheet(request, whole, subject, rows)

    @app.get("/trips/{trip}/party")
    def party(request: Request, trip: str) -> Response:
        whole, rows = sample.sheet("party")
        return show_sheet(request, whole, "party", rows)

    site.mount(app)
    return app


if __name__ == "__main__":
    uvicorn.run(build(), host="127.0.0.1", port=int(sys.argv[1]), log_level="warning")
