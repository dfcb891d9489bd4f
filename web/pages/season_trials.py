"""Pages of trials: begin one on a changed kit list, watch it, stop it, read what it found, adopt it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import RedirectResponse, Response

from api.access.current import CurrentReader
from api.access.permissions import may, permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid
from api.kitlist.models import EditionState
from api.kitlist.queries import EditionRow
from api.kitlist.schemas import Scope
from api.kitlist.service import copy, get_edition, list_editions
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations
from api.seasons import behind, service, trying
from api.seasons.written.queries import TrialRow
from web.charts import seasons as charts
from web.pages.locker_view import SentForm, done_or_again, form_page
from web.rendering import page

router = APIRouter(prefix="/trials", include_in_schema=False)
READ = [permit("seasons.read")]
CHANGE = [permit("kitlist.edit")]

STATES: dict[str, str] = {
    "waiting": "waiting for its turn",
    "running": "running",
    "done": "done",
    "stopped": "stopped",
    "failed": "failed",
}
COLUMNS: tuple[tuple[str, str], ...] = (
    ("people", "applies to"),
    ("come", "would have come"),
    ("gone", "would not have come"),
    ("earlier", "would have come earlier"),
    ("later", "would have come later"),
    ("heavier", "would have weighed more"),
    ("lighter", "would have weighed less"),
    ("untold_before", "cannot be known, by the list as it is"),
    ("untold_after", "cannot be known, by the changed list"),
)
ALWAYS = ("people", "come", "gone", "earlier", "untold_after")
"""Shown of every line; of the others those that are not nought everywhere."""


@router.get("", dependencies=READ)
def show_trials(
    request: Request,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    changed: Annotated[str, Query(max_length=80)] = "",
) -> Response:
    """All trials, and the form for another; `changed` is the list to be tried."""
    return _list(request, conn, reader, readiness.clock.now(), values={"changed": changed})


def _list(
    request: Request, conn: Any, reader: Any, now: datetime, problem: Any = None, values: Any = None
) -> Response:
    # A draft is what one wants to try, and the newest list is what one wants to change.
    editions = sorted(list_editions(conn, reader.outfit), key=lambda row: row.changed_at, reverse=True)
    drafts_first = sorted(editions, key=lambda row: row.state is not EditionState.DRAFT)
    return form_page(
        request,
        "seasons/trials.html",
        problem,
        trials=trying.trials(conn, reader.outfit, now),
        editions=[_named(row) for row in editions],
        tried=[_named(row) for row in drafts_first if row.made_from],
        titles=dict(map(_named, editions)),
        may_change=may(reader, "kitlist.edit"),
        values=values or {},
        states=STATES,
        caution=CAUTION,
    )


def _named(row: EditionRow) -> tuple[str, str]:
    return row.id, f"{row.title}, edition {row.number}{' (draft)' if row.state is EditionState.DRAFT else ''}"


@router.post("/copy", dependencies=CHANGE)
def make_copy(
    request: Request, sent: SentForm, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Copy an edition, so that the copy can be changed and tried."""
    row = copy(work, reader.outfit, sent.get("base", ""), now=readiness.clock.now())
    return RedirectResponse(f"/kit-lists/{row.id}/edit", status_code=303)


@router.post("", dependencies=READ)
def begin(
    request: Request, sent: SentForm, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Begin a trial."""
    base, changed = sent.get("base", ""), sent.get("changed", "")
    try:
        with work.begin_nested():
            made_from = get_edition(work, reader.outfit, changed).made_from
            id_ = trying.begin(work, reader, readiness.clock, base or made_from or changed, changed)
    except (Invalid, Conflict) as problem:
        return _list(request, work, reader, readiness.clock.now(), problem, sent)
    app = request.app
    outfit = reader.outfit
    work.after_commit(lambda: _start(app, readiness, outfit, id_))
    return RedirectResponse(f"/seasons/trials/{id_}", status_code=303)


def _start(app: Any, readiness: Any, outfit: str, id_: str) -> None:
    trying.in_background(app.state.db, readiness, outfit, id_)


@router.get("/{trial}", dependencies=READ)
def show_trial(
    request: Request, trial: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """How far a trial has come, or what it found."""
    return _one(request, conn, reader, trial, readiness.clock.now())


def _one(
    request: Request,
    conn: Any,
    reader: Any,
    trial: str,
    now: datetime,
    problem: Any = None,
    values: Any = None,
) -> Response:
    row = trying.find(conn, reader.outfit, trial, now)
    ended = row.state not in ("waiting", "running")
    return form_page(
        request,
        "seasons/trial.html",
        problem,
        trial=row,
        titles=dict(map(_named, list_editions(conn, reader.outfit))),
        may_change=may(reader, "kitlist.edit"),
        states=STATES,
        ended=ended,
        columns=COLUMNS,
        shown=[one for one in COLUMNS if one[0] in ALWAYS or _any_of(row, one[0])],
        trips=_trips(conn, reader, row),
        opened=(row.result or {}).get("behind", {}),
        lines=_to_watch(conn, reader, row),
        watched=service.watched(conn, reader.outfit, row),
        charts=charts,
        values=values or {},
        caution=CAUTION,
    )


def _to_watch(conn: Any, reader: Any, row: TrialRow) -> list[tuple[str, str]]:
    """Lines of the changed list that the review counts, those that the trial is about first."""
    tried = {line["id"] for line in (row.result or {}).get("requirements", ())}
    lines = get_edition(conn, reader.outfit, row.changed).requirements
    counted = [r for r in lines if r.scope is Scope.PERSON and r.is_thing and not r.optional]
    return [(r.id, r.item) for r in sorted(counted, key=lambda r: r.id not in tried)]


def _any_of(row: TrialRow, number: str) -> bool:
    return any(line[number] for line in (row.result or {}).get("requirements", ()))


@dataclass(frozen=True, slots=True)
class TriedTrip:
    """A trip on which something would have been different."""

    id: str
    name: str
    counted: Mapping[str, int]


def _trips(conn: Any, reader: Any, row: TrialRow) -> list[TriedTrip]:
    """Those that the reader may see, where most would have been different first."""
    by_trip = (row.result or {}).get("by_trip", {})
    names = names_of(conn, reader, by_trip)
    found = [TriedTrip(id_, names[id_], counted) for id_, counted in by_trip.items() if id_ in names]
    return sorted(found, key=lambda trip: (-trip.counted["come"] - trip.counted["gone"], trip.name))


def names_of(conn: Any, reader: Any, ids: Iterable[str]) -> dict[str, str]:
    """Names of those of some trips that the reader may see, in the order given."""
    trips = behind.counted_trips(conn, reader, [(id_, 0) for id_ in ids])
    return {trip.trip: trip.name for trip in trips if trip.trip}


@router.get("/{trial}/lines/{requirement}", dependencies=READ)
def show_trips(
    request: Request,
    trial: str,
    requirement: str,
    conn: Reading,
    reader: CurrentReader,
    what: Annotated[str, Query(max_length=40)] = "come",
) -> Response:
    """The trips behind a number of a trial."""
    row = trying.find(conn, reader.outfit, trial)
    counted = trying.behind(row, requirement, what)
    line = next(one for one in (row.result or {})["requirements"] if one["id"] == requirement)
    return page(
        request,
        "seasons/trial_trips.html",
        trial=row,
        item=line["item"],
        number=line[what],
        what_words=dict(COLUMNS)[what],
        trips=behind.counted_trips(conn, reader, counted),
        months=charts.MONTHS,
        caution=CAUTION,
    )


@router.get("/{trial}/progress", dependencies=READ)
def show_progress(
    request: Request, trial: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """The part of the page that says how far it has come; asked for again while it runs."""
    row = trying.find(conn, reader.outfit, trial, readiness.clock.now())
    return page(request, "seasons/_progress.html", trial=row, states=STATES)


@router.post("/{trial}/stop", dependencies=READ)
def stop(trial: str, work: Writing, reader: CurrentReader, readiness: Evaluations) -> Response:
    """Ask a trial to stop."""
    trying.stop(work, readiness.clock, reader.outfit, trial)
    return RedirectResponse(f"/seasons/trials/{trial}", status_code=303)


@router.post("/{trial}/adopt", dependencies=CHANGE)
def adopt(
    request: Request,
    trial: str,
    sent: SentForm,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Publish the proposed edition, with a note and the number to watch."""

    def act() -> None:
        trying.adopt(work, reader, readiness.clock, trial, sent.get("note", ""), sent.get("watch", ""))

    def again(problem: Invalid | Conflict) -> Response:
        return _one(request, work, reader, trial, readiness.clock.now(), problem, sent)

    return done_or_again(work, act, f"/seasons/trials/{trial}", again)
