"""The review in a real browser, as the office uses it: numbers, a list changed and adopted, letters."""

from __future__ import annotations

import re
import shutil
import threading
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from api.clock import FixedClock
from api.db import Database
from api.main import create_app
from api.seasons import trying
from api.settings import Settings
from seeds import history_loading, loading
from seeds.history import invent
from tests.browser.test_board_pages import PHONE, SMALL_TARGETS, SMALLEST_TARGET_PX
from tests.seasons.conftest import NOW
from tests.support.databases import SqliteTemplates
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations

WIDE = {"width": 1280, "height": 900}
LINE = "/seasons/requirements/headlamp-power"
PATHS = (
    "/seasons",
    "/seasons?season=2025&first=2025-06",
    "/seasons/trips",
    LINE,
    f"{LINE}/trips?what=lacking",
    *(f"/seasons/notes/{which}" for which in ("late", "surprises", "locker", "remarks")),
    "/seasons/trials",
    "/seasons/letters",
)
TRIPS_A_SEASON = 4


@pytest.fixture(scope="module")
def history_file(sqlite_templates: SqliteTemplates, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A SQLite file with the demo and a few invented trips, reviewed; to be copied."""
    folder = tmp_path_factory.mktemp("seasons-pages")
    with sqlite_templates.fresh(folder) as url, closing(Database(url)) as db:
        loading.seed(db)
        history_loading.load(db, FixedClock(NOW), trips=invent(TRIPS_A_SEASON))
    return next(folder.glob("*.sqlite3"))


@pytest.fixture
def sqlite_url(history_file: Path, tmp_path: Path) -> str:
    """The URL of a copy of it."""
    file = tmp_path / "seasons.sqlite3"
    shutil.copyfile(history_file, file)
    return f"sqlite:///{file}"


@pytest.fixture
def live_settings(sqlite_url: str, tmp_path: Path) -> Settings:
    return Settings(database_url=sqlite_url, data_dir=tmp_path / "data", port=0, access_log=False, demo=True)


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    app = create_app(live_settings)
    with served(app, live_settings) as server:
        app.state.clock.move_to(NOW)
        yield server


@pytest.fixture
def office(browser_page: Any) -> Any:
    """A page that the office reads."""
    browser_page.goto("/seasons")
    browser_page.get_by_role("button", name="Office").click()
    return browser_page


def fits(page: Any, size: dict[str, int]) -> None:
    """Nothing is cut off, and on a phone every target is large enough for gloves."""
    page.set_viewport_size(size)
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"], page.url
    assert axe_violations(page) == [], page.url
    if size is PHONE:
        assert page.evaluate(SMALL_TARGETS, SMALLEST_TARGET_PX) == [], page.url


def test_nothing_is_cut_off_and_targets_are_large(office: Any) -> None:
    for path in PATHS:
        assert office.goto(path).status == 200, path
        for size in (PHONE, WIDE):
            fits(office, size)


def test_a_number_opens_its_trips_and_the_table_leaves_as_a_file(office: Any) -> None:
    office.set_viewport_size(PHONE)
    office.goto("/seasons")
    office.get_by_role("link", name="Spare power for the headlamp, or a second lamp").first.click()
    known = office.get_by_role("row", name=re.compile(r"^said \d"))
    people = known.get_by_role("link").inner_text()
    known.get_by_role("link").click()
    expect(office.get_by_role("heading", level=1)).to_contain_text("lacking, said when found")
    expect(office.get_by_text(re.compile(rf"\b{people}\s(person|people) counted")).first).to_be_visible()
    with office.expect_download() as taken:
        office.get_by_role("link", name="These trips as CSV").click()
    assert taken.value.suggested_filename == "trips-known-said.csv"
    rows = Path(taken.value.path()).read_text(encoding="utf-8-sig").splitlines()
    assert rows[0].startswith("trip,trip_name,began")
    assert sum(int(row.split(",")[-2]) for row in rows[1:]) == int(people)
    office.locator("table a").first.click()
    office.wait_for_url(re.compile(r"/trips/history-202\d-\d+$"))


def changed_copy(page: Any) -> str:
    """Copy a list, raise the level at which dry mitts are advised by 300 m, and go to where it is tried."""
    page.goto("/seasons/trials")
    page.get_by_label("Copy of").select_option("climbers-2025")
    page.get_by_role("button", name="Copy it and change the copy").click()
    page.get_by_role("link", name="Freezing level at which a dry pair of mitts is advised").click()
    page.locator("input[name=value]").fill("-200 m")
    page.get_by_role("button", name="Save").first.click()
    page.get_by_role("link", name="Try it on past trips").click()
    draft: str = page.get_by_label("The changed list").input_value()
    assert draft in page.url
    return draft


def test_a_list_is_changed_tried_and_adopted(office: Any) -> None:
    draft = changed_copy(office)
    office.get_by_role("button", name="Try it").click()
    found = office.get_by_role("heading", name="Line by line")
    expect(office.get_by_role("link", name="Show what it found").or_(found)).to_be_visible(timeout=60_000)
    office.goto(office.url)
    for size in (PHONE, WIDE):
        fits(office, size)
    trial = office.url
    office.locator("a[href*='what=come']").first.click()
    expect(office.get_by_role("heading", level=1)).to_contain_text("would have come")
    for size in (PHONE, WIDE):
        fits(office, size)
    office.goto(trial)
    office.get_by_label("Why").fill("Cold hands on half of the trips")
    office.get_by_role("button", name="Adopt the changed list").click()
    expect(office.get_by_text("Cold hands on half of the trips")).to_be_visible()
    expect(office.get_by_text("No season has begun since")).to_be_visible()
    office.goto(f"/kit-lists/{draft}")
    expect(office.get_by_text("Cold hands on half of the trips")).to_be_visible()
    office.get_by_role("link", name="Its evidence").click()
    assert office.url == trial


def test_a_long_trial_says_how_far_it_is_and_is_stopped(office: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    over = threading.Event()

    def endless(*given: Any) -> Iterator[Any]:
        """A trial that goes on until somebody stops it."""
        go_on = given[-1]
        while not over.wait(0.02):
            go_on(1)
            yield from ()

    monkeypatch.setattr(trying, "for_all", endless)
    try:
        changed_copy(office)
        office.get_by_role("button", name="Try it").click()
        expect(office.get_by_text(re.compile("It is running: [1-9]"))).to_be_visible(timeout=30_000)
        for size in (PHONE, WIDE):
            fits(office, size)
        office.get_by_role("button", name="Stop it").click()
        expect(office.get_by_text(re.compile("It (is|was) stopped"))).to_be_visible(timeout=30_000)
        office.goto(office.url)
        expect(office.get_by_text("Nothing was changed")).to_be_visible()
        expect(office.get_by_role("button", name="Try it again")).to_be_visible()
        fits(office, PHONE)
    finally:
        over.set()


def test_letters_are_put_into_other_words_and_taken_along(office: Any) -> None:
    for reader in ("guides", "climbers, with the mail before a trip"):
        office.goto("/seasons/letters")
        office.get_by_role("radio", name=reader).check()
        office.get_by_role("button", name="Write a letter").click()
        text = office.get_by_label("Text")
        assert "Spare power for the headlamp" in text.input_value()
        text.fill("Two lamps, **please**.")
        office.get_by_role("button", name="Keep it").click()
        expect(office.get_by_label("Text")).to_have_value("Two lamps, **please**.")
        for size in (PHONE, WIDE):
            fits(office, size)
        for link, begins in (("Take it as Markdown", b"# "), ("Take it as PDF", b"%PDF")):
            with office.expect_download() as taken:
                office.get_by_role("link", name=link).click()
            assert Path(taken.value.path()).read_bytes().startswith(begins)
        with office.expect_download() as taken:
            office.get_by_role("link", name="The numbers it was begun with as CSV").click()
        assert "headlamp-power" in Path(taken.value.path()).read_text(encoding="utf-8-sig")
