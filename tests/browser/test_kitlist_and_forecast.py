"""The longest forms of the house, in a real browser without scripts, at the width of a phone."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from playwright.sync_api import expect

from api.settings import Settings
from seeds import loading
from tests.support.live import LiveServer
from tests.support.pages import axe_violations

TRIP = "/trips/kessandry-2026-09"
SMALL_TARGETS = """[...document.querySelectorAll(
    'main button:not(.only-read), main input:not([type=hidden], [type=checkbox], [type=radio]), main select'
)].filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).map(e => e.outerHTML.slice(0, 90))"""


@pytest.fixture
def live_settings(live_settings: Settings) -> Settings:
    return live_settings.model_copy(update={"demo": True})


@pytest.fixture
def phone(browser: Any, live_server: LiveServer) -> Iterator[Any]:
    """A phone without scripts, in the demo at its first moment."""
    assert loading.seed(live_server.app.state.db)
    live_server.app.state.clock.move_to(loading.begins_at(loading.following(None)))
    context = browser.new_context(
        base_url=live_server.url, viewport={"width": 390, "height": 844}, java_script_enabled=False
    )
    yield context.new_page()
    context.close()


@pytest.fixture
def fits_the_phone(browser: Any, live_server: LiveServer) -> Iterator[Callable[[str], None]]:
    """Looks at an address with scripts on, because measuring needs them."""
    context = browser.new_context(base_url=live_server.url, viewport={"width": 390, "height": 844})
    page = context.new_page()

    def look(address: str) -> None:
        page.goto(address)
        assert axe_violations(page) == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert page.evaluate(SMALL_TARGETS) == []

    yield look
    context.close()


def test_a_forecast_is_entered_on_a_phone(phone: Any, fits_the_phone: Callable[[str], None]) -> None:
    fits_the_phone(f"{TRIP}/forecasts/new")
    phone.goto(f"{TRIP}/forecasts/new")
    phone.get_by_role("button", name="ft", exact=True).click()
    expect(phone.locator("#blocks-0-wind-1-altitude")).to_have_value("15046")
    phone.locator("#issued_at").fill("2026-09-12T06:00")
    phone.get_by_label("Source, and what it says").fill("Morning bulletin by radio")
    phone.locator("#blocks-0-freezing_level-best").fill("11000")
    phone.get_by_role("button", name="Store the forecast").click()
    expect(phone.get_by_role("status").filter(has_text="Stored.")).to_be_visible()
    fits_the_phone(phone.url)
    phone.get_by_role("link", name="To the board").click()
    expect(phone).to_have_url(re.compile(f"{TRIP}$"))


def test_a_requirement_is_changed_on_a_phone(phone: Any, fits_the_phone: Callable[[str], None]) -> None:
    fits_the_phone("/kit-lists/glaciated-peak")
    phone.goto("/kit-lists/glaciated-peak")
    phone.get_by_role("button", name="Copy it to a new draft").click()
    phone.get_by_role("link", name="Gaiters, pair").click()
    phone.locator("button[value='add-number when-rows']").click()
    phone.locator("#when-rows-0-metric").select_option("new_snow_cm")
    phone.locator("#when-rows-0-how").select_option("at_least")
    phone.locator("#when-rows-0-value").fill("5 cm")
    phone.locator("#when-rows-0-value").press("Enter")
    expect(phone).to_have_url(re.compile("/kit-lists/glaciated-peak-2/edit"))
    fits_the_phone("/kit-lists/glaciated-peak-2/requirements/gaiters")
    fits_the_phone("/kit-lists/glaciated-peak-2/difference?since=glaciated-peak")
    phone.goto("/kit-lists/glaciated-peak-2/difference?since=glaciated-peak")
    expect(phone.locator("ins", has_text="new snow at least 5 cm")).to_be_visible()
