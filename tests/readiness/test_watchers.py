"""Watchers: what a digest says, and that it arrives, signed, once the other side can be reached."""

import base64
import hashlib
import hmac
import json
import socketserver
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI

from api.clock import FixedClock
from api.readiness.delivery import signature
from api.readiness.digest import digest
from api.readiness.schemas import CAUTION
from api.readiness.service import Readiness
from api.readiness.watching import one_round
from api.settings import Settings
from tests.readiness.conftest import TRIP, ReadAs, TellOn
from tests.support.client import IsolatedTestClient

pytestmark = pytest.mark.one_database
AT = f"/api/trips/{TRIP}/watchers"
SECRET = "a secret of the test"
NOW = datetime(2026, 9, 12, 12, tzinfo=UTC)


@dataclass(frozen=True)
class Event:
    seq: int
    happened: str
    finding: str = "p07.mitts"
    what: str = "Yusuf: Mitts – has a headache and no mitts"
    grade: str = "fix"
    hold: str = "high-camp"
    cause_kind: str = "forecast-received"


class TestDigest:
    def test_says_who_what_and_by_which_cause_and_carries_the_caution(self) -> None:
        made = digest("t", "Kessandry", [Event(3, "reopened")], NOW)
        assert made is not None
        assert made.title == "Kessandry: 1 asked again"
        assert "- Yusuf: Mitts, fix before high camp (by a new forecast)" in made.text
        assert CAUTION in made.text
        assert made.payload["data"]["caution"] == CAUTION

    def test_nothing_that_somebody_typed_is_in_it(self) -> None:
        made = digest("t", "Kessandry", [Event(3, "reopened")], NOW)
        assert made is not None
        assert "headache" not in made.text + json.dumps(made.payload)

    def test_who_sees_to_what_is_not_told(self) -> None:
        assert digest("t", "K", [Event(3, "taken"), Event(4, "released")], NOW) is None

    def test_what_opened_and_was_cleared_in_between_is_not_told(self) -> None:
        assert digest("t", "K", [Event(3, "opened"), Event(4, "cleared")], NOW) is None
        made = digest("t", "K", [Event(3, "changed"), Event(4, "cleared")], NOW)
        assert made is not None
        assert made.title == "K: 1 cleared"

    def test_a_long_one_is_cut_and_says_so(self) -> None:
        made = digest("t", "K", [Event(i, "opened", f"p{i}.mitts") for i in range(100)], NOW)
        assert made is not None
        assert "more lines; the board has them all" in made.text
        assert len(made.payload["data"]["flags"]) == 100


def test_the_signature_is_an_hmac_over_id_time_and_body() -> None:
    expected = hmac.new(b"s", b'id.12.{"a":1}', hashlib.sha256).digest()
    assert signature("s", "id", "12", b'{"a":1}') == "v1," + base64.b64encode(expected).decode()


@dataclass
class Heard:
    """What a small server on this machine was sent, and what it answers."""

    status: int = 200
    requests: list[tuple[dict[str, str], bytes]] = field(default_factory=list)
    mails: list[str] = field(default_factory=list)
    url: str = ""
    mail_port: int = 0


@pytest.fixture
def heard() -> Iterator[Heard]:
    said = Heard()

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            said.requests.append(({k.lower(): v for k, v in self.headers.items()}, body))
            self.send_response(said.status)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:
            return None

    class Mail(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            self.wfile.write(b"220 test\r\n")
            while line := self.rfile.readline():
                word = line.strip().upper()
                if word == b"DATA":
                    self.wfile.write(b"354 go on\r\n")
                    lines = list(iter(self.rfile.readline, b".\r\n"))
                    said.mails.append(b"".join(lines).decode())
                if word == b"QUIT":
                    self.wfile.write(b"221 bye\r\n")
                    return
                self.wfile.write(b"250 ok\r\n")

    with HTTPServer(("127.0.0.1", 0), Hook) as web, socketserver.TCPServer(("127.0.0.1", 0), Mail) as mail:
        for server in (web, mail):
            threading.Thread(target=server.serve_forever, daemon=True).start()
        said.url, said.mail_port = f"http://127.0.0.1:{web.server_port}", mail.server_address[1]
        yield said
        web.shutdown()
        mail.shutdown()


@pytest.fixture
def settings(database_url: str, tmp_path: Path, heard: Heard) -> Settings:
    return Settings(
        database_url=database_url,
        data_dir=tmp_path / "data",
        port=0,
        access_log=False,
        watch_every_s=0,
        webhook_secret=SECRET,
        webhook_hosts=heard.url,
        smtp_host="127.0.0.1",
        smtp_port=heard.mail_port,
        smtp_security="none",
        mail_from="board@outfit.example",
    )


class TestDelivery:
    @pytest.fixture(autouse=True)
    def _leaving(self, tell_on: TellOn) -> None:
        tell_on("leaving")

    def go_round(self, app: FastAPI, readiness: Readiness) -> tuple[int, int]:
        return one_round(app.state.db, app.state.settings, readiness)

    def test_a_forecast_that_reopens_a_flag_is_told_signed_and_once(
        self,
        app: FastAPI,
        demo_client: IsolatedTestClient,
        readiness: Readiness,
        heard: Heard,
        tell_on: TellOn,
    ) -> None:
        added = demo_client.post(AT, json={"channel": "webhook", "address": f"{heard.url}/flags"})
        assert added.status_code == 201, added.text
        tell_on("front-earlier")
        assert self.go_round(app, readiness) == (1, 0)
        assert self.go_round(app, readiness) == (0, 0)
        headers, body = heard.requests[0]
        signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
        mac = base64.b64encode(hmac.new(SECRET.encode(), signed, hashlib.sha256).digest()).decode()
        assert headers["webhook-signature"] == f"v1,{mac}"
        told = {f["finding"]: f["happened"] for f in json.loads(body)["data"]["flags"]}
        assert told["p07.backup-mitts"] == told["party.fuel"] == "reopened"

    def test_by_mail(
        self,
        app: FastAPI,
        demo_client: IsolatedTestClient,
        readiness: Readiness,
        heard: Heard,
        tell_on: TellOn,
    ) -> None:
        demo_client.post(AT, json={"channel": "email", "address": "petra@outfit.example"})
        tell_on("front-earlier")
        assert self.go_round(app, readiness) == (1, 0)
        assert "To: petra@outfit.example" in heard.mails[0]
        assert "asked again" in heard.mails[0]

    def test_what_fails_is_tried_again_later_and_given_up_in_the_end(
        self,
        app: FastAPI,
        demo_client: IsolatedTestClient,
        readiness: Readiness,
        heard: Heard,
        tell_on: TellOn,
        clock: FixedClock,
    ) -> None:
        demo_client.post(AT, json={"channel": "webhook", "address": f"{heard.url}/flags"})
        tell_on("front-earlier")
        heard.status = 503
        assert self.go_round(app, readiness) == (0, 1)
        assert self.go_round(app, readiness) == (0, 0)
        heard.status = 200
        clock.set(clock.now() + timedelta(minutes=2))
        assert self.go_round(app, readiness) == (1, 0)
        assert heard.requests[0][0]["webhook-id"] == heard.requests[1][0]["webhook-id"]
        heard.status = 500
        tell_on("second-front")
        for _ in range(10):
            self.go_round(app, readiness)
            clock.set(clock.now() + timedelta(days=1))
        assert len(heard.requests) == 2 + 7

    @pytest.mark.parametrize(
        ("channel", "address"),
        [
            ("webhook", "https://elsewhere.example/flags"),
            ("webhook", "file:///etc/hosts"),
            ("email", "nobody"),
            ("email", "a@b.example\r\nBcc: c@d.example"),
        ],
    )
    def test_an_address_that_is_not_allowed_is_refused(
        self, demo_client: IsolatedTestClient, channel: str, address: str
    ) -> None:
        assert demo_client.post(AT, json={"channel": channel, "address": address}).status_code == 422

    def test_ended_it_is_told_nothing_more(
        self,
        app: FastAPI,
        demo_client: IsolatedTestClient,
        readiness: Readiness,
        heard: Heard,
        tell_on: TellOn,
    ) -> None:
        made = demo_client.post(AT, json={"channel": "webhook", "address": f"{heard.url}/flags"}).json()
        left = demo_client.post(f"{AT}/{made['id']}/end").json()
        assert left["watchers"] == []
        tell_on("front-earlier")
        assert self.go_round(app, readiness) == (0, 0)
        assert demo_client.post(f"{AT}/{made['id']}/end").status_code == 404

    def test_assistants_add_no_watchers(self, demo_client: IsolatedTestClient, as_role: ReadAs) -> None:
        as_role("assistant")
        sent = {"channel": "email", "address": "a@b.example"}
        assert demo_client.post(AT, json=sent).status_code == 403


def test_off_until_configured(sqlite_url: str, tmp_path: Path) -> None:
    from api.errors import Conflict
    from api.readiness.delivery import check_address

    off = Settings(database_url=sqlite_url, data_dir=tmp_path)
    for channel in ("email", "webhook"):
        with pytest.raises(Conflict, match="off here"):
            check_address(off, channel, "https://hooks.example/x")
