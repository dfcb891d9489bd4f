"""The call on a phone: walked down by thumb, made without signal, countersigned late."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from api.main import create_app
from api.opening import open_database
from api.settings import Settings
from seeds import loading
from tests.browser.test_board_pages import SMALL_TARGETS, SMALLEST_TARGET_PX
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations

PHONE = {"width": 390, "height": 844}
TRIP = "/trips/kessandry-2026-09"
CALL = f"{TRIP}/call"


@pytest.fixture
def live_settings(sqlite_url: str, tmp_path: Path) -> Settings:
    return Settings(database_url=sqlite_url, data_dir=tmp_path, port=0, access_log=False, demo=True)


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    database = open_database(live_settings)
    loading.seed(database)
    database.close()
    with served(create_app(live_settings), live_settings) as server:
        yield server


def make(page: Any, decision: str, reason: str = "") -> None:
    form = page.locator("#make-call")
    form.locator(f"input[value='{decision}']").check()
    if reason:
        form.get_by_label("Why").fill(reason)
    form.get_by_role("button", name="Make the call").click()


def ready(page: Any) -> None:
    """Wait for the script of the call."""
    expect(page.locator("#make-call[data-ready]")).to_be_visible()


def calls(page: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = page.request.get(f"/api{TRIP}/calls").json()["calls"]
    return found


@pytest.mark.parametrize(
    "path", [CALL, f"{TRIP}/past?seq=700&against=715", f"{TRIP}/debrief", f"{TRIP}/calls/check"]
)
def test_pages_fit_a_phone_and_are_for_everyone(browser_page: Any, path: str) -> None:
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(path)
    assert browser_page.evaluate("document.documentElement.scrollWidth") == PHONE["width"]
    assert browser_page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == []
    assert axe_violations(browser_page) == []


def test_the_walk_down(browser_page: Any) -> None:
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(CALL)
    headings = browser_page.locator("article.call > section > h2").all_inner_texts()
    assert headings == [
        "Where we are",
        "Forecast",
        "Ropes",
        "Not known",
        "Ratios and group gear",
        "Acclimatisation",
        "Accepted by name",
        "Daylight and turning round",
        "Nearest tipping points",
        "What would change the call",
        "Views of the assistant guides",
        "Make the call",
        "Calls so far",
    ]
    expect(browser_page.locator(".verdict").first).to_contain_text("open stops at Harrow Station")
    expect(browser_page.locator("#views")).to_contain_text("Missing: Inés Quiroga Bell and Tashi Wangdrak.")
    make(browser_page, "go")
    expect(browser_page.locator(".wrongs")).to_contain_text("Open stops are not settled")
    make(browser_page, "wait", "Until the certificate is here")
    expect(browser_page.locator("#calls")).to_contain_text("Wait at Harrow Station")
    browser_page.locator("#calls li a").first.click()
    expect(browser_page.locator("#differences")).to_contain_text("the caller knew all that was here")


def test_a_call_without_signal_arrives_late_and_says_what_was_not_known(browser_page: Any) -> None:
    context = browser_page.context
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(CALL)
    expect(browser_page.locator("#make-call")).to_be_visible()
    ready(browser_page)
    context.set_offline(True)
    make(browser_page, "down", "Thunder from the west")
    expect(browser_page.locator("#offline")).to_contain_text("kept on this phone")
    # Meanwhile the story goes on: gear is fixed, the permit's papers come, the lead accepts two gaps.
    elsewhere = context.browser.new_context(base_url=browser_page.url.split(TRIP)[0])
    elsewhere.request.post("/demo/clock", form={"move": "next"})
    before = len(elsewhere.request.get(f"/api{TRIP}/calls").json()["calls"])
    elsewhere.close()
    context.set_offline(False)
    until = time.monotonic() + 30
    while len(calls(browser_page)) == before and time.monotonic() < until:
        browser_page.wait_for_timeout(250)
    made = next(call for call in calls(browser_page) if call["decision"] == "down")
    assert made["countersigned"]
    assert any("had not been read" in text for text in made["differences"])
    expect(browser_page.locator("#offline")).to_contain_text("has arrived and is countersigned")
    browser_page.goto(f"{TRIP}/calls/{made['call']}")
    expect(browser_page.locator("#differences")).to_contain_text("were not the same")


def test_one_visit_is_enough_to_call_without_signal_and_nothing_of_health_is_kept(browser_page: Any) -> None:
    context = browser_page.context
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(CALL)
    browser_page.wait_for_selector("#make-call[data-kept]", state="attached", timeout=20_000)
    kept = browser_page.evaluate(
        "async (at) => (await (await caches.open('rimaye-check-calls')).match(at)).text()", CALL
    )
    for word in ("Private note", "private-note", "ymptom", "guideline", "night-gain"):
        assert word not in kept, word
    browser_page.goto("about:blank")
    context.set_offline(True)
    browser_page.goto(CALL)
    expect(browser_page.locator("#kept-at")).to_contain_text("Kept on this phone")
    browser_page.wait_for_selector("#make-call[data-ready]", state="attached")
    make(browser_page, "wait", "For the wind to drop")
    expect(browser_page.locator("#offline")).to_contain_text("kept on this phone")
    context.set_offline(False)
    until = time.monotonic() + 30
    while not any(call["reason"] == "For the wind to drop" for call in calls(browser_page)):
        assert time.monotonic() < until
        browser_page.wait_for_timeout(250)
    made = next(call for call in calls(browser_page) if call["reason"] == "For the wind to drop")
    assert made["countersigned"]


def test_without_signal_an_open_stop_is_not_passed_over_either(browser_page: Any) -> None:
    browser_page.goto(CALL)
    ready(browser_page)
    browser_page.context.set_offline(True)
    make(browser_page, "go")
    expect(browser_page.locator("#offline")).to_contain_text("open stops are passed over")
    browser_page.context.set_offline(False)
    assert calls(browser_page) == []


def test_the_slider_says_where_it_stands(browser_page: Any) -> None:
    browser_page.goto(f"{TRIP}/past")
    slider = browser_page.locator("#seq")
    slider.focus()
    slider.press("ArrowLeft")
    expect(browser_page.locator("#seq-out")).to_have_text(slider.input_value())
    browser_page.get_by_role("button", name="Show it").click()
    expect(browser_page.locator("h1")).to_have_text("The board as it stood")
