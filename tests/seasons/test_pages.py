"""The pages of the review: valid, and saying what the numbers say."""

from __future__ import annotations

import csv
import io
import sys
import threading
from collections.abc import Iterator
from datetime import timedelta

import pytest
from fastapi import FastAPI
from openpyxl import load_workbook
from pyarrow import parquet
from starlette.testclient import TestClient

from api.access.current import Reader
from api.clock import FixedClock
from api.db import Database
from api.kitlist import service as kitlists
from api.kitlist.models import EditionState
from api.kitlist.service import get_edition, get_row
from api.readiness.service import Readiness
from api.seasons import behind, export, queries, service, trying
from api.seasons.export import Table
from api.seasons.queries import Choice
from tests.seasons.conftest import NOW, OFFICE, OUTFIT, TRIPS_A_SEASON
from tests.seasons.test_trial import raised
from tests.support.client import IsolatedTestClient
from tests.support.pages import html_errors
from tests.web.sent_forms import form_of

pytestmark = pytest.mark.one_database


@pytest.fixture
def client(app: FastAPI) -> Iterator[IsolatedTestClient]:
    with IsolatedTestClient(app, headers={"accept": "text/html"}, follow_redirects=False) as client:
        yield client


def test_pages_are_valid(client: IsolatedTestClient) -> None:
    paths = {
        "overview": "/seasons",
        "chosen": "/seasons?season=2025&rental=rented+by+mail&first=2025-06",
        "nobody": "/seasons?season=1999",
        "requirement": "/seasons/requirements/headlamp-power",
        "trips": "/seasons/requirements/headlamp-power/trips?what=lacking",
        "late": "/seasons/notes/late",
        "surprises": "/seasons/notes/surprises",
        "locker": "/seasons/notes/locker",
        "remarks": "/seasons/notes/remarks",
        "trials": "/seasons/trials",
        "letters": "/seasons/letters",
    }
    pages = {}
    for name, path in paths.items():
        answer = client.get(path)
        assert answer.status_code == 200, (path, answer.text)
        pages[name] = answer.text
    assert html_errors(pages) == []
    assert all("The final call rests with the licensed guides" in text for text in pages.values())


@pytest.fixture
def busy_client(app: FastAPI) -> Iterator[TestClient]:
    """A client of an app that works in the background while it answers."""
    with TestClient(
        app, "http://127.0.0.1", headers={"accept": "text/html"}, follow_redirects=False
    ) as client:
        yield client


def finished(client: TestClient, address: str) -> str:
    """The page of a trial once it has ended."""
    for thread in threading.enumerate():
        if thread.name.startswith("trial-"):
            thread.join(60)
    return client.get(address).text


def test_a_list_is_copied_tried_and_adopted(busy_client: TestClient) -> None:
    client = busy_client
    copied = client.post("/seasons/trials/copy", data={"base": "climbers-2025"})
    draft = copied.headers["location"].split("/")[2]
    same = client.post("/seasons/trials", data={"changed": draft})
    assert same.status_code == 422
    assert "Change a line of the copy first" in same.text

    database = client.app.state.db  # type: ignore[attr-defined]
    with database.writing() as work:
        changed = raised(get_edition(work, OUTFIT, draft))
        kitlists.change(work, OUTFIT, draft, changed, now=NOW)
    begun = client.post("/seasons/trials", data={"changed": draft})
    assert begun.status_code == 303
    address = begun.headers["location"]
    text = finished(client, address)
    assert "recorded trips" in text
    assert "would have come earlier" in text
    assert html_errors({"trial": text, "trials": client.get("/seasons/trials").text}) == []
    assert "Show what it found" in client.get(f"{address}/progress").text

    without = client.post(f"{address}/adopt", data={"note": "", "watch": "backup-mitts"})
    assert without.status_code == 422
    assert "Say in a few words why" in without.text
    adopted = client.post(f"{address}/adopt", data={"note": "Cold hands in 2025", "watch": "backup-mitts"})
    assert adopted.status_code == 303
    shown = client.get(address).text
    assert "Cold hands in 2025" in shown
    assert "No season has begun since" in shown
    with database.reading() as conn:
        assert get_row(conn, OUTFIT, draft).state is EditionState.PUBLISHED


def test_a_trial_can_be_stopped(client: IsolatedTestClient, clock: FixedClock, readiness: Readiness) -> None:
    database = client.app.state.db  # type: ignore[attr-defined]
    with database.writing() as work:
        row = kitlists.copy(work, OUTFIT, "climbers-2025", now=NOW)
        kitlists.change(work, OUTFIT, row.id, raised(get_edition(work, OUTFIT, row.id)), now=NOW)
        id_ = trying.begin(work, OFFICE, clock, "climbers-2025", row.id)
    # Another process may work on it, until nothing has been heard of it for long: then it was cut off.
    assert "waiting for its turn" in client.get(f"/seasons/trials/{id_}").text
    clock.advance(timedelta(minutes=3))
    assert "was stopped" in client.get(f"/seasons/trials/{id_}").text
    assert client.post(f"/seasons/trials/{id_}/stop").status_code == 303
    trying.run(database, readiness, OUTFIT, id_)
    with database.reading() as conn:
        assert trying.find(conn, OUTFIT, id_).result is None


def test_a_running_trial_stops_between_lines(database: Database, readiness: Readiness) -> None:
    with database.reading() as conn:
        base = get_edition(conn, OUTFIT, "climbers-2025")
        found = trying.effects(conn, readiness, OUTFIT, base, raised(base), lambda done, total: done < 1)
        assert next(found).requirement
        with pytest.raises(trying.Stopped):
            next(found)


def test_letters_begin_with_the_numbers_and_end_in_other_words(client: IsolatedTestClient) -> None:
    for reader in ("guides", "climbers"):
        begun = client.post("/seasons/letters", data={"reader": reader})
        address = begun.headers["location"]
        form = form_of(client.get(address).text)
        assert "Spare power for the headlamp" in form["text"][0]
        sent = {
            "title": "Lamps & “mitts”",
            "text": "## Lamps\n\n- **Two**, #please\n\nThanks.",
            "version": "1",
        }
        assert client.post(address, data=sent).status_code == 303
        again = client.post(address, data=sent)
        assert again.status_code == 409
        assert "Someone else changed this letter" in again.text
        assert (
            client.get(f"{address}/md").text
            == "# Lamps & “mitts”\n\n## Lamps\n\n- **Two**, #please\n\nThanks.\n"
        )
        assert client.get(f"{address}/pdf").content.startswith(b"%PDF")
        assert html_errors({reader: client.get(address).text}) == []
    assert client.post("/seasons/letters", data={"reader": "nobody"}).status_code == 422


def test_files_say_what_the_page_says(client: IsolatedTestClient) -> None:
    lines = list(csv.DictReader(io.StringIO(client.get("/seasons/export/csv").content.decode("utf-8-sig"))))
    book = load_workbook(io.BytesIO(client.get("/seasons/export/xlsx").content)).active
    table = parquet.read_table(io.BytesIO(client.get("/seasons/export/parquet").content)).to_pylist()
    assert [line["requirement"] for line in lines] == [row["requirement"] for row in table]
    assert [cell.value for cell in book["A"]][1:] == [line["requirement"] for line in lines]
    assert [int(line["lacking"]) for line in lines] == [row["lacking"] for row in table]
    assert float(lines[0]["share_lower"]) == table[0]["share_lower"] < table[0]["share"]
    gaps = client.get("/api/seasons/recurring-gaps").json()["gaps"]
    assert [gap["requirement"] for gap in gaps] == [line["requirement"] for line in lines]
    assert client.get("/seasons/export/odt").status_code == 404


def test_a_text_is_no_formula_in_a_file() -> None:
    for text in ("=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "\uff1d1"):
        table = Table("t", "T", ("a", "b", "c"), [[text, 2, None]])
        (row,) = csv.reader(io.StringIO(export.write("csv", table).decode("utf-8-sig")).readlines()[1:])
        assert row[0].startswith("'")
    table = Table("t", "T", ("a", "b", "c"), [["=1+1", 2, None], ["a\x07bell", 1.5, None]])
    sheet = load_workbook(io.BytesIO(export.write("xlsx", table))).active
    assert (sheet["A2"].data_type, sheet["A2"].value) == ("s", "=1+1")
    assert sheet["A3"].value == "abell"
    assert parquet.read_table(io.BytesIO(export.write("parquet", table)))["a"].to_pylist()[0] == "=1+1"


def test_parquet_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(export.ParquetMissing, match=r"rimaye\[parquet\]"):
        export.write("parquet", Table("t", "T", ("a",), [[1]]))


def test_trips_are_named_only_to_those_who_may_see_them(database: Database) -> None:
    guide = Reader(outfit=OUTFIT, staff="somebody", name="Somebody", role="lead")
    with database.reading() as conn:
        seen = behind.trips_behind(conn, OFFICE, "parka", "lacking", Choice(), limit=50)
        unseen = behind.trips_behind(conn, guide, "parka", "lacking", Choice(), limit=50)
    assert seen
    assert all(trip.trip and trip.name for trip in seen)
    assert [(trip.counted, trip.asked) for trip in unseen] == [(trip.counted, trip.asked) for trip in seen]
    assert {trip.trip for trip in unseen} == {None}
    assert all(trip.name.startswith("A trip of ") for trip in unseen)


def test_every_number_opens_as_many_people(client: IsolatedTestClient, database: Database) -> None:
    with database.reading() as conn:
        for choice in (Choice(), Choice(season=(2025,), rental=("own gear",)), Choice(last=(2024, 12))):
            found = service.overview(conn, OUTFIT, choice)
            for line in found.lines:
                opened = {
                    what: sum(
                        trip.counted
                        for trip in behind.trips_behind(
                            conn, OFFICE, line.requirement, what, choice, limit=None
                        )
                    )
                    for what in behind.COUNTED
                }
                assert opened == behind.numbers_of(line)
            assert sum(trip.counted for trip in behind.all_trips(conn, OFFICE, choice, limit=None)) == (
                found.people
            )


def test_several_of_a_kind_stay_chosen_when_the_form_is_sent_again(client: IsolatedTestClient) -> None:
    shown = client.get("/seasons?season=2024&season=2025&rental=own+gear").text
    form = form_of(shown)
    assert form["rental"] == ["own gear"]
    assert form["season"] == ["2024\u20162025"]
    sent = client.get("/seasons", params={name: values[0] for name, values in form.items()}).text
    assert "season: 2024 or 2025; gear from: own gear" in sent
    assert client.get("/seasons?season=2024\u2016x").status_code == 422


def test_the_same_is_chosen_as_json(client: IsolatedTestClient, database: Database) -> None:
    with database.reading() as conn:
        found = service.overview(conn, OUTFIT, Choice(first=(2025, 6), last=(2025, 7), rental=("own gear",)))
    told = client.get("/api/seasons/recurring-gaps?first=2025-06&last=2025-07&rental=own+gear").json()
    assert (told["trips"], told["people"]) == (found.all_trips, found.people)
    assert 0 < told["trips"] < 2 * TRIPS_A_SEASON
    assert [(gap["requirement"], gap["lacking"]["hits"]) for gap in told["gaps"]] == [
        (line.requirement, line.rate.hits) for line in found.lines
    ]
    wrong = client.get("/api/seasons/recurring-gaps?first=soon", headers={"accept": "application/json"})
    assert (wrong.status_code, wrong.json()["fields"][0]["field"]) == (422, "first")


def test_what_cannot_be_chosen_is_said(client: IsolatedTestClient) -> None:
    for query, remedy in (("first=soon", "YYYY-MM"), ("season=last", "Choose one of the list")):
        answer = client.get(f"/seasons?{query}")
        assert answer.status_code == 422
        assert remedy in answer.text
    assert client.get("/seasons/requirements/nothing").status_code == 404
    assert client.get("/seasons/requirements/parka/trips?what=nothing").status_code == 404
    assert client.get("/seasons/notes/nothing").status_code == 404


def test_the_review_is_brought_up_to_date_from_the_page(busy_client: TestClient) -> None:
    client = busy_client
    database = client.app.state.db  # type: ignore[attr-defined]
    with database.writing() as work:
        queries.forget_all(work, OUTFIT)
    before = client.get("/seasons").text
    assert "12 past trips are not in these numbers yet" in before.replace("\N{NO-BREAK SPACE}", " ")
    assert client.post("/seasons/update").status_code == 303
    for thread in threading.enumerate():
        if thread.name == "seasons-update":
            thread.join(120)
    assert "12 past trips" in client.get("/seasons").text.replace("\N{NO-BREAK SPACE}", " ")
