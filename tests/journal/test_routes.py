"""The journal over HTTP."""

import json
from datetime import timedelta
from typing import Any

import pytest

from api.access.current import NAMES
from api.journal import store
from api.journal.chain import link
from api.journal.entry import Actor, Entry, StoredEntry
from api.journal.kinds import GearState, Remark
from api.settings import Settings
from tests.journal.conftest import open_trip
from tests.journal.histories import START, entry, entry_id, sighting
from tests.support.client import IsolatedTestClient
from tests.support.statements import Counter

URL = "/api/trips/trip/journal"


def by(role: str, number: int, body: Any = None, **more: Any) -> dict[str, Any]:
    """An entry as JSON, written by the one who is signed in with this role."""
    actor = Actor(id=role, name=NAMES[role], role=role)  # type: ignore[index]
    written: dict[str, Any] = json.loads(
        entry(number, body or sighting()).model_copy(update={"actor": actor, **more}).model_dump_json()
    )
    return written


@pytest.fixture
def there(client: IsolatedTestClient) -> IsolatedTestClient:
    """A client of an installation with the trips `trip` and `other`."""
    open_trip(client.app.state.db, "trip", "other")  # type: ignore[attr-defined]
    return client


class TestAppend:
    def test_each_entry_is_answered_for(self, there: IsolatedTestClient) -> None:
        no_body = by("lead", 3)
        del no_body["body"]
        batch = [
            by("lead", 1),
            no_body,
            "not an entry",
            by("lead", 1),
            by("lead", 1, sighting(state=GearState.ABSENT)),
            by("assistant", 6),
            by("lead", 7, trip="other"),
            by("lead", 8, Remark(text="last")),
        ]
        answer = there.post(URL, json={"entries": batch})
        assert answer.status_code == 200
        said = answer.json()
        assert said["head_seq"] == 2
        assert [(each["status"], each["seq"]) for each in said["outcomes"]] == [
            ("stored", 1),
            ("refused", None),
            ("refused", None),
            ("already-there", 1),
            ("refused", None),
            ("refused", None),
            ("refused", None),
            ("stored", 2),
        ]
        assert [each["position"] for each in said["outcomes"]] == list(range(8))
        assert said["outcomes"][1]["id"] == str(entry_id(3))
        assert [fault["field"] for fault in said["outcomes"][1]["fields"]] == ["body"]
        assert said["outcomes"][2]["id"] is None
        assert "already used" in said["outcomes"][4]["problem"]
        assert said["outcomes"][5]["problem"].startswith(
            "actor: Lead guide (lead) sent an entry of Assistant guide"
        )
        assert said["outcomes"][6]["problem"].startswith("trip: ")

    @pytest.mark.parametrize(
        ("field", "value"),
        [
            ("id", "0190b8f2-0000-4000-8000-000000000000"),
            ("id", "nonsense"),
            ("happened_at", "2026-07-14T04:30:00"),
            ("happened_at", "yesterday"),
            ("seen_seq", -1),
            ("device", ""),
            ("after", ["x"]),
            ("body", {"kind": "no-such-kind"}),
            (
                "body",
                {"kind": "night-told", "member": "mara", "on": "2026-07-10", "elevation_m": float("nan")},
            ),
            ("body", {"kind": "night-told", "member": "mara", "on": "2026-07-10", "elevation_m": 1e400}),
            ("body", {"kind": "remark", "text": "\ud800"}),
            ("colour", "red"),
        ],
    )
    def test_a_malformed_entry_names_the_field_and_stores_nothing(
        self, there: IsolatedTestClient, field: str, value: Any
    ) -> None:
        content = json.dumps({"entries": [by("lead", 1) | {field: value}]})
        answer = there.post(URL, content=content, headers={"Content-Type": "application/json"})
        assert answer.status_code == 200
        outcome = answer.json()["outcomes"][0]
        assert outcome["status"] == "refused"
        named = [fault["field"] for fault in outcome["fields"]] or [outcome["problem"]]
        assert named[0].startswith((field, "body"))
        assert answer.json()["head_seq"] == 0

    @pytest.mark.parametrize(
        "body", [{}, {"entries": []}, {"entries": "x"}, {"entries": [1] * 501}, [], "text", {"entries": None}]
    )
    def test_a_broken_envelope_is_answered_with_what_to_correct(
        self, there: IsolatedTestClient, body: Any
    ) -> None:
        answer = there.post(URL, json=body)
        assert answer.status_code == 422
        assert answer.json()["code"] == "invalid"

    def test_an_unknown_trip(self, there: IsolatedTestClient) -> None:
        answer = there.post("/api/trips/nowhere/journal", json={"entries": [by("lead", 1)]})
        assert (answer.status_code, answer.json()["code"]) == (404, "not-found")

    def test_what_was_answered_is_stored(self, there: IsolatedTestClient) -> None:
        there.post(URL, json={"entries": [by("lead", 1)]})
        with there.app.state.db.reading() as conn:  # type: ignore[attr-defined]
            assert store.read(conn, "trip")[0].id == entry_id(1)
            assert store.read(conn, "trip")[0].received_at == there.app.state.clock.now()  # type: ignore[attr-defined]

    def test_a_full_batch(self, there: IsolatedTestClient, query_counter: Counter) -> None:
        batch = [by("lead", n, sighting("mara", f"r{n}"), after=()) for n in range(1, 501)]
        with query_counter() as statements:
            answer = there.post(URL, json={"entries": batch})
        assert answer.json()["head_seq"] == 500
        assert statements.count <= 9


class TestRead:
    def test_page_by_page(self, there: IsolatedTestClient) -> None:
        there.post(URL, json={"entries": [by("lead", n, Remark(text=str(n))) for n in range(1, 6)]})
        first = there.get(URL, params={"limit": 3}).json()
        assert ([each["seq"] for each in first["entries"]], first["next_after"]) == ([1, 2, 3], 3)
        rest = there.get(URL, params={"after": 3}).json()
        assert ([each["seq"] for each in rest["entries"]], rest["next_after"]) == ([4, 5], None)
        assert there.get(URL, params={"after": 5}).json() == {
            "trip": "trip",
            "head_seq": 5,
            "next_after": None,
            "entries": [],
        }

    def test_an_entry_comes_back_as_it_was_sent_and_hashes_as_it_says(
        self, there: IsolatedTestClient
    ) -> None:
        sent = by("lead", 1, Remark(text="Säntis — 2 502 m"), happened_at=START + timedelta(microseconds=1))
        there.post(URL, json={"entries": [sent]})
        got = there.get(URL).json()["entries"][0]
        stored = StoredEntry.model_validate(got)
        assert stored.body == Entry.model_validate(sent).body
        assert stored.after == ()
        from rfc8785 import dumps

        written = dumps({name: got[name] for name in Entry.model_fields}).decode()
        assert link(got["prev_hash"], written, 1, got["received_at"]) == got["hash"]

    @pytest.mark.parametrize(
        "params", [{"after": -1}, {"limit": 0}, {"limit": 5001}, {"after": "x"}, {"after": 2**40}]
    )
    def test_a_wrong_span(self, there: IsolatedTestClient, params: dict[str, Any]) -> None:
        answer = there.get(URL, params=params)
        assert (answer.status_code, answer.json()["fields"][0]["field"]) == (422, next(iter(params)))

    def test_verify(self, there: IsolatedTestClient) -> None:
        there.post(URL, json={"entries": [by("lead", 1)]})
        said = there.get(f"{URL}/verify").json()
        assert (said["whole"], said["entries"], said["broken_seq"]) == (True, 1, None)


class TestWhoAsks:
    @pytest.fixture
    def settings(self, database_url: str, tmp_path: Any) -> Settings:
        return Settings(database_url=database_url, data_dir=tmp_path, port=0, demo=True)

    @pytest.mark.parametrize(
        ("chosen", "role"), [("office", "office"), ("assistant", "assistant"), ("king", "lead")]
    )
    def test_the_demo_takes_the_chosen_role(self, there: IsolatedTestClient, chosen: str, role: str) -> None:
        there.cookies.set("rimaye_role", chosen)
        answer = there.post(URL, json={"entries": [by(role, 1, Remark(text="The van is here."))]})
        assert answer.json()["outcomes"][0]["status"] == "stored"


class TestNotTheDemo:
    def test_the_cookie_counts_for_nothing(self, there: IsolatedTestClient) -> None:
        there.cookies.set("rimaye_role", "office")
        outcomes = there.post(URL, json={"entries": [by("office", 1), by("lead", 2)]}).json()["outcomes"]
        assert [each["status"] for each in outcomes] == ["refused", "stored"]
