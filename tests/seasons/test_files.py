"""Everything the review shows leaves as CSV, XLSX and Parquet, and says there what the pages say."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest
from fastapi import FastAPI
from openpyxl import load_workbook
from pyarrow import parquet

from api.access.current import Reader
from api.clock import FixedClock
from api.db import Database
from api.journal.decisions import DebriefNote
from api.kitlist import service as kitlists
from api.kitlist.service import get_edition
from api.readiness.service import Readiness
from api.seasons import behind, letters, projection, queries, service, tables, trying
from api.seasons.cube_cache import cube_of
from api.seasons.queries import Choice
from api.seasons.rules import Verdict
from api.seasons.trial import OPENED
from api.seasons.written import queries as written
from seeds.history import invent
from tests.seasons.conftest import NOW, OFFICE, OUTFIT, TRIPS_A_SEASON
from tests.seasons.test_trial import raised
from tests.support.client import IsolatedTestClient
from tests.support.pages import html_errors
from tests.support.readers import read_as

pytestmark = pytest.mark.one_database
LINE = "/seasons/requirements/headlamp-power"
TABLES = (
    "/seasons/export",
    "/seasons/export/changes",
    "/seasons/export/groups",
    "/seasons/trips/export",
    *(
        f"/seasons/notes/{which}/{table}"
        for which in ("late", "surprises", "locker", "remarks")
        for table in ("numbers", "written")
    ),
    *(f"{LINE}/export/{table}" for table in ("numbers", "months", "routes", "clearing", "groups")),
    f"{LINE}/trips",
)


@pytest.fixture
def client(app: FastAPI) -> Iterator[IsolatedTestClient]:
    with IsolatedTestClient(app, headers={"accept": "text/html"}, follow_redirects=False) as client:
        yield client


Rows = list[dict[str, Any]]


def as_csv(content: bytes) -> Rows:
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig"))))


def as_xlsx(content: bytes) -> Rows:
    sheet = load_workbook(io.BytesIO(content)).active
    head, *rows = sheet.iter_rows(values_only=True)
    return [dict(zip(head, row, strict=True)) for row in rows]


def as_parquet(content: bytes) -> Rows:
    table: Rows = parquet.read_table(io.BytesIO(content)).to_pylist()
    return table


READ = {"csv": as_csv, "xlsx": as_xlsx, "parquet": as_parquet}


def taken(client: IsolatedTestClient, path: str, query: str = "") -> Rows:
    """A table, once it is sure that all three files say the same."""
    found: dict[str, Rows] = {}
    for kind, read in READ.items():
        answer = client.get(f"{path}/{kind}{query}")
        assert answer.status_code == 200, (path, kind, answer.text)
        assert f".{kind}" in answer.headers["content-disposition"]
        found[kind] = read(answer.content)
    said = [{name: _plain(value) for name, value in row.items()} for row in found["parquet"]]
    for kind in ("csv", "xlsx"):
        assert [{name: _plain(value) for name, value in row.items()} for row in found[kind]] == said, path
    return found["parquet"]


def _plain(value: Any) -> Any:
    """A value as all three kinds of file can say it."""
    if value in (None, ""):
        return ""
    try:
        return round(float(value), 9)
    except ValueError:
        return value


@pytest.mark.parametrize("path", TABLES)
def test_every_table_leaves_in_three_kinds(client: IsolatedTestClient, path: str) -> None:
    rows = taken(client, path)
    may_be_empty = (
        "late/written",
        "surprises/written",
        "remarks/written",
        "locker/written",
        "surprises/numbers",
    )
    assert rows or path.endswith(may_be_empty)
    assert client.get(f"{path}/odt").status_code == 404


def test_tables_that_are_none(client: IsolatedTestClient) -> None:
    for path in (
        "/seasons/export/x/csv",
        f"{LINE}/export/x/csv",
        "/seasons/notes/late/x/csv",
        "/seasons/notes/x/numbers/csv",
    ):
        assert client.get(path).status_code == 404


def test_pages_offer_the_files_they_have(client: IsolatedTestClient) -> None:
    shown = {
        "/seasons": ("/seasons/export", "/seasons/export/changes", "/seasons/export/groups"),
        "/seasons/trips": ("/seasons/trips/export",),
        LINE: tuple(path for path in TABLES if path.startswith(f"{LINE}/export")),
        f"{LINE}/trips": (f"{LINE}/trips",),
        "/seasons/notes/late": ("/seasons/notes/late/numbers",),
        "/seasons/notes/locker": ("/seasons/notes/locker/numbers",),
    }
    for page, offered in shown.items():
        text = client.get(page).text
        for table in offered:
            for kind in READ:
                assert f'href="{table}/{kind}' in text, (page, table, kind)


def test_what_is_chosen_is_what_leaves(client: IsolatedTestClient, database: Database) -> None:
    choice = Choice(season=(2025,), rental=("own gear",))
    query = "?season=2025&rental=own+gear"
    with database.reading() as conn:
        found = service.overview(conn, OUTFIT, choice)
        one = service.one_requirement(conn, OUTFIT, "headlamp-power", choice)
    gaps = taken(client, "/seasons/export", query)
    assert [(row["lacking"], row["asked"]) for row in gaps] == [
        (line.rate.hits, line.rate.total) for line in found.lines
    ]
    numbers = {row["number"]: row["people"] for row in taken(client, f"{LINE}/export/numbers", query)}
    assert numbers == {name.replace("-", "_"): many for name, many in behind.numbers_of(one.line).items()}
    months = taken(client, f"{LINE}/export/months", query)
    assert sum(row["lacking"] for row in months) == one.line.rate.hits
    routes = taken(client, f"{LINE}/export/routes", query)
    assert sum(row["asked"] for row in routes) == one.line.rate.total
    trips = taken(client, f"{LINE}/trips", f"{query}&what=known-said")
    assert sum(row["counted"] for row in trips) == one.line.known["said"]


def test_a_remark_is_no_formula_and_names_only_trips_one_may_see(
    app: FastAPI, database: Database, readiness: Readiness, client: IsolatedTestClient
) -> None:
    trip = invent(TRIPS_A_SEASON)[0].id
    with database.writing() as work:
        remark = DebriefNote(about="list", requirement="parka", text='=HYPERLINK("http://x","y")')
        readiness.journal.write(work, OFFICE, trip, remark)
    projection.catch_up(database, readiness, OUTFIT, NOW.date())
    content = client.get("/seasons/notes/remarks/written/csv").content
    (mine,) = [row for row in as_csv(content) if row["trip"] == trip and row["about"] == "list"]
    assert mine["text"] == '\'=HYPERLINK("http://x","y")'
    assert "=HYPERLINK(&#34;http://x&#34;" in client.get("/seasons/notes/remarks").text
    read_as(app, "assistant")
    assert client.get("/seasons/notes/remarks/written/csv").status_code == 403


def test_trips_leave_without_names_for_who_may_not_see_them(database: Database) -> None:
    guide = Reader(outfit=OUTFIT, staff="somebody", name="Somebody", role="lead")
    with database.reading() as conn:
        trips = behind.all_trips(conn, guide, Choice(), limit=None)
    rows = tables.trips("trips", trips).rows
    assert len(rows) == 2 * TRIPS_A_SEASON
    assert {(row[0], row[1]) for row in rows} == {("", "")}
    assert all(len(str(row[2])) == len("2025-06") for row in rows)


def test_groups_open_as_many_people_as_they_say(database: Database) -> None:
    choice = Choice(season=(2024, 2025))
    with database.reading() as conn:
        cube = cube_of(conn, OUTFIT)
        found = service.overview(conn, OUTFIT, choice)
        assert found.groups
        for split in found.groups:
            narrowed = service.groups_of(cube, choice, split.dimension, split.group)
            for one, told in zip(narrowed, (split.inside, split.outside), strict=True):
                for what, number in (("lacking", told.hits), ("asked", told.total)):
                    trips = behind.trips_behind(conn, OFFICE, split.requirement, what, one, limit=None)
                    assert sum(trip.counted for trip in trips) == number


@pytest.fixture
def trial(database: Database, readiness: Readiness, clock: FixedClock) -> str:
    """A trial that is done."""
    with database.writing() as work:
        row = kitlists.copy(work, OUTFIT, "climbers-2025", now=NOW)
        kitlists.change(work, OUTFIT, row.id, raised(get_edition(work, OUTFIT, row.id)), now=NOW)
        id_ = trying.begin(work, OFFICE, clock, "climbers-2025", row.id)
    trying.run(database, readiness, OUTFIT, id_)
    return id_


def test_numbers_of_a_trial_open_their_trips_and_leave(
    client: IsolatedTestClient, database: Database, trial: str
) -> None:
    with database.reading() as conn:
        row = trying.find(conn, OUTFIT, trial)
        assert row.result is not None
        for line in row.result["requirements"]:
            for number in OPENED:
                opened = behind.counted_trips(conn, OFFICE, trying.behind(row, line["id"], number))
                assert sum(trip.counted for trip in opened) == line[number]
    lines = taken(client, f"/seasons/trials/{trial}/export/lines")
    assert [line["would_have_come"] for line in lines] == [r["come"] for r in row.result["requirements"]]
    trips = taken(client, f"/seasons/trials/{trial}/export/trips")
    assert sum(one["would_have_come"] for one in trips) == sum(line["would_have_come"] for line in lines)
    page = client.get(f"/seasons/trials/{trial}").text
    assert f'href="/seasons/trials/{trial}/export/lines/csv"' in page
    come = next(line["id"] for line in row.result["requirements"] if line["come"])
    address = f"/seasons/trials/{trial}/lines/{come}?what=come"
    assert f'href="{address}"' in page
    behind_it = client.get(address).text
    assert html_errors({"trial": page, "trips": behind_it}) == []
    assert "would have come" in behind_it
    assert client.get(f"/seasons/trials/{trial}/lines/{come}?what=nothing").status_code == 404
    assert client.get(f"/seasons/trials/{trial}/lines/nothing?what=come").status_code == 404


def test_an_adopted_change_shows_whether_it_worked(
    client: IsolatedTestClient, database: Database, trial: str
) -> None:
    with database.writing() as work:
        written.adopt(
            work,
            OUTFIT,
            trial,
            adopted_at=datetime(2024, 11, 1, tzinfo=UTC),
            adopted_by="Petra Vasilenko",
            note="Lamps",
            watch="headlamp-power",
            watch_rate=0.1,
        )
    with database.reading() as conn:
        watched = service.watched(conn, OUTFIT, trying.find(conn, OUTFIT, trial))
        by_season = [
            service.overview(conn, OUTFIT, Choice(season=(season,))).lines for season in (2024, 2025)
        ]
    assert watched is not None
    ((season, since),) = watched.since
    before, after = (
        next(line.rate for line in lines if line.requirement == "headlamp-power") for lines in by_season
    )
    assert season == 2025
    assert (since.before, since.after) == (before, after)
    assert since.verdict in Verdict
    text = client.get(f"/seasons/trials/{trial}").text
    assert f"{since.verdict.value}.</li>" in text
    assert html_errors({"adopted": text}) == []


def test_a_letter_keeps_the_numbers_it_was_begun_with(
    client: IsolatedTestClient, database: Database, readiness: Readiness, clock: FixedClock
) -> None:
    with database.writing() as work:
        id_ = letters.begin(work, OFFICE, clock, "guides")
    gaps = taken(client, "/seasons/export")
    assert f'href="/seasons/letters/{id_}/numbers/csv"' in client.get(f"/seasons/letters/{id_}").text
    kept = taken(client, f"/seasons/letters/{id_}/numbers")
    assert [(row["requirement"], row["lacking"]) for row in kept] == [
        (row["requirement"], row["lacking"]) for row in gaps
    ]
    with database.writing() as work:
        queries.forget_all(work, OUTFIT)
    assert taken(client, f"/seasons/letters/{id_}/numbers") == kept
