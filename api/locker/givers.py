"""Where cover can come from, in the words and ids that a loan needs. Values only."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Literal

from api.journal.kinds import Answer
from api.locker.sizes import Fit


@dataclass(frozen=True, slots=True)
class Shop:
    """Where something can be bought on the way; any size, any number."""

    id: str
    what: str
    meets: tuple[str, ...]
    place: str
    until: datetime | None = None
    price: float | None = None
    currency: str = ""
    answers: Mapping[str, Answer] = field(default_factory=dict)
    traits: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Giver:
    """A source in the words and ids that a loan needs."""

    source: Literal["locker", "person", "party", "bought"]
    id: str | None
    what: str
    whom: str
    """In words, after "from": "the locker (k-041)", "Tashi Wangdrak", "the party's spares"."""
    spare: str | None = None
    size: str = ""
    shop: Shop | None = None


@dataclass(frozen=True, slots=True)
class Detail:
    """What is to be said about one offer."""

    fit: Fit
    to_try: tuple[str, ...] = ()
    """Questions that the one who hands it out has to answer."""
    remains: tuple[str, ...] = ()
