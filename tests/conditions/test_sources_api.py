"""Sources through the door: fetched, read in, chosen; the last good forecast stays whatever happens."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
import stamina
from fastapi import FastAPI
from starlette.testclient import TestClient

from api.clock import FixedClock
from api.conditions.canonical import from_bytes
from api.conditions.refresh import same_issue, spread, window_of
from api.ids import new_id
from api.journal import store
from api.journal.entry import Actor, Entry
from api.journal.kinds import TripPlanned
from api.journal.queries import create_outfit, create_trip
from api.settings import Settings
from tests.conditions.building import ensemble, place, stage, trip
from tests.conditions.kessandry import PLAN, at, issue
from tests.support.readers import read_as
from tests.support.weather_standin import RUN, Fault, Standin, grid, standing_in

OUTFIT, TRIP = "quillstone", "peak"
URL = f"/api/trips/{TRIP}/forecasts"
START = RUN + timedelta(hours=12)
CLIMB = trip(
    stage("up", START, 6, 1500, 3000),
    stage("top", START + timedelta(hours=12), 6, 3000, 4400),
    at=place(zone="Europe/Zurich"),
)
NOW = RUN + timedelta(hours=5)


@pytest.fixture(autouse=True)
def _no_waiting() -> Iterator[None]:
    with stamina.set_testing(True, attempts=2):
        yield


@pytest.fixture
def standin() -> Iterator[Standin]:
    with standing_in() as standin:
        yield standin


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(NOW)


@pytest.fixture
def settings(settings: Settings, standin: Standin) -> Settings:
    """Three services configured, asked only by the button."""
    return settings.model_copy(
        update={
            "forecast_user_agent": "quillstone-board ops@example.org",
            "forecast_refresh_min": 0,
            "forecast_openjson_url": standin.url,
            "forecast_openjson_models": "invented_2km",
            "forecast_metno_url": standin.url,
            "forecast_edr_url": f"{standin.url}/edr",
            "forecast_edr_collections": "peaks",
        }
    )


@pytest.fixture
def client(app: FastAPI) -> Iterator[TestClient]:
    """A client that does not mind connections in use after an answer: services are asked meanwhile."""
    with TestClient(app, base_url="http://127.0.0.1", raise_server_exceptions=False) as client:
        yield client


@pytest.fixture
def planned(client: TestClient, app: FastAPI) -> TestClient:
    """A trip with a plan."""
    lead = Actor(id="lead", name="Lead guide", role="lead")
    with app.state.db.writing() as work:
        create_outfit(work, OUTFIT, "Quillstone Mountain Guides")
        for name, plan in ((TRIP, CLIMB), ("over", trip(stage("x", NOW - timedelta(days=9), 5, 1000, 2000)))):
            create_trip(work, name, OUTFIT, NOW)
            body = TripPlanned(plan=plan)
            entry = Entry(id=new_id(NOW), trip=name, body=body, actor=lead, device="test", happened_at=NOW)
            store.append(work, name, OUTFIT, [entry], NOW)
    return client


def sources(client: TestClient) -> dict[str, Any]:
    return {one["provider"]: one for one in client.get(f"{URL}/sources").json()["sources"]}


def refreshed(client: TestClient) -> dict[str, Any]:
    """Ask the services, and what the sources are once all have answered."""
    begun = client.post(f"{URL}/refresh")
    assert begun.status_code == 202, begun.text
    expected = set(begun.json()["asking"])
    deadline = time.monotonic() + 15
    while time.monotonic() < deadline:
        found = sources(client)
        if expected <= {p for p, one in found.items() if one["state"] in ("done", "failed")}:
            return found
        time.sleep(0.05)
    raise AssertionError(f"services still being asked: {sources(client)}")


def entries(app: FastAPI) -> list[Any]:
    with app.state.db.reading() as conn:
        return [entry for entry in store.read(conn, TRIP) if entry.kind.startswith("forecast")]


OPEN, MET, EDR = "openjson invented_2km", "metno", "edr peaks"


def test_before_anything_was_asked_the_sources_are_listed(planned: TestClient) -> None:
    found = sources(planned)
    assert set(found) == {OPEN, MET, EDR}
    assert all(one["newest"] is None and one["gives"] and one["lacks"] for one in found.values())
    assert "final call rests with licensed guides" in planned.get(f"{URL}/sources").json()["caution"]


def test_asked_services_bring_forecasts_into_the_journal(planned: TestClient, app: FastAPI) -> None:
    found = refreshed(planned)
    assert {one["state"] for one in found.values()} == {"done"}
    written = entries(app)
    assert {entry.body.provider for entry in written} == {OPEN, MET, EDR}
    assert {(entry.actor.role, entry.device) for entry in written} == {("system", "refresh")}
    newest = found[OPEN]["newest"]
    assert newest["licence"] == "CC BY 4.0"
    assert newest["attribution"]
    whole = planned.get(f"{URL}/{newest['forecast']}")
    assert from_bytes(whole.content).provenance.provider == OPEN


def test_the_same_issue_is_not_received_twice(planned: TestClient, app: FastAPI) -> None:
    refreshed(planned)
    before = len(entries(app))
    refreshed(planned)
    assert len(entries(app)) == before


def test_a_newer_run_is_received(
    planned: TestClient, app: FastAPI, standin: Standin, clock: FixedClock
) -> None:
    standin.expires_s = -1
    refreshed(planned)
    standin.run = RUN + timedelta(hours=6)
    clock.advance(timedelta(hours=3))
    found = refreshed(planned)
    assert {one["newest"]["issued_at"] for one in found.values()} == {"2026-07-03T06:00:00Z"}
    assert len(entries(app)) == 6


@pytest.mark.parametrize(
    "fault",
    [
        Fault(403, b"<html/>", "text/html"),
        Fault(429, b'{"reason":"Daily API request limit exceeded."}'),
        Fault(503, b'{"title":"Forecast Grid Expired"}'),
        Fault(200, b'{"cut":'),
        Fault(200, b"{}"),
        Fault(200, b"[]"),
        Fault(cut=True),
    ],
    ids=["403", "429", "503", "cut", "empty", "list", "connection"],
)
def test_a_failing_service_loses_nothing(
    fault: Fault, planned: TestClient, app: FastAPI, standin: Standin, clock: FixedClock
) -> None:
    standin.expires_s = -1
    before = refreshed(planned)
    standin.run = RUN + timedelta(hours=3)
    for path in ("/v1", "/data", "/weatherapi", "/edr"):
        standin.faults[path] += [fault] * 4
    after = refreshed(planned)
    for provider, one in after.items():
        assert one["state"] == "failed", provider
        assert one["problem"]
        assert one["newest"] == before[provider]["newest"]
    assert len(entries(app)) == 3
    assert planned.get(f"/trips/{TRIP}").status_code == 200


def test_one_failing_service_holds_up_no_other(planned: TestClient, standin: Standin) -> None:
    standin.faults["/weatherapi"] += [Fault(500, b"{}")] * 4
    found = refreshed(planned)
    assert {p: one["state"] for p, one in found.items()} == {OPEN: "done", MET: "failed", EDR: "done"}
    assert "500" in found[MET]["problem"]


def test_a_fault_of_our_own_is_said_and_ends_nothing(
    planned: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    from api.conditions import refresh

    def fails(*_: Any) -> bytes:
        raise RuntimeError("unforeseen")

    monkeypatch.setattr(refresh, "to_bytes", fails)
    assert {one["state"] for one in refreshed(planned).values()} == {"failed"}
    monkeypatch.undo()
    assert {one["state"] for one in refreshed(planned).values()} == {"done"}


def test_pages_do_not_wait_for_a_slow_service(planned: TestClient, standin: Standin) -> None:
    standin.faults["/weatherapi"].append(Fault(slow_s=1.5))
    begun = time.monotonic()
    assert planned.post(f"{URL}/refresh").status_code == 202
    assert planned.get(f"/trips/{TRIP}/forecasts/sources").status_code == 200
    assert time.monotonic() - begun < 1.4


def test_a_trip_that_is_over_is_not_asked_for(planned: TestClient, standin: Standin) -> None:
    answer = planned.post("/api/trips/over/forecasts/refresh")
    assert answer.status_code == 409
    assert "over" in answer.json()["detail"]
    assert standin.log == []


class TestByItself:
    @pytest.fixture
    def settings(self, settings: Settings) -> Settings:
        return settings.model_copy(update={"forecast_refresh_min": 30})

    def test_what_is_due_is_asked_for(
        self, planned: TestClient, app: FastAPI, standin: Standin, clock: FixedClock
    ) -> None:
        refresher = app.state.forecast_refresher
        assert planned.portal is not None
        planned.portal.call(refresher.look)
        assert {entry.body.provider for entry in entries(app)} == {OPEN, MET, EDR}
        asked = len(standin.log)
        planned.portal.call(refresher.look)
        assert len(standin.log) == asked
        clock.advance(timedelta(minutes=40))
        planned.portal.call(refresher.look)
        assert len(standin.log) > asked


class TestNothingConfigured:
    @pytest.fixture
    def settings(self, settings: Settings) -> Settings:
        return settings.model_copy(update={"forecast_user_agent": " "})

    def test_no_service_is_asked_and_the_reason_is_said(self, planned: TestClient, standin: Standin) -> None:
        answer = planned.post(f"{URL}/refresh")
        assert answer.status_code == 409
        assert "RIMAYE_FORECAST_USER_AGENT" in answer.json()["detail"]
        assert sources(planned) == {}
        assert standin.log == []


# -- which one counts


def test_the_choice_moves_the_board(planned: TestClient, app: FastAPI) -> None:
    refreshed(planned)
    answer = planned.put(f"{URL}/choice", json={"provider": MET})
    assert answer.status_code == 200, answer.text
    assert answer.json()["in_force"] == MET
    board = planned.get(f"/api/trips/{TRIP}/board").json()
    assert board["forecast"]["provider"] == MET
    assert "does not cover" in " ".join(
        f["title"] for f in board["findings"] if f["requirement"] == "forecast"
    )
    assert planned.put(f"{URL}/choice", json={"provider": OPEN}).json()["in_force"] == OPEN
    assert planned.get(f"/api/trips/{TRIP}/board").json()["forecast"]["provider"] == OPEN
    assert planned.put(f"{URL}/choice", json={"provider": None}).json()["provider"] is None
    seq = entries(app)[-1].seq
    planned.put(f"{URL}/choice", json={"provider": None})
    assert entries(app)[-1].seq == seq


def test_a_choice_of_nothing_is_refused(planned: TestClient) -> None:
    answer = planned.put(f"{URL}/choice", json={"provider": "crystal ball"})
    assert answer.status_code == 422
    assert answer.json()["fields"][0]["field"] == "provider"


def test_the_office_does_not_choose(planned: TestClient, app: FastAPI) -> None:
    read_as(app, "office")
    assert planned.put(f"{URL}/choice", json={"provider": None}).status_code == 403


def test_sources_stand_beside_each_other(planned: TestClient) -> None:
    refreshed(planned)
    rows = planned.get(f"{URL}/compare").json()["rows"]
    assert [row["stage"] for row in rows[::4]] == ["up", "top"]
    level = next(row for row in rows if (row["stage"], row["metric"]) == ("top", "freezing_level_m"))
    assert level["said"][MET]["value"] is None
    assert level["said"][OPEN]["value"] == pytest.approx(level["said"][EDR]["value"], abs=60.0)
    assert not level["disagree"]
    wind = next(row for row in rows if (row["stage"], row["metric"]) == ("top", "wind_mps"))
    assert wind["said"][MET]["value"] is None
    assert wind["said"][OPEN]["value"] == pytest.approx(4400 / 500.0, abs=0.2)


# -- files


def covjson(zero_lower_k: float = 0.0) -> bytes:
    names = ["air_temperature", "geopotential_height", "wind_speed"]
    times = [START + timedelta(hours=3 * i - 12) for i in range(16)]
    document = grid(7.86, 45.94, [850, 700, 600, 500], times, names)
    values = document["ranges"]["air_temperature"]["values"]
    document["ranges"]["air_temperature"]["values"] = [value - zero_lower_k for value in values]
    return json.dumps(document).encode()


CSV = b"""# model: invented
# reference_time: 2026-07-03T00:00:00Z
time,level[hPa],air_temperature[degC],geopotential_height[m],wind_speed[kt]
2026-07-03T12:00:00Z,700,4.0,3144,19.0
2026-07-03T12:00:00Z,600,-3.0,4395,
"""


def send(client: TestClient, body: bytes, name: str = "f.csv", path: str = "file", **said: str) -> Any:
    return client.post(f"{URL}/{path}", files={"file": (name, body)}, data=said)


def test_a_file_is_previewed_then_received(planned: TestClient, app: FastAPI) -> None:
    shown = send(planned, CSV, path="file/preview", source="Valley office")
    assert shown.status_code == 200, shown.text
    assert shown.json()["would_be"]["provider"] == "file: Valley office"
    assert entries(app) == []
    stored = send(planned, CSV, source="Valley office")
    assert stored.status_code == 201
    assert stored.json()["forecast"]["entered_by"] == "Lead guide"
    assert any("before the trip does" in w for w in stored.json()["forecast"]["warnings"])
    assert send(planned, CSV, source="Valley office").status_code == 200
    assert len(entries(app)) == 1


def test_coverages_can_be_taken_out_and_read_in_again(planned: TestClient) -> None:
    first = send(planned, covjson(), "f.covjson", issued_at="2026-07-03T00:00:00Z")
    assert first.status_code == 201, first.text
    out = planned.get(f"{URL}/{first.json()['forecast']['forecast']}/coverage")
    assert out.headers["content-type"] == "application/vnd.cov+json"
    again = send(planned, out.content, "f.covjson")
    assert again.status_code == 200
    assert again.json()["forecast"]["forecast"] == first.json()["forecast"]["forecast"]


def test_a_file_cannot_pass_for_a_service_or_a_guide(planned: TestClient) -> None:
    refreshed(planned)
    out = planned.get(f"{URL}/{sources(planned)[OPEN]['newest']['forecast']}/coverage").content
    assert send(planned, out, "f.covjson").json()["forecast"]["provider"] == f"file: {OPEN}"
    typed = send(planned, CSV.replace(b"# model", b"# provider: typed in\n# model"))
    assert typed.json()["forecast"]["provider"] == "file: typed in"


def test_two_files_that_disagree_are_said_to(planned: TestClient) -> None:
    for name, lower in (("one", 0.0), ("other", 5.0)):
        sent = send(planned, covjson(lower), "f.covjson", source=name, issued_at="2026-07-03T00:00:00Z")
        assert sent.status_code == 201
    rows = planned.get(f"{URL}/compare").json()["rows"]
    assert all(row["disagree"] for row in rows if row["metric"] == "freezing_level_m")
    page = planned.get(f"/trips/{TRIP}/forecasts/sources").text
    assert "they disagree" in page


@pytest.mark.parametrize(
    ("body", "said", "field"),
    [
        (b"", {}, "file"),
        (b"<html></html>", {}, "file"),
        (b"GRIB\x00\x00", {}, "file"),
        (covjson(), {}, "issued_at"),
        (covjson(), {"issued_at": "2026-07-09T00:00:00Z"}, "issued_at"),
        (covjson().replace(b"45.94", b"-45.94"), {"issued_at": "2026-07-03T00:00:00Z"}, "file"),
        (CSV.replace(b"-3.0", b"cold"), {}, "line 5, column air_temperature[degC]"),
        (CSV.replace(b"[kt]", b"[furlong]"), {}, "line 3, column wind_speed[furlong]"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_exactly(
    body: bytes, said: dict[str, str], field: str, planned: TestClient, app: FastAPI
) -> None:
    answer = send(planned, body, **said)
    assert answer.status_code == 422
    assert [fault["field"] for fault in answer.json()["fields"]] == [field]
    assert entries(app) == []


# -- the page


def test_the_page_shows_sources_with_age_licence_and_warnings(planned: TestClient) -> None:
    refreshed(planned)
    page = planned.get(f"/trips/{TRIP}/forecasts/sources").text
    shown = (
        "In force: the board rests on it",
        "5\u00a0h ago",
        "CC BY 4.0",
        f"rest on {MET}",
        "second opinion",
    )
    for words in shown:
        assert words in page
    assert "every 2s" not in page


def test_the_page_says_while_services_are_asked(planned: TestClient, standin: Standin) -> None:
    standin.faults["/weatherapi"].append(Fault(slow_s=0.8))
    sent = planned.post(f"/trips/{TRIP}/forecasts/sources/refresh", follow_redirects=False)
    assert sent.status_code == 303
    time.sleep(0.3)
    page = planned.get(sent.headers["location"]).text
    assert "Services are being asked now" in page
    assert "every 2s" in page


def test_a_file_goes_through_the_page(planned: TestClient, app: FastAPI) -> None:
    base = f"/trips/{TRIP}/forecasts/sources"
    wrong = planned.post(f"{base}/file", files={"file": ("f.csv", CSV.replace(b"19.0", b"much"))})
    assert wrong.status_code == 422
    assert "line 4, column wind_speed[kt]" in wrong.text
    said = {"source": "Valley office", "issued_at": "2026-07-03T02:00", "levels": ""}
    shown = planned.post(f"{base}/file", files={"file": ("f.covjson", covjson())}, data=said)
    assert shown.status_code == 200
    assert "What the file holds" in shown.text
    assert entries(app) == []
    kept = shown.text.split('name="kept" value="')[1].split('"')[0]
    stored = planned.post(f"{base}/file/store", data={**said, "kept": kept}, follow_redirects=False)
    assert stored.status_code == 303
    (entry,) = entries(app)
    assert entry.body.provider == "file: Valley office"
    assert entry.body.issued_at == datetime(2026, 7, 3, tzinfo=UTC)
    assert planned.get(stored.headers["location"]).status_code == 200


def test_the_choice_goes_through_the_page(planned: TestClient) -> None:
    refreshed(planned)
    sent = planned.post(
        f"/trips/{TRIP}/forecasts/sources/choice", data={"provider": EDR}, follow_redirects=False
    )
    assert sent.status_code == 303
    assert sources(planned)[EDR]["in_force"]
    planned.post(f"/trips/{TRIP}/forecasts/sources/choice", data={"provider": "default"})
    assert planned.get(f"{URL}/sources").json()["chosen"] is None


# -- when, and whether it is new


def test_the_window_begins_at_a_full_day_and_ends_after_the_last_night() -> None:
    window = window_of(CLIMB, NOW)
    assert window is not None
    assert window.starts_at == RUN
    assert window.ends_at == START + timedelta(hours=18 + 15)
    assert window_of(CLIMB, START + timedelta(days=3)) is None
    assert window_of(CLIMB, START - timedelta(days=30)) is None
    assert window_of(PLAN, at(13, "18:30")) is not None


Change = Callable[[Any], Any]


def test_an_issue_without_its_first_hours_says_nothing_new() -> None:
    whole = ensemble(2, 24)
    assert same_issue(whole, ensemble(2, 24))
    assert not same_issue(whole, ensemble(2, 24, seed=2))
    assert not same_issue(whole, ensemble(3, 24))
    assert not same_issue(ensemble(2, 12), whole)
    assert not same_issue(whole, issue("F3"))


def test_questions_are_spread_over_a_fifth_of_the_interval() -> None:
    hour = timedelta(hours=1)
    found = {spread(f"trip-{i}", MET, hour) for i in range(50)}
    assert len(found) > 30
    assert all(timedelta(0) <= one <= hour / 5 for one in found)
