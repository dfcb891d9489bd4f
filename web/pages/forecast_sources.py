"""Where a trip's forecasts come from: each source's newest, fetching, files read in, and which one counts."""

from __future__ import annotations

import base64
import binascii
import zlib
from collections.abc import AsyncIterator
from dataclasses import replace
from datetime import datetime
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import RedirectResponse, Response
from sqlalchemy import Connection
from starlette.datastructures import FormData, UploadFile

from api.access.current import CurrentReader, Reader
from api.access.permissions import may, permit
from api.conditions import service, sourcing
from api.conditions.files import Upload
from api.conditions.source_routes import Configured, Refreshing
from api.conditions.sources.covjson_document import MAX_BYTES
from api.conditions.sources.registry import why_none
from api.db import Reading, Writing
from api.errors import Conflict, Invalid, Problem, TooLarge
from api.journal.pictures import Snapshot
from api.journal.service import Journal, Journals
from api.journal.trip import Slug
from api.settings import Settings
from web.rendering import forms_errors, page, shell_of
from web.words import Say

router = APIRouter(prefix="/trips/{trip}/forecasts/sources", include_in_schema=False)

DEFAULT = "default"
METRIC_WORDS = {
    "freezing_level_m": "Freezing level, lowest",
    "air_temperature_c": "Air temperature, lowest",
    "wind_mps": "Wind, highest",
    "precipitation_mm": "Rain or snow as water",
}
METRIC_UNITS = {
    "freezing_level_m": "m",
    "air_temperature_c": "°C",
    "wind_mps": "m/s",
    "precipitation_mm": "mm",
}


async def _sent(request: Request) -> AsyncIterator[FormData]:
    """The form; the file it carries on may be as large as a body."""
    settings: Settings = request.app.state.settings
    async with request.form(max_files=1, max_fields=20, max_part_size=settings.max_body_bytes) as form:
        yield form


Sent = Annotated[FormData, Depends(_sent, scope="function")]
"""What was sent. Name it before ``Writing``: the turn to write must not wait for an upload."""


@router.get("", dependencies=[permit("trip.read")])
def listed(
    request: Request,
    trip: Slug,
    conn: Reading,
    reader: CurrentReader,
    journals: Journals,
    settings: Configured,
) -> Response:
    """Every source with its age, run, licence and warnings."""
    return _page(request, conn, reader, journals, trip, settings)


@router.get("/_list", dependencies=[permit("trip.read")])
def part(
    request: Request,
    trip: Slug,
    conn: Reading,
    reader: CurrentReader,
    journals: Journals,
    settings: Configured,
) -> Response:
    """The list alone, asked for again while services are being asked."""
    return _page(request, conn, reader, journals, trip, settings, template="forecasts/_sources.html")


@router.post("/refresh", dependencies=[permit("forecast.enter")])
async def refresh(
    trip: Slug,
    conn: Reading,
    reader: CurrentReader,
    journals: Journals,
    settings: Configured,
    refresher: Refreshing,
) -> Response:
    """Ask the services now, and go back to the list, which says how it goes."""
    plan = service.plan_of(journals.picture(conn, reader.outfit, trip).picture, trip)
    if refresher is None:
        raise Conflict(why_none(settings))
    if not await refresher.begin(reader.outfit, trip, plan):
        raise Conflict("The trip is over, or begins further ahead than any forecast reaches.")
    return RedirectResponse(f"/trips/{trip}/forecasts/sources?asked=yes", status_code=303)


@router.post("/choice", dependencies=[permit("forecast.choose")])
def choose(trip: Slug, sent: Sent, reader: CurrentReader, journals: Journals, work: Writing) -> Response:
    """Let the board rest on one source."""
    chosen = _text(sent, "provider")
    sourcing.choose(work, reader, journals, trip, None if chosen == DEFAULT else chosen, device="page")
    return RedirectResponse(f"/trips/{trip}/forecasts/sources?chosen=yes", status_code=303)


@router.post("/file", dependencies=[permit("forecast.enter")])
def preview(
    request: Request,
    trip: Slug,
    sent: Sent,
    conn: Reading,
    reader: CurrentReader,
    journals: Journals,
    settings: Configured,
) -> Response:
    """What a file holds. Nothing is stored."""
    snapshot = journals.picture(conn, reader.outfit, trip)
    try:
        upload = _uploaded(sent, snapshot)
        forecast, summary = sourcing.read_file(conn, reader, journals, trip, upload)
    except (Invalid, TooLarge) as problem:
        return _page(request, conn, reader, journals, trip, settings, problem=problem, sent=sent)
    return page(
        request,
        "forecasts/source_file.html",
        headers={"Cache-Control": "no-store"},
        trip=trip,
        plan=snapshot.picture.trip,
        say=_say(request, snapshot, journals.clock.now()),
        summary=summary,
        times=len(forecast.times_epoch_s),
        levels=forecast.levels.size,
        kept=base64.b64encode(zlib.compress(upload.body)).decode(),
        sent={name: _text(sent, name) for name in ("source", "issued_at", "levels")},
        filename=upload.filename,
    )


@router.post("/file/store", dependencies=[permit("forecast.enter")])
def store(
    request: Request,
    trip: Slug,
    sent: Sent,
    reader: CurrentReader,
    journals: Journals,
    settings: Configured,
    work: Writing,
) -> Response:
    """Store what the preview showed."""
    try:
        with work.begin_nested():
            upload = _uploaded(sent, journals.picture(work, reader.outfit, trip))
            receipt = sourcing.receive_file(work, reader, journals, trip, upload, device="page")
    except (Invalid, TooLarge) as problem:
        return _page(request, work, reader, journals, trip, settings, problem=problem, sent=sent)
    return RedirectResponse(
        f"/trips/{trip}/forecasts/{receipt.forecast.forecast}?stored=yes", status_code=303
    )


def _text(sent: FormData, name: str) -> str:
    value = sent.get(name, "")
    return value.strip() if isinstance(value, str) else ""


def _uploaded(sent: FormData, snapshot: Snapshot) -> Upload:
    """The file, chosen just now or carried on by the preview, with what was said beside it."""
    upload = Upload(b"", "", _text(sent, "source")[:100], _issued(sent, snapshot), _text(sent, "levels"))
    file = sent.get("file")
    if isinstance(file, UploadFile) and file.filename:
        # One byte more than is accepted is enough to know that it is too large.
        return replace(upload, body=file.file.read(MAX_BYTES + 1), filename=file.filename)
    kept = _text(sent, "kept")
    if not kept:
        raise Invalid.field("file", "", "No file was chosen.", "Choose a CSV, SPC or CoverageJSON file.")
    try:
        body = zlib.decompressobj().decompress(base64.b64decode(kept, validate=True), MAX_BYTES + 1)
    except (binascii.Error, zlib.error):
        raise Invalid.field("file", "", "The page lost the file.", "Choose the file again.") from None
    return replace(upload, body=body, filename=_text(sent, "filename"))


def _issued(sent: FormData, snapshot: Snapshot) -> datetime | None:
    """When it was issued, in the trip's time zone unless an offset is written."""
    text = _text(sent, "issued_at")
    if not text:
        return None
    try:
        written = datetime.fromisoformat(text)
    except ValueError:
        raise Invalid.field(
            "issued_at", text, "This is not a time.", "Write it like 2026-07-14T06:00."
        ) from None
    if written.tzinfo is not None or snapshot.picture.trip is None:
        return written
    return written.replace(tzinfo=snapshot.picture.trip.place.zone)


def _say(request: Request, snapshot: Snapshot, now: datetime) -> Say:
    units, plan = shell_of(request).units, snapshot.picture.trip
    return Say(units=units, zone=plan.place.zone, now=now) if plan else Say(units=units, now=now)


def _page(
    request: Request,
    conn: Connection,
    reader: Reader,
    journals: Journal,
    trip: str,
    settings: Settings,
    *,
    template: str = "forecasts/sources.html",
    problem: Problem | None = None,
    sent: FormData | None = None,
) -> Response:
    now = journals.clock.now()
    snapshot = journals.picture(conn, reader.outfit, trip)
    plan = service.plan_of(snapshot.picture, trip)
    found = sourcing.sources_of(conn, reader.outfit, trip, snapshot.picture, settings, now)
    known = [source.provider for source in found.sources if source.newest]
    rows = sourcing.beside_each_other(conn, reader.outfit, snapshot.picture, trip) if len(known) > 1 else []
    body: dict[str, Any] | None = problem.body() if problem else None
    return page(
        request,
        template,
        status_code=problem.status if problem else 200,
        headers={"Cache-Control": "no-store"},
        trip=trip,
        plan=plan,
        found=found,
        providers=known,
        rows=rows,
        metric_words=METRIC_WORDS,
        metric_units=METRIC_UNITS,
        default=DEFAULT,
        say=_say(request, snapshot, now),
        may_enter=may(reader, "forecast.enter"),
        may_choose=may(reader, "forecast.choose"),
        problem=body,
        errors=forms_errors(body),
        sent={name: _text(sent, name) if sent else "" for name in ("source", "issued_at", "levels")},
        asked="asked" in request.query_params,
        chosen="chosen" in request.query_params,
    )
