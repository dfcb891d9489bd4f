"""The pages that read a roster file in: choose it, look at what it would change, correct, take over."""

from __future__ import annotations

import re
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response
from pydantic import ValidationError

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Conflict, Invalid
from api.journal.pictures import Snapshot
from api.journal.service import Journals
from api.journal.trip import Slug
from api.roster import importing
from api.roster.files import MAX_FILE_BYTES, MAX_ROWS, read_table
from api.roster.proposals import Outcome, Proposal, Table, TableRow
from api.roster.schemas import FileTable
from web.pages.roster_forms import Form, Sent
from web.pages.roster_show import form_page

router = APIRouter(include_in_schema=False)


@router.get("/trips/{trip}/roster/file", dependencies=[permit("roster.change")])
def choose_file(
    request: Request, trip: Slug, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """Choose a roster file."""
    return _choose_page(request, journals.picture(conn, reader.outfit, trip))


@router.post("/trips/{trip}/roster/file", dependencies=[permit("roster.change")])
def preview_file(
    request: Request, trip: Slug, sent: Sent, conn: Reading, reader: CurrentReader, journals: Journals
) -> Response:
    """What a file would change, or would with its corrected cells. Nothing is stored."""
    try:
        table = _corrected(sent) if sent.text("table") else _read(sent)
    except Invalid as problem:
        return _choose_page(request, journals.picture(conn, reader.outfit, trip), problem)
    snapshot, proposal = importing.preview(conn, journals, reader, trip, table)
    return _preview_page(request, snapshot, proposal, table)


@router.post("/trips/{trip}/roster/file/confirm", dependencies=[permit("roster.change")])
def confirm_file(
    request: Request, trip: Slug, sent: Sent, work: Writing, reader: CurrentReader, journals: Journals
) -> Response:
    """Take over the good rows. Rows that were left out come back, to be corrected."""
    try:
        table = _table(sent)
    except Invalid as problem:
        return _choose_page(request, journals.picture(work, reader.outfit, trip), problem)
    try:
        with work.begin_nested():
            done = importing.confirm(
                work, journals, reader, trip, table, sent.text("fingerprint"), device="page"
            )
    except Conflict as problem:
        snapshot, proposal = importing.preview(work, journals, reader, trip, table)
        return _preview_page(request, snapshot, proposal, table, problem)
    if not done.left_out:
        query = "saved=1" if done.changed else "saved=same"
        return RedirectResponse(f"/trips/{trip}/roster?{query}", status_code=303)
    rest = _only(table, {done.header, *(row.row for row in done.left_out)})
    snapshot, proposal = importing.preview(work, journals, reader, trip, rest)
    return _preview_page(request, snapshot, proposal, rest, taken=done)


def _read(sent: Form) -> Table:
    file = sent.file("file")
    if file is None or not file.filename:
        raise Invalid.field("file", "", "No file was chosen.", "Choose a CSV or XLSX file.")
    # One byte more than is accepted is enough to know that it is too large.
    return read_table(file.file.read(MAX_FILE_BYTES + 1), file.filename)


def _table(sent: Form) -> Table:
    """The cells as the preview page carries them."""
    try:
        return FileTable.model_validate_json(sent.text("table")).table()
    except ValidationError as error:
        raise Invalid.field(
            "file", "", "The page lost the rows of the file.", "Choose the file again."
        ) from error


def _corrected(sent: Form) -> Table:
    """The table with what was typed over bad cells."""
    table = _table(sent)
    typed: dict[tuple[int, int], str] = {}
    for name in sent.names():
        found = re.fullmatch(r"cell\.(\d{1,6})\.(\d{1,3})", name)
        if found:
            typed[int(found[1]), int(found[2])] = sent.text(name)
    rows = []
    for row in table.rows:
        cells = list(row.cells)
        for (number, index), text in typed.items():
            if number == row.number and index < 1000:
                cells += [""] * (index + 1 - len(cells))
                cells[index] = text
        rows.append(TableRow(row.number, tuple(cells)))
    faults = {
        place: message
        for place, message in table.faults.items()
        if place not in typed or typed[place] == _cell(table, *place)
    }
    return Table(tuple(rows), table.notices, faults)


def _cell(table: Table, number: int, index: int) -> str:
    row = next((row for row in table.rows if row.number == number), None)
    return row.cells[index] if row and index < len(row.cells) else ""


def _only(table: Table, numbers: set[int]) -> Table:
    """The table with no other rows than these."""
    return Table(tuple(row for row in table.rows if row.number in numbers), (), table.faults)


def _choose_page(request: Request, snapshot: Snapshot, problem: Invalid | None = None) -> Response:
    return form_page(
        request,
        "roster/file.html",
        snapshot,
        problem,
        most_rows=MAX_ROWS,
        most_mb=MAX_FILE_BYTES // 1024 // 1024,
    )


def _preview_page(
    request: Request,
    snapshot: Snapshot,
    proposal: Proposal,
    table: Table,
    problem: Conflict | None = None,
    *,
    taken: importing.Imported | None = None,
) -> Response:
    counts = proposal.counts
    context: dict[str, Any] = {
        "proposal": proposal,
        "refused": proposal.with_outcome(Outcome.REFUSED),
        "new": proposal.with_outcome(Outcome.NEW),
        "changed": proposal.with_outcome(Outcome.CHANGED),
        "same": counts[Outcome.SAME],
        "good": counts[Outcome.NEW] + counts[Outcome.CHANGED],
        "table": FileTable.of(table).model_dump_json(),
        "names": importing.names_in(proposal, snapshot.picture),
        "taken": taken,
    }
    return form_page(request, "roster/preview.html", snapshot, problem, **context)
