"""The catalogues: complete in every language, nothing guessed, and every text can be said."""

import re
from datetime import date

import pytest
from babel.messages.catalog import Catalog
from babel.messages.pofile import read_po

from scripts.catalogues import page_texts, texts, updated
from web.locale import LANGUAGES, LIST, PAGE, SOURCE, choose, code_of, language, po_file

pytestmark = pytest.mark.one_database
OTHERS = [code for code in LANGUAGES if code != SOURCE]
CATALOGUES = [(code, catalogue) for code in OTHERS for catalogue in (PAGE, LIST)]
SAME_IN = {
    ("fr", "ski"),
    ("es", "No"),
    ("es", "Torso"),
    ("fr", "Volume"),
    ("fr", "Charge (new cells: 100)"),
}
"""Texts that are the same word in both languages."""


def read(code: str, catalogue: str) -> Catalog:
    with po_file(code, catalogue).open("rb") as file:
        return read_po(file, locale=code)


@pytest.mark.parametrize(("code", "catalogue"), CATALOGUES)
class TestEveryCatalogue:
    def test_has_every_text_and_no_other(self, code: str, catalogue: str) -> None:
        assert {message.id for message in read(code, catalogue) if message.id} == set(texts(catalogue))

    def test_is_translated_without_guesses(self, code: str, catalogue: str) -> None:
        found = read(code, catalogue)
        assert not found.fuzzy
        assert [message.id for message in found if message.fuzzy] == []
        assert [message.id for message in found if not str(message.string).strip()] == []
        untouched = {message.id for message in found if message.id and message.string == message.id}
        assert {(code, text) for text in untouched} <= SAME_IN

    def test_keeps_every_place_to_fill_in(self, code: str, catalogue: str) -> None:
        for message in read(code, catalogue):
            if message.id:
                wanted = sorted(re.findall(r"{\w+}", message.id))
                assert sorted(re.findall(r"{\w+}", message.string)) == wanted, message.id

    def test_ends_its_sentences_and_questions_as_the_text_does(self, code: str, catalogue: str) -> None:
        for message in read(code, catalogue):
            if message.id and message.id[-1] in ".?":
                assert message.string.rstrip()[-1] == message.id[-1], message.id

    def test_is_what_its_maker_would_write(self, code: str, catalogue: str) -> None:
        now = {message.id: message.string for message in updated(code, catalogue)}
        assert now == {message.id: message.string for message in read(code, catalogue)}


def test_texts_are_found_in_templates_and_code() -> None:
    """One of each way in which a text gets onto the page."""
    found = set(page_texts())
    for text in (
        "Until when will you have it?",  # a template
        "Hello {name},",  # code
        "I have it",  # a table
        "Head and eyes",  # words of the whole service
        "Choose a photo first.",  # what is wrong with a form
        "This picture is damaged and cannot be read. Take it anew.",  # another room
    ):
        assert text in found


def test_every_language_says_something_of_its_own() -> None:
    said = {code: language(code).say("I am renting it") for code in LANGUAGES}
    assert len(set(said.values())) == len(LANGUAGES)
    assert language("de").listed("Crampons, fitted to this boot, pair").startswith("Steigeisen")
    assert language("es").listed("Ice axe, general").startswith("Piolet")
    assert language("fr").listed("Climbing harness with adjustable legs").startswith("Baudrier")


def test_what_no_catalogue_has_stays_as_it_was_written() -> None:
    assert language("de").listed("An item of our own") == "An item of our own"
    assert not language("de").knows("An item of our own")


def test_dates_are_written_as_the_language_does() -> None:
    day = date(2026, 9, 12)
    assert language("de").long_day(day) == "12. September 2026"
    assert language("es").long_day(day) == "12 de septiembre de 2026"
    assert language("fr").long_day(day) == "12 septembre 2026"
    assert language("en").long_day(day) == "12 September 2026"


@pytest.mark.parametrize(
    ("asked", "theirs", "accepted", "chosen"),
    [
        ("fr", "German", "es", "fr"),
        (None, "German", "es", "de"),
        (None, "deutsch", "", "de"),
        (None, "de-AT", "", "de"),
        (None, "Español", "", "es"),
        (None, "allemand", "", "de"),
        (None, "", "pt-BR, fr;q=0.8, es;q=0.9", "es"),
        (None, "Kyrgyz", "ky, fr-CH;q=0.5", "fr"),
        (None, "", "de;q=0, en", "en"),
        ("xx", "", "", "en"),
        (None, "", "*;q=broken,,;;", "en"),
        ("../../etc", "", "", "en"),
    ],
)
def test_the_language_is_chosen(asked: str | None, theirs: str, accepted: str, chosen: str) -> None:
    assert choose(asked, theirs, accepted).code == chosen


def test_a_language_by_its_code_or_name() -> None:
    assert [code_of(written) for written in ("FR", "French", "français", "Klingon", "")] == [
        "fr",
        "fr",
        "fr",
        None,
        None,
    ]
