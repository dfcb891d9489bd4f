"""Pages of the review: recurring gaps, one requirement, the trips behind a number, notes, files."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import urlencode

import structlog
from fastapi import APIRouter, Depends, FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response

from api.access.current import CurrentReader, may_see
from api.access.permissions import permit
from api.db import Reading
from api.errors import Invalid, NotFound
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations
from api.seasons import export, projection, queries, service
from api.seasons.cube_cache import cube_of
from api.seasons.measures import DIMENSIONS
from api.seasons.queries import Choice
from api.seasons.rules import Recurrence
from web.charts import seasons as charts
from web.pages import season_letters, season_trials
from web.rendering import page

router = APIRouter(prefix="/seasons", include_in_schema=False)
READ = [permit("seasons.read")]
log = structlog.get_logger(__name__)

MOST_SHOWN = 200
MOST_CHOSEN = 40
DIMENSION_WORDS: dict[str, str] = {
    "season": "Season",
    "month": "Month",
    "route": "Route",
    "edition": "Kit list edition",
    "kind": "Kind of trip",
    "lead": "Booked ahead",
    "booking": "Booked through",
    "rental": "Gear from",
}
NOTES: dict[str, tuple[str, tuple[str, ...], str]] = {
    "late": (
        "Found late",
        ("found-late", "near-miss"),
        "Gaps that were found only after base, and what guides wrote about them.",
    ),
    "surprises": (
        "Surprises of the forecast",
        ("forecast", "surprised"),
        "Gaps that opened after base because the forecast moved, and what else surprised.",
    ),
    "locker": (
        "What the locker did not have",
        ("lent",),
        "Lines that can be lent, how their gaps were met, and what guides wrote about lending.",
    ),
    "remarks": (
        "Remarks of debriefs",
        queries.DEBRIEF,
        "What guides wrote after the trip, beside how often the line was lacking.",
    ),
}


def _month(value: str, field: str) -> tuple[int, int] | None:
    if not value:
        return None
    year, _, month = value.partition("-")
    if year.isdigit() and month.isdigit() and len(year) == 4 and 1 <= int(month) <= 12:
        return int(year), int(month)
    raise Invalid.field(field, value, "not a month.", "Write it as YYYY-MM, for example 2025-06.")


def _choice(request: Request) -> Choice:
    """Which trips and people the address asks for. Raises Invalid for a month that is none."""
    asked = request.query_params
    values: dict[str, Any] = {
        name: tuple(value for value in asked.getlist(name)[:MOST_CHOSEN] if value) for name in DIMENSIONS
    }
    for name in ("season", "month"):
        wrong = next((value for value in values[name] if not value.isdigit() or len(value) > 4), None)
        if wrong is not None:
            raise Invalid.field(name, wrong, "not a whole number.", "Choose one of the list.")
        values[name] = tuple(int(value) for value in values[name])
    first, last = _month(asked.get("first", ""), "first"), _month(asked.get("last", ""), "last")
    return Choice(first=first, last=last, **values)


Chosen = Annotated[Choice, Depends(_choice)]


def query_of(choice: Choice, **more: str) -> str:
    """The choice as the end of an address, with its question mark; empty for all trips."""
    pairs: list[tuple[str, str]] = [
        (name, str(value)) for name in DIMENSIONS for value in getattr(choice, name)
    ]
    for name in ("first", "last"):
        if (month := getattr(choice, name)) is not None:
            pairs.append((name, f"{month[0]}-{month[1]:02d}"))
    pairs += more.items()
    return f"?{urlencode(pairs)}" if pairs else ""


@router.get("", dependencies=READ)
def show_overview(
    request: Request, conn: Reading, reader: CurrentReader, choice: Chosen, readiness: Evaluations
) -> Response:
    """Recurring gaps, ranked."""
    found = service.overview(conn, reader.outfit, choice)
    rates = [line.rate for line in found.lines]
    return page(
        request,
        "seasons/overview.html",
        found=found,
        scale=charts.scale_of(rates),
        spans={line.requirement: charts.span(line.rate, charts.scale_of(rates)) for line in found.lines},
        behind=_behind(conn, reader.outfit, readiness),
        updating=_updating(request.app, reader.outfit),
        **_shared(conn, reader.outfit, choice),
    )


def _shared(conn: Any, outfit: str, choice: Choice) -> Mapping[str, Any]:
    """What every page of the review has: the choice, what can be chosen, and its words."""
    cube = cube_of(conn, outfit)
    return {
        "choice": choice,
        "chosen": any(choice),
        "query": query_of(choice),
        "query_of": query_of,
        "choices": {name: cube.groups(name).labels for name in DIMENSIONS},
        "dimension_words": DIMENSION_WORDS,
        "months": charts.MONTHS,
        "charts": charts,
        "caution": CAUTION,
    }


def _behind(conn: Any, outfit: str, readiness: Any) -> int:
    """On how many past trips the review is behind, up to a hundred."""
    today = readiness.clock.now().date()
    return len(queries.behind(conn, outfit, today, 100))


@router.get("/requirements/{requirement}", dependencies=READ)
def show_requirement(
    request: Request, requirement: str, conn: Reading, reader: CurrentReader, choice: Chosen
) -> Response:
    """One requirement through time and across routes."""
    one = service.one_requirement(conn, reader.outfit, requirement, choice)
    rates = [rate for _, rate in one.routes] + [one.line.rate]
    return page(
        request,
        "seasons/requirement.html",
        one=one,
        time=charts.time_picture(one.centre, one.points),
        clearing=charts.clearing_picture(one.clearing),
        spans=[(route, charts.span(rate, charts.scale_of(rates))) for route, rate in one.routes],
        scale=charts.scale_of(rates),
        counted=service.COUNTED,
        sees=may_see(conn, reader),
        **_shared(conn, reader.outfit, choice),
    )


@router.get("/requirements/{requirement}/trips", dependencies=READ)
def show_trips(
    request: Request,
    requirement: str,
    conn: Reading,
    reader: CurrentReader,
    choice: Chosen,
    what: Annotated[str, Query(max_length=40)] = "lacking",
) -> Response:
    """The trips behind a number."""
    trips = service.trips_behind(conn, reader, requirement, what, choice, limit=MOST_SHOWN)
    return page(
        request,
        "seasons/trips.html",
        requirement=requirement,
        item=service.items_of(conn, reader.outfit).get(requirement, requirement),
        what=what,
        what_words=service.COUNTED[what][0],
        trips=trips,
        most=MOST_SHOWN,
        **_shared(conn, reader.outfit, choice),
    )


@router.get("/notes/{which}", dependencies=READ)
def show_notes(
    request: Request, which: str, conn: Reading, reader: CurrentReader, choice: Chosen
) -> Response:
    """Late finds, surprises, the locker or remarks: numbers, and the words beside them."""
    if which not in NOTES:
        raise NotFound("There is no such list. Go back to the seasons and choose one.")
    title, about, explained = NOTES[which]
    found = service.overview(conn, reader.outfit, choice)
    lines = [line for line in found.lines if _belongs(which, line, found)]
    return page(
        request,
        "seasons/notes.html",
        which=which,
        title=title,
        explained=explained,
        found=found,
        lines=lines,
        notes=queries.notes(conn, reader.outfit, choice, about=about, limit=MOST_SHOWN),
        about_words=ABOUT,
        sees=may_see(conn, reader),
        **_shared(conn, reader.outfit, choice),
    )


ABOUT: dict[str, str] = {
    "surprised": "Surprised",
    "found-late": "Found late",
    "lent": "Lent",
    "near-miss": "Near miss",
    "list": "About the list",
    "forecast": "The forecast moved",
}


def _belongs(which: str, line: Recurrence, found: service.Overview) -> bool:
    if which == "late":
        return bool(line.late)
    if which == "surprises":
        return bool(line.surprise)
    if which == "locker":
        return line.requirement in found.lendable and bool(line.rate.hits)
    return bool(line.rate.hits)


@router.get("/export/{kind}", dependencies=READ)
def download(kind: str, conn: Reading, reader: CurrentReader, choice: Chosen) -> Response:
    """The table of recurring gaps as a file."""
    found = service.overview(conn, reader.outfit, choice)
    content = export.write(kind, export.HEAD, export.rows(found))
    name = f'attachment; filename="recurring-gaps.{kind}"'
    return Response(content, media_type=export.MEDIA[kind], headers={"Content-Disposition": name})


# -- bringing it up to date


def _updating(app: FastAPI, outfit: str) -> bool:
    return outfit in _under_way(app)


def _under_way(app: FastAPI) -> set[str]:
    if not hasattr(app.state, "seasons_updating"):
        app.state.seasons_updating = set()
    updating: set[str] = app.state.seasons_updating
    return updating


@router.post("/update", dependencies=READ)
def update(request: Request, conn: Reading, reader: CurrentReader, readiness: Evaluations) -> Response:
    """Bring the review up to the journals, in the background, when it is behind on any."""
    app = request.app
    if not _updating(app, reader.outfit) and _behind(conn, reader.outfit, readiness):
        _under_way(app).add(reader.outfit)
        threading.Thread(
            target=_catch_up, args=(app, readiness, reader.outfit), name="seasons-update", daemon=True
        ).start()
    return RedirectResponse("/seasons", status_code=303)


def _catch_up(app: FastAPI, readiness: Any, outfit: str) -> None:
    try:
        projection.catch_up(app.state.db, readiness, outfit, readiness.clock.now().date())
    except Exception:  # the page says that trips are still missing; the log says why
        log.exception("seasons_update_failed", outfit=outfit)
    finally:
        _under_way(app).discard(outfit)


router.include_router(season_trials.router)
router.include_router(season_letters.router)
