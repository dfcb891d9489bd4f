"""The board in a real browser: for everyone, in every look, kept live, and on paper."""

from __future__ import annotations

import asyncio
import re
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import FastAPI, Request
from fastapi.responses import Response
from fastapi.sse import EventSourceResponse, ServerSentEvent
from playwright.sync_api import expect

from api.settings import Settings
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations
from tests.web import preview, sample
from web.pages.board_show import show_board

BOARD = f"/trips/{sample.TRIP}"
PATHS = (
    "/",
    f"{BOARD}?demo",
    f"{BOARD}/findings/p09.harness",
    f"{BOARD}/people/p09",
    f"{BOARD}/people/nobody",
)
PHONE, DESK = {"width": 390, "height": 844}, {"width": 1280, "height": 900}
SMALLEST_TARGET_PX = 44

SMALL_TARGETS = """(smallest) => [...document.querySelectorAll("a, button, summary, select, label.row")]
  .filter((e) => e.offsetParent !== null && !e.classList.contains("skip"))
  .filter((e) => !(e.tagName === "A" && getComputedStyle(e).display === "inline"))
  .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
  .filter(([, box]) => box.height < smallest || box.width < smallest)
  .map(([html, box]) => `${Math.round(box.width)}x${Math.round(box.height)} ${html}`)"""


class Story:
    """A trip whose journal grows when a test says so, and that counts who listens."""

    def __init__(self) -> None:
        self.seq = sample.board().seq
        self.name = sample.board().name
        self.listening = 0
        self.broken = False

    def grows(self, name: str) -> None:
        self.name = name
        self.seq += 1


def live_app(story: Story) -> FastAPI:
    """The pages of the sample, with a board that changes."""
    app = FastAPI()

    @app.get(f"{BOARD}/_board")
    @app.get(f"{BOARD}")
    def board(request: Request, issue: str = "F1") -> Response:
        part = request.url.path.endswith("/_board")
        if part and story.broken:
            return Response("<p>It broke</p>", status_code=500, media_type="text/html")
        evaluation = sample.evaluation(issue)
        shown = sample.board(issue).model_copy(update={"name": story.name, "seq": story.seq})
        return show_board(request, shown, evaluation.plan, evaluation.conditions, part=part)

    @app.get(f"/api{BOARD}/events", response_class=EventSourceResponse)
    async def events(request: Request) -> AsyncIterator[ServerSentEvent]:
        story.listening += 1
        told = None
        try:
            while not await request.is_disconnected():
                if told != story.seq:
                    told = story.seq
                    yield ServerSentEvent(event="revision", id=str(told), data={"seq": told})
                await asyncio.sleep(0.05)
        finally:
            story.listening -= 1

    app.mount("/", preview.build())
    return app


@pytest.fixture
def story() -> Story:
    return Story()


@pytest.fixture
def live_settings(tmp_path: Path) -> Settings:
    return Settings(data_dir=tmp_path, port=0, access_log=False, stop_wait_s=1)


@pytest.fixture
def live_server(live_settings: Settings, story: Story) -> Iterator[LiveServer]:
    with served(live_app(story), live_settings) as server:
        yield server


@pytest.mark.parametrize("size", [PHONE, DESK], ids=["phone", "desk"])
@pytest.mark.parametrize("look", ["plain", "day", "night"])
def test_pages_are_for_everyone_in_every_look(browser_page: Any, look: str, size: dict[str, int]) -> None:
    browser_page.set_viewport_size(size)
    browser_page.add_init_script(f"localStorage.setItem('look', '{look}')")
    found = {}
    for path in PATHS:
        browser_page.goto(path)
        expect(browser_page.locator("html")).to_have_attribute("data-look", look)
        found[path] = axe_violations(browser_page)
    assert {path: wrong for path, wrong in found.items() if wrong} == {}


def test_the_dark_side_of_the_plain_look_is_for_everyone_too(browser_page: Any) -> None:
    browser_page.emulate_media(color_scheme="dark")
    browser_page.goto(BOARD)
    assert browser_page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(14, 22, 26)"
    assert axe_violations(browser_page) == []


@pytest.mark.parametrize("path", PATHS)
def test_nothing_is_cut_off_on_a_narrow_phone_and_targets_are_large(browser_page: Any, path: str) -> None:
    """Reflow at 320 px is WCAG 2.2, 1.4.10; targets of 44 px are 2.5.5."""
    browser_page.set_viewport_size({"width": 320, "height": 700})
    browser_page.goto(path)
    assert browser_page.evaluate("document.documentElement.scrollWidth") <= 320
    assert browser_page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == []


def test_the_look_is_remembered_on_the_device(browser_page: Any) -> None:
    browser_page.goto(BOARD)
    browser_page.get_by_role("button", name="night").click()
    browser_page.goto("/")
    expect(browser_page.locator("html")).to_have_attribute("data-look", "night")
    expect(browser_page.get_by_role("button", name="night")).to_have_attribute("aria-pressed", "true")


def test_a_finding_opens_in_place_and_on_a_page_of_its_own(browser_page: Any) -> None:
    browser_page.goto(BOARD)
    finding = browser_page.locator("details[id='f-p09.harness']")
    expect(finding.get_by_text("What clears it")).to_be_hidden()
    finding.locator("summary").click()
    expect(finding.get_by_text("What clears it")).to_be_visible()
    finding.get_by_role("link", name="This finding on a page of its own").click()
    expect(browser_page.get_by_role("heading", level=1)).to_contain_text("Samuel Adjei")


def test_without_scripts_the_board_is_complete(browser: Any, live_server: LiveServer) -> None:
    context = browser.new_context(base_url=live_server.url, java_script_enabled=False, viewport=PHONE)
    page = context.new_page()
    page.goto(BOARD)
    for finding in sample.board().findings:
        expect(page.get_by_text(finding.item).first).to_be_attached()
    page.locator("details[id='f-p09.harness'] summary").click()
    expect(page.locator("details[id='f-p09.harness']").get_by_text("What clears it")).to_be_visible()
    expect(page.get_by_role("group", name="Look of this device")).to_be_hidden()
    context.close()


def test_a_change_comes_by_itself_and_what_was_opened_stays_open(browser_page: Any, story: Story) -> None:
    browser_page.goto(BOARD)
    expect(browser_page.locator("#pulse")).to_contain_text("Live")
    finding = browser_page.locator("details[id='f-p09.harness']")
    finding.locator("summary").click()
    browser_page.evaluate("window.kept = document.querySelector('.finding details[open]')")
    story.grows("Renamed meanwhile")
    expect(browser_page.get_by_role("heading", level=1)).to_have_text("Renamed meanwhile")
    expect(finding).to_have_attribute("open", "")
    assert browser_page.evaluate("window.kept === document.querySelector('.finding details[open]')")


def test_a_part_that_cannot_be_had_leaves_the_board_as_it_is(browser_page: Any, story: Story) -> None:
    browser_page.goto(BOARD)
    expect(browser_page.locator("#pulse")).to_contain_text("Live")
    story.broken = True
    with browser_page.expect_response("**/_board") as answered:
        story.grows("Never shown")
    assert answered.value.status == 500
    expect(browser_page.get_by_role("heading", level=1)).to_have_text(sample.board().name)


def test_two_tabs_share_one_stream_and_both_are_told(
    browser: Any, live_server: LiveServer, story: Story
) -> None:
    context = browser.new_context(base_url=live_server.url)
    first, second = context.new_page(), context.new_page()
    for page in (first, second):
        page.goto(BOARD)
        expect(page.locator("#pulse")).to_contain_text("Live")
    assert story.listening == 1
    story.grows("Told to both")
    for page in (first, second):
        expect(page.get_by_role("heading", level=1)).to_have_text("Told to both")
    first.close()
    story.grows("Told to the one that is left")
    expect(second.get_by_role("heading", level=1)).to_have_text("Told to the one that is left")
    context.close()


def test_a_lost_connection_is_said_and_what_was_missed_is_caught_up(browser_page: Any, story: Story) -> None:
    browser_page.goto(BOARD)
    expect(browser_page.locator("#pulse")).to_contain_text("Live")
    browser_page.context.set_offline(True)
    expect(browser_page.locator("#pulse")).to_have_text(re.compile(r"^No connection since \d\d:\d\d$"))
    story.grows("Happened meanwhile")
    browser_page.context.set_offline(False)
    expect(browser_page.get_by_role("heading", level=1)).to_have_text("Happened meanwhile")
    expect(browser_page.locator("#pulse")).to_contain_text("Live")


def test_the_board_prints_on_two_sheets_without_anything_to_press(browser_page: Any) -> None:
    browser_page.goto(f"{BOARD}?demo")
    pdf = browser_page.pdf(prefer_css_page_size=True, print_background=True)
    assert len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 2
    browser_page.emulate_media(media="print")
    assert browser_page.locator("button:visible").count() == 0
    expect(browser_page.locator(".caution")).to_be_visible()
