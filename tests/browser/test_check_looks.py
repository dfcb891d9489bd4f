"""The check for hands in mitts, in every look: large, high in contrast, still, and for everyone."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from api.main import create_app
from api.settings import Settings
from tests.handson.yard import TRIP, furnish, read_by_cookie
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations

BASE = f"/trips/{TRIP}/hands-on"
PATHS = (
    BASE,
    f"{BASE}/of/aroha?item=crampons",
    f"{BASE}/of/aroha?item=headlamp&ask=charge",
    f"{BASE}/of/aroha?item=mitts&ask=dry",
    f"{BASE}/of/aroha?item=parka&more=1",
    f"{BASE}/call/rope-1?item=boots",
)
LOOKS = ("plain", "day", "night")
PHONE = {"width": 390, "height": 844}
SMALLEST_PX = 64
"""For mitts; twice what is asked of bare fingers at the least (WCAG 2.2, 2.5.5: 44 px)."""

SMALL_TARGETS = """(smallest) => [...document.querySelectorAll("a, button, summary, textarea")]
  .filter((e) => e.offsetParent !== null && !e.classList.contains("skip"))
  .filter((e) => !(e.tagName === "A" && getComputedStyle(e).display === "inline"))
  .map((e) => [e.outerHTML.slice(0, 80), e.getBoundingClientRect()])
  .filter(([, box]) => Math.round(box.height) < smallest || Math.round(box.width) < smallest)
  .map(([html, box]) => `${Math.round(box.width)}x${Math.round(box.height)} ${html}`)"""

PLACES = """[...document.querySelectorAll(".slot, .to-check")].filter((e) => e.offsetParent)
  .map((e) => e.getBoundingClientRect()).map((box) => [Math.round(box.x), Math.round(box.y)])"""
# Just before the first picture is shown: until then the style sheets may still be on their way.
FIRST_PLACES = f"""document.addEventListener("readystatechange", () => {{
  if (document.readyState === "interactive") requestAnimationFrame(() => {{
    window.firstPlaces = {PLACES};
  }});
}});"""


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    app = create_app(live_settings)
    read_by_cookie(app)
    with served(app, live_settings) as server:
        furnish(app.state.db)
        yield server


def show(page: Any, path: str) -> None:
    page.goto(path)
    expect(page.locator("#check[data-ready]")).to_be_attached()


@pytest.mark.parametrize("look", LOOKS)
def test_it_is_for_everyone_and_seven_to_one_in_every_look(browser_page: Any, look: str) -> None:
    """7:1 is WCAG 2.2, 1.4.6, judged by axe's rule for it."""
    browser_page.set_viewport_size(PHONE)
    browser_page.add_init_script(f"localStorage.setItem('look', '{look}')")
    enhanced = {"runOnly": {"type": "rule", "values": ["color-contrast-enhanced"]}}
    found = {}
    for path in PATHS:
        show(browser_page, path)
        expect(browser_page.locator("html")).to_have_attribute("data-look", look)
        judged = Axe().run(browser_page, options=enhanced).response
        assert judged["passes"]
        weak = judged["violations"]
        found[path] = axe_violations(browser_page) + [
            f"{node['html'][:80]}: {node['any'][0]['message']}" for rule in weak for node in rule["nodes"]
        ]
    assert {path: wrong for path, wrong in found.items() if wrong} == {}


@pytest.mark.parametrize("width", [390, 320])
@pytest.mark.parametrize("with_scripts", [True, False], ids=["scripts", "no-scripts"])
def test_every_target_is_large_and_nothing_is_cut_off(
    browser: Any, live_server: LiveServer, width: int, with_scripts: bool
) -> None:
    size = {"width": width, "height": 844}
    context = browser.new_context(base_url=live_server.url, viewport=size, java_script_enabled=with_scripts)
    page = context.new_page()
    for path in PATHS:
        page.goto(path)
        if with_scripts:
            expect(page.locator("#check[data-ready]")).to_be_attached()
        assert page.evaluate(SMALL_TARGETS, SMALLEST_PX) == [], path
        assert page.evaluate("document.documentElement.scrollWidth") <= width, path
    context.close()


def test_the_pad_stays_where_it_is_and_seen_and_fine_is_the_largest(browser_page: Any) -> None:
    browser_page.set_viewport_size(PHONE)
    show(browser_page, f"{BASE}/of/aroha?item=boots")
    places, items = [], []
    for _ in range(4):
        browser_page.wait_for_timeout(270)
        boxes = [slot.bounding_box() for slot in browser_page.locator(".pad .slot").all()]
        items.append(browser_page.locator(".card h2").inner_text())
        assert max(box["y"] + box["height"] for box in boxes) <= PHONE["height"]
        sizes = {b.inner_text(): b.bounding_box() for b in browser_page.locator(".answers .slot").all()}
        area = {name: box["width"] * box["height"] for name, box in sizes.items()}
        assert max(area, key=lambda name: area[name]) == "Seen and fine"
        places.append([(box["x"], box["y"]) for box in boxes])
        browser_page.get_by_role("link", name="Later").click()
    assert len(set(items)) == 4
    assert all(place == places[0] for place in places)


@pytest.mark.parametrize("path", [BASE, f"{BASE}/of/aroha?item=boots", f"{BASE}/call/rope-1?item=boots"])
def test_nothing_moves_while_the_page_wakes_up_or_the_signal_goes(browser_page: Any, path: str) -> None:
    browser_page.set_viewport_size(PHONE)
    browser_page.add_init_script(FIRST_PLACES)
    show(browser_page, path)
    expect(browser_page.locator("#carried")).to_contain_text("Everything has arrived")
    expect(browser_page.locator("#check[data-kept]")).to_be_attached(timeout=15_000)
    first = browser_page.evaluate("window.firstPlaces")
    assert len(first) > 3
    assert browser_page.evaluate(PLACES) == first
    browser_page.context.set_offline(True)
    expect(browser_page.locator("#carried")).to_contain_text("No signal")
    assert browser_page.evaluate(PLACES) == first


def test_the_look_is_chosen_on_the_page_and_kept_on_this_device_alone(
    browser: Any, live_server: LiveServer
) -> None:
    """Kept where a closed browser finds it again, from the first line that is drawn on."""
    device, other = (browser.new_context(base_url=live_server.url, viewport=PHONE) for _ in range(2))
    for look in ("day", "night", "plain"):
        page = device.new_page()
        show(page, BASE)
        looks = page.get_by_role("group", name="Look of this device")
        looks.get_by_role("button", name=look).click()
        page.close()

        again = device.new_page()
        for path in (BASE, f"{BASE}/of/aroha?item=boots", "/"):
            again.goto(path)
            expect(again.locator("html")).to_have_attribute("data-look", look)
            looks = again.get_by_role("group", name="Look of this device")
            expect(looks.get_by_role("button", pressed=True)).to_have_text(look)
        again.close()
        if look != "plain":
            assert background(device.new_page()) != background(other.new_page()), look
    device.close()
    other.close()


def background(page: Any) -> str:
    """The colour that the check stands on, for whoever opens it now."""
    show(page, BASE)
    colour: str = page.evaluate("getComputedStyle(document.body).backgroundColor")
    page.close()
    return colour


def test_a_bouncing_finger_answers_once(browser_page: Any) -> None:
    browser_page.set_viewport_size(PHONE)
    show(browser_page, f"{BASE}/of/aroha?item=boots")
    browser_page.wait_for_timeout(300)
    browser_page.get_by_role("button", name="Seen and fine").dblclick()
    expect(browser_page.locator(".card h2")).to_have_text("Crampons")
    browser_page.wait_for_timeout(400)
    expect(browser_page.locator(".card h2")).to_have_text("Crampons")


def test_script_and_forms_show_the_same(browser: Any, live_server: LiveServer) -> None:
    """The phone makes its views itself; they must not drift from the service's."""
    office = browser.new_context(base_url=live_server.url)
    for item, does in (("parka", "unfit"), ("boots", "absent")):
        office.request.post(f"{BASE}/of/aroha", form={"item": item, "do": does})
    flags, tomorrow = f"/api/trips/{TRIP}/flags", datetime.now(UTC) + timedelta(days=1)
    taken = office.request.post(f"{flags}/aroha.boots/take", data={"until": tomorrow.isoformat()})
    accepted = office.request.post(f"{flags}/aroha.parka/accept", data={"reason": "Worn over another."})
    assert (taken.status, accepted.status) == (200, 200)
    office.close()
    texts = {}
    for scripts in (True, False):
        context = browser.new_context(base_url=live_server.url, viewport=PHONE, java_script_enabled=scripts)
        page = context.new_page()
        texts[scripts] = []
        for path in (*PATHS, f"{BASE}/of/aroha?item=parka", f"{BASE}/of/aroha?item=boots"):
            page.goto(path)
            if scripts:
                expect(page.locator("#check[data-ready]")).to_be_attached()
            texts[scripts].append(" ".join(page.locator("#check").inner_text().split()))
        context.close()
    assert texts[True] == texts[False]
    assert "Accepted by Maren Okafor." in texts[True][-2]
    assert "sees to it until" in texts[True][-1]
