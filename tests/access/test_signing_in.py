"""Signing in, staying in, getting out: on pages without scripts, as a person does it."""

from __future__ import annotations

from datetime import timedelta

import pytest
from sqlalchemy import text

from api.access.current import REMEMBERED_S, SEEN_EVERY, SESSION_COOKIE
from api.access.queries import SESSION_IDLE
from api.access.signing_in import DEVICE_COOKIE, own_path
from api.access.tokens import device_words, hash_of, network_of, one_house
from api.clock import FixedClock
from api.settings import Settings
from tests.access.house import A_PAGE, OWN_TRIP, PASSWORD, House, email_of, hold, staff_id
from tests.support.client import IsolatedTestClient


def sign_in(client: IsolatedTestClient, password: str = PASSWORD, back: str = "/", who: str = "") -> object:
    form = {"email": who or email_of("lead"), "password": password, "back": back}
    return client.post("/sign-in", data=form, headers=A_PAGE)


def test_a_stranger_who_asks_for_a_page_is_shown_the_way_in(house: House) -> None:
    answer = house.client().get(f"/trips/{OWN_TRIP}", headers=A_PAGE)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in?back=%2Ftrips%2Fown-trip"
    assert house.client().get(answer.headers["location"]).status_code == 200


def test_a_program_without_a_token_is_told_so(house: House) -> None:
    answer = house.client().get(f"/api/trips/{OWN_TRIP}/journal")
    assert (answer.status_code, answer.json()["code"]) == (401, "sign-in-needed")
    assert answer.headers["www-authenticate"] == "Bearer"


def test_a_part_of_a_page_is_not_swapped_for_the_sign_in_page(house: House) -> None:
    answer = house.client().get(f"/trips/{OWN_TRIP}", headers=A_PAGE | {"hx-request": "true"})
    assert answer.status_code == 401


def test_signing_in_leads_back_and_the_cookie_is_out_of_reach(house: House) -> None:
    house.give_password("lead")
    client = house.client()
    answer = sign_in(client, back=f"/trips/{OWN_TRIP}")
    assert (answer.status_code, answer.headers["location"]) == (303, f"/trips/{OWN_TRIP}")
    cookies = answer.headers.get_list("set-cookie")
    session = next(cookie for cookie in cookies if cookie.startswith(f"{SESSION_COOKIE}="))
    for attribute in ("HttpOnly", "Path=/", "SameSite=lax", f"Max-Age={21 * 86400}"):
        assert attribute in session
    assert "Domain" not in session
    assert client.get("/api/me").json()["id"] == staff_id("lead")
    assert house.log()[-1] == (staff_id("lead"), "signed in", "password")


def test_over_https_the_cookie_is_secure_and_bound_to_this_host(app: object, house: House) -> None:
    settings: Settings = house.app.state.settings
    house.app.state.settings = settings.model_copy(update={"base_url": "https://board.outfit.example"})
    house.give_password("lead")
    cookies = sign_in(house.client()).headers.get_list("set-cookie")
    assert {cookie.partition("=")[0] for cookie in cookies} == {"__Host-rimaye", f"__Host-{DEVICE_COOKIE}"}
    assert all("Secure" in cookie and "HttpOnly" in cookie for cookie in cookies)


def test_neither_token_nor_password_is_kept(house: House) -> None:
    house.give_password("lead")
    client = house.client()
    sign_in(client)
    token = client.cookies[SESSION_COOKIE]
    with house.db.reading() as conn:
        everything = "".join(
            str(tuple(row))
            for table in ("staff", "access_session", "known_device", "staff_log")
            for row in conn.execute(text(f"SELECT * FROM {table}"))
        )
    assert hash_of(token) in everything
    assert token not in everything
    assert PASSWORD not in everything
    assert "$argon2id$" in everything


def test_wrong_password_and_unknown_account_answer_alike(house: House) -> None:
    house.give_password("lead")
    wrong = sign_in(house.client(), "a wrong one entirely")
    unknown = sign_in(house.client(), who="nobody@north-ridge.example")
    passwordless = sign_in(house.client(), who=email_of("office"))
    assert wrong.status_code == unknown.status_code == passwordless.status_code == 401
    texts = [
        answer.text.replace(email, "")
        for answer, email in (
            (wrong, email_of("lead")),
            (unknown, "nobody@north-ridge.example"),
            (passwordless, email_of("office")),
        )
    ]
    assert texts[0] == texts[1] == texts[2]
    assert "do not go together" in texts[0]
    assert not any("set-cookie" in answer.headers for answer in (wrong, unknown, passwordless))


def test_failures_are_logged_without_what_was_typed(house: House) -> None:
    house.give_password("lead")
    sign_in(house.client(), "typed by mistake")
    sign_in(house.client(), who="my secret password")
    lines = house.log()
    assert (None, "sign-in failed", f"password, {staff_id('lead')}") in lines
    assert (None, "sign-in failed", "password, no such account") in lines
    assert "mistake" not in str(lines)
    assert "secret" not in str(lines)


def test_someone_kept_out_cannot_sign_in(house: House) -> None:
    house.give_password("lead")
    with house.db.writing() as work:
        work.execute(
            text("UPDATE staff SET active = :no WHERE id = :id"), {"no": False, "id": staff_id("lead")}
        )
    assert sign_in(house.client()).status_code == 401


def test_a_token_planted_before_signing_in_is_worth_nothing(house: House) -> None:
    house.give_password("lead")
    client = house.client()
    hold(client, "planted-by-someone-else")
    sign_in(client)
    assert client.cookies[SESSION_COOKIE] != "planted-by-someone-else"
    attacker = house.client()
    hold(attacker, "planted-by-someone-else")
    assert attacker.get("/api/me").status_code == 401


def test_signing_in_again_ends_the_session_the_device_had(house: House) -> None:
    house.give_password("lead")
    client = house.client()
    sign_in(client)
    first = client.cookies[SESSION_COOKIE]
    sign_in(client)
    old = house.client()
    hold(old, first)
    assert old.get("/api/me").status_code == 401
    assert client.get("/api/me").status_code == 200


def test_signing_out_ends_the_session_everywhere_it_was_copied(house: House) -> None:
    client, copy = house.client("lead"), house.client()
    hold(copy, client.cookies[SESSION_COOKIE])
    assert copy.get("/api/me").status_code == 200
    answer = client.post("/sign-out")
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert copy.get("/api/me").status_code == 401
    assert house.log()[-1][1] == "signed out"


def test_a_session_lasts_a_trip_and_no_longer(house: House, clock: FixedClock) -> None:
    client = house.client("lead")
    for _ in range(4):
        clock.advance(timedelta(days=5))
        assert client.get("/api/me").status_code == 200
    clock.advance(timedelta(days=1, seconds=1))
    assert client.get("/api/me").status_code == 401


def test_a_session_nobody_uses_ends_sooner(house: House, clock: FixedClock) -> None:
    client = house.client("lead")
    clock.advance(SESSION_IDLE - timedelta(hours=1))
    assert client.get("/api/me").status_code == 200
    clock.advance(SESSION_IDLE - timedelta(hours=1))
    assert client.get("/api/me").status_code == 200
    clock.advance(SESSION_IDLE + timedelta(seconds=1))
    assert client.get("/api/me").status_code == 401


def test_use_is_noted_now_and_then_only(house: House, clock: FixedClock, query_counter: object) -> None:
    client = house.client("lead")
    client.get("/api/me")
    clock.advance(timedelta(seconds=REMEMBERED_S * 2))
    with query_counter() as statements:  # type: ignore[operator]
        client.get("/api/me")
        client.get("/api/me")
    assert (statements.count, statements[0].startswith("SELECT")) == (1, True)
    clock.advance(SEEN_EVERY + timedelta(seconds=1))
    with query_counter() as statements:  # type: ignore[operator]
        client.get("/api/me")
    assert [statement.split()[0] for statement in statements] == ["SELECT", "UPDATE"]


class TestDevices:
    def test_they_are_listed_and_each_can_be_signed_out(self, house: House) -> None:
        here, lost = house.client("lead"), house.client("lead")
        page = here.get("/account", headers=A_PAGE)
        assert page.text.count("Sign out there") == 2
        assert "Android, Firefox" in page.text
        assert "192.0.2.0/24" in page.text
        assert "192.0.2.77" not in page.text
        assert lost.get("/api/me").status_code == 200
        with house.db.reading() as conn:
            wanted = text("SELECT id FROM access_session WHERE token_hash = :hash")
            session = conn.execute(wanted, {"hash": hash_of(lost.cookies[SESSION_COOKIE])}).scalar_one()
        assert here.post(f"/account/devices/{session}/end").status_code == 303
        assert lost.get("/api/me").status_code == 401
        assert here.get("/api/me").status_code == 200

    def test_those_of_others_cannot_be(self, house: House) -> None:
        victim = house.client("admin")
        with house.db.reading() as conn:
            session = conn.execute(text("SELECT id FROM access_session")).scalar_one()
        assert house.client("lead").post(f"/account/devices/{session}/end").status_code == 404
        assert victim.get("/api/me").status_code == 200

    def test_all_can_be_at_once(self, house: House) -> None:
        here, lost = house.client("lead"), house.client("lead")
        assert here.post("/account/devices/end").headers["location"] == "/sign-in"
        assert (here.get("/api/me").status_code, lost.get("/api/me").status_code) == (401, 401)


class TestPassword:
    def form(
        self, present: str = PASSWORD, password: str = "nine loud choughs circle", again: str = ""
    ) -> dict[str, str]:
        return {"present": present, "password": password, "again": again or password}

    def test_changing_it_ends_the_other_devices_and_gives_this_one_a_new_token(self, house: House) -> None:
        house.give_password("lead")
        here, lost = house.client("lead"), house.client("lead")
        before = here.cookies[SESSION_COOKIE]
        assert here.post("/account/password", data=self.form()).status_code == 303
        assert here.cookies[SESSION_COOKIE] != before
        assert (here.get("/api/me").status_code, lost.get("/api/me").status_code) == (200, 401)
        old = house.client()
        hold(old, before)
        assert old.get("/api/me").status_code == 401
        assert sign_in(house.client()).status_code == 401
        assert sign_in(house.client(), "nine loud choughs circle").status_code == 303

    def test_it_needs_the_present_one(self, house: House) -> None:
        house.give_password("lead")
        answer = house.client("lead").post("/account/password", data=self.form("not this"), headers=A_PAGE)
        assert answer.status_code == 422
        assert "This is not the present password." in answer.text
        assert sign_in(house.client()).status_code == 303

    def test_the_two_must_be_the_same(self, house: House) -> None:
        house.give_password("lead")
        form = self.form(again="something else entirely")
        answer = house.client("lead").post("/account/password", data=form, headers=A_PAGE)
        assert answer.status_code == 422
        assert "choughs" not in answer.text


@pytest.mark.one_database
@pytest.mark.parametrize(
    ("back", "safe"),
    [("/trips/7", "/trips/7"), ("/", "/"), ("/trips/7?a=b", "/trips/7?a=b")]
    + [
        (evil, "/")
        for evil in ("//evil.example", "/\\evil.example", "https://evil.example", "javascript:alert(1)")
    ]
    + [(evil, "/") for evil in ("", "trips", "/\t/evil.example", "/a\nb", "/sign-in", "/sign-out")],
)
def test_one_is_only_sent_back_to_this_site(back: str, safe: str) -> None:
    assert own_path(back) == safe


@pytest.mark.one_database
def test_addresses_are_kept_without_their_last_part() -> None:
    # Documentation addresses: RFC 5737, RFC 3849.
    assert network_of("192.0.2.77") == "192.0.2.0/24"
    assert network_of("2001:db8:1:2::7") == "2001:db8:1::/48"
    assert network_of("::ffff:192.0.2.77") == "192.0.2.0/24"
    assert network_of("testclient") == network_of(None) == ""
    assert one_house("2001:db8:1:2::7") == one_house("2001:db8:1:2:ffff::1") == "2001:db8:1:2::/64"
    assert one_house("192.0.2.77") != one_house("192.0.2.78")


@pytest.mark.one_database
@pytest.mark.parametrize(
    ("agent", "words"),
    [
        (
            "Mozilla/5.0 (iPhone; CPU iPhone OS 19_0 like Mac OS X) Version/19.0 Safari/604.1",
            "iPhone, Safari",
        ),
        ("Mozilla/5.0 (Linux; Android 16) Chrome/150.0 Mobile Safari/537.36", "Android, Chrome"),
        ("Mozilla/5.0 (X11; Linux x86_64) Firefox/150.0", "Linux, Firefox"),
        ("<script>alert(1)</script>", "scriptalert1/script"),
        ("", "unknown device"),
    ],
)
def test_a_device_is_named_in_words(agent: str, words: str) -> None:
    assert device_words(agent) == words
