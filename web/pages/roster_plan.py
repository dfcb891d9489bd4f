"""Pages of a trip's plan: dates and place, stages, hold points, moving it by days."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import ValidationError
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, NotFound, from_validation
from api.journal.pictures import Snapshot
from api.journal.service import Journals
from api.journal.trip import HOLD_ORDER, HoldKind, HoldPoint, Slug, Stage, TripPlan
from api.kitlist import service as kit_lists
from api.kitlist.metrics import METRICS
from api.kitlist.models import EditionState
from api.kitlist.schemas import Edition, Zone
from api.roster import service
from api.roster.rules import FieldError, default_hold_points, hints, local_input, rebuilt
from web import words
from web.pages.roster_forms import LENGTH_UNITS, Form, Sent, length_unit, shown
from web.pages.roster_show import form_page, saved
from web.rendering import units_of

router = APIRouter(include_in_schema=False)

BLANK_VIAS = 2
BLANK_HOLDS = 1
SHELTERS = [("tent", "Tent"), ("hut", "Hut"), ("bivouac", "Bivouac"), ("house", "House")]
SUPPLIED_ZONES = (Zone.SLEEP, Zone.KITCHEN)


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
        trip = service.create_trip(work, journals, reader, plan, device="page")
    except (Invalid, Conflict) as problem:
        work.rollback()
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

    def act() -> service.Change:
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
    lines = _lines(_edition(conn, reader, edition_id), plan)
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


def _edition(conn: Connection, reader: Reader, edition_id: str | None) -> Edition | None:
    if edition_id is None:
        return None
    try:
        return kit_lists.get_edition(conn, reader.outfit, edition_id)
    except NotFound:
        return None


def _trip_values(plan: TripPlan, unit: str) -> dict[str, Any]:
    place = plan.place
    return {
        "name": plan.name,
        "starts_on": plan.starts_on.isoformat(),
        "ends_on": plan.ends_on.isoformat(),
        "reserve_days": str(plan.reserve_days),
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

    def act() -> service.Change:
        days = sent.whole("days")
        sent.check()
        return service.shift_plan(work, journals, reader, trip, days, seen_seq=sent.seen_seq(), device="page")

    def form(problem: Invalid | Conflict) -> Response:
        return _plan_page(request, journals.picture(work, reader.outfit, trip), reader, problem)

    return saved(work, act, f"/trips/{trip}/plan", form)


# -- stages


@router.get("/trips/{trip}/plan/stages/{stage}", dependencies=[permit("trip.plan")])
def edit_stage(
    request: Request, trip: Slug, stage: Slug, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """The form of one stage; ``new`` is one to be added."""
    snapshot = journals.picture(conn, reader.outfit, trip)
    plan = service.plan_in_force(snapshot.picture, trip)
    unit = length_unit(units_of(request))
    values = (
        _new_stage_values(plan, unit) if stage == "new" else _stage_values(_stage(plan, stage), plan, unit)
    )
    return _stage_form(request, conn, reader, snapshot, stage, values)


@router.post("/trips/{trip}/plan/stages/{stage}", dependencies=[permit("trip.plan")])
def change_stage(
    request: Request,
    trip: Slug,
    stage: Slug,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    journals: Journals,
) -> Response:
    """Add, change or take out a stage."""

    def edit(plan: TripPlan) -> TripPlan:
        others = [other for other in plan.stages if other.id != stage]
        if sent.text("do") == "remove":
            return rebuilt(plan, stages=others)
        old = next((other for other in plan.stages if other.id == stage), None)
        return rebuilt(plan, stages=[*others, _stage_from(sent, plan, old, stage)])

    def act() -> service.Change:
        return service.change_plan(
            work, journals, reader, trip, edit, seen_seq=sent.seen_seq(), device="page"
        )

    def form(problem: Invalid | Conflict) -> Response:
        snapshot = journals.picture(work, reader.outfit, trip)
        return _stage_form(request, work, reader, snapshot, stage, sent.typed(), problem)

    return saved(work, act, f"/trips/{trip}/plan", form)


def _stage(plan: TripPlan, stage_id: str) -> Stage:
    found = next((stage for stage in plan.stages if stage.id == stage_id), None)
    if found is None:
        raise NotFound(
            f"There is no stage {stage_id} in this plan. It may have been taken out; see the plan."
        )
    return found


def _stage_form(
    request: Request,
    conn: Connection,
    reader: Reader,
    snapshot: Snapshot,
    stage: str,
    values: Mapping[str, Any],
    problem: Invalid | Conflict | None = None,
) -> Response:
    plan = service.plan_in_force(snapshot.picture, snapshot.trip_id)
    edition = _edition(conn, reader, plan.edition_id)
    items = {r.id: r.item for r in edition.requirements if r.zone in SUPPLIED_ZONES} if edition else {}
    items |= {name: name for name in values.get("night.supplied", []) if name not in items}
    vias = 1 + max((_row(name, "via") for name in values), default=-1)
    return form_page(
        request,
        "roster/stage.html",
        snapshot,
        problem,
        stage=stage,
        values=values,
        vias=vias if problem else vias + BLANK_VIAS,
        terrains=list(words.TERRAINS.items()),
        efforts=list(words.EFFORTS.items()),
        shelters=SHELTERS,
        supplied=list(items.items()),
        length_units=LENGTH_UNITS,
        unit=length_unit(units_of(request)),
    )


def _row(name: str, group: str) -> int:
    """The number of the row a field belongs to; -1 for a field of another group."""
    found = re.fullmatch(rf"{group}\.(\d{{1,2}})\.\w+", name)
    return int(found[1]) if found else -1


def _new_stage_values(plan: TripPlan, unit: str) -> dict[str, Any]:
    """What is likely for the next stage: it starts where the last one ended."""
    last = plan.stages[-1] if plan.stages else None
    place = plan.place
    return {
        "from_name": last.to_name if last else place.base_name,
        "from_m": shown(last.to_m if last else place.base_elevation_m, unit),
        "starts_at": local_input(last.ends_at, place.zone) if last else f"{plan.starts_on}T08:00",
        "effort": "moderate",
        "terrain": [],
        "night.supplied": [],
        "night.shelter": "tent",
        "night.sleeps": "yes",
    }


def _stage_values(stage: Stage, plan: TripPlan, unit: str) -> dict[str, Any]:
    zone, night = plan.place.zone, stage.night
    values: dict[str, Any] = {
        "name": stage.name,
        "starts_at": local_input(stage.starts_at, zone),
        "ends_at": local_input(stage.ends_at, zone),
        "from_name": stage.from_name,
        "from_m": shown(stage.from_m, unit),
        "to_name": stage.to_name,
        "to_m": shown(stage.to_m, unit),
        "effort": stage.effort.value,
        "terrain": [trait.value for trait in stage.terrain],
        "night.sleeps": "yes" if night else "",
        "night.place": night.place if night else "",
        "night.elevation_m": shown(night.elevation_m, unit) if night else "",
        "night.shelter": night.shelter if night else "tent",
        "night.on_snow": "yes" if night and night.on_snow else "",
        "night.running_water": "yes" if night and night.running_water else "",
        "night.supplied": list(night.supplied) if night else [],
    }
    for index, point in enumerate(stage.via):
        values |= {
            f"via.{index}.name": point.name,
            f"via.{index}.elevation_m": shown(point.elevation_m, unit),
            f"via.{index}.at": local_input(point.at, zone),
        }
    return values


def _stage_from(sent: Form, plan: TripPlan, old: Stage | None, stage_id: str) -> Stage:
    """The stage the form says. Raises FieldError and pydantic's ValidationError."""
    zone = plan.place.zone
    old_night = old.night if old else None
    parts: dict[str, Any] = {
        "id": _new_stage_id(sent.text("name"), plan) if stage_id == "new" else stage_id,
        "name": sent.text("name"),
        "starts_at": sent.moment("starts_at", zone),
        "ends_at": sent.moment("ends_at", zone),
        "from_name": sent.text("from_name"),
        "from_m": sent.length("from_m", old.from_m if old else None),
        "to_name": sent.text("to_name"),
        "to_m": sent.length("to_m", old.to_m if old else None),
        "via": _vias_from(sent, plan, old),
        "effort": sent.text("effort") or "moderate",
        "terrain": sent.texts("terrain"),
        "night": None,
    }
    if sent.ticked("night.sleeps"):
        parts["night"] = {
            "place": sent.text("night.place") or sent.text("to_name"),
            "elevation_m": sent.length("night.elevation_m", old_night.elevation_m if old_night else None),
            "shelter": sent.text("night.shelter") or "tent",
            "on_snow": sent.ticked("night.on_snow"),
            "running_water": sent.ticked("night.running_water"),
            "supplied": sent.texts("night.supplied"),
        }
        if not sent.text("night.elevation_m"):
            parts["night"]["elevation_m"] = parts["to_m"]
    sent.check()
    return Stage.model_validate(parts)


def _vias_from(sent: Form, plan: TripPlan, old: Stage | None) -> list[dict[str, Any]]:
    rows = sorted({row for name in sent.names() if (row := _row(name, "via")) >= 0})
    vias: list[dict[str, Any]] = []
    for row in rows:
        name = f"via.{row}"
        before = old.via[row].elevation_m if old and row < len(old.via) else None
        point = {
            "name": sent.text(f"{name}.name"),
            "elevation_m": sent.length(f"{name}.elevation_m", before),
            "at": sent.moment(f"{name}.at", plan.place.zone),
        }
        if sent.text(f"{name}.name") or sent.text(f"{name}.elevation_m") or sent.text(f"{name}.at"):
            vias.append(point)
    return sorted(vias, key=lambda via: via["at"].timestamp() if via["at"] else 0.0)


def _new_stage_id(name: str, plan: TripPlan) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower())[:40].strip("-") or "stage"
    taken = {stage.id for stage in plan.stages} | {"new"}
    candidates = (plain if number == 1 else f"{plain}-{number}" for number in range(1, len(taken) + 2))
    return next(candidate for candidate in candidates if candidate not in taken)


# -- hold points


@router.get("/trips/{trip}/plan/holds", dependencies=[permit("trip.plan")])
def edit_holds(
    request: Request,
    trip: Slug,
    conn: Reading,
    reader: CurrentReader,
    journals: Journals,
    suggest: bool = False,
) -> Response:
    """The hold points; with ``suggest`` those that follow from the stages, to look at before saving."""
    snapshot = journals.picture(conn, reader.outfit, trip)
    plan = service.plan_in_force(snapshot.picture, trip)
    holds = default_hold_points(plan.stages, plan.place) if suggest else plan.hold_points
    values = _hold_values(holds, plan, length_unit(units_of(request)))
    return _holds_form(request, snapshot, values, suggested=suggest)


@router.post("/trips/{trip}/plan/holds", dependencies=[permit("trip.plan")])
def change_holds(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Set the hold points."""

    def act() -> service.Change:
        return service.change_plan(
            work,
            journals,
            reader,
            trip,
            lambda plan: rebuilt(plan, hold_points=_holds_from(sent, plan)),
            seen_seq=sent.seen_seq(),
            device="page",
        )

    def form(problem: Invalid | Conflict) -> Response:
        return _holds_form(request, journals.picture(work, reader.outfit, trip), sent.typed(), problem)

    return saved(work, act, f"/trips/{trip}/plan", form)


def _holds_form(
    request: Request,
    snapshot: Snapshot,
    values: Mapping[str, Any],
    problem: Invalid | Conflict | None = None,
    *,
    suggested: bool = False,
) -> Response:
    rows = 1 + max((_row(name, "hold") for name in values), default=-1)
    return form_page(
        request,
        "roster/holds.html",
        snapshot,
        problem,
        values=values,
        rows=rows if problem else rows + BLANK_HOLDS,
        kinds=[("", "none")] + [(kind.value, words.HOLDS[kind]) for kind in HoldKind],
        suggested=suggested,
        length_units=LENGTH_UNITS,
        unit=length_unit(units_of(request)),
    )


def _hold_values(holds: Sequence[HoldPoint], plan: TripPlan, unit: str) -> dict[str, Any]:
    values: dict[str, Any] = {}
    for index, hold in enumerate(holds):
        values |= {
            f"hold.{index}.id": hold.id,
            f"hold.{index}.kind": hold.kind.value,
            f"hold.{index}.name": hold.name,
            f"hold.{index}.at": local_input(hold.at, plan.place.zone),
            f"hold.{index}.elevation_m": shown(hold.elevation_m, unit),
        }
    return values


def _holds_from(sent: Form, plan: TripPlan) -> list[HoldPoint]:
    """The hold points the form says; a row without a kind is none. Raises Invalid with every field at fault."""
    before = {hold.id: hold.elevation_m for hold in plan.hold_points}
    holds: list[HoldPoint] = []
    for row in sorted({row for name in sent.names() if (row := _row(name, "hold")) >= 0}):
        name = f"hold.{row}"
        kind = sent.text(f"{name}.kind")
        if not kind:
            continue
        taken = {hold.id for hold in holds}
        given = sent.text(f"{name}.id")
        parts = {
            "id": given if given and given not in taken else _free(kind, taken | set(before)),
            "kind": kind,
            "name": sent.text(f"{name}.name"),
            "at": sent.moment(f"{name}.at", plan.place.zone),
            "elevation_m": sent.length(f"{name}.elevation_m", before.get(given)),
        }
        try:
            holds.append(HoldPoint.model_validate(parts))
        except ValidationError as error:
            sent.problems += _named(from_validation(error.errors()), name, sent.problems)
    sent.check()
    return sorted(holds, key=lambda hold: (hold.at, HOLD_ORDER[hold.kind]))


def _free(kind: str, taken: set[str]) -> str:
    return next(name for name in (kind, *(f"{kind}-{n}" for n in range(2, 60))) if name not in taken)


def _named(problem: Invalid, prefix: str, known: Iterable[FieldError]) -> list[FieldError]:
    """The faults under the form's own names, without those that were said already."""
    said = {error.field for error in known}
    return [
        FieldError(f"{prefix}.{field.field}", field.value, field.message, field.remedy)
        for field in problem.fields
        if f"{prefix}.{field.field}" not in said
    ]
