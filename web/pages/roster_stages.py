"""Pages of a plan's stages."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from sqlalchemy import Connection

from api.access.current import CurrentReader, Reader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, NotFound
from api.journal.pictures import Snapshot
from api.journal.service import Journals
from api.journal.trip import Slug, Stage, TripPlan
from api.kitlist.schemas import Zone
from api.roster import service
from api.roster.changes import Change
from api.roster.rules import local_input, rebuilt
from web import words
from web.pages.roster_forms import (
    DISTANCE_UNITS,
    LENGTH_UNITS,
    Form,
    Sent,
    distance_unit,
    length_unit,
    row_of,
    shown,
)
from web.pages.roster_show import edition_of, form_page, saved
from web.rendering import units_of
from web.words import Units

router = APIRouter(include_in_schema=False)

BLANK_VIAS = 2
SHELTERS = [("tent", "Tent"), ("hut", "Hut"), ("bivouac", "Bivouac"), ("house", "House")]
SUPPLIED_ZONES = (Zone.SLEEP, Zone.KITCHEN)


@router.get("/trips/{trip}/plan/stages/{stage}", dependencies=[permit("trip.plan")])
def edit_stage(
    request: Request, trip: Slug, stage: Slug, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """The form of one stage; ``new`` is one to be added."""
    snapshot = journals.picture(conn, reader.outfit, trip)
    plan = service.plan_in_force(snapshot.picture, trip)
    units = units_of(request)
    values = (
        _new_stage_values(plan, length_unit(units))
        if stage == "new"
        else _stage_values(_stage(plan, stage), plan, units)
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

    def act() -> Change:
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
    edition = edition_of(conn, reader, plan.edition_id)
    items = (
        {r.id: r.item for r in edition.requirements if r.zone in SUPPLIED_ZONES and r.is_thing}
        if edition
        else {}
    )
    items |= {name: name for name in values.get("night.supplied", []) if name not in items}
    vias = 1 + max((row_of(name, "via") for name in values), default=-1)
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
        distance_units=DISTANCE_UNITS,
        distance_unit=distance_unit(units_of(request)),
        waters=[("", "none"), *words.WATERS.items()],
    )


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


def _stage_values(stage: Stage, plan: TripPlan, units: Units) -> dict[str, Any]:
    zone, night, unit = plan.place.zone, stage.night, length_unit(units)
    values: dict[str, Any] = {
        "name": stage.name,
        "starts_at": local_input(stage.starts_at, zone),
        "ends_at": local_input(stage.ends_at, zone),
        "from_name": stage.from_name,
        "from_m": shown(stage.from_m, unit),
        "to_name": stage.to_name,
        "to_m": shown(stage.to_m, unit),
        "distance_m": shown(stage.distance_m, distance_unit(units)),
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
            f"via.{index}.water": point.water or "",
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
        "distance_m": sent.measured(
            "distance_m", "m", old.distance_m if old else None, sent.text("distance_m_unit") or "km"
        ),
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
    rows = sorted({row for name in sent.names() if (row := row_of(name, "via")) >= 0})
    vias: list[dict[str, Any]] = []
    for row in rows:
        name = f"via.{row}"
        before = old.via[row].elevation_m if old and row < len(old.via) else None
        point = {
            "name": sent.text(f"{name}.name"),
            "elevation_m": sent.length(f"{name}.elevation_m", before),
            "at": sent.moment(f"{name}.at", plan.place.zone),
            "water": sent.text(f"{name}.water") or None,
        }
        if sent.text(f"{name}.name") or sent.text(f"{name}.elevation_m") or sent.text(f"{name}.at"):
            vias.append(point)
    return sorted(vias, key=lambda via: via["at"].timestamp() if via["at"] else 0.0)


def _new_stage_id(name: str, plan: TripPlan) -> str:
    plain = re.sub(r"[^a-z0-9]+", "-", name.lower())[:40].strip("-") or "stage"
    taken = {stage.id for stage in plan.stages} | {"new"}
    candidates = (plain if number == 1 else f"{plain}-{number}" for number in range(1, len(taken) + 2))
    return next(candidate for candidate in candidates if candidate not in taken)
