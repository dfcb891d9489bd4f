"""Entry kinds about people's health: sealed notes, their erasure, and what people agreed to."""

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field

from api.journal.body import Body, Key
from api.journal.trip import ShortText, Slug


class Mark(StrEnum):
    """All that a sealed note lets others know."""

    HOLD = "hold"
    """The person goes no higher, for a private reason."""
    OPEN = "open"
    """Something about the person is to be looked into."""
    CLEAR = "clear"
    """That is over."""


class HealthNote(Body):
    """A note about a person's health, sealed with a key of that person; see docs/privacy.md."""

    kind: Literal["health-note"] = "health-note"
    member: Slug
    key_id: Slug
    sealed: Annotated[str, Field(pattern=r"^[A-Za-z0-9+/]+={0,2}$", min_length=24, max_length=40_000)]
    mark: Mark | None = None
    """None: it says nothing about going on."""


class HealthErased(Body):
    """A key of a person's health notes was destroyed: nobody can read again what was sealed with it."""

    kind: Literal["health-erased"] = "health-erased"
    member: Slug
    key_id: Slug

    def key(self) -> Key:
        return ("health-erased", self.member, self.key_id)


class ConsentGiven(Body):
    """A person was shown a text and agreed to it, or took that back."""

    kind: Literal["consent-given"] = "consent-given"
    member: Slug
    what: Slug
    text_version: ShortText
    given: bool = True

    def key(self) -> Key:
        return ("consent", self.member, self.what)
