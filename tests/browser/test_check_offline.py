"""The check without a network: everything a phone showed as kept arrives, once, whatever dies in between."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import expect

from api.db import Database
from api.journal.kinds import Sighting, Withdrawn
from api.main import create_app
from api.photos import queries as photo_queries
from api.readiness.schemas import GapKind
from api.settings import Settings
from tests.handson.yard import (
    GUIDES,
    OUTFIT,
    PEOPLE,
    READER_COOKIE,
    THINGS,
    TRIP,
    furnish,
    read_by_cookie,
    stored,
)
from tests.photos import pictures
from tests.support.live import LiveServer, served

BASE = f"/trips/{TRIP}/hands-on"
PHONE = {"width": 390, "height": 844}
ONLY_HERE = re.compile(r"^\d+\srecords? only on this phone, since \d\d:\d\d")
ARRIVED = re.compile("^Everything has arrived")


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    app = create_app(live_settings)
    read_by_cookie(app)
    with served(app, live_settings) as server:
        furnish(app.state.db)
        yield server


@pytest.fixture
def db(live_server: LiveServer) -> Database:
    found: Database = live_server.app.state.db
    return found


class Phone:
    """A guide's phone."""

    def __init__(self, browser: Any, server: LiveServer, guide: str) -> None:
        self.context = browser.new_context(base_url=server.url, viewport=PHONE)
        self.context.add_cookies([{"name": READER_COOKIE, "value": guide, "url": server.url}])
        self.failures: list[str] = []
        self.page: Any = None

    def open(self, path: str = BASE) -> Any:
        self.page = self.context.new_page()
        self.page.on("pageerror", lambda error: self.failures.append(str(error)))
        self.page.goto(path)
        expect(self.page.locator("#check[data-ready]")).to_be_attached()
        return self.page

    def keep(self) -> None:
        """Wait until one visit is enough."""
        expect(self.page.locator("#check[data-kept]")).to_be_attached(timeout=15_000)

    def cut(self) -> None:
        self.context.set_offline(True)

    def mend(self) -> None:
        self.context.set_offline(False)

    def go(self, path: str) -> None:
        self.page.goto(path)
        expect(self.page.locator("#check[data-ready]")).to_be_attached()

    def tap(self, name: str, *, exact: bool = True) -> None:
        """Tap a button, with the pause a hand needs before the next."""
        self.page.wait_for_timeout(270)
        self.page.get_by_role("button", name=name, exact=exact).click()
        expect(self.page.locator(".slot.pressed")).to_have_count(0)

    def carried(self) -> Any:
        return self.page.locator("#carried")

    def close(self) -> None:
        self.context.close()
        assert self.failures == []


@pytest.fixture
def phones(browser: Any, live_server: LiveServer) -> Iterator[Any]:
    made: list[Phone] = []

    def make(guide: str) -> Phone:
        made.append(Phone(browser, live_server, guide))
        return made[-1]

    yield make
    for phone in made:
        phone.close()


def sightings(db: Database) -> list[Any]:
    return [entry for entry in stored(db) if isinstance(entry.body, Sighting)]


def check_everyone(phone: Phone) -> int:
    """Go through the whole rope, person by person, as the screen leads; returns how many taps it took."""
    taps = 0
    for member in PEOPLE:
        phone.go(f"{BASE}/of/{member}")
        heading = phone.page.locator(".card h2")
        for _ in range(40):
            if heading.inner_text() == "Everything has been looked at":
                break
            if phone.page.get_by_role("button", name="That is it").count():
                phone.tap("That is it")
            elif phone.page.get_by_role("button", name="Yes", exact=True).count():
                phone.tap("Yes")
            elif phone.page.get_by_text("Counts only when tried.").count():
                phone.tap("Tried and fine")
            else:
                phone.tap("Seen and fine")
            taps += 1
        expect(heading).to_have_text("Everything has been looked at")
    return taps


def test_a_rope_checked_without_signal_arrives_once_though_the_page_dies(
    phones: Any, db: Database, live_server: LiveServer
) -> None:
    phone = phones("maren")
    phone.open()
    phone.keep()
    before = len(stored(db))
    phone.cut()
    taps = check_everyone(phone)
    assert taps == len(PEOPLE) * (len(THINGS) + 2)
    expect(phone.carried()).to_have_text(ONLY_HERE)
    said = phone.carried().inner_text()
    assert said.startswith(f"{taps}\N{NO-BREAK SPACE}records only on this phone")
    phone.page.close(run_before_unload=False)

    phone.open(f"{BASE}/of/samuel")
    expect(phone.carried()).to_have_text(re.compile(f"^{taps}\\s"))
    expect(phone.page.locator(".card h2")).to_have_text("Everything has been looked at")
    assert len(stored(db)) == before

    phone.mend()
    expect(phone.carried()).to_have_text(ARRIVED, timeout=15_000)
    arrived = stored(db)[before:]
    assert len(arrived) == taps
    assert max(Counter(entry.id for entry in arrived).values()) == 1
    assert [entry.id for entry in arrived] == sorted(entry.id for entry in arrived)
    assert [found.id for found in findings(live_server).values() if found.requirement in THINGS] == []


def test_two_tabs_send_everything_once(phones: Any, db: Database) -> None:
    phone = phones("maren")
    first = phone.open()
    phone.keep()
    phone.cut()
    phone.go(f"{BASE}/call/rope-1?item=boots")
    phone.tap("All the rest: seen and fine")
    second = phone.open()
    expect(phone.carried()).to_have_text(re.compile("^4\\srecords only"))
    posted: list[str] = []
    for page in (first, second):
        page.on("request", lambda request: posted.append(request.url) if request.method == "POST" else None)
    phone.mend()
    for page in (first, second):
        expect(page.locator("#carried")).to_have_text(ARRIVED, timeout=15_000)
    assert len(sightings(db)) == len(PEOPLE)
    assert len(posted) == 1


def test_two_guides_without_signal_disagree_and_a_third_look_settles_it(
    phones: Any, db: Database, live_server: LiveServer
) -> None:
    one, two = phones("maren"), phones("tashi")
    for phone in (one, two):
        phone.open()
        phone.keep()
        phone.cut()
        phone.go(f"{BASE}/of/yusuf?item=boots")
    one.tap("Seen and fine")
    two.tap("Unfit")
    for phone in (one, two):
        phone.mend()
        expect(phone.carried()).to_have_text(ARRIVED, timeout=15_000)

    found = findings(live_server)["yusuf.boots"]
    assert found.kind is GapKind.DISAGREE
    assert {seen.by for seen in found.evidence} == {GUIDES["maren"].name, GUIDES["tashi"].name}

    one.go(f"{BASE}/of/yusuf?item=boots")
    expect(one.page.get_by_text("Two guides disagree")).to_be_visible()
    one.tap("Seen and fine")
    expect(one.carried()).to_have_text(ARRIVED, timeout=15_000)
    settled = sightings(db)[-1]
    assert set(settled.after) == {entry.id for entry in sightings(db)[:-1]}
    assert "yusuf.boots" not in findings(live_server)


def findings(server: LiveServer) -> dict[str, Any]:
    with server.app.state.db.reading() as conn:
        evaluation = server.app.state.readiness.evaluation(conn, OUTFIT, TRIP)
    return {finding.id: finding for finding in evaluation.findings}


def test_a_record_is_taken_back_by_a_record(phones: Any, db: Database) -> None:
    phone = phones("maren")
    phone.open()
    phone.keep()
    phone.go(f"{BASE}/of/aroha?item=parka")
    phone.tap("Absent")
    phone.cut()
    phone.tap("Undo")
    expect(phone.page.locator(".card h2")).to_have_text("Parka")
    expect(phone.page.get_by_text("Nobody has looked at it yet.")).to_be_visible()
    phone.mend()
    expect(phone.carried()).to_have_text(ARRIVED, timeout=15_000)
    kinds = [type(entry.body) for entry in stored(db)[-2:]]
    assert kinds == [Sighting, Withdrawn]


def test_a_photo_taken_without_signal_arrives_small_with_its_record_though_the_page_dies(
    phones: Any, db: Database, live_server: LiveServer
) -> None:
    phone = phones("maren")
    phone.open()
    phone.keep()
    phone.cut()
    phone.go(f"{BASE}/of/aroha?item=parka")
    phone.tap("Unfit")
    phone.go(f"{BASE}/of/aroha?item=parka&more=1")
    taken = {"name": "IMG_1.jpg", "mimeType": "image/jpeg", "buffer": pictures.located_jpeg_of(4000, 3000)}
    phone.page.wait_for_timeout(300)
    phone.page.locator("#photo").set_input_files(taken)
    expect(phone.carried()).to_have_text(re.compile("^2\\srecords and 1\\sphoto only on this phone"))
    phone.page.close(run_before_unload=False)
    phone.open(f"{BASE}/of/aroha?item=parka")
    expect(phone.carried()).to_have_text(re.compile("^2\\srecords and 1\\sphoto only on this phone"))
    posted: list[int] = []
    phone.page.on(
        "request",
        lambda sent: posted.append(1) if sent.url.endswith("/photos") else None,
    )
    phone.mend()
    expect(phone.carried()).to_have_text(ARRIVED, timeout=15_000)
    assert len(posted) == 1
    record = sightings(db)[-1].body
    assert (record.subject, record.requirement, record.state.value) == ("aroha", "parka", "unfit")
    with db.reading() as conn:
        (kept,) = photo_queries.listed(conn, OUTFIT, TRIP)
    assert (kept.hash, kept.subject, kept.requirement) == (record.photo, "aroha", "parka")
    assert (kept.width, kept.height) == (1600, 1200)
    assert phone.page.request.get(f"{live_server.url}/api/trips/{TRIP}/photos/{kept.hash}").status == 200


def test_a_photo_that_is_not_taken_is_said_and_can_be_put_away(phones: Any, db: Database) -> None:
    phone = phones("maren")
    phone.open(f"{BASE}/of/aroha?item=parka")
    phone.keep()
    phone.tap("Seen and fine")
    phone.go(f"{BASE}/of/aroha?item=parka&more=1")
    phone.page.wait_for_timeout(300)
    phone.page.locator("#photo").set_input_files(
        {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": b"no picture"}
    )
    expect(phone.carried()).to_have_text(re.compile("^1\\sphoto not taken by the service"), timeout=15_000)
    phone.go(BASE)
    expect(phone.page.get_by_text("Photo of Aroha Tūmanako: Parka.")).to_be_visible()
    phone.tap("Put it away")
    expect(phone.carried()).to_have_text(ARRIVED)


def test_someone_elses_records_wait_for_them(phones: Any, db: Database, live_server: LiveServer) -> None:
    phone = phones("maren")
    phone.open()
    phone.keep()
    phone.cut()
    phone.go(f"{BASE}/of/aroha?item=boots")
    phone.tap("Seen and fine")
    cookie = {"name": READER_COOKIE, "url": live_server.url}
    phone.context.add_cookies([{**cookie, "value": "tashi"}])
    phone.mend()
    phone.page.reload()
    expect(phone.carried()).to_have_text(re.compile("Maren Okafor wait until they sign in"), timeout=15_000)
    assert sightings(db) == []
    phone.context.add_cookies([{**cookie, "value": "maren"}])
    phone.page.reload()
    expect(phone.carried()).to_have_text(ARRIVED, timeout=15_000)
    assert [entry.actor.id for entry in sightings(db)] == ["maren"]


def test_a_wrong_clock_is_put_right_and_says_so_when_it_was_not(phones: Any, db: Database) -> None:
    phone = phones("maren")
    phone.context.add_init_script("{ const real = Date.now; Date.now = () => real() + 3 * 3600 * 1000; }")
    phone.open(f"{BASE}/of/aroha?item=boots")
    phone.keep()
    phone.tap("Seen and fine")
    expect(phone.carried()).to_have_text(ARRIVED, timeout=15_000)
    entry = sightings(db)[-1]
    assert abs((entry.happened_at - entry.received_at).total_seconds()) < 60


def test_what_the_phone_could_not_keep_is_said_and_not_shown_as_looked_at(phones: Any, db: Database) -> None:
    phone = phones("maren")
    phone.open(f"{BASE}/of/aroha?item=boots")
    phone.keep()
    full = "throw new DOMException('full', 'QuotaExceededError');"
    phone.page.evaluate(f"() => {{ IDBObjectStore.prototype.add = () => {{ {full} }}; }}")
    phone.tap("Seen and fine")
    expect(phone.carried()).to_contain_text("It is not saved")
    phone.go(f"{BASE}/of/aroha?item=boots")
    expect(phone.page.get_by_text("Nobody has looked at it yet.")).to_be_visible()
    assert sightings(db) == []
