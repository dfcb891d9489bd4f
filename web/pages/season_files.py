"""Everything the review shows, as files: CSV, XLSX and Parquet."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading
from api.errors import NotFound
from api.replica import SeasonsReading
from api.seasons import behind, export, letters, service, tables, trying
from api.seasons.export import Table
from web.pages.season_choice import Chosen
from web.pages.season_notes import note_list
from web.pages.season_trials import names_of

router = APIRouter(include_in_schema=False)
READ = [permit("seasons.read")]


def _file(kind: str, table: Table | None) -> Response:
    if table is None:
        raise NotFound("There is no such table. Take it from the page that shows the numbers.")
    content = export.write(kind, table)
    named = f'attachment; filename="{table.name}.{kind}"'
    return Response(content, media_type=export.MEDIA[kind], headers={"Content-Disposition": named})


@router.get("/export/{kind}", dependencies=READ)
def gaps(kind: str, conn: SeasonsReading, reader: CurrentReader, choice: Chosen) -> Response:
    """Recurring gaps."""
    return _file(kind, tables.gaps(service.overview(conn, reader.outfit, choice)))


@router.get("/export/{table}/{kind}", dependencies=READ)
def of_all_lines(
    table: str, kind: str, conn: SeasonsReading, reader: CurrentReader, choice: Chosen
) -> Response:
    """Changes between seasons, or groups against all others."""
    found = service.overview(conn, reader.outfit, choice)
    if table == "changes":
        return _file(kind, tables.changes(found))
    if table == "groups":
        return _file(kind, tables.groups(found.groups, found.items))
    return _file(kind, None)


@router.get("/trips/export/{kind}", dependencies=READ)
def all_trips(kind: str, conn: SeasonsReading, reader: CurrentReader, choice: Chosen) -> Response:
    """The chosen trips."""
    return _file(kind, tables.trips("trips", behind.all_trips(conn, reader, choice, limit=None)))


@router.get("/notes/{which}/{table}/{kind}", dependencies=READ)
def of_a_list(
    which: str, table: str, kind: str, conn: SeasonsReading, reader: CurrentReader, choice: Chosen
) -> Response:
    """The numbers of a list of lines, or what was written beside them."""
    listed = note_list(conn, reader, which, choice, limit=None)
    if table == "numbers":
        return _file(kind, tables.lines(which, listed.found, listed.lines))
    return _file(kind, tables.written(which, listed.found, listed.notes) if table == "written" else None)


@router.get("/requirements/{requirement}/export/{table}/{kind}", dependencies=READ)
def of_one_requirement(
    requirement: str, table: str, kind: str, conn: SeasonsReading, reader: CurrentReader, choice: Chosen
) -> Response:
    """A table of the page of one requirement."""
    one = service.one_requirement(conn, reader.outfit, requirement, choice)
    return _file(kind, tables.of_requirement(one, table))


@router.get("/requirements/{requirement}/trips/{kind}", dependencies=READ)
def trips_behind(
    requirement: str,
    kind: str,
    conn: SeasonsReading,
    reader: CurrentReader,
    choice: Chosen,
    what: Annotated[str, Query(max_length=40)] = "lacking",
) -> Response:
    """The trips behind a number."""
    trips = behind.trips_behind(conn, reader, requirement, what, choice, limit=None)
    return _file(kind, tables.trips(f"trips-{what}", trips))


@router.get("/trials/{trial}/export/{table}/{kind}", dependencies=READ)
def of_a_trial(trial: str, table: str, kind: str, conn: Reading, reader: CurrentReader) -> Response:
    """What a trial found, line by line or trip by trip."""
    row = trying.find(conn, reader.outfit, trial)
    if row.result is None:
        raise NotFound(f"This trial is {row.state} and has no numbers. Open one that is done.")
    if table == "lines":
        return _file(kind, tables.trial_lines(row.result))
    if table == "trips":
        return _file(kind, tables.trial_trips(row.result, names_of(conn, reader, row.result["by_trip"])))
    return _file(kind, None)


@router.get("/letters/{letter}/numbers/{kind}", dependencies=READ)
def of_a_letter(letter: str, kind: str, conn: Reading, reader: CurrentReader) -> Response:
    """The numbers a letter was begun with."""
    row = letters.find(conn, reader.outfit, letter)
    if row.numbers is None:
        raise NotFound("This letter was written before numbers were kept with it. Begin another.")
    return _file(kind, tables.of_letter(row.numbers))
