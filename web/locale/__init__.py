"""The languages of the self-report page: catalogues of the page's own text and of the shipped kit list.

The catalogues are gettext `.po` files, read and compiled when a language is first asked for. English is what
the code and the editions are written in. What a catalogue does not have, such as an item of an outfit's own,
stays as it was written.
"""

from __future__ import annotations

import io
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from gettext import GNUTranslations, NullTranslations
from pathlib import Path

from babel import Locale
from babel.dates import format_date
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_decimal

HERE = Path(__file__).parent
LANGUAGES: dict[str, str] = {"en": "English", "de": "Deutsch", "es": "Español", "fr": "Français"}
"""Each by its own name."""
SOURCE = "en"
PAGE, LIST = "selfreport", "kitlist"
"""The catalogues: the page's own text; items, reasons, questions and choices of the shipped editions."""


@dataclass(frozen=True, slots=True)
class Language:
    """A language with its catalogues."""

    code: str
    _page: NullTranslations
    _list: NullTranslations

    @property
    def name(self) -> str:
        return LANGUAGES[self.code]

    def say(self, text: str, **values: object) -> str:
        """A text of the page, with `{names}` filled in."""
        said = self._page.gettext(text)
        return said.format(**values) if values else said

    def listed(self, text: str) -> str:
        """A text of a kit list."""
        return self._list.gettext(text) if text else text

    def knows(self, text: str) -> bool:
        """Whether a text of a kit list is written in this language."""
        return self.code == SOURCE or self._list.gettext(text) != text

    def day(self, on: date) -> str:
        """A date with its day of the week, as this language writes it."""
        locale = "en_GB" if self.code == SOURCE else self.code
        return format_date(on, "EEE d MMM" if self.code != "de" else "EEE d. MMM", locale=locale)

    def long_day(self, on: date) -> str:
        """A date written out."""
        return format_date(on, "long", locale="en_GB" if self.code == SOURCE else self.code)

    def number(self, value: float) -> str:
        """A number, as this language writes it."""
        return format_decimal(value, locale="en_GB" if self.code == SOURCE else self.code)


@lru_cache(maxsize=len(LANGUAGES))
def language(code: str) -> Language:
    """A language by its code. Raises KeyError for one there is no catalogue for."""
    if code not in LANGUAGES:
        raise KeyError(code)
    if code == SOURCE:
        return Language(code, NullTranslations(), NullTranslations())
    return Language(code, _compiled(po_file(code, PAGE)), _compiled(po_file(code, LIST)))


def po_file(code: str, catalogue: str) -> Path:
    """Where a catalogue is."""
    return HERE / code / f"{catalogue}.po"


def _compiled(file: Path) -> GNUTranslations:
    with file.open("rb") as written:
        catalogue = read_po(written)
    packed = io.BytesIO()
    write_mo(packed, catalogue)
    packed.seek(0)
    return GNUTranslations(packed)


def choose(asked: str | None, theirs: str, accepted: str) -> Language:
    """The language to write in: the one asked for, else the person's own, else the first their browser takes.

    `theirs` is as somebody typed it: a code or a name ("de-AT", "German", "deutsch"). `accepted` is an
    Accept-Language header (RFC 9110). English when none of them is there.
    """
    for wanted in (asked or "", theirs, *_accepted(accepted)):
        code = code_of(wanted)
        if code is not None:
            return language(code)
    return language(SOURCE)


def code_of(written: str) -> str | None:
    """The code of a language as people write it; None when there is no catalogue for it."""
    plain = written.strip().casefold()
    if plain in _names():
        return _names()[plain]
    code = plain.replace("_", "-").partition("-")[0]
    return code if code in LANGUAGES else None


@lru_cache(maxsize=1)
def _names() -> dict[str, str]:
    """What each language is called in each of them."""
    found: dict[str, str] = {}
    for code in LANGUAGES:
        for said_in in LANGUAGES:
            name = Locale.parse(code).get_display_name(said_in)
            if name:
                found[name.casefold()] = code
    return found


def _accepted(header: str) -> list[str]:
    """The languages of an Accept-Language header, most wanted first."""
    ranked = []
    for place, part in enumerate(header[:500].split(",")):
        tag, _, weight = part.partition(";")
        quality = weight.strip().removeprefix("q=")
        try:
            value = float(quality) if quality else 1.0
        except ValueError:
            value = 0.0
        if tag.strip() and value > 0:
            ranked.append((-value, place, tag.strip()))
    return [tag for _, _, tag in sorted(ranked)]
