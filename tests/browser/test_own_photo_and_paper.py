"""What a phone sends of a large photo of one's own list, and how few keys a sheet of paper takes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import expect

from api.clock import FixedClock
from api.main import create_app
from api.settings import Settings
from tests.photos import pictures
from tests.selfreport.people import ANA, LEAD, TRIP, WEEKS_BEFORE, furnish, read_as
from tests.support.live import LiveServer, served

CHOSEN = """async (input) => {
  const [file] = input.files;
  const picture = await createImageBitmap(file);
  const head = new TextDecoder("latin1").decode(await file.slice(0, 4096).arrayBuffer());
  return { bytes: file.size, sides: [picture.width, picture.height], located: head.includes("Exif") };
}"""
PRESSES = "addEventListener('keydown', () => { window.presses = (window.presses ?? 0) + 1; }, true)"


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    """A live server that stands weeks before a trip of which nothing is known."""
    app = create_app(live_settings, clock=FixedClock(WEEKS_BEFORE))
    read_as(app, LEAD)
    with served(app, live_settings) as server:
        furnish(app)
        yield server


def test_a_large_photo_leaves_the_phone_small_and_without_its_place(browser_page: Any) -> None:
    made = browser_page.request.post(f"/api/trips/{TRIP}/self-report-links", data={"members": [ANA]})
    browser_page.goto(f"{made.json()[0]['address']}?lang=en")
    harness = browser_page.locator("#item-harness")
    harness.get_by_role("button", name="I have it").click()
    large = pictures.located_jpeg_of(2400, 1800)
    form = harness.locator("form.photo").first
    form.locator("input[type=file]").set_input_files(
        [{"name": "harness.jpg", "mimeType": "image/jpeg", "buffer": large}]
    )
    browser_page.wait_for_function(
        "() => document.querySelector('#item-harness form.photo [type=file]').files[0].name === 'photo.jpg'"
    )
    chosen = form.locator("input[type=file]").evaluate(CHOSEN)
    assert chosen["sides"] == [1600, 1200]
    assert chosen["bytes"] < len(large)
    assert b"Exif" in large[:4096]
    assert not chosen["located"]
    form.locator("button").click()
    expect(harness.locator(".photos img")).to_have_count(1)


def test_a_column_takes_two_keys_a_thing_and_what_stands_once_is_typed_once(browser_page: Any) -> None:
    browser_page.goto(f"/trips/{TRIP}/paper/rope-1/type-in?of={ANA}")
    browser_page.get_by_label("Checked on").fill("2026-07-01T10:00")
    browser_page.get_by_label("Checked by").fill("Petra")
    marks = browser_page.locator(".mark:enabled")
    things = marks.count()
    assert things > 10
    browser_page.evaluate(PRESSES)
    marks.first.focus()
    for n in range(things):
        browser_page.keyboard.press("s")
        if n < things - 1:
            browser_page.keyboard.press("Tab")
    assert marks.evaluate_all("all => all.map((mark) => mark.value)") == ["s"] * things
    assert browser_page.evaluate("window.presses") == 2 * things - 1
    browser_page.keyboard.press("Enter")
    expect(browser_page.get_by_role("status").first).to_have_text(f"{things} marks kept.")
    expect(browser_page.get_by_role("heading", level=1)).to_have_text("From paper: Bo Example")
    expect(browser_page.get_by_label("Checked on")).to_have_value("2026-07-01T10:00")
    expect(browser_page.get_by_label("Checked by")).to_have_value("Petra")
    expect(marks.first).to_be_focused()
