"""Passkeys: added from one's account, used without a password, and of no use to anyone else."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from api.access.passkeys import CEREMONY_LASTS
from api.access.signing_in import DEVICE_COOKIE
from api.clock import FixedClock
from tests.access.authenticator import PRESENT, Authenticator
from tests.access.house import House, hold, staff_id
from tests.support.client import IsolatedTestClient

SITE = "https://board.outfit.example"


@pytest.fixture
def named(house: House) -> House:
    """The house, reached by a name: passkeys are bound to one."""
    house.app.state.settings = house.app.state.settings.model_copy(update={"base_url": SITE})
    return house


def client_of(house: House, role: Any = None) -> IsolatedTestClient:
    """As `house.client`, with the cookie's name over https."""
    client = IsolatedTestClient(house.app, follow_redirects=False)
    client.base_url = "https://127.0.0.1"  # type: ignore[assignment]
    if role:
        token = house.session(role).token
        client.cookies.set("__Host-rimaye", token, domain="127.0.0.1", path="/")
    return client


def add(client: IsolatedTestClient, device: Authenticator, label: str = "My key") -> Any:
    options = client.post("/api/passkeys/begin", json={}).json()
    return client.post("/api/passkeys", json={"credential": device.create(options), "label": label})


def sign_in(client: IsolatedTestClient, device: Authenticator, **more: Any) -> Any:
    options = client.post("/api/sign-in/passkey/begin", json={}).json()
    return client.post("/api/sign-in/passkey", json={"credential": device.get(options), **more})


def test_a_passkey_is_added_and_signs_in_without_a_password(named: House) -> None:
    device = Authenticator(SITE)
    assert add(client_of(named, "lead"), device).status_code == 201
    fresh = client_of(named)
    answer = sign_in(fresh, device, back="/trips/own-trip")
    assert (answer.status_code, answer.json()) == (200, {"to": "/trips/own-trip"})
    assert fresh.get("/api/me").json()["id"] == staff_id("lead")
    assert f"__Host-{DEVICE_COOKIE}" in fresh.cookies
    assert [what for _, what, _ in named.log()] == ["signed in", "passkey added", "signed in"]
    page = client_of(named, "lead").get("/account", headers={"accept": "text/html"})
    assert "My key" in page.text


def test_options_ask_for_a_verified_person_and_tell_nothing_about_accounts(named: House) -> None:
    stranger = client_of(named)
    options = stranger.post("/api/sign-in/passkey/begin", json={}).json()
    assert options["rpId"] == "board.outfit.example"
    assert options["userVerification"] == "required"
    assert options.get("allowCredentials", []) == []
    adding = client_of(named, "lead").post("/api/passkeys/begin", json={}).json()
    assert adding["authenticatorSelection"]["userVerification"] == "required"
    assert adding["rp"]["id"] == "board.outfit.example"


def test_an_answer_works_once(named: House) -> None:
    device = Authenticator(SITE)
    add(client_of(named, "lead"), device)
    client = client_of(named)
    options = client.post("/api/sign-in/passkey/begin", json={}).json()
    ceremony = client.cookies["rimaye-ceremony"]
    answer = {"credential": device.get(options)}
    assert client.post("/api/sign-in/passkey", json=answer).status_code == 200
    again = client_of(named)
    again.cookies.set("rimaye-ceremony", ceremony, domain="127.0.0.1", path="/")
    assert again.post("/api/sign-in/passkey", json=answer).status_code == 401


def test_an_answer_on_another_device_than_asked_is_refused(named: House) -> None:
    device = Authenticator(SITE)
    add(client_of(named, "lead"), device)
    options = client_of(named).post("/api/sign-in/passkey/begin", json={}).json()
    other = client_of(named)
    other.post("/api/sign-in/passkey/begin", json={})
    assert other.post("/api/sign-in/passkey", json={"credential": device.get(options)}).status_code == 401


def test_an_answer_that_comes_too_late_is_refused(named: House, clock: FixedClock) -> None:
    device = Authenticator(SITE)
    add(client_of(named, "lead"), device)
    client = client_of(named)
    options = client.post("/api/sign-in/passkey/begin", json={}).json()
    clock.advance(CEREMONY_LASTS + timedelta(seconds=1))
    assert client.post("/api/sign-in/passkey", json={"credential": device.get(options)}).status_code == 401


@pytest.mark.parametrize("wrong", ["site", "key", "unverified", "count", "unknown"])
def test_what_does_not_fit_is_refused(named: House, wrong: str) -> None:
    device = Authenticator(SITE, count=5)
    assert add(client_of(named, "lead"), device).status_code == 201
    if wrong == "site":
        device.origin = "https://board.outfit.example.evil.example"
    elif wrong == "key":
        device.key = Authenticator(SITE).key
    elif wrong == "unverified":
        device.flags = PRESENT
    elif wrong == "count":
        device.count = 1  # a copy of the key that was used less often
    else:
        device.id = b"no such passkey here"
    client = client_of(named)
    answer = sign_in(client, device)
    assert (answer.status_code, answer.json()["code"]) == (401, "sign-in-failed")
    assert client.get("/api/me").status_code == 401
    assert named.log()[-1][1] == "sign-in failed"


@pytest.mark.parametrize("sent", [{}, {"id": 7}, {"id": "x", "response": None}, {"id": "x" * 5000}])
def test_rubbish_is_refused_and_not_a_failure(named: House, sent: dict[str, Any]) -> None:
    stranger, lead = client_of(named), client_of(named, "lead")
    stranger.post("/api/sign-in/passkey/begin", json={})
    assert stranger.post("/api/sign-in/passkey", json={"credential": sent}).status_code == 401
    lead.post("/api/passkeys/begin", json={})
    assert lead.post("/api/passkeys", json={"credential": sent, "label": "x"}).status_code == 422


def test_a_challenge_for_one_cannot_be_answered_by_another(named: House) -> None:
    lead, office = client_of(named, "lead"), client_of(named, "office")
    options = lead.post("/api/passkeys/begin", json={}).json()
    office.cookies.set("rimaye-ceremony", lead.cookies["rimaye-ceremony"], domain="127.0.0.1", path="/")
    sent = {"credential": Authenticator(SITE).create(options), "label": "x"}
    assert office.post("/api/passkeys", json=sent).status_code == 409


def test_a_removed_passkey_no_longer_signs_in(named: House) -> None:
    device, lead = Authenticator(SITE), client_of(named, "lead")
    add(lead, device)
    from webauthn.helpers import bytes_to_base64url

    form = {"passkey": bytes_to_base64url(device.id)}
    assert client_of(named, "office").post("/account/passkeys/remove", data=form).status_code == 404
    assert lead.post("/account/passkeys/remove", data=form).status_code == 303
    assert sign_in(client_of(named), device).status_code == 401


def test_by_a_bare_address_there_are_none(house: House) -> None:
    client = IsolatedTestClient(house.app, follow_redirects=False)
    hold(client, house.session("lead").token)
    assert client.post("/api/passkeys/begin", json={}).status_code == 409
    assert "data-passkey" not in client.get("/account", headers={"accept": "text/html"}).text
