"""Pages of a trip as a whole: dates, place and kit list; the plan at a glance; moving it by days."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, from_validation
from api.journal.pictures import Snapshot
from api.journal.service import Journals
from api.journal.trip import Slug, TripPlan
from api.kitlist import service as kit_lists
from api.kitlist.metrics import METRICS
from api.kitlist.models import EditionState
from api.kitlist.schemas import Edition
from api.roster import service
from api.roster.changes import Change
from api.roster.rules import hints, rebuilt
from web.pages.roster_forms import LENGTH_UNITS, Form, Sent, length_unit, shown
from web.pages.roster_show import edition_of, form_page, saved
from web.rendering import units_of

router = APIRouter(include_in_schema=False)


# -- a new trip, and dates and place of one there is


@router.get("/new-trip", dependencies=[permit("trip.create")])
def new_trip(request: Request, conn: Reading, reader: CurrentReader) -> Response:
    """An empty form for a trip."""
    return _trip_form(request, conn, reader, None, {"reserve_days": "0", "place.time_zone": "UTC"})


@router.post("/new-trip", dependencies=[permit("trip.create")])
def create_trip(
    request: Request, sent: Sent, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Open a trip and go on to its stages."""
    try:
        plan = _plan_from(sent, None)
        with work.begin_nested():
            trip = service.create_trip(work, journals, reader, plan, device="page")
    except (Invalid, Conflict) as problem:
        return _trip_form(request, work, reader, None, sent.typed(), problem)
    return RedirectResponse(f"/trips/{trip}/plan?saved=1", status_code=303)


@router.get("/trips/{trip}/plan/trip", dependencies=[permit("trip.plan")])
def edit_trip(
    request: Request, trip: Slug, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """Dates, place, kit list and lines of a trip."""
    snapshot = journals.picture(conn, reader.outfit, trip)
    plan = service.plan_in_force(snapshot.picture, trip)
    values = _trip_values(plan, length_unit(units_of(request)))
    return _trip_form(request, conn, reader, snapshot, values)


@router.post("/trips/{trip}/plan/trip", dependencies=[permit("trip.plan")])
def change_trip(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Change dates, place, kit list and lines."""

    def act() -> Change:
        return service.change_plan(
            work,
            journals,
            reader,
            trip,
            lambda plan: _plan_from(sent, plan),
            seen_seq=sent.seen_seq(),
            device="page",
        )

    def form(problem: Invalid | Conflict) -> Response:
        snapshot = journals.picture(work, reader.outfit, trip)
        return _trip_form(request, work, reader, snapshot, sent.typed(), problem)

    return saved(work, act, f"/trips/{trip}/plan", form)


def _trip_form(
    request: Request,
    conn: Connection,
    reader: Reader,
    snapshot: Snapshot | None,
    values: Mapping[str, Any],
    problem: Invalid | Conflict | None = None,
) -> Response:
    plan = snapshot.picture.trip if snapshot else None
    edition_id = str(values.get("edition_id", "")) or None
    editions = [
        (row.id, f"{row.title}, edition {row.number}")
        for row in kit_lists.list_editions(conn, reader.outfit)
        if row.state is EditionState.PUBLISHED
    ]
    lines = _lines(edition_of(conn, reader, edition_id), plan)
    return form_page(
        request,
        "roster/trip.html",
        snapshot,
        problem,
        values=values,
        editions=editions,
        lines=lines,
        length_units=LENGTH_UNITS,
        unit=length_unit(units_of(request)),
    )


def _lines(edition: Edition | None, plan: TripPlan | None) -> list[tuple[str, str, str]]:
    """(id, title, unit) of every line a trip may set a figure for."""
    known = [(line.id, line.title, METRICS[line.metric].unit) for line in edition.lines] if edition else []
    named = {line for line, _, _ in known}
    return known + [(line, line, "") for line in (plan.lines if plan else {}) if line not in named]


def _trip_values(plan: TripPlan, unit: str) -> dict[str, Any]:
    place = plan.place
    return {
        "name": plan.name,
        "starts_on": plan.starts_on.isoformat(),
        "ends_on": plan.ends_on.isoformat(),
        "reserve_days": str(plan.reserve_days),
        "stove_efficiency": shown(plan.stove_efficiency),
        "remark": plan.remark,
        "edition_id": plan.edition_id or "",
        "usual_freezing_level_m": shown(plan.usual_freezing_level_m, unit),
        "place.name": place.name,
        "place.latitude_deg": shown(place.latitude_deg),
        "place.longitude_deg": shown(place.longitude_deg),
        "place.time_zone": place.time_zone,
        "place.base_name": place.base_name,
        "place.base_elevation_m": shown(place.base_elevation_m, unit),
        "place.high_point_name": place.high_point_name,
        "place.high_point_m": shown(place.high_point_m, unit),
        **{f"lines.{line}": shown(value) for line, value in plan.lines.items()},
    }


def _plan_from(sent: Form, plan: TripPlan | None) -> TripPlan:
    """The plan with what the form says put in. Raises Invalid naming every field at fault."""
    old = plan.place if plan else None
    place = {
        "name": sent.text("place.name"),
        "latitude_deg": sent.decimal("place.latitude_deg"),
        "longitude_deg": sent.decimal("place.longitude_deg"),
        "time_zone": sent.text("place.time_zone"),
        "base_name": sent.text("place.base_name"),
        "base_elevation_m": sent.length("place.base_elevation_m", old.base_elevation_m if old else None),
        "high_point_name": sent.text("place.high_point_name"),
        "high_point_m": sent.length("place.high_point_m", old.high_point_m if old else None),
    }
    parts: dict[str, Any] = {
        "name": sent.text("name"),
        "place": place,
        "starts_on": sent.text("starts_on"),
        "ends_on": sent.text("ends_on"),
        "edition_id": sent.text("edition_id") or None,
        "usual_freezing_level_m": sent.length(
            "usual_freezing_level_m", plan.usual_freezing_level_m if plan else None
        ),
        "lines": _lines_from(sent, plan.lines if plan else {}),
        "reserve_days": sent.whole("reserve_days"),
        "stove_efficiency": sent.decimal("stove_efficiency"),
        "remark": sent.text("remark"),
    }
    sent.check()
    return _checked(lambda: rebuilt(plan, **parts) if plan else TripPlan.model_validate(parts))


def _lines_from(sent: Form, old: Mapping[str, float]) -> dict[str, float]:
    lines: dict[str, float] = {}
    for name in sent.names():
        found = re.fullmatch(r"lines\.([a-z0-9-]+)", name)
        if found is None:
            continue
        unit = sent.text(f"{name}_unit") or "1"
        value = sent.measured(name, unit, old.get(found[1]))
        if value is not None:
            lines[found[1]] = value
    return lines


def _checked(make: Callable[[], TripPlan]) -> TripPlan:
    try:
        return make()
    except ValidationError as error:
        raise from_validation(error.errors()) from error


# -- the plan as a whole


@router.get("/trips/{trip}/plan", dependencies=[permit("trip.read")])
def show_plan(
    request: Request, trip: Slug, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """The plan at a glance, with a way to change each part of it."""
    return _plan_page(request, journals.picture(conn, reader.outfit, trip), reader)


def _plan_page(
    request: Request, snapshot: Snapshot, reader: Reader, problem: Invalid | Conflict | None = None
) -> Response:
    plan = snapshot.picture.trip
    return form_page(
        request,
        "roster/plan.html",
        snapshot,
        problem,
        reader=reader,
        hints=hints(plan) if plan else (),
    )


@router.post("/trips/{trip}/plan/shift", dependencies=[permit("trip.plan")])
def shift_plan(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Move the whole plan by days."""

    def act() -> Change:
        days = sent.whole("days")
        sent.check()
        return service.shift_plan(work, journals, reader, trip, days, seen_seq=sent.seen_seq(), device="page")

    def form(problem: Invalid | Conflict) -> Response:
        return _plan_page(request, journals.picture(work, reader.outfit, trip), reader, problem)

    return saved(work, act, f"/trips/{trip}/plan", form)
