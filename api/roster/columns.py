"""Which column of a roster file means what: headers in plain English, with obvious synonyms. Pure."""

from __future__ import annotations

import difflib
import re
import unicodedata

NAME = "name"
FIRST_NAME = "first name"
LAST_NAME = "last name"
SIZE_PREFIX = "size "
_SLUG = r"[a-z0-9](?:[a-z0-9-]{0,62}[a-z0-9])?"

_SYNONYMS: dict[str, tuple[str, ...]] = {
    "id": ("member id", "member", "person id"),
    NAME: ("full name", "participant", "participant name", "person", "climber name", "guest name"),
    FIRST_NAME: ("given name", "forename", "firstname"),
    LAST_NAME: ("surname", "family name", "lastname"),
    "role": ("role on trip", "role on the trip", "function", "duty"),
    "rope": ("rope team", "team", "rope name", "on rope"),
    "order": ("rope order", "place on rope", "position on rope", "order on rope", "place in rope order"),
    "contact": ("contacts", "contact details"),
    "phone": ("telephone", "tel", "mobile", "mobile phone", "cell", "cell phone", "phone number"),
    "email": ("e mail", "mail", "email address", "e mail address"),
    "language": ("languages", "speaks", "spoken language", "spoken languages"),
    "about": ("about them", "background", "remark", "remarks", "comment", "comments"),
}
_BY_HEADER: dict[str, str] = {
    header: field for field, synonyms in _SYNONYMS.items() for header in (field, *synonyms)
}

_BARE_SIZES: dict[str, str] = {
    "boot": "boot",
    "boots": "boot",
    "boot shell": "boot-shell",
    "shoe": "shoe",
    "shoes": "shoe",
    "head": "head",
    "helmet": "head",
    "waist": "waist",
    "height": "height",
    "chest": "chest",
    "glove": "glove",
    "gloves": "glove",
    "mitt": "mitt",
    "mitts": "mitt",
    "jacket": "jacket",
    "trousers": "trousers",
}

PLAIN_FIELDS: tuple[str, ...] = tuple(_SYNONYMS)


def simplified(header: str) -> str:
    """A header without case, punctuation and double spaces: ``" E-Mail: "`` becomes ``"e mail"``."""
    folded = unicodedata.normalize("NFKC", header).casefold()
    return " ".join(re.sub(r"[^\w]+|_+", " ", folded).split())


def meaning(header: str, known_sizes: frozenset[str] = frozenset()) -> str | None:
    """The field a header names: one of ``PLAIN_FIELDS``, ``size <what for>``, or None when unknown.

    ``known_sizes`` are names of sizes in use on the trip; a header that gives one literally means that one.
    """
    plain = simplified(header)
    if plain in _BY_HEADER:
        return _BY_HEADER[plain]
    if plain in _BARE_SIZES:
        return SIZE_PREFIX + _BARE_SIZES[plain]
    literal = re.fullmatch(rf"{SIZE_PREFIX}(?P<what>{_SLUG})", header.strip())
    if literal and (literal["what"] in known_sizes or literal["what"] not in _BARE_SIZES):
        return SIZE_PREFIX + literal["what"]
    for pattern in (r"sizes? (?P<what>.+)", r"(?P<what>.+) sizes?"):
        found = re.fullmatch(pattern, plain)
        if found:
            what = found["what"]
            slug = _BARE_SIZES.get(what) or _slug(what)
            return SIZE_PREFIX + slug if slug else None
    return None


def nearest(header: str) -> str | None:
    """A known header that this one looks like, for a question such as 'did you mean …?'."""
    close = difflib.get_close_matches(simplified(header), [*_BY_HEADER, *_BARE_SIZES], n=1, cutoff=0.75)
    return close[0] if close else None


def known_headers(headers: list[str]) -> int:
    """How many of ``headers`` have a meaning; tells a header row, and a separator, from another."""
    return sum(meaning(header) is not None for header in headers)


def _slug(text: str) -> str:
    ascii_text = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", ascii_text.lower())[:64].strip("-")
