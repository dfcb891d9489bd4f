"""Signing in through the outfit's own service: code flow with PKCE against a service made for the test."""

from __future__ import annotations

import base64
import hashlib
import json
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs, urlsplit

import httpx2
import pytest
from joserfc import jwt
from joserfc.jwk import ECKey
from pydantic import SecretStr

from api.access import queries
from tests.access.house import A_PAGE, House, email_of, staff_id
from tests.support.client import IsolatedTestClient

ISSUER = "https://people.outfit.example"


@dataclass
class Service:
    """An OpenID Connect service: its keys, what it says of who signs in, and how it may misbehave."""

    house: House
    key: ECKey = field(default_factory=lambda: ECKey.generate_key("P-256", {"kid": "one"}))
    signs_with: ECKey | None = None
    says: dict[str, Any] = field(default_factory=dict)
    issuer: str = ISSUER
    asked: dict[str, str] = field(default_factory=dict)
    header: dict[str, Any] = field(default_factory=lambda: {"alg": "ES256", "kid": "one"})

    def __call__(self, request: httpx2.Request) -> httpx2.Response:
        if request.url.path == "/.well-known/openid-configuration":
            ends = {"authorization_endpoint": "/go", "token_endpoint": "/token", "jwks_uri": "/keys"}
            return httpx2.Response(
                200, json={"issuer": self.issuer} | {name: ISSUER + path for name, path in ends.items()}
            )
        if request.url.path == "/keys":
            return httpx2.Response(200, json={"keys": [self.key.as_dict(private=False)]})
        return self.token({name: value[0] for name, value in parse_qs(request.content.decode()).items()})

    def token(self, sent: dict[str, str]) -> httpx2.Response:
        challenge = base64.urlsafe_b64encode(hashlib.sha256(sent["code_verifier"].encode()).digest())
        # RFC 7636, section 4.2: S256 is the unpadded base64url of the SHA-256 of the verifier.
        if sent["code"] != "the-code" or challenge.decode().rstrip("=") != self.asked["code_challenge"]:
            return httpx2.Response(400, json={"error": "invalid_grant"})
        now = int(self.house.now.timestamp())
        claims = {
            "iss": ISSUER,
            "aud": "rimaye-here",
            "sub": "person-7",
            "nonce": self.asked["nonce"],
            "iat": now,
            "exp": now + 300,
            "email": email_of("lead"),
            "email_verified": True,
        } | self.says
        signed = jwt.encode(self.header, claims, self.signs_with or self.key)
        return httpx2.Response(200, json={"access_token": "a", "token_type": "Bearer", "id_token": signed})


@pytest.fixture
def service(house: House) -> Service:
    made = Service(house)
    house.app.state.openid_transport = httpx2.MockTransport(made)
    house.app.state.settings = house.app.state.settings.model_copy(
        update={
            "openid_issuer": ISSUER,
            "openid_client_id": "rimaye-here",
            "openid_client_secret": SecretStr("shared"),
        }
    )
    return made


def begin(service: Service, client: IsolatedTestClient, back: str = "/") -> dict[str, str]:
    answer = client.get("/sign-in/openid", params={"back": back})
    assert answer.status_code == 303
    sent = urlsplit(answer.headers["location"])
    assert f"{sent.scheme}://{sent.netloc}{sent.path}" == f"{ISSUER}/go"
    service.asked = {name: value[0] for name, value in parse_qs(sent.query).items()}
    return service.asked


def finish(client: IsolatedTestClient, state: str, code: str = "the-code") -> Any:
    return client.get("/sign-in/openid/back", params={"state": state, "code": code}, headers=A_PAGE)


def test_who_has_an_account_is_let_in_and_led_back(service: Service, house: House) -> None:
    client = house.client()
    asked = begin(service, client, "/trips/own-trip")
    assert (asked["response_type"], asked["code_challenge_method"]) == ("code", "S256")
    assert asked["redirect_uri"] == "http://127.0.0.1/sign-in/openid/back"
    assert "openid" in asked["scope"].split()
    answer = finish(client, asked["state"])
    assert (answer.status_code, answer.headers["location"]) == (303, "/trips/own-trip")
    assert client.get("/api/me").json()["id"] == staff_id("lead")
    assert house.log()[-1] == (staff_id("lead"), "signed in", "openid")


def test_once_bound_the_subject_counts_and_not_the_address(service: Service, house: House) -> None:
    client = house.client()
    finish(client, begin(service, client)["state"])
    service.says = {"email": email_of("admin")}
    again = house.client()
    finish(again, begin(service, again)["state"])
    assert again.get("/api/me").json()["id"] == staff_id("lead")
    service.says = {"sub": "person-8"}
    other = house.client()
    assert finish(other, begin(service, other)["state"]).status_code == 401, (
        "the address is taken by person-7"
    )


@pytest.mark.parametrize(
    "says",
    [
        {"email_verified": False},
        {"email_verified": "true"},
        {"email": "nobody@north-ridge.example"},
        {"aud": "someone-else"},
        {"iss": "https://evil.example"},
        {"nonce": "another"},
        {"exp": 1},
    ],
)
def test_what_does_not_fit_lets_nobody_in(service: Service, house: House, says: dict[str, Any]) -> None:
    service.says = says
    client = house.client()
    answer = finish(client, begin(service, client)["state"])
    assert answer.status_code == 401
    assert client.get("/api/me").status_code == 401
    assert house.log()[-1][1] == "sign-in failed"


def test_a_token_signed_by_another_key_lets_nobody_in(service: Service, house: House) -> None:
    service.signs_with = ECKey.generate_key("P-256", {"kid": "one"})
    client = house.client()
    assert finish(client, begin(service, client)["state"]).status_code == 401


def test_an_answer_for_another_browser_lets_nobody_in(service: Service, house: House) -> None:
    victim, attacker = house.client(), house.client()
    state = begin(service, attacker)["state"]
    assert finish(victim, state).status_code == 401
    begin(service, victim)
    assert finish(victim, state).status_code == 401


def test_an_answer_works_once(service: Service, house: House) -> None:
    client = house.client()
    state = begin(service, client)["state"]
    ceremony = client.cookies["rimaye-ceremony"]
    assert finish(client, state).status_code == 303
    again = house.client()
    again.cookies.set("rimaye-ceremony", ceremony, domain="127.0.0.1", path="/")
    assert finish(again, state).status_code == 401


def test_a_wrong_code_lets_nobody_in(service: Service, house: House) -> None:
    client = house.client()
    assert finish(client, begin(service, client)["state"], "made-up").status_code == 401


def test_someone_kept_out_stays_out(service: Service, house: House) -> None:
    with house.db.writing() as work:
        queries.change_staff(work, staff_id("lead"), {"active": False})
    client = house.client()
    assert finish(client, begin(service, client)["state"]).status_code == 401


def test_a_service_that_names_another_issuer_is_not_used(service: Service, house: House) -> None:
    service.issuer = "https://evil.example"
    answer = house.client().get("/sign-in/openid")
    assert answer.status_code == 503


def test_it_is_off_until_it_is_configured(house: House) -> None:
    assert house.client().get("/sign-in/openid").status_code == 404
    assert "/sign-in/openid" not in house.client().get("/sign-in", headers=A_PAGE).text
    assert json.loads(house.client().get("/sign-in/openid/back?state=a&code=b").text)["status"] == 404
