"""Which trips and people a page of the review is about: read from its address, and written into others."""

from __future__ import annotations

from typing import Annotated, Any
from urllib.parse import urlencode

from fastapi import Depends, Request

from api.errors import Invalid
from api.seasons.choosing import month_of
from api.seasons.measures import DIMENSIONS
from api.seasons.queries import Choice

MOST_CHOSEN = 200
BETWEEN = "\u2016"
"""Stands between values that one field of a form sends together."""
DIMENSION_WORDS: dict[str, str] = {
    "season": "Season",
    "month": "Month",
    "route": "Route",
    "edition": "Kit list edition",
    "kind": "Kind of trip",
    "lead": "Booked ahead",
    "booking": "Booked through",
    "rental": "Gear from",
}


def _choice(request: Request) -> Choice:
    """Which trips and people the address asks for. Raises Invalid for a month that is none."""
    asked = request.query_params
    values: dict[str, Any] = {
        name: tuple(value for told in asked.getlist(name) for value in told.split(BETWEEN) if value)[
            :MOST_CHOSEN
        ]
        for name in DIMENSIONS
    }
    for name in ("season", "month"):
        wrong = next((value for value in values[name] if not value.isdigit() or len(value) > 4), None)
        if wrong is not None:
            raise Invalid.field(name, wrong, "not a whole number.", "Choose one of the list.")
        values[name] = tuple(int(value) for value in values[name])
    first, last = (month_of(asked.get(name, ""), name) for name in ("first", "last"))
    return Choice(first=first, last=last, **values)


Chosen = Annotated[Choice, Depends(_choice)]


def query_of(choice: Choice, **more: str) -> str:
    """The choice as the end of an address, with its question mark; empty for all trips."""
    pairs: list[tuple[str, str]] = [
        (name, str(value)) for name in DIMENSIONS for value in getattr(choice, name)
    ]
    for name in ("first", "last"):
        if (month := getattr(choice, name)) is not None:
            pairs.append((name, f"{month[0]}-{month[1]:02d}"))
    pairs += more.items()
    return f"?{urlencode(pairs)}" if pairs else ""
