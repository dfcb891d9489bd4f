"""People and what each has, as the computing needs it: already weighed against what is known. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

Answer = str | float | bool


@dataclass(frozen=True, slots=True)
class Thing:
    """One requirement of one person."""

    item: str
    fits: bool | None = None
    """True: sighted and fits. False: absent or unfit. None: not known, or records disagree."""
    answers: Mapping[str, Answer] = field(default_factory=dict)
    """About a thing that is there."""
    weight_g: float | None = None
    """Of everything the requirement asks, together."""
    optional: bool = False
    count: float = 1.0
    """How many are there; as many as are asked where nobody counted."""


@dataclass(frozen=True, slots=True)
class Person:
    """Someone on the trip."""

    id: str
    name: str
    rope: str | None = None
    things: Mapping[str, Thing] = field(default_factory=dict)
    """What their kit list asks of them, by requirement id; what is not asked of them is not there."""
    body_kg: float | None = None
    shared_kg: float = 0.0
    """Group gear that is theirs to carry."""

    def has(self, requirement: str) -> bool | None:
        """Whether a thing is there and fits; None when it is not known."""
        thing = self.things.get(requirement)
        return None if thing is None else thing.fits

    def answer(self, requirement: str, question: str) -> Answer | None:
        """What was answered about a thing that is there."""
        thing = self.things.get(requirement)
        return thing.answers.get(question) if thing is not None and thing.fits else None

    def number(self, requirement: str, question: str) -> float:
        """A number that was answered about a thing that is there; NaN where there is none."""
        found = self.answer(requirement, question)
        plain = isinstance(found, int | float) and not isinstance(found, bool)
        return float(found) if plain and found is not None else float("nan")
