"""Calls over HTTP: made once, refused with what is in the way, for lead guides only."""

from collections.abc import Iterator
from contextlib import contextmanager

from api.access.current import ROLE_COOKIE
from api.db import Database
from api.ids import new_id
from api.main import create_app
from api.settings import Settings
from seeds import demo, loading
from tests.support.client import IsolatedTestClient

CALLS_AT = f"/api/trips/{demo.scenario().trip}/calls"
ORIGIN = {"origin": "http://127.0.0.1"}


@contextmanager
def _demo(database: Database, settings: Settings) -> Iterator[IsolatedTestClient]:
    loading.seed(database)
    app = create_app(settings.model_copy(update={"demo": True}))
    with IsolatedTestClient(app) as client:
        client.cookies.set(ROLE_COOKIE, "lead", domain="127.0.0.1", path="/")
        yield client


class TestOverHttp:
    """A call as JSON."""

    def test_it_is_made_once_signed_and_told(self, database: Database, settings: Settings) -> None:
        id_ = str(new_id())
        with _demo(database, settings) as client:
            sent = {"id": id_, "decision": "wait", "reason": "for the forecast", "seen_seq": 3}
            made, again = (client.post(CALLS_AT, json=sent, headers=ORIGIN) for _ in range(2))
            assert (made.status_code, again.status_code) == (201, 200)
            told = made.json()
            assert told == again.json()
            assert (told["call"], told["decision"], told["countersigned"]) == (id_, "wait", True)
            assert "final call rests" in told["caution"]
            assert any("had not been read" in text for text in told["differences"])
            assert [call["call"] for call in client.get(CALLS_AT).json()["calls"]] == [id_]
            assert client.get(f"{CALLS_AT}/{id_}").json()["record"]["journal"]["seq"] == told["seq"]

    def test_a_go_over_open_stops_names_each(self, database: Database, settings: Settings) -> None:
        with _demo(database, settings) as client:
            refused = client.post(CALLS_AT, json={"decision": "go"}, headers=ORIGIN)
            assert refused.status_code == 409
            assert refused.json()["code"] == "call-not-settled"
            assert all(error["field"].startswith("accept.") for error in refused.json()["fields"])
            assert client.get(CALLS_AT).json()["calls"] == []

    def test_what_is_wrong_names_the_field(self, database: Database, settings: Settings) -> None:
        with _demo(database, settings) as client:
            for sent, field in (
                ({"decision": "perhaps"}, "decision"),
                ({"decision": "wait", "id": "6f9619ff-8b86-4011-b42d-00c04fc964ff"}, "id"),
                ({"decision": "wait", "why": "x"}, "why"),
                ({"decision": "wait"}, "body"),
            ):
                wrong = client.post(CALLS_AT, json=sent, headers=ORIGIN)
                assert wrong.status_code == 422, sent
                if field != "body":
                    assert field in str(wrong.json()["fields"])

    def test_it_is_for_lead_guides(self, database: Database, settings: Settings) -> None:
        with _demo(database, settings) as client:
            client.cookies.set(ROLE_COOKIE, "assistant", domain="127.0.0.1", path="/")
            sent = {"decision": "wait", "reason": "for the forecast"}
            assert client.post(CALLS_AT, json=sent, headers=ORIGIN).status_code == 403


def test_the_key_is_there_from_the_start_and_can_be_taken_out(database: Database, settings: Settings) -> None:
    with _demo(database, settings) as client:
        (key,) = client.get("/api/public-keys").json()["keys"]
    assert len(bytes.fromhex(key["public_key"])) == 32
    with _demo(database, settings) as client:
        assert client.get("/api/public-keys").json()["keys"] == [key], "once for all"
