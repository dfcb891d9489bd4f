"""Web push: a stand-in for a push service and a device that opens what it is sent."""

import base64
import json
import socket
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import timedelta
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import http_ece
import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
from fastapi import FastAPI
from py_vapid import Vapid02
from sqlalchemy import text

from api.access import assigning
from api.access import queries as access
from api.clock import FixedClock, SystemClock
from api.errors import Conflict, Invalid
from api.readiness import push, queries
from api.readiness.delivery import NotDelivered
from api.readiness.schemas import CAUTION
from api.readiness.service import Readiness
from api.readiness.watching import one_round
from api.settings import Settings
from tests.readiness.conftest import OUTFIT, TRIP, ReadAs, TellOn
from tests.support.client import IsolatedTestClient

pytestmark = pytest.mark.one_database
LEAD = "some-lead"
AT = f"/api/trips/{TRIP}/watchers"
CONTACT = "mailto:ops@outfit.example"


def b64(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


@dataclass
class Device:
    """A browser with a subscription at a push service on this machine."""

    key: ec.EllipticCurvePrivateKey = field(default_factory=lambda: ec.generate_private_key(ec.SECP256R1()))
    auth: bytes = b"sixteen bytes ok"
    origin: str = ""
    status: int = 201
    requests: list[tuple[dict[str, str], bytes]] = field(default_factory=list)

    @property
    def subscription(self) -> dict[str, Any]:
        point = self.key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
        keys = {"p256dh": b64(point), "auth": b64(self.auth)}
        return {"endpoint": f"{self.origin}/send/abc", "expirationTime": None, "keys": keys}

    def opened(self, number: int) -> dict[str, Any]:
        """A message as the device reads it."""
        body = self.requests[number][1]
        plain = http_ece.decrypt(body, private_key=self.key, auth_secret=self.auth, version="aes128gcm")
        found: dict[str, Any] = json.loads(plain)
        return found


@pytest.fixture
def device() -> Iterator[Device]:
    made = Device()

    class Service(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["content-length"]))
            made.requests.append(({k.lower(): v for k, v in self.headers.items()}, body))
            self.send_response(made.status)
            self.send_header("location", "http://127.0.0.1:1/elsewhere")
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: Any) -> None:
            return None

    with HTTPServer(("127.0.0.1", 0), Service) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        made.origin = f"http://127.0.0.1:{server.server_port}"
        yield made
        server.shutdown()


@pytest.fixture
def settings(database_url: str, tmp_path: Path, device: Device) -> Settings:
    return Settings(
        database_url=database_url,
        data_dir=tmp_path / "data",
        port=0,
        access_log=False,
        watch_every_s=0,
        push_contact=CONTACT,
        push_own_origins=device.origin,
    )


def go_round(app: FastAPI) -> tuple[int, int]:
    return one_round(app.state.db, app.state.settings, app.state.readiness)


def left(app: FastAPI) -> int:
    with app.state.db.reading() as conn:
        return int(conn.execute(text("SELECT count(*) FROM watcher")).scalar_one())


class TestDelivery:
    @pytest.fixture(autouse=True)
    def _leaving(self, app: FastAPI, tell_on: TellOn, clock: FixedClock) -> None:
        tell_on("leaving")
        with app.state.db.writing() as work:
            staff = {
                "id": LEAD, "outfit_id": OUTFIT, "name": "Some lead", "email": "lead@outfit.example",
                "role": "lead", "active": True, "password_hash": None, "openid_subject": None,
                "created_at": clock.now(),
            }  # fmt: skip
            access.add_staff(work, staff)
            assigning.assign_one(work, TRIP, LEAD, clock.now(), by=LEAD)

    def test_a_device_reads_how_many_flags_changed_and_nobody_else_can(
        self,
        app: FastAPI,
        demo_client: IsolatedTestClient,
        device: Device,
        tell_on: TellOn,
        settings: Settings,
    ) -> None:
        added = demo_client.post(f"{AT}/devices", json=device.subscription)
        assert added.status_code == 201, added.text
        assert added.json()["address"] == "127.0.0.1"
        tell_on("front-earlier")
        assert go_round(app) == (1, 0)
        assert go_round(app) == (0, 0)
        headers, body = device.requests[0]
        told = device.opened(0)
        assert "asked again" in told["title"]
        assert CAUTION in told["text"]
        assert told["url"] == f"/trips/{TRIP}"
        assert "Yusuf" not in json.dumps(told)
        assert b"asked again" not in body
        assert headers["content-encoding"] == "aes128gcm"
        assert int(headers["ttl"]) > 0

    def test_it_is_signed_for_this_push_service_by_the_key_that_was_subscribed_with(
        self,
        app: FastAPI,
        demo_client: IsolatedTestClient,
        device: Device,
        tell_on: TellOn,
        settings: Settings,
    ) -> None:
        demo_client.post(f"{AT}/devices", json=device.subscription)
        tell_on("front-earlier")
        go_round(app)
        authorization = device.requests[0][0]["authorization"]
        assert Vapid02.verify(authorization)
        parts = dict(part.split("=", 1) for part in authorization.partition(" ")[2].split(","))
        assert parts["k"] == push.public_key(settings)
        claims = json.loads(base64.urlsafe_b64decode(parts["t"].split(".")[1] + "=="))
        assert claims["aud"] == device.origin
        assert claims["sub"] == CONTACT

    @pytest.mark.parametrize("status", [404, 410])
    def test_a_subscription_that_has_ended_is_removed(
        self, app: FastAPI, demo_client: IsolatedTestClient, device: Device, tell_on: TellOn, status: int
    ) -> None:
        demo_client.post(f"{AT}/devices", json=device.subscription)
        tell_on("front-earlier")
        device.status = status
        assert go_round(app) == (0, 1)
        assert left(app) == 0

    @pytest.mark.parametrize("status", [307, 429, 500])
    def test_other_faults_are_tried_again_and_lead_nowhere_else(
        self, app: FastAPI, demo_client: IsolatedTestClient, device: Device, tell_on: TellOn, status: int
    ) -> None:
        demo_client.post(f"{AT}/devices", json=device.subscription)
        tell_on("front-earlier")
        device.status = status
        assert go_round(app) == (0, 1)
        assert left(app) == 1
        shown = demo_client.get(f"/trips/{TRIP}/watchers").text
        assert "did not get through after 1 try" in shown
        assert f"status {status}" in shown

    def test_the_same_device_is_told_once(
        self, app: FastAPI, demo_client: IsolatedTestClient, device: Device, tell_on: TellOn
    ) -> None:
        for _ in range(2):
            demo_client.post(f"{AT}/devices", json=device.subscription)
        tell_on("front-earlier")
        assert go_round(app) == (1, 0)

    def test_a_letter_that_another_process_has_taken_is_left_to_it(
        self,
        app: FastAPI,
        demo_client: IsolatedTestClient,
        device: Device,
        tell_on: TellOn,
        readiness: Readiness,
    ) -> None:
        demo_client.post(f"{AT}/devices", json=device.subscription)
        tell_on("front-earlier")
        device.status = 503
        go_round(app)
        with app.state.db.writing() as work:
            letter = next(iter(queries.last_letters(work, TRIP).values()))
            until = readiness.clock.now() + timedelta(minutes=2)
            assert queries.claim_letter(work, letter, until)
            assert not queries.claim_letter(work, letter, until)

    @pytest.mark.parametrize(
        "away",
        ["UPDATE staff SET active = false WHERE id = :who", "DELETE FROM trip_staff WHERE staff_id = :who"],
    )
    def test_who_may_not_see_the_trip_any_more_is_told_nothing_more(
        self, app: FastAPI, demo_client: IsolatedTestClient, device: Device, tell_on: TellOn, away: str
    ) -> None:
        demo_client.post(f"{AT}/devices", json=device.subscription)
        with app.state.db.writing() as work:
            work.execute(text(away), {"who": LEAD})
        tell_on("front-earlier")
        assert go_round(app) == (0, 0)
        assert device.requests == []
        assert left(app) == 0

    def test_assistants_add_and_end_their_own_device_and_no_other(
        self, demo_client: IsolatedTestClient, as_role: ReadAs, device: Device
    ) -> None:
        as_role("lead")
        theirs = demo_client.post(f"{AT}/devices", json=device.subscription).json()["id"]
        as_role("assistant")
        page = demo_client.get(f"/trips/{TRIP}/watchers").text
        assert "None of your devices is told yet." in page
        assert demo_client.post(f"/trips/{TRIP}/watchers/{theirs}/end").status_code == 404
        mine = device.subscription | {"endpoint": f"{device.origin}/send/mine"}
        own = demo_client.post(f"{AT}/devices", json=mine).json()["id"]
        assert demo_client.post(f"/trips/{TRIP}/watchers/{own}/end").status_code == 200


class TestAddresses:
    @pytest.mark.parametrize(
        "endpoint",
        [
            "http://push.example.org/send/abc",
            "https://127.0.0.1/send/abc",
            "https://10.0.0.8/send/abc",
            "https://169.254.169.254/latest/meta-data",
            "https://[::1]/send/abc",
            "https://[::ffff:127.0.0.1]/send/abc",
            "https://localhost/send/abc",
            "https://user@push.example.org/send",
            "https://push.example.org:99999/send",
            "file:///etc/hosts",
            "https://",
        ],
    )
    def test_what_is_not_public_and_https_is_refused(
        self, demo_client: IsolatedTestClient, device: Device, endpoint: str
    ) -> None:
        sent = device.subscription | {"endpoint": endpoint}
        answer = demo_client.post(f"{AT}/devices", json=sent)
        assert answer.status_code == 422, answer.text
        assert answer.json()["fields"][0]["field"] == "endpoint"

    @pytest.mark.parametrize("address", ["127.0.0.1", "192.168.1.1", "::1", "fd00::1", "169.254.169.254"])
    def test_a_public_name_that_leads_to_a_private_address_is_not_asked(
        self, device: Device, settings: Settings, address: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def leads(*_: object, **__: object) -> list[Any]:
            return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, 443))]

        monkeypatch.setattr(socket, "getaddrinfo", leads)
        letter = Letter("https://push.example.org/send/abc")
        with pytest.raises(NotDelivered, match="private address"):
            push.push(settings, letter, TRIP, device.subscription["keys"], SystemClock().now())

    @pytest.mark.parametrize("keys", [{"p256dh": "A" * 87, "auth": "A" * 22}, {"p256dh": "", "auth": ""}])
    def test_keys_that_no_browser_gives_are_refused(self, settings: Settings, keys: dict[str, str]) -> None:
        with pytest.raises(Invalid):
            push.check_subscription(settings, "https://push.example.org/abc", keys)


@dataclass(frozen=True)
class Letter:
    address: str
    id: str = "letter"
    channel: str = "push"
    title: str = "Kessandry: 1 new"
    text: str = ""
    payload: dict[str, Any] = field(default_factory=dict)


class TestKey:
    def test_it_is_made_once_and_kept_from_others(self, settings: Settings) -> None:
        assert push.public_key(settings) == push.public_key(settings)
        file = settings.data_dir / "keys" / "push.pem"
        assert file.stat().st_mode & 0o077 == 0

    def test_one_from_the_settings_goes_before(self, tmp_path: Path) -> None:
        key = ec.generate_private_key(ec.SECP256R1())
        raw = b64(key.private_numbers().private_value.to_bytes(32, "big"))
        given = Settings(data_dir=tmp_path, push_contact=CONTACT, push_key=raw)
        point = key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
        assert push.public_key(given) == b64(point)
        assert not (tmp_path / "keys").exists()

    def test_off_until_configured(self, tmp_path: Path) -> None:
        off = Settings(data_dir=tmp_path)
        with pytest.raises(Conflict, match="off here"):
            push.public_key(off)
        with pytest.raises(Conflict, match="off here"):
            push.check_subscription(off, "https://push.example.org/abc", {})
