"""The roster's pages in a real browser: by hand on a phone, for everyone, without scripts too."""

import re
from typing import Any

import pytest

from api.access.current import Reader
from api.journal.queries import create_outfit
from tests.roster.conftest import read_as
from tests.roster.people import sheet
from tests.roster.plans import plan_json
from tests.support.live import LiveServer
from tests.support.pages import axe_violations

LEAD = Reader(outfit="quillstone", staff="maren", name="Maren", role="lead", everywhere=True)
PHONE = {"width": 360, "height": 740}
NARROW_PX = 320
SMALLEST_TARGET_PX = 44


@pytest.fixture
def trip(live_server: LiveServer, browser_page: Any) -> str:
    """A trip with four people on two ropes, made through the API."""
    read_as(live_server.app, LEAD)
    with live_server.app.state.db.writing() as work:
        create_outfit(work, "quillstone", "Quillstone Mountain Guides")
    api = browser_page.request
    trip = api.post("/api/trips", data={"plan": plan_json()}).json()["id"]
    rows = [
        "Maren Okafor,lead guide,1",
        "Aroha Tūmanako,client,1",
        "Tashi Wangdrak,assistant guide,2",
        "Ben Aldous,,2",
    ]
    file = {"name": "roster.csv", "mimeType": "text/csv", "buffer": sheet("name,role,rope", *rows)}
    shown = api.post(f"/api/trips/{trip}/roster/preview", multipart={"file": file}).json()
    taken = {"fingerprint": shown["fingerprint"], "table": shown["table"]}
    assert api.post(f"/api/trips/{trip}/roster/confirm", data=taken).ok
    return str(trip)


def pages_of(trip: str) -> list[str]:
    return ["/new-trip"] + [
        f"/trips/{trip}/{page}"
        for page in (
            "plan",
            "plan/trip",
            "plan/stages/top",
            "plan/holds?suggest=1",
            "roster",
            "roster/people/new",
            "roster/ropes",
            "roster/file",
        )
    ]


@pytest.mark.one_database
def test_pages_are_for_everyone_and_fit_a_narrow_phone(browser_page: Any, trip: str) -> None:
    browser_page.set_viewport_size(PHONE)
    for path in pages_of(trip):
        browser_page.set_viewport_size(PHONE)
        browser_page.goto(path)
        assert axe_violations(browser_page) == [], path
        browser_page.set_viewport_size({"width": NARROW_PX, "height": 700})
        assert browser_page.evaluate("document.documentElement.scrollWidth") <= NARROW_PX, path
        for target in browser_page.locator("main button, main label.row, main select").all():
            if target.is_visible():
                assert target.bounding_box()["height"] >= SMALLEST_TARGET_PX, (path, target.inner_text())


@pytest.mark.one_database
def test_a_rope_order_is_changed_by_tapping(browser_page: Any, trip: str) -> None:
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(f"/trips/{trip}/roster/ropes")
    browser_page.get_by_role("button", name=re.compile("^Up.*Aroha Tūmanako")).click()
    rope = browser_page.locator("section", has=browser_page.get_by_role("heading", name="Rope 1"))
    first = rope.locator("li").first
    assert "1. Aroha Tūmanako" in first.inner_text()
    browser_page.get_by_label("Rope for Ben Aldous").select_option(label="Rope 1")
    browser_page.get_by_role("button", name=re.compile("^Move.*Ben Aldous")).click()
    ropes = browser_page.request.get(f"/api/trips/{trip}").json()["ropes"]
    assert [len(rope["members"]) for rope in ropes] == [3, 1]


@pytest.mark.one_database
def test_a_half_good_file_is_corrected_on_the_page(browser_page: Any, trip: str) -> None:
    browser_page.set_viewport_size(PHONE)
    browser_page.goto(f"/trips/{trip}/roster/file")
    content = sheet("name,role,rope", "Inés Quiroga Bell,captain,2", "Cai Wren,client,2")
    browser_page.set_input_files("#file", {"name": "more.csv", "mimeType": "text/csv", "buffer": content})
    browser_page.get_by_role("button", name="Show what would change").click()
    assert axe_violations(browser_page) == []
    browser_page.get_by_label("role").fill("assistant guide")
    browser_page.get_by_role("button", name="Check again").click()
    browser_page.get_by_role("button", name="Take over 2").click()
    assert browser_page.get_by_role("status").first.inner_text() == "Saved."
    assert "Inés Quiroga Bell" in browser_page.locator("main").inner_text()
