"""The pages of the demo trip, on a server of their own: ``python -m tests.web.preview 8137``."""

from __future__ import annotations

import sys
from datetime import timedelta

import uvicorn
from fastapi import FastAPI, Request
from fastapi.responses import HTMLResponse, Response

from api import errors
from api.readiness.board import sheet
from tests.web import sample
from web import site
from web.pages import preferences
from web.pages.board_show import freezing_lines, show_board, show_finding, show_sheet, show_trips
from web.pages.board_view import BoardView, TripLine
from web.rendering import DemoBar, Shell, environment, forms_errors, problem_page, set_shell, units_of
from web.words import Say, Units

FORMS = """
{% extends "_page.html" %}
{% import "_forms.html" as forms %}
{% block title %}Forms{% endblock %}
{% block main %}
<h1>Every kind of field</h1>
{{ forms.wrongs(problem) }}
<form method="post" action="/forms">
  {{ forms.field("name", "Name", "Kessandry", required=true, more={"autocomplete": "off"}) }}
  {{ forms.field("level", "Freezing level", "x", hint="Lowest of the block.", errors=errors,
                 units=[("m", "m"), ("ft", "ft")], unit_value="ft", more={"inputmode": "numeric"}) }}
  {{ forms.field("gust", "Gusts", "", type="number", unit="km/h", more={"min": 0, "step": 5}) }}
  {{ forms.field("at", "Issued at", "2026-09-12T06:00", type="datetime-local") }}
  {{ forms.field("file", "Roster file", type="file", hint="CSV or XLSX.") }}
  {{ forms.area("remark", "Remark", "Two lines\nof text", errors=errors) }}
  {{ forms.pick("zone", "Zone", [("feet", "Feet"), ("legs", "Legs")], "legs") }}
  {{ forms.choice("state", "How is it?", [("fits", "Fits"), ("unfit", "Unfit", "There, but not fit.")],
                  "fits", errors=errors, hint="As tried on.") }}
  {{ forms.choice("terrain", "Ground", [("ice", "Glacier"), ("snow", "Steep snow")], ["snow"],
                  type="checkbox") }}
  {{ forms.tick("sure", "I have looked at it myself", hint="Nobody else's word.") }}
  {{ forms.actions("Save", other=[("then", "more", "Save and add another")], back="/") }}
</form>
{% endblock %}
"""


def shell(request: Request) -> Shell:
    """`?demo` shows the bar of the demo."""
    bar = DemoBar(
        now=sample.START,
        role="lead",
        roles=(("lead", "lead guide"), ("assistant", "assistant guide"), ("office", "office")),
        next_moment="leaving Harrow Station",
    )
    demo = bar if "demo" in request.query_params else None
    return Shell(units=units_of(request), reader="lead guide" if demo else None, demo=demo)


def build() -> FastAPI:
    """An app that shows the sample and keeps nothing. `?issue=F3`: later forecast, `?clear`: none open."""
    app = FastAPI()
    errors.install(app)
    errors.set_page_renderer(app, problem_page)
    app.add_middleware(site.SecurityHeaders)
    set_shell(app, shell)
    app.include_router(preferences.router)

    @app.get("/")
    def trips(request: Request) -> Response:
        evaluation, view = sample.evaluation(), BoardView(sample.board())
        plan, week = evaluation.plan, timedelta(days=7)
        ahead = TripLine(
            sample.TRIP,
            plan.name,
            plan.starts_on,
            plan.ends_on,
            plan.place.name,
            view.board.verdict.standing,
            view.headline(view.say(Units.METRIC)),
        )
        over = TripLine("august", "Kessandry, August", plan.starts_on - 3 * week, plan.ends_on - 3 * week)
        unplanned = TripLine("october", "Kessandry, October", says="Not planned yet.")
        return show_trips(request, [unplanned, over, ahead], plan.starts_on)

    @app.get("/trips/{trip}")
    @app.get("/trips/{trip}/_board")
    def board(request: Request, trip: str, issue: str = "F1", list: bool = True) -> Response:
        evaluation = sample.evaluation(issue, listed=list)
        clear = "clear" in request.query_params
        shown = sample.clear_board() if clear else sample.board(issue, listed=list)
        if "unseen" in request.query_params:
            shown = sample.unseen_board()
        return show_board(
            request,
            shown,
            evaluation.plan,
            evaluation.conditions,
            part=request.url.path.endswith("/_board"),
            lines=freezing_lines(evaluation),
        )

    @app.get("/trips/{trip}/findings/{finding}")
    def finding(request: Request, trip: str, finding: str) -> Response:
        return show_finding(request, sample.board(), finding)

    @app.get("/trips/{trip}/people/{subject}")
    @app.get("/trips/{trip}/ropes/{subject}")
    def subject(request: Request, trip: str, subject: str) -> Response:
        return show_sheet(request, sample.board(), subject, sheet(sample.evaluation(), subject))

    @app.get("/trips/{trip}/party")
    def party(request: Request, trip: str) -> Response:
        return subject(request, trip, "party")

    @app.get("/forms")
    def forms(request: Request) -> Response:
        names = ("level", "remark", "state")
        fields = [errors.FieldProblem(name, "x", "Write it otherwise.", "Cannot be read.") for name in names]
        problem = errors.Invalid("3 fields need a correction.", fields=fields).body()
        template = environment().from_string(FORMS)
        around = {"shell": shell(request), "say": Say(), "path": "/forms"}
        return HTMLResponse(template.render(problem=problem, errors=forms_errors(problem), **around))

    site.mount(app)
    return app


if __name__ == "__main__":
    uvicorn.run(build(), host="127.0.0.1", port=int(sys.argv[1]), log_level="warning")
