"""Getting in, in a real browser: first set-up, passwords, passkeys, devices, people, watchers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from pwdlib import PasswordHash
from pwdlib.hashers.argon2 import Argon2Hasher

from api.access import service
from api.access.passwords import Passwords
from api.access.tokens import Visitor
from api.main import create_app
from api.settings import Settings
from tests.access.house import OWN_TRIP, PASSWORD, House, furnish
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations

pytestmark = pytest.mark.one_database
OWN = f"/trips/{OWN_TRIP}"
PHONE = {"width": 390, "height": 844}
DESKTOP = {"width": 1280, "height": 900}
NARROW_PX = 320
SMALLEST_TARGET_PX = 44
PASSKEYS = {
    "protocol": "ctap2",
    "transport": "internal",
    "hasResidentKey": True,
    "hasUserVerification": True,
    "isUserVerified": True,
    "automaticPresenceSimulation": True,
}


@pytest.fixture
def live_settings(live_settings: Settings) -> Settings:
    return live_settings.model_copy(update={"push_contact": "mailto:ops@outfit.example"})


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    """The real thing, by a name: a passkey belongs to one, and nobody is let in without signing in."""
    app = create_app(live_settings)
    # The same way of hashing with less of it, as in the tests of signing in.
    app.state.passwords = Passwords(PasswordHash((Argon2Hasher(time_cost=1, memory_cost=64),)))
    with served(app, live_settings) as server:
        with app.state.db.writing() as work:
            furnish(work, app.state.clock.now())
        yield LiveServer(server.url.replace("127.0.0.1", "localhost"), app, live_settings)


@pytest.fixture
def house(live_server: LiveServer) -> House:
    return House(live_server.app)


def sign_in(page: Any, email: str, password: str = PASSWORD) -> None:
    page.goto("/sign-in")
    page.get_by_label("E-mail address").fill(email)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.wait_for_url(re.compile(r"/$"))


def test_a_passkey_is_added_and_signs_in_again(browser_page: Any, house: House) -> None:
    house.give_password("lead")
    devtools = browser_page.context.new_cdp_session(browser_page)
    devtools.send("WebAuthn.enable")
    device = devtools.send("WebAuthn.addVirtualAuthenticator", {"options": PASSKEYS})["authenticatorId"]

    sign_in(browser_page, "lead@north-ridge.example")
    browser_page.goto("/account")
    browser_page.get_by_label("Name for this passkey").fill("My phone")
    browser_page.get_by_role("button", name="Add a passkey").click()
    browser_page.get_by_text("My phone").wait_for()
    kept = devtools.send("WebAuthn.getCredentials", {"authenticatorId": device})["credentials"]
    assert [one["rpId"] for one in kept] == ["localhost"]

    browser_page.get_by_role("button", name="Sign out", exact=True).first.click()
    browser_page.goto("/account")
    assert "/sign-in" in browser_page.url
    browser_page.get_by_role("button", name=re.compile("passkey", re.IGNORECASE)).click()
    browser_page.wait_for_url(re.compile(r"/account$"))
    browser_page.get_by_text("with passkey").first.wait_for()
    assert [what for _, what, _ in house.log()].count("signed in") == 2


def test_a_device_that_does_not_confirm_who_holds_it_is_told_so(browser_page: Any, house: House) -> None:
    house.give_password("lead")
    devtools = browser_page.context.new_cdp_session(browser_page)
    devtools.send("WebAuthn.enable")
    devtools.send("WebAuthn.addVirtualAuthenticator", {"options": PASSKEYS | {"isUserVerified": False}})
    sign_in(browser_page, "lead@north-ridge.example")
    browser_page.goto("/account")
    browser_page.get_by_label("Name for this passkey").fill("My phone")
    browser_page.get_by_role("button", name="Add a passkey").click()
    said = browser_page.get_by_role("alert").filter(has_text="Try again")
    said.wait_for()
    assert browser_page.get_by_role("button", name="Add a passkey").is_enabled()


def pages_for(house: House) -> dict[str, list[str]]:
    """Who looks at which pages; a stranger has the first set-up, signing in and an invitation."""
    with house.db.writing() as work:
        person = service.colleague(work, house.reader("admin"), "assistant-of-north-ridge")
        link = service.new_link(work, person, house.now, by="admin-of-north-ridge", visitor=Visitor("", ""))
    return {
        "": ["/sign-in", f"/join/{link.token}"],
        "admin": [
            "/account",
            "/staff",
            "/staff/log",
            f"{OWN}/staff",
            f"{OWN}/watchers",
        ],
        "assistant": [f"{OWN}/watchers", "/account"],
    }


@pytest.mark.parametrize("who", ["", "admin", "assistant"])
def test_pages_are_for_everyone_and_fit_a_narrow_phone(
    browser_page: Any, house: House, who: Any, live_server: LiveServer
) -> None:
    if who:
        token = house.session(who).token
        browser_page.context.add_cookies([{"name": "rimaye", "value": token, "url": live_server.url}])
    for path in pages_for(house)[who]:
        for size in (DESKTOP, PHONE, {"width": NARROW_PX, "height": 700}):
            browser_page.set_viewport_size(size)
            answer = browser_page.goto(path)
            assert answer.status == 200, path
            assert axe_violations(browser_page) == [], (path, size)
            wide = browser_page.evaluate("document.documentElement.scrollWidth")
            assert wide <= size["width"], (path, wide)
        for target in browser_page.locator("main button, main label.row, main select, main input").all():
            if target.is_visible() and target.get_attribute("type") not in ("radio", "checkbox"):
                assert target.bounding_box()["height"] >= SMALLEST_TARGET_PX, (path, target.inner_text())


def test_an_invited_person_chooses_a_password_and_is_in(browser_page: Any, house: House) -> None:
    path = pages_for(house)[""][1]
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(path)
    for field in browser_page.locator("input[type=password]").all():
        field.fill(PASSWORD)
    browser_page.locator("main form button").click()
    browser_page.wait_for_url(re.compile(r"/$"))
    browser_page.goto("/account")
    assert "assistant@north-ridge.example" in browser_page.locator("main").inner_text()
    browser_page.goto(path)
    assert "404" not in browser_page.title()
    assert browser_page.locator("main form input[type=password]").count() == 0


def test_a_device_says_why_it_cannot_be_told(
    browser_page: Any, house: House, live_server: LiveServer
) -> None:
    token = house.session("assistant").token
    browser_page.context.add_cookies([{"name": "rimaye", "value": token, "url": live_server.url}])
    browser_page.goto(f"{OWN}/watchers")
    browser_page.get_by_role("button", name="Tell this device").click()
    browser_page.get_by_role("alert").filter(has_text="Allow them in its settings").wait_for()
