"""Flags in a real browser on a phone: nothing cut off, large targets, taken without leaving the list."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from api.main import create_app
from api.settings import Settings
from seeds import demo, loading
from tests.browser.test_board_pages import PHONE, SMALL_TARGETS, SMALLEST_TARGET_PX
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations

AT = f"/trips/{demo.scenario().trip}"
MITTS = f"{AT}/flags/p07.backup-mitts"


@pytest.fixture
def live_settings(sqlite_url: str, tmp_path: Path) -> Settings:
    return Settings(database_url=sqlite_url, data_dir=tmp_path / "data", port=0, access_log=False, demo=True)


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    app = create_app(live_settings)
    with served(app, live_settings) as server:
        loading.seed(app.state.db)
        app.state.clock.move_to(loading.begins_at(demo.moments(demo.scenario())[0]))
        yield server


@pytest.mark.parametrize(
    "path", [f"{AT}/flags", MITTS, f"{AT}/ropes-check", f"{AT}/if-they-stay?who-p11=stay", f"{AT}/group-gear"]
)
def test_on_a_phone_nothing_is_cut_off_and_targets_are_large(browser_page: Any, path: str) -> None:
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(path)
    assert browser_page.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    assert browser_page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == []
    assert axe_violations(browser_page) == []


def test_taken_in_place_and_given_back(browser_page: Any) -> None:
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(f"{AT}/flags?queue=all")
    row = browser_page.locator("#flag-p07-backup-mitts")
    row.get_by_role("button", name="I see to it").click()
    expect(row.get_by_role("button", name="Give it back")).to_be_visible()
    assert browser_page.url.endswith("queue=all")
    row.get_by_role("button", name="Give it back").click()
    expect(row.get_by_role("button", name="I see to it")).to_be_visible()
