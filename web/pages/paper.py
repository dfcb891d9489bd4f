"""The check on paper: a sheet for each rope to print, and a page to type it back in, in the same order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any
from urllib.parse import urlencode
from uuid import UUID

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from api.access.current import CurrentReader, Reader
from api.access.limits import limit
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid
from api.ids import new_id
from api.journal.entry import Entry
from api.journal.kinds import GearState, Known, Sighting
from api.journal.pictures import Snapshot
from api.journal.service import actor_of
from api.kitlist.schemas import Requirement
from api.readiness.evaluation import Evaluation
from api.readiness.schemas import CAUTION
from api.readiness.service import Evaluations, Readiness
from api.roster.rules import FieldError
from web.pages.paper_sheet import LOOSE, Sheet, item_words, sheet_data, sheet_of, sheet_pdf
from web.pages.roster_forms import Form, Sent
from web.rendering import forms_errors, page, shell_of
from web.words import Say

router = APIRouter(prefix="/trips/{trip}/paper", include_in_schema=False)

REMARK = "from paper"
DEVICE = "paper"

MARKS: dict[str, tuple[Known, GearState]] = {
    "s": (Known.SEEN, GearState.FITS),
    "t": (Known.TRIED, GearState.FITS),
    "u": (Known.SEEN, GearState.UNFIT),
    "a": (Known.SEEN, GearState.ABSENT),
}
SAME_MARK = {"✓": "s", "v": "s", "✔": "s"}
"""What else stands for a mark when a sheet is typed back in."""


# -- pages ---------------------------------------------------------------------------------------------------


@router.get("", dependencies=[permit("trip.read")])
def start(
    request: Request, trip: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """Which sheets there are."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    roped = {member for rope in evaluation.picture.rope_teams for member in rope.members}
    groups = [rope.id for rope in evaluation.picture.rope_teams]
    groups += [LOOSE] if set(evaluation.picture.members) - roped else []
    sheets = [sheet_of(evaluation, group) for group in groups]
    return _page(request, "paper/start.html", evaluation, trip, sheets=sheets)


@router.get("/{group}.pdf", dependencies=[permit("trip.read"), limit("heavy")])
def pdf(
    request: Request, trip: str, group: str, conn: Reading, reader: CurrentReader, readiness: Evaluations
) -> Response:
    """The sheet to print."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    sheet = sheet_of(evaluation, group)
    base = request.app.state.settings.base_url or str(request.base_url)
    paper = "us-letter" if request.cookies.get("units") == "us" else "a4"
    made = sheet_pdf(
        sheet_data(evaluation, sheet, f"{base.rstrip('/')}/trips/{trip}", readiness.clock.now(), paper),
        readiness.clock.now(),
    )
    named = f'inline; filename="check-{trip}-{group}.pdf"'
    headers = {"Content-Disposition": named, "Cache-Control": "no-store"}
    return Response(made, media_type="application/pdf", headers=headers)


@router.get("/{group}/type-in", dependencies=[permit("check.record")])
def type_in_page(
    request: Request,
    trip: str,
    group: str,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    of: str = "",
) -> Response:
    """The same sheet, one person at a time, to type in."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return _type_in(request, evaluation, trip, sheet_of(evaluation, group), of, readiness)


@router.post("/{group}/type-in", dependencies=[permit("check.record")])
def type_in(
    request: Request,
    trip: str,
    group: str,
    sent: Sent,
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Response:
    """Keep one person's column, all or nothing, as it was found at the time on the sheet."""
    evaluation = readiness.evaluation(work, reader.outfit, trip)
    sheet, subject = sheet_of(evaluation, group), sent.text("of")
    sheet.name_of(subject)
    try:
        at, sightings = _column(sent, evaluation, sheet, subject, readiness.clock.now())
    except Invalid as problem:
        return _type_in(request, evaluation, trip, sheet, subject, readiness, problem, sent)
    _write(work, readiness, reader, trip, sightings, at)
    following = _after(sheet, subject)
    of_next = {"of": following} if following else {}
    query = urlencode(of_next | {"saved": len(sightings)} | _of_the_sheet(sent.typed()))
    return RedirectResponse(f"/trips/{trip}/paper/{group}/type-in?{query}", status_code=303)


# -- typing it back in ---------------------------------------------------------------------------------------


def _column(
    sent: Form, evaluation: Evaluation, sheet: Sheet, subject: str, now: datetime
) -> tuple[datetime, list[Sighting]]:
    """When it was looked at, and every mark of one column."""
    at = sent.moment("at", evaluation.plan.place.zone)
    sightings = []
    for row in sheet.rows:
        name = f"mark-{row.requirement.id}"
        typed, _, remark = sent.text(name).partition(" ")
        mark = SAME_MARK.get(typed, typed.casefold())
        if mark and mark not in MARKS:
            says = f"No. {row.number}: this is no mark."
            _wrong(sent, name, says, "Write s, t, u or a, then a space and a remark; or leave it empty.")
        elif mark and subject in row.subjects:
            sightings.append(_sighting(subject, row.requirement, mark, remark.strip(), sent.text("by")))
    if at is None and not sent.problems:
        _wrong(sent, "at", "The time of the check is missing.", "Write when it was done.")
    elif at is not None and at > now:
        _wrong(sent, "at", "This lies ahead.", "Write when the sheet was filled in.")
    if not sightings and not sent.problems:
        _wrong(sent, "marks", "There is no mark yet.", "Type at least one, or go on to the next person.")
    sent.check()
    assert at is not None
    return at, sightings


def _of_the_sheet(typed: Mapping[str, str]) -> dict[str, str]:
    """What stands once on a sheet, so that it is typed once: when it was done, and by whom."""
    return {name: typed[name] for name in ("at", "by") if typed.get(name)}


def _wrong(sent: Form, name: str, says: str, remedy: str) -> None:
    sent.problems.append(FieldError(name, sent.text(name), says, remedy))


def _sighting(subject: str, requirement: Requirement, mark: str, remark: str, by: str) -> Sighting:
    known, state = MARKS[mark]
    source = f"{REMARK}, checked by {by}" if by else REMARK
    return Sighting(
        subject=subject,
        requirement=requirement.id,
        known=known,
        state=state,
        remark=f"{remark} ({source})" if remark else source,
    )


def _write(
    work: Writing,
    readiness: Readiness,
    reader: Reader,
    trip: str,
    sightings: Sequence[Sighting],
    at: datetime,
) -> None:
    now = readiness.clock.now()
    snapshot = readiness.journal.picture(work, reader.outfit, trip)
    entries = [
        Entry(
            id=new_id(now),
            trip=trip,
            body=sighting,
            actor=actor_of(reader),
            device=DEVICE,
            happened_at=at,
            seen_seq=snapshot.seq,
            after=_known_then(snapshot, sighting, at),
        )
        for sighting in sightings
    ]
    outcomes = readiness.journal.record(work, reader.outfit, trip, entries)
    refused = [outcome.problem for outcome in outcomes if outcome.status == "refused"]
    if refused:
        raise Conflict(" ".join(refused))


def _known_then(snapshot: Snapshot, sighting: Sighting, at: datetime) -> tuple[UUID, ...]:
    """What stood about a thing when it was looked at. What others recorded later is not replaced by an older
    look: where it differs, both are seen.
    """
    records = snapshot.picture.sightings.get((sighting.subject, sighting.requirement), ())
    return tuple(record.entry for record in records if record.happened_at <= at)


# -- showing -------------------------------------------------------------------------------------------------


def _after(sheet: Sheet, subject: str) -> str | None:
    ids = [id_ for id_, _ in sheet.subjects]
    at = ids.index(subject) + 1
    return ids[at] if at < len(ids) else None


def _type_in(
    request: Request,
    evaluation: Evaluation,
    trip: str,
    sheet: Sheet,
    of: str,
    readiness: Readiness,
    problem: Invalid | None = None,
    sent: Form | None = None,
) -> Response:
    subject = of or (sheet.subjects[0][0] if sheet.subjects else "")
    body = problem.body() if problem else None
    local = readiness.clock.now().astimezone(evaluation.plan.place.zone)
    typed = sent.typed() if sent else _of_the_sheet(request.query_params)
    answer = _page(
        request,
        "paper/type_in.html",
        evaluation,
        trip,
        sheet=sheet,
        subject=subject,
        name=sheet.name_of(subject) if subject else "",
        typed=typed,
        kept_for=urlencode(_of_the_sheet(typed)),
        today=f"{local:%Y-%m-%dT%H:%M}",
        saved=request.query_params.get("saved", ""),
        problem=body,
        errors=forms_errors(body),
    )
    answer.status_code = problem.status if problem else 200
    return answer


def _page(request: Request, template: str, evaluation: Evaluation, trip: str, **context: Any) -> Response:
    shell = shell_of(request)
    return page(
        request,
        template,
        shell=shell,
        say=Say(units=shell.units, zone=evaluation.plan.place.zone),
        headers={"Cache-Control": "no-store"},
        trip=trip,
        plan=evaluation.plan,
        caution=CAUTION,
        item=item_words,
        **context,
    )
