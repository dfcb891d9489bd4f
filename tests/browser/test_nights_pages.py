"""Nights in a real browser: for everyone, on a phone, on paper, and nothing private without a tap."""

from __future__ import annotations

import re
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
from tests.support.pages import axe_violations, html_errors

TRIP = "/trips/kessandry-2026-09"
NIGHTS, NOTES, HER = f"{TRIP}/nights", f"{TRIP}/nights/notes", f"{TRIP}/nights/people/p11"
PATHS = (NIGHTS, NOTES, HER, "/danger-signs")


@pytest.fixture
def live_settings(sqlite_url: str, tmp_path: Path) -> Settings:
    return Settings(database_url=sqlite_url, data_dir=tmp_path / "data", port=0, access_log=False, demo=True)


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    db = open_database(live_settings)
    loading.seed(db)
    db.close()
    with served(create_app(live_settings), live_settings) as server:
        yield server


@pytest.fixture
def at_camp(browser_page: Any, live_server: LiveServer) -> Any:
    """A page of the lead guide, on the morning of the headache."""
    for _ in range(3):
        moved = browser_page.request.post(
            "/demo/clock", form={"move": "next"}, headers={"origin": live_server.url}
        )
        assert moved.ok
    return browser_page


@pytest.mark.parametrize("look", ["plain", "day", "night"])
def test_pages_are_for_everyone_in_every_look(at_camp: Any, look: str) -> None:
    at_camp.set_viewport_size({"width": 390, "height": 844})
    at_camp.add_init_script(f"localStorage.setItem('look', '{look}')")
    wrong = {}
    for path in PATHS:
        at_camp.goto(path)
        wrong[path] = axe_violations(at_camp)
    assert {path: found for path, found in wrong.items() if found} == {}


def test_pages_keep_to_the_html_standard(at_camp: Any) -> None:
    pages = {}
    for path in PATHS:
        pages[path.replace("/", "_")] = at_camp.request.get(path).text()
    assert html_errors(pages) == []


@pytest.mark.parametrize("width", [320, 390])
def test_nothing_is_cut_off_on_a_phone_and_targets_are_large(at_camp: Any, width: int) -> None:
    """Reflow at 320 px is WCAG 2.2, 1.4.10; targets of 44 px are 2.5.5."""
    at_camp.set_viewport_size({"width": width, "height": 800})
    for path in PATHS:
        at_camp.goto(path)
        assert at_camp.evaluate("document.documentElement.scrollWidth") <= width, path
        assert at_camp.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == [], path


def test_notes_open_by_a_tap_and_close_again(at_camp: Any) -> None:
    at_camp.goto(NIGHTS)
    body = at_camp.locator("body")
    expect(body).to_contain_text("Above the guideline; private note.")
    expect(body).not_to_contain_text("Score 4")
    at_camp.get_by_role("link", name="Open the health notes").click()
    expect(body).to_contain_text("Score 4 with headache after 2,480 m more sleeping height in one night.")
    expect(body).to_contain_text("Readings 81 % hand not warmed, 86 % hand warmed: kept, none decides.")
    at_camp.get_by_role("link", name="Close them").click()
    expect(body).not_to_contain_text("Score 4")


def test_every_picture_has_its_words(at_camp: Any) -> None:
    at_camp.goto(NIGHTS)
    pictures = at_camp.locator("svg.nights")
    assert pictures.count() == 11
    assert at_camp.get_by_text("The nights in words").count() == 11
    hers = at_camp.locator("#w-p11")
    hers.locator("summary").click()
    expect(hers).to_contain_text(
        "Moraine Camp, 3,240 m, slept there; 2,480 m higher, 1,980 m over the guideline"
    )


def test_a_score_is_kept_by_hand_and_a_wrong_one_comes_back(at_camp: Any) -> None:
    at_camp.goto(HER)
    at_camp.get_by_label("Headache").select_option("1")
    at_camp.get_by_label("Stomach").select_option("1")
    at_camp.get_by_label("Tiredness").select_option("1")
    at_camp.get_by_label("Dizziness").select_option("0")
    at_camp.get_by_label("Hours since gaining height").fill("-3")
    at_camp.get_by_role("button", name="Keep this score").click()
    expect(at_camp.get_by_role("alert")).to_contain_text("hours_since_gain")
    expect(at_camp.get_by_label("Headache")).to_have_value("1")
    at_camp.get_by_label("Hours since gaining height").fill("20")
    at_camp.get_by_role("button", name="Keep this score").click()
    at_camp.goto(NOTES)
    expect(at_camp.locator("body")).to_contain_text("Lower than the score before.")


def test_it_prints_without_anything_to_press(at_camp: Any) -> None:
    at_camp.goto(NIGHTS)
    pdf = at_camp.pdf(prefer_css_page_size=True, print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 3
    at_camp.emulate_media(media="print")
    assert at_camp.locator("button:visible").count() == 0
    expect(at_camp.locator(".caution").first).to_be_visible()
