"""Every page that the app declares is for everyone (WCAG 2.2 AA, as axe judges it) and fits a phone."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import expect

from api.access.current import SESSION_COOKIE
from api.clock import FixedClock
from api.main import create_app
from api.opening import open_database
from api.settings import Settings
from tests.browser import every_page
from tests.browser.every_page import AT_END, OWN_ITEM, WHO, Furnished, addresses, filled
from tests.photos import pictures
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations

pytestmark = pytest.mark.one_database
PHONE = {"width": 390, "height": 844}
STRANGER = ""
PAGE, PART, FILE, ELSEWHERE = "page", "part of a page", "file", "leads elsewhere"
FILES = (
    "application/json",
    "application/manifest+json",
    "application/pdf",
    "application/vnd.openxmlformats",
    "image/",
    "text/calendar",
    "text/csv",
    "text/javascript",
    "text/markdown",
    "text/plain",
)
"""What else than HTML an address may answer with."""
NOT_HERE = {"/sign-in/openid", "/sign-in/openid/back"}
"""Without a provider to sign in with, these answer with the page of a problem."""
OPENED = "document.querySelectorAll('details').forEach((each) => each.open = true)"


@pytest.fixture
def live_settings(sqlite_url: str, tmp_path: Path) -> Settings:
    return Settings(database_url=sqlite_url, data_dir=tmp_path / "data", port=0, access_log=False)


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    database = open_database(live_settings)
    every_page.seed(database)
    database.close()
    with served(create_app(live_settings, clock=FixedClock(AT_END)), live_settings) as server:
        yield server


class Visit:
    """A browser that goes from page to page as whoever may see it."""

    def __init__(self, page: Any, url: str, furnished: Furnished) -> None:
        self.page, self.url, self.furnished = page, url, furnished

    def come_as(self, who: str) -> None:
        self.page.context.clear_cookies()
        if who != STRANGER:
            token = self.furnished.sessions[who]  # type: ignore[index]
            self.page.context.add_cookies([{"name": SESSION_COOKIE, "value": token, "url": self.url}])

    def kind(self, address: str, path: str) -> str:
        """Come as the first who may see what is at an address, and say what it is."""
        for who in (STRANGER, *WHO):
            self.come_as(who)
            answer = self.page.request.get(path, max_redirects=0, headers={"accept": "text/html"})
            to_sign_in = answer.headers.get("location", "").startswith("/sign-in")
            if answer.status not in (401, 403) and not to_sign_in:
                break
        if answer.status in (302, 303, 307):
            return ELSEWHERE
        assert answer.status == (404 if address in NOT_HERE else 200), (path, answer.status, answer.text())
        media = answer.headers["content-type"]
        if not media.startswith("text/html"):
            assert media.startswith(FILES), (address, media)
            return FILE
        if answer.text().lstrip().lower().startswith("<!doctype html"):
            return PAGE
        assert address.rsplit("/", 1)[-1] in ("_board", "_list", "_part", "progress"), address
        return PART

    def wrong(self, path: str) -> list[str]:
        """What is wrong with a page, all of it opened."""
        self.page.goto(path)
        if self.page.locator("#check").count():
            expect(self.page.locator("#check[data-ready]")).to_be_attached()
        self.page.evaluate(OPENED)
        found = axe_violations(self.page)
        width = self.page.evaluate("document.documentElement.scrollWidth")
        return found + ([f"{width} px wide"] if width > PHONE["width"] else [])

    def own_photo(self) -> str:
        """Send a photo by the personal link; answers with its name."""
        own = f"/r/{self.furnished.parts['/r']['token']}"
        photo = {"name": "boots.jpg", "mimeType": "image/jpeg", "buffer": pictures.located_jpeg()}
        sent = self.page.request.post(f"{own}/items/{OWN_ITEM}/photos", multipart={"photo": photo})
        assert sent.ok, sent.text()
        return str(sent.text().split(f"{own}/photos/")[1].split('"')[0].split("?")[0])


def test_every_page_is_for_everyone_and_fits_a_phone(browser_page: Any, live_server: LiveServer) -> None:
    browser_page.set_viewport_size(PHONE)
    browser_page.emulate_media(reduced_motion="reduce")  # colours half-way are no colours of the page
    furnished = every_page.furnish(live_server.app)
    visit = Visit(browser_page, live_server.url, furnished)
    parts = {**furnished.parts, "/r/{token}/photos": {"photo": visit.own_photo()}}
    unknown: list[str] = []
    wrong: list[str] = []
    kinds = Counter[str]()
    for address in addresses(live_server.app):
        path = filled(address, parts)
        if path is None:
            unknown.append(address)
            continue
        kind = visit.kind(address, path)
        kinds[kind] += 1
        if kind == PAGE:
            wrong += [f"{path}: {found}" for found in visit.wrong(path)]
    assert unknown == [], "these have a part that nothing fills: add it to tests/browser/every_page.py"
    assert not wrong, "\n".join(wrong)
    assert kinds[PAGE] > 75, kinds
