"""Pages of the review: recurring gaps, one requirement, the trips behind a number, notes."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Mapping
from functools import partial
from typing import Annotated, Any

import structlog
from fastapi import APIRouter, FastAPI, Query, Request
from fastapi.responses import RedirectResponse, Response

from api.access.current import CurrentReader, may_see
from api.access.permissions import permit
from api.db import Reading
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations
from api.replica import SeasonsReading
from api.seasons import behind, projection, queries, service
from api.seasons.cube_cache import cube_of
from api.seasons.measures import DIMENSIONS
from api.seasons.queries import Choice
from api.seasons.tables import OF_LINES
from web.charts import seasons as charts
from web.pages import season_files, season_letters, season_notes, season_trials
from web.pages.season_choice import DIMENSION_WORDS, Chosen, query_of
from web.rendering import page

router = APIRouter(prefix="/seasons", include_in_schema=False)
READ = [permit("seasons.read")]
log = structlog.get_logger(__name__)

MOST_SHOWN = 200


@router.get("", dependencies=READ)
def show_overview(
    request: Request, conn: SeasonsReading, reader: CurrentReader, choice: Chosen, readiness: Evaluations
) -> Response:
    """Recurring gaps, ranked."""
    found = service.overview(conn, reader.outfit, choice)
    rates = [line.rate for line in found.lines]
    cube = cube_of(conn, reader.outfit)
    return page(
        request,
        "seasons/overview.html",
        found=found,
        before_and_then=_before_and_then(choice, found.trips),
        groups_of=partial(service.groups_of, cube, choice),
        scale=charts.scale_of(rates),
        spans={line.requirement: charts.span(line.rate, charts.scale_of(rates)) for line in found.lines},
        waiting=_waiting(conn, reader.outfit, readiness),
        updating=_updating(request.app, reader.outfit),
        **_shared(conn, reader.outfit, choice),
    )


def _before_and_then(choice: Choice, chosen_seasons: Iterable[int]) -> tuple[Choice, Choice]:
    """The choice narrowed to the seasons before the last one, and to the last."""
    seasons = sorted(chosen_seasons)
    return choice._replace(season=tuple(seasons[:-1])), choice._replace(season=tuple(seasons[-1:]))


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


def _waiting(conn: Any, outfit: str, readiness: Any) -> int:
    """On how many past trips the review is behind, up to a hundred."""
    today = readiness.clock.now().date()
    if queries.settled(conn, outfit, today):
        return 0
    return len(queries.behind(conn, outfit, today, 100))


@router.get("/requirements/{requirement}", dependencies=READ)
def show_requirement(
    request: Request, requirement: str, conn: SeasonsReading, reader: CurrentReader, choice: Chosen
) -> Response:
    """One requirement through time and across routes."""
    one = service.one_requirement(conn, reader.outfit, requirement, choice)
    cube = cube_of(conn, reader.outfit)
    rates = [rate for _, rate in one.routes] + [one.line.rate]
    return page(
        request,
        "seasons/requirement.html",
        one=one,
        time=charts.time_picture(one.centre, one.points),
        clearing=charts.clearing_picture(one.clearing),
        spans=[(route, charts.span(rate, charts.scale_of(rates))) for route, rate in one.routes],
        scale=charts.scale_of(rates),
        numbers=behind.numbers_of(one.line),
        covered_words=behind.COVERED_WORDS,
        before_and_then=_before_and_then(choice, one.seasons),
        groups_of=partial(service.groups_of, cube, choice),
        sees=may_see(conn, reader),
        **_shared(conn, reader.outfit, choice),
    )


@router.get("/requirements/{requirement}/trips", dependencies=READ)
def show_trips(
    request: Request,
    requirement: str,
    conn: SeasonsReading,
    reader: CurrentReader,
    choice: Chosen,
    what: Annotated[str, Query(max_length=40)] = "lacking",
) -> Response:
    """The trips behind a number."""
    trips = behind.trips_behind(conn, reader, requirement, what, choice, limit=MOST_SHOWN)
    return page(
        request,
        "seasons/trips.html",
        requirement=requirement,
        item=service.items_of(conn, reader.outfit).get(requirement, requirement),
        what=what,
        what_words=behind.COUNTED[what],
        trips=trips,
        most=MOST_SHOWN,
        **_shared(conn, reader.outfit, choice),
    )


@router.get("/trips", dependencies=READ)
def show_all_trips(request: Request, conn: SeasonsReading, reader: CurrentReader, choice: Chosen) -> Response:
    """The chosen trips."""
    return page(
        request,
        "seasons/all_trips.html",
        trips=behind.all_trips(conn, reader, choice, limit=MOST_SHOWN),
        most=MOST_SHOWN,
        **_shared(conn, reader.outfit, choice),
    )


@router.get("/notes/{which}", dependencies=READ)
def show_notes(
    request: Request, which: str, conn: SeasonsReading, reader: CurrentReader, choice: Chosen
) -> Response:
    """Late finds, surprises, the locker or remarks: numbers, and the words beside them."""
    listed = season_notes.note_list(conn, reader, which, choice, limit=MOST_SHOWN)
    return page(
        request,
        "seasons/notes.html",
        listed=listed,
        found=listed.found,
        about_words=season_notes.ABOUT,
        numbers_of=behind.numbers_of,
        counted=behind.COUNTED,
        measures=OF_LINES[which],
        **_shared(conn, reader.outfit, choice),
    )


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
    if not _updating(app, reader.outfit) and _waiting(conn, reader.outfit, readiness):
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


router.include_router(season_files.router)
router.include_router(season_trials.router)
router.include_router(season_letters.router)
