"""The page of a plan's hold points."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import Response
from pydantic import ValidationError

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, from_validation
from api.journal.pictures import Snapshot
from api.journal.service import Journals
from api.journal.trip import HOLD_ORDER, HoldKind, HoldPoint, Slug, TripPlan
from api.roster import service
from api.roster.changes import Change
from api.roster.rules import FieldError, default_hold_points, local_input, rebuilt
from web import words
from web.pages.roster_forms import LENGTH_UNITS, Form, Sent, length_unit, row_of, shown
from web.pages.roster_show import form_page, saved
from web.rendering import units_of

router = APIRouter(include_in_schema=False)

BLANK_ROWS = 1


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

    def act() -> Change:
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
    rows = 1 + max((row_of(name, "hold") for name in values), default=-1)
    return form_page(
        request,
        "roster/holds.html",
        snapshot,
        problem,
        values=values,
        rows=rows if problem else rows + BLANK_ROWS,
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
    """The hold points the form says; a row without a kind is none. Raises Invalid with all faults."""
    before = {hold.id: hold.elevation_m for hold in plan.hold_points}
    holds: list[HoldPoint] = []
    for row in sorted({row for name in sent.names() if (row := row_of(name, "hold")) >= 0}):
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
