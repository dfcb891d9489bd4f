"""Forecasts of a trip: what was received, one of them whole, and the form a guide types one into."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.conditions import service
from api.conditions.schemas import ForecastSummary
from api.conditions.service import forecast_by_hash
from api.conditions.sources.manual_form import ForecastForm
from api.db import Reading, Work, Writing
from api.errors import Conflict, NotFound, Problem
from api.journal.kinds import ForecastReceived
from api.journal.pictures import Snapshot
from api.journal.service import Journal, Journals
from api.journal.trip import TripPlan
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations, Readiness
from web import words
from web.pages import forecast_form as forms
from web.pages.forecast_blocks import since_hour
from web.pages.forecast_effect import asked, effect, stage_lines
from web.pages.forecast_figures import Figures
from web.pages.forecast_form import Sheet
from web.rendering import forms_errors, page, shell_of

router = APIRouter(prefix="/trips/{trip}/forecasts", include_in_schema=False)

UNITS_COOKIE = "forecast_units"
TWO_YEARS_S = 2 * 365 * 24 * 3600
OPEN_FOR = timedelta(hours=24)
"""Blocks that begin within this time stand open in the form."""
STORE = "store"

Fields = Sequence[tuple[str, str]]


async def _sent(request: Request) -> Fields:
    settings = request.app.state.settings
    form = await request.form(
        max_fields=settings.max_form_fields, max_part_size=settings.max_form_field_bytes, max_files=0
    )
    return [(name, text) for name, text in form.multi_items() if isinstance(text, str)]


Sent = Annotated[Fields, Depends(_sent)]
"""What was typed. Name it before ``Writing``: the turn to write must not wait for an upload."""


@dataclass(frozen=True, slots=True)
class Scene:
    """The trip a page is for, and the moment."""

    snapshot: Snapshot
    plan: TripPlan
    now: datetime

    def say(self, request: Request) -> words.Say:
        return words.Say(units=shell_of(request).units, zone=self.plan.place.zone, now=self.now)


@router.get("", dependencies=[permit("trip.read")])
def listed(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """The forecasts a trip has received, newest issue first."""
    scene = _scene(conn, reader, readiness.journal, trip)
    found = service.forecasts_of(conn, reader.outfit, trip, scene.snapshot.picture)
    return page(
        request,
        "forecasts/list.html",
        trip=trip,
        plan=scene.plan,
        forecasts=found.forecasts,
        caution=found.caution,
        in_force=_in_force(conn, reader, readiness, trip),
        say=scene.say(request),
        may_enter=may(reader, "forecast.enter"),
    )


@router.get("/new", dependencies=[permit("forecast.enter")])
def form(request: Request, trip: str, conn: Reading, reader: CurrentReader, journals: Journals) -> Response:
    """The form, with a block for each part of the trip that is left."""
    scene = _scene(conn, reader, journals, trip)
    units = forms.recalled(request.cookies.get(UNITS_COOKIE), shell_of(request).units)
    sheet = forms.fresh(scene.plan, since_hour(scene.now), units)
    return _form(request, conn, reader, trip, scene, sheet)


@router.post("/new", dependencies=[permit("forecast.enter")])
def enter(
    request: Request, trip: str, reader: CurrentReader, journals: Journals, sent: Sent, work: Writing
) -> Response:
    """Store what was typed, or do what another button of the form says and give the form back."""
    scene = _scene(work, reader, journals, trip)
    sheet = forms.typed(sent)
    do = dict(sent).get("do", STORE)
    if do != STORE:
        return _form(request, work, reader, trip, scene, _pressed(work, reader, scene, sheet, do), do=do)
    try:
        # A fault leaves nothing behind, so that the page that says so can be the answer.
        with work.begin_nested():
            receipt = _store(work, reader, journals, trip, scene, sheet)
    except Problem as problem:
        return _form(request, work, reader, trip, scene, sheet, problem=problem)
    answer = RedirectResponse(f"/trips/{trip}/forecasts/{receipt}?stored=yes", status_code=303)
    answer.set_cookie(
        UNITS_COOKIE, forms.remembered(sheet.units), max_age=TWO_YEARS_S, samesite="lax", httponly=True
    )
    return answer


@router.get("/{forecast}", dependencies=[permit("trip.read")])
def one(
    request: Request,
    trip: str,
    forecast: str,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    stored: Annotated[bool, Query()] = False,
) -> Response:
    """One forecast: what it says, what it asks, what it changed, and where it came from."""
    scene = _scene(conn, reader, readiness.journal, trip)
    summary = next(
        (
            found
            for found in service.forecasts_of(conn, reader.outfit, trip, scene.snapshot.picture).forecasts
            if found.forecast == forecast
        ),
        None,
    )
    if summary is None:
        raise NotFound("This trip has no such forecast. Choose one from its list.")
    came = _came(scene.snapshot, forecast)
    after = readiness.evaluation(conn, reader.outfit, trip, seq=came)
    before = readiness.evaluation(conn, reader.outfit, trip, seq=came - 1) if _planned(scene, came) else None
    whole = forecast_by_hash(conn, reader.outfit, forecast)
    return page(
        request,
        "forecasts/forecast.html",
        trip=trip,
        plan=scene.plan,
        summary=summary,
        figures=Figures(whole),
        times=range(whole.times_epoch_s.size),
        in_force=_in_force(conn, reader, readiness, trip),
        effect=effect(before, after) if before else None,
        stages=stage_lines(after),
        asked=asked(after),
        edition=after.edition,
        stored=stored,
        say=scene.say(request),
        caution=CAUTION,
    )


# -- the form --------------------------------------------------------------------------------------------


def _pressed(conn: Connection, reader: Reader, scene: Scene, sheet: Sheet, do: str) -> Sheet:
    """The form after a button that stores nothing. What is not known changes nothing."""
    what, _, rest = do.partition(" ")
    block = int(rest) if rest.isascii() and rest.isdigit() and len(rest) <= 3 else None
    steps: Mapping[str, Callable[[], Sheet]] = {
        "unit": lambda: forms.in_unit(sheet, *_two(rest)),
        "issue": lambda: _from_issue(conn, reader, scene, sheet),
        "add": lambda: forms.with_block(sheet),
    }
    if block is not None:
        steps = {
            "before": lambda: forms.from_before(sheet, block),
            "drop": lambda: forms.without_block(sheet, block),
        }
    return steps[what]() if what in steps else sheet


def _two(rest: str) -> tuple[str, str]:
    kind, _, unit = rest.partition(" ")
    return kind, unit


def _from_issue(conn: Connection, reader: Reader, scene: Scene, sheet: Sheet) -> Sheet:
    last = _last_typed(conn, reader, scene)
    if last is None:
        return sheet
    whole = forecast_by_hash(conn, reader.outfit, last.forecast)
    local = words.Say(zone=scene.plan.place.zone)
    note = f"the issue of {local.day_time(last.issued_at)}"
    return forms.from_issue(sheet, scene.plan, whole, since_hour(scene.now), note)


def _store(work: Work, reader: Reader, journals: Journal, trip: str, scene: Scene, sheet: Sheet) -> str:
    """Store the forecast and give its hash. Raises Problem with faults under the form's names."""
    read = ForecastForm(forms.fields_of(sheet), scene.plan.place.zone)
    with read.naming():
        receipt = service.receive_typed(work, reader, journals, trip, read.read(reader.name))
    return receipt.forecast.forecast


def _form(
    request: Request,
    conn: Connection,
    reader: Reader,
    trip: str,
    scene: Scene,
    sheet: Sheet,
    *,
    problem: Problem | None = None,
    do: str = "",
) -> Response:
    say = scene.say(request)
    errors = forms_errors(problem.body()) if problem else {}
    return page(
        request,
        "forecasts/new.html",
        status_code=problem.status if problem else 200,
        trip=trip,
        plan=scene.plan,
        sheet=sheet,
        forms_=forms,
        errors=errors,
        problem=problem,
        open_blocks=_open_blocks(scene, sheet, errors, do),
        last=_last_typed(conn, reader, scene),
        say=say,
        offset=f"{say.local(scene.now):%z}",
    )


def _open_blocks(scene: Scene, sheet: Sheet, errors: Mapping[str, Any], do: str) -> set[int]:
    """Which blocks stand open: those that say something, are at fault, were just pressed, or come soon."""
    at_hand = set()
    soon = f"{(scene.now + OPEN_FOR).astimezone(scene.plan.place.zone):%Y-%m-%dT%H:%M}"
    for place, (at, block) in enumerate(sheet.blocks.items()):
        faulty = any(name.startswith(f"blocks-{at}-") for name in errors)
        near = block.get("starts_at", "") <= soon
        if place == 0 or faulty or near or sheet.filled(at) or do.endswith(f" {at}"):
            at_hand.add(at)
    return at_hand | ({max(sheet.blocks)} if do == "add" else set())


# -- together --------------------------------------------------------------------------------------------


def _scene(conn: Connection, reader: Reader, journal: Journal, trip: str) -> Scene:
    snapshot = journal.picture(conn, reader.outfit, trip)
    plan = snapshot.picture.trip
    if plan is None:
        raise Conflict("This trip has no plan yet. Enter its place, days and stages first.")
    return Scene(snapshot, plan, journal.clock.now())


def _in_force(conn: Connection, reader: Reader, readiness: Readiness, trip: str) -> str | None:
    """The forecast the board rests on."""
    line = readiness.board(conn, reader.outfit, trip).forecast
    return line.forecast if line else None


def _last_typed(conn: Connection, reader: Reader, scene: Scene) -> ForecastSummary | None:
    """The newest issue that somebody typed in."""
    picture = scene.snapshot.picture
    found = service.forecasts_of(conn, reader.outfit, scene.snapshot.trip_id, picture).forecasts
    return next((one for one in found if one.kind == "manual"), None)


def _came(snapshot: Snapshot, forecast: str) -> int:
    """The number of the entry with which a forecast came."""
    return next(
        entry.seq
        for entry in reversed(snapshot.entries)
        if isinstance(entry.body, ForecastReceived) and entry.body.forecast == forecast
    )


def _planned(scene: Scene, came: int) -> bool:
    """Whether the trip had a plan before an entry, so that there is something to compare with."""
    return scene.snapshot.at(came - 1).picture.trip is not None
