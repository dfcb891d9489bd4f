"""The locker, loans, the cover plan and rules in a real browser: large targets, a scan, one confirmation."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from api.main import create_app
from api.settings import Settings
from seeds import demo, loading, locker, permit
from tests.browser.test_board_pages import PHONE, SMALL_TARGETS, SMALLEST_TARGET_PX
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations

AT = f"/trips/{demo.scenario().trip}"
WIDE = {"width": 1280, "height": 900}
PATHS = (
    "/locker",
    "/locker/items/he-02",
    "/locker/items/ha-02",
    "/locker/items/he-02/release",
    "/locker/items/new",
    "/locker/labels",
    "/locker/shops",
    "/locker/shops/desk-fuel",
    "/party-rules",
    "/party-rules?change=vhr-glacier",
    f"{AT}/cover",
    f"{AT}/loans",
    f"{AT}/loans/new",
    f"{AT}/ropes-check",
    f"{AT}/group-gear?propose=1",
    f"{AT}/if-they-stay?who-p07=stay&who-p09=down",
)
CAMERA = """
  window.BarcodeDetector = class {
    static async getSupportedFormats() { return ["qr_code"]; }
    async detect() { return [{ rawValue: "http://hut.example/locker/items/he-02" }]; }
  };
  navigator.mediaDevices.getUserMedia = async () => {
    const canvas = document.createElement("canvas");
    setInterval(() => canvas.getContext("2d").fillRect(Date.now() % 50, 0, 9, 9), 40);
    return canvas.captureStream();
  };
"""
"""A camera in front of which a label is held."""
FILMED = """
  delete window.BarcodeDetector;
  navigator.mediaDevices.getUserMedia = async () => {
    const canvas = Object.assign(document.createElement("canvas"), { width: 480, height: 480 });
    const pen = canvas.getContext("2d");
    const label = new Image();
    label.src = "data:image/svg+xml," + encodeURIComponent(LABEL);
    setInterval(() => {
      pen.fillStyle = "white";
      pen.fillRect(0, 0, 480, 480);
      if (label.naturalWidth) pen.drawImage(label, 60, 60, 360, 360);
    }, 40);
    return canvas.captureStream();
  };
"""
"""A browser that cannot read codes, and a camera that films a label."""
NO_CAMERA = """
  window.BarcodeDetector = class { static async getSupportedFormats() { return ["qr_code"]; } };
  navigator.mediaDevices.getUserMedia = async () => { throw new DOMException("no", "NotAllowedError"); };
"""


@pytest.fixture
def live_settings(sqlite_url: str, tmp_path: Path) -> Settings:
    return Settings(database_url=sqlite_url, data_dir=tmp_path / "data", port=0, access_log=False, demo=True)


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    app = create_app(live_settings)
    with served(app, live_settings) as server:
        loading.seed(app.state.db)
        with app.state.db.writing() as work:
            outfit = demo.scenario().data["outfit"]["id"]
            assert locker.load_once(work, outfit)
            assert permit.load_once(work, outfit)
        app.state.clock.move_to(loading.begins_at(demo.moments(demo.scenario())[0]))
        yield server


@pytest.mark.parametrize("size", [PHONE, WIDE], ids=["phone", "wide"])
def test_nothing_is_cut_off_and_targets_are_large(browser_page: Any, size: dict[str, int]) -> None:
    browser_page.set_viewport_size(size)
    for path in PATHS:
        assert browser_page.goto(path).status == 200, path
        assert browser_page.evaluate("document.documentElement.scrollWidth") <= size["width"], path
        assert axe_violations(browser_page) == [], path
        if size is PHONE:
            assert browser_page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == [], path


class TestScanning:
    def test_a_label_before_the_camera_opens_the_thing(self, browser_page: Any) -> None:
        browser_page.add_init_script(CAMERA)
        browser_page.goto("/locker")
        browser_page.get_by_role("button", name="Scan with the camera").click()
        browser_page.wait_for_url("**/locker/items/he-02")
        expect(browser_page.get_by_text("In quarantine.", exact=True)).to_be_visible()

    def test_where_the_camera_is_refused_it_says_to_type(self, browser_page: Any) -> None:
        browser_page.add_init_script(NO_CAMERA)
        browser_page.goto("/locker")
        browser_page.get_by_role("button", name="Scan with the camera").click()
        expect(browser_page.get_by_role("status").filter(has_text="Type what stands")).to_be_visible()

    def test_a_browser_that_reads_no_codes_fetches_what_does(self, browser_page: Any) -> None:
        browser_page.goto("/locker/items/he-02")
        label = browser_page.locator("figure.label svg").evaluate(
            "svg => new XMLSerializer().serializeToString(svg)"
        )
        browser_page.add_init_script(FILMED.replace("LABEL", json.dumps(label)))
        browser_page.goto("/locker")
        browser_page.get_by_role("button", name="Scan with the camera").click()
        browser_page.wait_for_url("**/locker/items/he-02")

    def test_without_a_camera_there_is_typing(self, browser_page: Any) -> None:
        browser_page.add_init_script("delete Navigator.prototype.mediaDevices;")
        browser_page.goto("/locker")
        expect(browser_page.get_by_role("button", name="Scan with the camera")).to_be_hidden()
        browser_page.get_by_label("What the label says").fill("PA-01")
        browser_page.get_by_role("button", name="Show it").click()
        browser_page.wait_for_url("**/locker/items/pa-01")


class TestCoverPlan:
    def test_promised_in_part_by_one_confirmation(self, browser_page: Any) -> None:
        browser_page.set_viewport_size(PHONE)
        browser_page.goto(f"{AT}/cover")
        boxes = browser_page.locator("input[name=lines]")
        lines = boxes.count()
        assert lines > 5
        expect(browser_page.get_by_text("What would help most")).to_be_visible()
        browser_page.get_by_role("checkbox", name=re.compile("Chiara Bonfanti gets Warm parka")).uncheck()
        browser_page.get_by_role("button", name="Promise what is ticked").click()
        browser_page.wait_for_url(f"**{AT}/loans")
        expect(browser_page.get_by_text("promised, not seen yet").first).to_be_visible()
        browser_page.goto(f"{AT}/cover")
        assert browser_page.locator("input[name=lines]").count() == 1
        expect(browser_page.get_by_text("Promised or handed out already")).to_be_visible()

    def test_nothing_ticked_is_said_and_nothing_promised(self, browser_page: Any) -> None:
        browser_page.goto(f"{AT}/cover")
        for box in browser_page.locator("input[name=lines]").all():
            box.uncheck()
        browser_page.get_by_role("button", name="Promise what is ticked").click()
        expect(browser_page.get_by_text("Tick at least one line")).to_be_visible()

    def test_handed_out_tried_the_flag_is_gone_and_back_damaged_it_is_held(self, browser_page: Any) -> None:
        browser_page.goto(f"{AT}/loans/new?item=st-02")
        browser_page.get_by_label("For whom").select_option("p09")
        browser_page.get_by_label("For what").select_option("shell-trousers")
        browser_page.get_by_role("button", name="Promise it").click()
        browser_page.get_by_role("link", name=re.compile("Shell trousers")).click()
        browser_page.get_by_label("Tried on, and it fits").check()
        for pick in browser_page.locator("select").all():
            if pick.locator("option[value=yes]").count():
                pick.select_option("yes")
        browser_page.get_by_role("button", name="Hand it out").click()
        browser_page.wait_for_url(f"**{AT}/loans")
        browser_page.goto(f"{AT}/flags/p09.shell-trousers")
        expect(browser_page.get_by_text(re.compile(r"^Cleared\."))).to_be_visible()
        browser_page.goto(f"{AT}/loans")
        browser_page.get_by_role("link", name=re.compile("Shell trousers")).click()
        browser_page.get_by_label("damaged, or doubtful").check()
        browser_page.get_by_label("What happened to it").fill("torn at the knee")
        browser_page.get_by_role("button", name="It is back").click()
        browser_page.goto("/locker/items/st-02")
        expect(browser_page.get_by_text("In quarantine.", exact=True)).to_be_visible()


def test_a_rule_is_changed_on_the_page(browser_page: Any) -> None:
    browser_page.goto("/party-rules")
    browser_page.get_by_role("link", name=re.compile("^Change.*party$")).click()
    browser_page.get_by_label("Largest party, guides included").fill("10")
    browser_page.get_by_role("button", name="Change the rule").click()
    expect(browser_page.get_by_text("A party of at most 10")).to_be_visible()
    expect(browser_page.get_by_text("Out of use.")).to_have_count(1)
