"""Pages of the call as a browser without scripts uses them, and what the API gives to whom."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from api.access import assigning, queries
from api.access.permissions import declared
from api.db import Database
from api.main import create_app
from api.opening import open_database
from api.settings import Settings
from seeds import loading
from tests.support.client import IsolatedTestClient
from tests.support.pages import html_errors

pytestmark = pytest.mark.one_database

TRIP = "/trips/kessandry-2026-09"
API = f"/api{TRIP}"


@pytest.fixture
def settings(database_url: str, tmp_path: Path) -> Settings:
    return Settings(
        database_url=database_url, data_dir=tmp_path / "data", port=0, access_log=False, demo=True
    )


@pytest.fixture
def client(settings: Settings) -> Iterator[IsolatedTestClient]:
    database: Database = open_database(settings)
    loading.seed(database)
    with IsolatedTestClient(create_app(settings)) as client:
        yield client
    database.close()


def read_as(client: IsolatedTestClient, role: str) -> None:
    client.post("/demo/role", data={"role": role}, follow_redirects=False)


def on(client: IsolatedTestClient) -> None:
    client.post("/demo/clock", data={"move": "next"}, follow_redirects=False)


def hidden(page: str, action: str) -> dict[str, str]:
    """What a form carries along unseen."""
    form = re.search(rf'<form method="post" action="{re.escape(action)}"[^>]*>(.*?)</form>', page, re.S)
    assert form is not None, f"no form {action} on the page"
    return dict(re.findall(r'type="hidden" name="([\w.]+)" value="([^"]*)"', form[1]))


def send(client: IsolatedTestClient, action: str, **fields: str | list[str]) -> tuple[int, str]:
    """Fill in a form of the page of the call."""
    page = client.get(f"{TRIP}/call").text
    answer = client.post(action, data=hidden(page, action) | fields, follow_redirects=True)
    return answer.status_code, answer.text


def doors_of(client: IsolatedTestClient) -> list[str]:
    """Every path that answers GET and has the trip as its only parameter."""
    paths = {route.path for route in declared(client.app) if "GET" in route.methods}  # type: ignore[arg-type]
    named = {path for path in paths if re.findall(r"{(.*?)}", path) == ["trip"]}
    return sorted(path.replace("{trip}", "kessandry-2026-09") for path in named)


class TestViews:
    def test_an_assistant_sees_others_only_after_giving_their_own(self, client: IsolatedTestClient) -> None:
        read_as(client, "lead")
        status, _ = send(
            client, f"{TRIP}/call/view", member="p02", view="down", why="The certificate is not here"
        )
        assert status == 200
        read_as(client, "assistant")
        before = client.get(f"{TRIP}/call").text
        assert "The certificate is not here" not in before
        assert "has given a view" in before
        journal = client.get(f"{API}/journal", params={"after": 700}).json()["entries"]
        (view,) = [entry for entry in journal if entry["body"]["kind"] == "view-given"]
        assert (view["body"]["view"], view["body"]["why"]) == ("withheld", "")
        _, after = send(client, f"{TRIP}/call/view", member="p03", view="go", why="Fine")
        assert "The certificate is not here" in after
        journal = client.get(f"{API}/journal", params={"after": 700}).json()["entries"]
        given = [e["body"]["view"] for e in journal if e["body"]["kind"] == "view-given"]
        assert given == ["down", "go"]

    def test_no_door_of_the_trip_tells_a_view_before_its_time(self, client: IsolatedTestClient) -> None:
        """All text read of a trip by its id alone, pages and JSON, as an assistant and as the office."""
        said = "Zwitschermaschine"
        read_as(client, "lead")
        send(client, f"{TRIP}/call/view", member="p02", view="down", why=said)
        # Left out: what streams, what is no text, and the history of flags, which is of findings alone.
        besides = ("/events", ".pdf", "/flag-history")
        doors = [door for door in doors_of(client) if not door.endswith(besides)]
        assert {f"{TRIP}/call", f"{TRIP}/call/kept", f"{API}/journal", f"{API}/board", TRIP} <= set(doors)
        for role in ("assistant", "office"):
            read_as(client, role)
            answers = {door: client.get(door, params={"after": 700}) for door in doors}
            assert [door for door, answer in answers.items() if said in answer.text] == []
            assert answers[f"{TRIP}/call"].status_code == answers[f"{API}/journal"].status_code == 200
        read_as(client, "lead")
        assert said in client.get(f"{TRIP}/call").text

    def test_an_assistant_enters_no_view_but_their_own(self, client: IsolatedTestClient) -> None:
        """By another's they would come to see what was said before they have spoken."""
        with client.app.state.db.writing() as work:  # type: ignore[attr-defined]
            staff = {"id": "assistant", "outfit_id": "quillstone", "name": "Inés Quiroga Bell"}
            staff |= {"email": "ines@example.org", "role": "assistant", "active": True}
            queries.add_staff(work, staff | {"created_at": datetime(2026, 9, 1, tzinfo=UTC)})
            assigned_at = datetime(2026, 9, 1, tzinfo=UTC)
            assigning.assign_one(work, TRIP[7:], "assistant", assigned_at, by="lead", member="p03")
        read_as(client, "lead")
        send(client, f"{TRIP}/call/view", member="p02", view="down", why="Not today")
        read_as(client, "assistant")
        status, page = send(client, f"{TRIP}/call/view", member="p02", view="go", why="So he says")
        assert status == 422
        assert "This is another guide&#39;s view." in page
        assert "Not today" not in page
        assert 'name="member" value="p02"' not in page
        status, page = send(client, f"{TRIP}/call/view", member="p03", view="go", why="Fine")
        assert status == 200
        assert "Not today" in page

    def test_the_office_hears_it_with_the_call(self, client: IsolatedTestClient) -> None:
        send(client, f"{TRIP}/call/view", member="p02", view="down", why="Not today")
        read_as(client, "office")
        assert "Not today" not in client.get(f"{TRIP}/call").text
        assert "Not today" not in client.get(f"{API}/journal", params={"after": 700}).text
        read_as(client, "lead")
        send(client, f"{TRIP}/call", decision="down")
        read_as(client, "office")
        assert "Not today" in client.get(f"{API}/journal", params={"after": 700}).text

    def test_nobody_writes_a_countersignature_of_their_own(self, client: IsolatedTestClient) -> None:
        body = {
            "kind": "call-countersigned",
            "call": "01890a5d-ac96-774b-bcce-b302099a8057",
            "record": "0" * 64,
            "signature": "0" * 128,
            "key_id": "0" * 16,
        }
        entry = {
            "id": "01890a5d-ac96-774b-bcce-b302099a8057",
            "trip": "kessandry-2026-09",
            "body": body,
            "actor": {"id": "lead", "name": "Lead guide", "role": "lead"},
            "device": "x",
            "happened_at": "2026-09-12T04:00:00Z",
        }
        (outcome,) = client.post(f"{API}/journal", json={"entries": [entry]}).json()["outcomes"]
        assert outcome["status"] == "refused"


class TestCalling:
    def test_an_open_stop_is_named_and_what_was_typed_is_kept(self, client: IsolatedTestClient) -> None:
        status, page = send(client, f"{TRIP}/call", decision="go", reason="The weather is good")
        assert status == 409
        assert "Open stops are not settled" in page
        assert "The weather is good" in page
        assert "First-aid certificate" in page

    def test_an_assistant_cannot_call(self, client: IsolatedTestClient) -> None:
        page = client.get(f"{TRIP}/call").text
        fields = hidden(page, f"{TRIP}/call") | {"decision": "down"}
        read_as(client, "assistant")
        assert client.post(f"{TRIP}/call", data=fields).status_code == 403

    def test_a_wait_is_recorded_checked_and_printed(self, client: IsolatedTestClient) -> None:
        status, _ = send(client, f"{TRIP}/call", decision="wait", reason="Until the certificate is here")
        assert status == 200
        (call,) = client.get(f"{API}/calls").json()["calls"]
        assert call["countersigned"]
        assert call["differences"] == []
        record = client.get(f"{API}/calls/{call['call']}").content
        checked = client.post(
            f"{API}/calls/verify", content=record, headers={"Content-Type": "application/octet-stream"}
        ).json()
        assert checked["good"], checked
        assert "final call rests" in checked["caution"]
        files = {"record": ("call.json", record, "application/json")}
        assert (
            "Evaluated again it comes out the same." in client.post(f"{TRIP}/calls/check", files=files).text
        )
        changed = {"record": ("call.json", record.replace(b"certificate", b"Certificate", 1), "text/plain")}
        assert "Not as it was signed." in client.post(f"{TRIP}/calls/check", files=changed).text
        paper = client.get(f"{TRIP}/calls/{call['call']}/paper.pdf")
        assert paper.headers["content-type"] == "application/pdf"
        assert paper.content.startswith(b"%PDF")
        short = client.get(f"{TRIP}/calls/{call['call']}/short.txt").text
        assert short.startswith("WAIT Harrow Station")
        keys = client.get("/api/public-keys").json()["keys"]
        assert json.loads(record)["public_key"] in {key["public_key"] for key in keys}

    def test_a_tripwire_is_watched_on_the_board(self, client: IsolatedTestClient) -> None:
        on(client)
        status, page = send(
            client,
            f"{TRIP}/call/tripwires",
            metric="wind_mps",
            comparison="at-least",
            value="15 m/s",
            place="summit",
        )
        assert status == 200
        assert "Wind from" in page or "wind from" in page
        assert "Tripwire crossed" not in client.get(TRIP).text
        on(client)
        on(client)
        on(client)
        board = client.get(TRIP).text
        assert "Tripwire crossed" in board
        assert "Maren Okafor-Lindqvist" in board

    def test_a_figure_that_is_none_comes_back_with_the_form(self, client: IsolatedTestClient) -> None:
        status, page = send(client, f"{TRIP}/call/tripwires", metric="wind_mps", value="strong", place="")
        assert status == 422
        assert 'value="strong"' in page

    def test_pace_and_margin_can_be_set(self, client: IsolatedTestClient) -> None:
        assert "with 60 minutes in hand" in client.get(f"{TRIP}/call").text
        status, page = send(client, f"{TRIP}/call/pace", down_h="9 h", margin_h="90")
        assert status == 200
        assert "The lead guide reckons 9\u00a0h down from there; the plan has " in page, page
        assert "with 90 minutes in hand" in page
        status, page = send(client, f"{TRIP}/call/pace", down_h="0", margin_h="soon")
        assert status == 422
        assert 'value="soon"' in page

    def test_the_turnaround_can_be_set(self, client: IsolatedTestClient) -> None:
        status, page = send(client, f"{TRIP}/call/turnaround", turnaround_at="2026-09-14T10:30")
        assert status == 200
        assert "Set by the lead guide; dark and pace alone would give 10:58" in page


class TestPast:
    def test_two_moments_are_compared(self, client: IsolatedTestClient) -> None:
        laid_out = client.get(f"{API}/board").json()["seq"]
        on(client)
        page = client.get(f"{TRIP}/past", params={"seq": laid_out, "against": 999_999_999}).text
        assert "leaving 11:30: 6 stops" in page.replace("\N{NO-BREAK SPACE}", " ")
        gone = page[page.index("No longer there") :]
        assert "Glacier glasses" in gone

    def test_the_past_does_not_change(self, client: IsolatedTestClient) -> None:
        laid_out = client.get(f"{API}/board").json()["seq"]
        body = re.compile(r'<p class="verdict.*?</p>', re.S)
        before = body.search(client.get(f"{TRIP}/past", params={"seq": laid_out - 1}).text)
        on(client)
        after = body.search(client.get(f"{TRIP}/past", params={"seq": laid_out - 1}).text)
        assert before is not None
        assert after is not None
        assert before[0] == after[0]


class TestDebrief:
    def test_what_was_learnt_is_kept(self, client: IsolatedTestClient) -> None:
        page = client.get(f"{TRIP}/debrief").text
        fields = hidden(page, f"{TRIP}/debrief") | {
            "about": "list",
            "text": "Ask for a photo of the crampon on the boot",
            "requirement": "crampons",
            "found": "hands-on",
        }
        answer = client.post(f"{TRIP}/debrief", data=fields, follow_redirects=True)
        assert "Ask for a photo of the crampon on the boot" in answer.text
        journal = client.get(f"{API}/journal", params={"after": 700}).json()["entries"]
        (note,) = [entry["body"] for entry in journal if entry["body"]["kind"] == "debrief-note"]
        assert (note["requirement"], note["who"]) == ("crampons", None)

    def test_a_line_that_is_not_on_the_list_is_refused(self, client: IsolatedTestClient) -> None:
        page = client.get(f"{TRIP}/debrief").text
        fields = {"about": "list", "text": "x", "requirement": "no-such-thing"}
        answer = client.post(f"{TRIP}/debrief", data=hidden(page, f"{TRIP}/debrief") | fields)
        assert answer.status_code == 422


def test_pages_are_sound_html(client: IsolatedTestClient) -> None:
    on(client)
    send(client, f"{TRIP}/call", decision="wait", reason="for the evening forecast")
    calls = client.get(f"{API}/calls").json()["calls"]
    on(client)
    pages = {
        name: client.get(f"{TRIP}/{end}").text
        for name, end in {
            "call": "call",
            "record": f"calls/{calls[0]['call']}",
            "check": "calls/check",
            "past": "past?seq=700&against=715",
            "debrief": "debrief",
        }.items()
    }
    assert html_errors(pages) == []
    for page in pages.values():
        assert "final call rests with the licensed guides" in page


def test_the_key_is_there_before_the_first_call(settings: Settings, client: IsolatedTestClient) -> None:
    """Seeding made the outfit without one; the service makes it as it begins."""
    client.get(f"{TRIP}/call")
    assert [file.name for file in (settings.data_dir / "keys").iterdir()] == ["quillstone.pem"]
