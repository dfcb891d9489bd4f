"""Load the reference values and hand each to a test with its source in the test's name.

``checks("wind_chill")`` gives the single values of a topic, ``params(...)`` the same as pytest parameters
whose id
ends in the source, ``table("isa_0_9000")`` a whole table. A value's ``verified`` says how its source was
read:
a published page (a), a second-hand copy (a2), computed with a named library (b), from memory (c).
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import pytest

FILE = Path(__file__).with_name("values.json")


@dataclass(frozen=True)
class Check:
    """One reference value: what goes in, what must come out, how near, and who says so."""

    id: str
    topic: str
    quantity: str
    inputs: dict[str, Any]
    value: Any
    unit: str
    tolerance: Any
    source: str
    verified: str
    note: str = ""
    where: list[str] = field(default_factory=list)

    @property
    def abs(self) -> float:
        """The absolute tolerance; a KeyError if the value has none, so that nothing is compared by
        accident."""
        return float(self.tolerance["abs"])

    def __str__(self) -> str:
        return f"{self.id}: {self.value} {self.unit} ({self.source}; {self.verified})"


@cache
def _document() -> dict[str, Any]:
    document: dict[str, Any] = json.loads(FILE.read_text(encoding="utf-8"))
    return document


@cache
def _by_id() -> dict[str, Check]:
    every = [Check(**row) for row in _document()["checks"]]
    return {one.id: one for one in every}


def check(check_id: str) -> Check:
    """The one value with this id."""
    return _by_id()[check_id]


def checks(topic: str | None = None, starts: str = "") -> list[Check]:
    """Values of a topic and/or whose id starts so. An empty answer is an error: a test of nothing passes."""
    found = [one for one in _by_id().values() if topic in (None, one.topic) and one.id.startswith(starts)]
    if not found:
        raise LookupError(f"no reference value has topic {topic!r} and an id starting {starts!r}")
    return found


def params(topic: str | None = None, starts: str = "") -> list[Any]:
    """The same values as pytest parameters, the source in each test's id."""
    return as_params(checks(topic, starts))


def as_params(found: Iterable[Check]) -> list[Any]:
    """Any values as pytest parameters, the source in each test's id."""
    return [pytest.param(one, id=f"{one.id} [{one.source[:60]}]") for one in found]


def table(name: str) -> Any:
    """A whole table, as in the file; most carry their own ``source`` and ``verified``."""
    return _document()["tables"][name]
