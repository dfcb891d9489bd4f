"""Brings the catalogues of the self-report page up to date: `python -m scripts.catalogues`.

Texts are taken from the page's templates and code, and from the shipped kit list editions. New ones are added
without a translation, those no longer used are dropped, and translations that stand are kept.
"""

from __future__ import annotations

import ast
import sys
from collections.abc import Iterator
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po
from jinja2.ext import babel_extract

from api.journal.kinds import Known
from api.journal.trip import Role
from api.kitlist.loading import read_file, shipped
from api.kitlist.schemas import NIGHT_LINES, Edition, Scope, Zone
from api.nights.schemas import CONSENT_TEXT, NO_DIAGNOSIS
from api.photos.rules import WORDS as PHOTO_WORDS
from web.locale import LANGUAGES, LIST, PAGE, SOURCE, po_file
from web.pages.self_report_view import PLAN_WORDS
from web.words import ZONES

ROOT = Path(__file__).resolve().parent.parent
TEMPLATES = ROOT / "web" / "templates" / "selfreport"
OWN_TEMPLATES = ("_frame", "page", "_progress", "_swapped", "_item", "_nights", "problem", "_alert", "health")
PAGES = ROOT / "web" / "pages"
CODE = (PAGES / "self_report.py", PAGES / "self_report_view.py", PAGES.parent / "reminders.py")
TITLES = {PAGE: "the self-report page", LIST: "the shipped kit lists"}
SAYING = {"_": None, "say": None}
_NOT_A_PERSONS = frozenset({Zone.ROPE, Zone.PARTY})


def page_texts() -> list[str]:
    """Every text of the page itself, in the order in which it is met."""
    found: dict[str, None] = {}
    for name in OWN_TEMPLATES:
        with (TEMPLATES / f"{name}.html").open("rb") as file:
            options = {"trim_blocks": "true", "lstrip_blocks": "true"}
            for _line, _function, text, _comments in babel_extract(file, ("_",), [], options):
                found.setdefault(_first(text))
    for path in CODE:
        with path.open("rb") as file:
            for _line, text, _comments, _context in extract("python", file, keywords=SAYING):
                found.setdefault(_first(text))
        found |= dict.fromkeys(_said_later(path))
    found |= dict.fromkeys(PLAN_WORDS.values())
    found |= dict.fromkeys(words for zone, words in ZONES.items() if zone not in _NOT_A_PERSONS)
    found |= dict.fromkeys(PHOTO_WORDS.values())
    found |= dict.fromkeys((NO_DIAGNOSIS, CONSENT_TEXT))
    return list(found)


def _first(text: object) -> str:
    return text if isinstance(text, str) else str(text[0])  # type: ignore[index]


def _said_later(path: Path) -> Iterator[str]:
    """Texts that are first put aside: those assigned to `says`, and the texts of `_invalid(...)`."""
    for node in ast.walk(ast.parse(path.read_text())):
        value: ast.expr | None = None
        if isinstance(node, ast.Assign) and [getattr(t, "id", "") for t in node.targets] == ["says"]:
            value = node.value
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "_invalid":
            value = node.args[3]
        if isinstance(value, ast.Constant) and isinstance(value.value, str):
            yield value.value


def list_texts() -> list[str]:
    """Every text of the shipped editions that a climber's own list shows."""
    found: dict[str, None] = {}
    for file in shipped().values():
        found |= dict.fromkeys(_of(read_file(file)))
    return list(found)


def _of(edition: Edition) -> Iterator[str]:
    for requirement in edition.requirements:
        if requirement.scope is not Scope.PERSON or requirement.id in NIGHT_LINES:
            continue
        if requirement.roles and Role.CLIMBER not in requirement.roles:
            continue
        yield requirement.item
        yield requirement.why
        for question in requirement.questions:
            if question.needs.rung <= Known.SEEN.rung:
                yield question.ask
                yield from (choice.label for choice in question.choices)


def texts(catalogue: str) -> list[str]:
    """The texts of a catalogue."""
    return page_texts() if catalogue == PAGE else list_texts()


def updated(code: str, catalogue: str) -> Catalog:
    """A catalogue with all texts of now, and the translations that stand."""
    file = po_file(code, catalogue)
    before = Catalog(locale=code)
    if file.exists():
        with file.open("rb") as written:
            before = read_po(written, locale=code)
    made = Catalog(
        locale=code,
        project="Rimaye",
        version="1",
        header_comment=f"# {LANGUAGES[code]}: {TITLES[catalogue]}",
        msgid_bugs_address="the issues of the repository",
        last_translator="Rimaye",
        language_team=LANGUAGES[code],
        fuzzy=False,
    )
    made.creation_date = made.revision_date = before.creation_date
    for text in texts(catalogue):
        known = before.get(text)
        made.add(text, known.string if known is not None else "")
    return made


def main() -> int:
    """Write every catalogue anew; says how many texts of each wait for a translation."""
    for code in LANGUAGES:
        if code == SOURCE:
            continue
        for catalogue in (PAGE, LIST):
            made = updated(code, catalogue)
            file = po_file(code, catalogue)
            file.parent.mkdir(exist_ok=True)
            with file.open("wb") as out:
                write_po(out, made, width=110, no_location=True)
            waiting = sum(1 for message in made if message.id and not message.string)
            print(f"{code}/{catalogue}: {waiting} of {len(made)} wait for a translation")
    return 0


if __name__ == "__main__":
    sys.exit(main())
