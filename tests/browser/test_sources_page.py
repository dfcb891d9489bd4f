"""Sources of the forecast in a real browser: a file read in, where sources differ, and a new issue."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest
from playwright.sync_api import expect

from api.settings import Settings
from seeds import loading
from tests.browser.test_board_pages import DESK, PHONE
from tests.support.live import LiveServer
from tests.support.pages import axe_violations
from tests.web import sample

TRIP = f"/trips/{sample.TRIP}"
SOURCES = f"{TRIP}/forecasts/sources"


@pytest.fixture
def live_settings(live_settings: Settings) -> Settings:
    return live_settings.model_copy(update={"demo": True})


@pytest.fixture
def page(browser: Any, live_server: LiveServer) -> Iterator[Any]:
    """A phone in the demo at its first moment."""
    assert loading.seed(live_server.app.state.db)
    live_server.app.state.clock.move_to(loading.begins_at(loading.following(None)))
    context = browser.new_context(base_url=live_server.url, viewport=PHONE)
    yield context.new_page()
    context.close()


def table(zero_m: float) -> bytes:
    """A second source's table, with 0 °C at one height all the time."""
    lines = [
        f"#reference_time: {sample.START:%Y-%m-%dT%H:00%z}",
        "#attribution: Weather data by Invented Office",
        "#licence: CC BY 4.0",
        "time,level[m],air_temperature[degC],wind_speed[m/s]",
    ]
    for hours in range(0, 120, 3):
        at = f"{sample.START + timedelta(hours=hours):%Y-%m-%dT%H:00%z}"
        lines += [f"{at},{level},{(zero_m - level) / 154:.1f},9" for level in (1500, 2500, 4000, 5500)]
    return "\n".join(lines).encode()


def read_in(page: Any, name: str, body: bytes) -> None:
    page.goto(SOURCES)
    page.get_by_label("Forecast file").set_input_files({"name": name, "mimeType": "text/csv", "buffer": body})
    page.get_by_label("Whose forecast it is").fill("second office")
    page.get_by_role("button", name="Show what it holds").click()


def store(page: Any) -> None:
    read_in(page, "second.csv", table(3000.0))
    assert axe_violations(page) == []
    page.get_by_role("button", name=re.compile("Store")).click()
    expect(page).to_have_url(re.compile("/forecasts/[0-9a-f]{64}"))


def test_sources_are_for_everyone_and_fit_a_narrow_phone(page: Any) -> None:
    store(page)
    for size in (PHONE, DESK, {"width": 320, "height": 700}):
        page.set_viewport_size(size)
        for address in (SOURCES, f"{TRIP}/mountain", f"{TRIP}/forecasts"):
            page.goto(address)
            assert axe_violations(page) == [], (address, size)
            assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], (address, size)


def test_where_sources_differ_is_shown_and_never_mixed(page: Any) -> None:
    store(page)
    page.goto(SOURCES)
    expect(page.get_by_text("they disagree").first).to_be_visible()
    expect(page.get_by_text("Weather data by Invented Office").first).to_be_visible()
    page.goto(f"{TRIP}/mountain")
    sources = page.locator("#sources")
    expect(sources.get_by_role("heading", name="Flags by source")).to_be_visible()
    expect(sources.get_by_text("Backup mitts for")).to_be_visible()
    expect(sources.get_by_text("File: second office:").first).to_be_visible()
    expect(sources.get_by_text("Typed in:").first).to_be_visible()


def test_a_wrong_file_names_part_value_and_remedy_and_keeps_what_was_typed(page: Any) -> None:
    read_in(page, "second.csv", table(3000.0).replace(b"degC", b"furlong"))
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("column air_temperature[furlong]")
    expect(alert).to_contain_text("furlong")
    expect(alert).to_contain_text("one of: K")
    expect(page.get_by_label("Whose forecast it is")).to_have_value("second office")
    assert axe_violations(page) == []


def test_a_new_issue_reaches_an_open_board_with_the_reason(
    page: Any, browser: Any, live_server: LiveServer
) -> None:
    """One screen stands open on the board, another on the mountain; a third takes the lower forecast."""
    store(page)
    others = browser.new_context(base_url=live_server.url, viewport=DESK)
    board, mountain = others.new_page(), others.new_page()
    board.goto(TRIP)
    mountain.goto(f"{TRIP}/mountain")
    before = int(board.locator("#board").get_attribute("data-revision"))
    page.goto(f"{TRIP}/forecasts/new")
    page.locator("#issued_at").fill(f"{sample.START:%Y-%m-%dT%H:%M}")
    page.get_by_label("Source, and what it says").fill("Morning bulletin by radio")
    page.locator("#blocks-0-freezing_level-best").fill("2650")
    page.get_by_role("button", name="Store the forecast").click()
    expect(page.get_by_role("status").filter(has_text="Stored.")).to_be_visible()
    reason = re.compile(r"Freezing level .* now 2,650.m, was [34],\d{3}.m")
    expect(board.locator(".outlook")).to_contain_text(reason, timeout=15_000)
    expect(mountain.locator("#since")).to_contain_text(reason, timeout=15_000)
    assert int(board.locator("#board").get_attribute("data-revision")) > before
    others.close()
