"""The mountain page in a real browser: for everyone, in every look, on a phone, and on paper."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from api.settings import Settings
from tests.browser.test_board_pages import DESK, PHONE, SMALL_TARGETS, SMALLEST_TARGET_PX
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations
from tests.web import mountain_preview, sample

MOUNTAIN = f"/trips/{sample.TRIP}/mountain?issue=F3"
WHAT_IF = f"/trips/{sample.TRIP}/mountain/what-if?issue=F3&freezing_level=-400&start=1&stage=summit"
LARGE = f"/trips/{mountain_preview.LARGE}/mountain"
PATHS = (MOUNTAIN, WHAT_IF, LARGE)


@pytest.fixture
def live_settings(tmp_path: Path) -> Settings:
    return Settings(data_dir=tmp_path, port=0, access_log=False, stop_wait_s=1)


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    with served(mountain_preview.build(), live_settings) as server:
        yield server


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("look", ["plain", "day", "night"])
def test_is_for_everyone_in_every_look(browser_page: Any, look: str, size: dict[str, int]) -> None:
    browser_page.set_viewport_size(size)
    browser_page.add_init_script(f"localStorage.setItem('look', '{look}')")
    found = {}
    for path in PATHS:
        browser_page.goto(path)
        expect(browser_page.locator("html")).to_have_attribute("data-look", look)
        found[path] = axe_violations(browser_page)
    assert {path: wrong for path, wrong in found.items() if wrong} == {}


@pytest.mark.parametrize("path", PATHS)
def test_nothing_is_cut_off_on_a_narrow_phone_and_targets_are_large(browser_page: Any, path: str) -> None:
    """Reflow at 320 px is WCAG 2.2, 1.4.10; targets of 44 px are 2.5.5. A stage's column in the picture may
    be narrower, because the table under it offers the same link in full size."""
    browser_page.set_viewport_size({"width": 320, "height": 700})
    browser_page.goto(path)
    assert browser_page.evaluate("document.documentElement.scrollWidth") <= 320
    small = browser_page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX)
    assert [found for found in small if "stage-door" not in found] == []


def test_a_stage_tapped_in_the_picture_shows_its_numbers(browser_page: Any) -> None:
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(MOUNTAIN)
    browser_page.locator(".sheet.narrow a[href='#stage-summit']").click()
    stage = browser_page.locator("#stage-summit")
    expect(stage).to_be_in_viewport()
    expect(stage.get_by_text("Bare skin freezes in")).to_be_visible()


def test_the_one_sheet_that_fits_is_shown(browser_page: Any) -> None:
    for size, shown, hidden in ((PHONE, "narrow", "wide"), (DESK, "wide", "narrow")):
        browser_page.set_viewport_size(size)
        browser_page.goto(MOUNTAIN)
        expect(browser_page.locator(f".face.{shown}")).to_be_visible()
        expect(browser_page.locator(f".face.{hidden}")).to_be_hidden()


def test_a_what_if_is_asked_and_marked(browser_page: Any) -> None:
    browser_page.goto(MOUNTAIN)
    browser_page.get_by_label(re.compile("Freezing level higher or lower by")).fill("-400")
    browser_page.get_by_role("button", name="Show what would be").click()
    expect(browser_page.get_by_role("heading", level=1)).to_contain_text("What if: freezing level 400")
    expect(browser_page.get_by_role("note")).to_contain_text("nothing is saved")


def test_without_scripts_all_is_there(browser: Any, live_server: LiveServer) -> None:
    context = browser.new_context(base_url=live_server.url, java_script_enabled=False, viewport=PHONE)
    page = context.new_page()
    page.goto(MOUNTAIN)
    page.locator("#face-words summary").click()
    expect(page.locator("#face-words li").first).to_be_visible()
    page.get_by_role("button", name="Show what would be").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("mountain", ignore_case=True)
    context.close()


def test_prints_the_picture_the_words_and_the_numbers(browser_page: Any) -> None:
    browser_page.goto(MOUNTAIN)
    pdf = browser_page.pdf(prefer_css_page_size=True, print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 5
    browser_page.emulate_media(media="print")
    assert browser_page.locator("button:visible").count() == 0
    expect(browser_page.locator(".face.wide")).to_be_visible()
    expect(browser_page.locator("#face-words li").first).to_be_visible()
    expect(browser_page.locator(".caution").last).to_be_visible()
