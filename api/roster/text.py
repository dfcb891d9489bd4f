"""Small rules about text that people type or paste. Pure."""

from __future__ import annotations

import re
import unicodedata

_FORMULA_STARTS = frozenset("=+-@\t\r\n＝＋－＠")
"""What makes a spreadsheet take a cell for a formula, the full-width forms included."""

_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ufffe\uffff]")


def with_newlines(text: str) -> str:
    """Line ends as a single newline, whichever system the text came from."""
    return text.replace("\r\n", "\n").replace("\r", "\n")


def one_line(text: str) -> str:
    """Text with every run of white space as one space."""
    return " ".join(text.split())


def like_name(name: str) -> str:
    """A name for comparing: case, spacing and the way accents are encoded do not count."""
    return one_line(unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold()))


def same_text(one: object, other: object) -> bool:
    """Whether two values say the same, line ends and outer spaces aside."""
    if isinstance(one, str) and isinstance(other, str):
        return with_newlines(one).strip() == with_newlines(other).strip()
    return one == other


def control_character(text: str) -> str | None:
    """The first invisible control character in ``text``, tab and line ends excepted."""
    found = _CONTROL.search(text)
    return found.group() if found else None


def guarded(cell: str) -> str:
    """A cell that no spreadsheet takes for a formula: an apostrophe goes before one that looks like it."""
    return f"'{cell}" if _looks_like_formula(cell) else cell


def unguarded(cell: str) -> str:
    """The cell as it was before ``guarded``."""
    return cell[1:] if cell.startswith("'") and _looks_like_formula(cell) else cell


def _looks_like_formula(cell: str) -> bool:
    # An apostrophe of one's own before a formula is guarded as well, so that taking one off gives it back.
    bare = cell.lstrip("'")
    return bare[:1] in _FORMULA_STARTS if bare else False
