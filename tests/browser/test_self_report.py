"""A person's own list in a real browser: on a phone, with and without scripts, for everyone."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import expect

from api.clock import FixedClock
from api.main import create_app
from api.settings import Settings
from tests.photos import pictures
from tests.selfreport.people import ANA, BO, LEAD, TRIP, WEEKS_BEFORE, furnish, read_as
from tests.support.live import LiveServer, served
from tests.support.pages import axe_violations, html_errors

PHONE = {"width": 390, "height": 844}
LANGUAGES = ("en", "de", "es", "fr")
SMALL_TARGETS = """[...document.querySelectorAll(
    'main button, main summary, main label.row, main nav a, '
    + 'main input:not([type=hidden], [type=checkbox], [type=radio])'
)].filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).map(e => e.outerHTML.slice(0, 90))"""
SMALL_ANSWERS = """[...document.querySelectorAll('.plans button')]
    .filter(e => e.offsetParent && e.getBoundingClientRect().height < 64).length"""
PHOTO = {"name": "harness.jpg", "mimeType": "image/jpeg", "buffer": pictures.located_jpeg()}


@pytest.fixture
def live_server(live_settings: Settings) -> Iterator[LiveServer]:
    """A live server that stands weeks before a trip of which nothing is known."""
    app = create_app(live_settings, clock=FixedClock(WEEKS_BEFORE))
    read_as(app, LEAD)
    with served(app, live_settings) as server:
        furnish(app)
        yield server


@pytest.fixture
def phone(browser_page: Any) -> Any:
    """A phone with scripts."""
    browser_page.set_viewport_size(PHONE)
    browser_page.emulate_media(reduced_motion="reduce")  # colours half-way are no colours of the page
    return browser_page


@pytest.fixture
def plain_phone(browser: Any, live_server: LiveServer) -> Iterator[Any]:
    """A phone without scripts."""
    context = browser.new_context(base_url=live_server.url, viewport=PHONE, java_script_enabled=False)
    yield context.new_page()
    context.close()


def own_link(page: Any, member: str = ANA) -> str:
    made = page.request.post(f"/api/trips/{TRIP}/self-report-links", data={"members": [member]})
    assert made.ok, made.text()
    return str(made.json()[0]["address"])


def told(server: LiveServer) -> dict[str, str]:
    """What Ana has said, by item."""
    with server.app.state.db.reading() as conn:
        picture = server.app.state.journal.picture(conn, "quillstone", TRIP).picture
    return {item: record.body.plan for (_, item), record in picture.intentions.items()}


def test_every_language_is_for_everyone_on_a_phone(phone: Any) -> None:
    link = own_link(phone)
    pages = {}
    for lang in LANGUAGES:
        phone.goto(f"{link}?lang={lang}")
        phone.locator("#item-harness .plans button").first.click()
        expect(phone.locator("#item-harness .photo").first).to_be_visible()
        phone.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
        expect(phone.locator("[class*=htmx-]")).to_have_count(0)
        assert axe_violations(phone) == [], lang
        assert phone.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], lang
        assert phone.evaluate(SMALL_TARGETS) == [], lang
        assert phone.evaluate(SMALL_ANSWERS) == 0, lang
        pages[lang] = phone.request.get(f"{link}?lang={lang}").text()
    pages["closed"] = phone.request.get("/r/nobody", headers={"accept": "text/html"}).text()
    assert html_errors(pages) == []


def test_the_page_of_own_notes_is_for_everyone_on_a_phone_in_every_language(phone: Any) -> None:
    link = own_link(phone)
    pages = {}
    for lang in LANGUAGES:
        at = f"{link}/health?lang={lang}"
        phone.goto(at)
        phone.locator("#headache").select_option("1")
        phone.locator("#symptom-score button").click()
        expect(phone).to_have_url(at)
        expect(phone.locator("#notes li").first).to_be_visible()
        phone.evaluate("document.querySelectorAll('details').forEach(each => each.open = true)")
        assert axe_violations(phone) == [], lang
        assert phone.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], lang
        assert phone.evaluate(SMALL_TARGETS) == [], lang
        pages[lang] = phone.request.get(at).text()
    assert html_errors(pages) == []


def test_a_tap_is_kept_in_place(phone: Any, live_server: LiveServer) -> None:
    phone.goto(f"{own_link(phone)}?lang=en")
    progress = phone.locator("#progress")
    expect(progress).to_contain_text("0 of ")
    phone.locator("#item-boots").get_by_role("button", name="I have it").click()
    expect(progress).to_contain_text("1 of ")
    pressed = phone.locator("#item-boots").get_by_role("button", name="I have it")
    expect(pressed).to_have_attribute("aria-pressed", "true")
    phone.locator("#item-whistle").get_by_role("button", name="I will buy it").click()
    phone.get_by_label("Until when will you have it?").fill("2026-09-01")
    phone.locator("#item-whistle").get_by_role("button", name="Keep").click()
    expect(phone.get_by_label("Until when will you have it?")).to_have_value("2026-09-01")
    expect(progress).to_contain_text("2 of ")
    assert told(live_server) == {"boots": "have", "whistle": "will-buy"}


def test_a_photo_is_sent_and_shown_in_place(phone: Any) -> None:
    phone.goto(f"{own_link(phone)}?lang=de")
    harness = phone.locator("#item-harness")
    harness.get_by_role("button", name="Habe ich").click()
    harness.get_by_label("Foto vom Etikett").set_input_files([PHOTO])
    harness.get_by_role("button", name="Dieses Foto senden").first.click()
    shown = harness.locator(".photos img")
    expect(shown).to_have_count(1)
    assert shown.evaluate("image => image.decode().then(() => image.naturalWidth)") > 0
    page = {"name": "x.jpg", "mimeType": "image/jpeg", "buffer": pictures.HTML}
    harness.get_by_text("Ein Foto hinzufügen").click()
    harness.get_by_label("Foto vom ganzen Stück").set_input_files([page])
    harness.get_by_role("button", name="Dieses Foto senden").last.click()
    expect(phone.locator("#said")).to_contain_text("Das ist kein JPEG")
    expect(shown).to_have_count(1)


def test_all_of_it_works_without_scripts(plain_phone: Any, live_server: LiveServer) -> None:
    plain_phone.goto(f"{own_link(plain_phone)}?lang=fr")
    plain_phone.locator("#item-crampons").get_by_role("button", name="Je l’ai").click()
    assert re.search(r"/r/[\w-]{43}\?lang=fr#item-crampons$", plain_phone.url)
    plain_phone.locator("#item-crampons").get_by_text("Plus de détails").click()
    plain_phone.get_by_label("Combien de pointes ?").fill("12")
    plain_phone.get_by_role("button", name="Enregistrer ces réponses").first.click()
    plain_phone.locator("#item-crampons").get_by_text("Plus de détails").click()
    expect(plain_phone.get_by_label("Combien de pointes ?")).to_have_value("12")
    crampons = plain_phone.locator("#item-crampons")
    crampons.get_by_label("Photo de l’objet entier").set_input_files([PHOTO])
    crampons.get_by_role("button", name="Envoyer cette photo").last.click()
    expect(plain_phone.locator("#item-crampons .photos img")).to_have_count(1)
    plain_phone.get_by_label(re.compile("jeu. 10 sept")).fill("1650")
    plain_phone.get_by_role("button", name="Enregistrer ces nuits").click()
    expect(plain_phone.get_by_label(re.compile("jeu. 10 sept"))).to_have_value("1650 m")
    assert told(live_server) == {"crampons": "have"}


def test_the_pages_of_office_and_guides_are_for_everyone(phone: Any) -> None:
    link = own_link(phone, BO)
    phone.request.post(f"{link}/items/boots/photos", multipart={"photo": PHOTO, "shows": "whole"})
    pages = {}
    for path in ("invitations", "to-chase", "photos", "paper", f"paper/rope-1/type-in?of={ANA}"):
        phone.goto(f"/trips/{TRIP}/{path}")
        assert axe_violations(phone) == [], path
        assert phone.evaluate("document.documentElement.scrollWidth") <= PHONE["width"], path
        name = path.partition("?")[0].replace("/", "-")
        pages[name] = phone.request.get(f"/trips/{TRIP}/{path}").text()
    phone.goto(f"/trips/{TRIP}/invitations")
    phone.get_by_label("Bo Example").check()
    phone.get_by_role("button", name="Make links and show them").click()
    expect(phone.get_by_label("Message, in English")).to_be_visible()
    assert axe_violations(phone) == []
    assert phone.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    pages["made"] = phone.request.post(f"/trips/{TRIP}/invitations", form={"member": ANA}).text()
    assert html_errors(pages) == []


def test_a_sheet_is_typed_in_by_the_keyboard_alone(phone: Any, live_server: LiveServer) -> None:
    phone.goto(f"/trips/{TRIP}/paper/rope-1/type-in?of={ANA}")
    phone.get_by_label("Checked on").fill("2026-08-20T10:00")
    phone.locator(".mark").first.focus()
    for mark in ("t", "s", "u strap torn"):
        phone.keyboard.type(mark)
        phone.keyboard.press("Tab")
    phone.keyboard.press("Enter")
    expect(phone.get_by_role("status").first).to_have_text("3 marks kept.")
    expect(phone.get_by_role("heading", level=1)).to_have_text("From paper: Bo Example")
