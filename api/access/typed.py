"""Checking what was typed about people and outfits."""

from __future__ import annotations

import re
import unicodedata

from api.access.current import ROLES, Role
from api.errors import Invalid

LONGEST_NAME = 120
LONGEST_EMAIL = 254
_EMAIL = re.compile(r"[^@\s<>\"',;:\\]+@[^@\s<>\"',;:\\]+\.[^@\s<>\"',;:\\.]+")


def checked_name(field: str, name: str) -> str:
    """A name on one line. Raises Invalid when it is empty, too long or holds control characters."""
    plain = " ".join(unicodedata.normalize("NFC", name).split())
    if not plain or len(plain) > LONGEST_NAME or not plain.isprintable():
        raise Invalid.field(
            field,
            name,
            "This cannot be used as a name.",
            f"Write 1 to {LONGEST_NAME} characters on one line.",
        )
    return plain


def checked_email(email: str) -> str:
    """An e-mail address in lower case. Raises Invalid when it does not look like one."""
    plain = unicodedata.normalize("NFC", email).strip().lower()
    if len(plain) > LONGEST_EMAIL or not _EMAIL.fullmatch(plain) or not plain.isprintable():
        raise Invalid.field("email", email, "This is no e-mail address.", "Write it like ada@outfit.example.")
    return plain


def checked_role(role: str) -> Role:
    """One of the roles. Raises Invalid for anything else."""
    found = next((known for known in ROLES if known == role), None)
    if found is None:
        raise Invalid.field("role", role, "There is no such role.", f"Use one of: {', '.join(ROLES)}.")
    return found


def checked_slug(field: str, slug: str) -> str:
    """An id: lower case letters, digits and dashes. Raises Invalid for anything else."""
    if not re.fullmatch(r"[a-z0-9](?:[a-z0-9-]{0,60}[a-z0-9])?", slug):
        raise Invalid.field(
            field, slug, "This cannot be used as an id.", "Use lower case letters, digits and dashes."
        )
    return slug


def slug_of(name: str, taken: frozenset[str] = frozenset()) -> str:
    """An id made from a name: "Ada Lovelace" becomes "ada-lovelace", the next one "ada-lovelace-2"."""
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
    start = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:48].strip("-") or "staff"
    number = 1
    while (slug := start if number == 1 else f"{start}-{number}") in taken:
        number += 1
    return slug
