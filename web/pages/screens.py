"""The screens that stand beside the board, in the order they are offered; a new screen adds its line here."""

from __future__ import annotations

from api.access.current import Reader
from api.access.permissions import may

Link = tuple[str, str]
"""An address and its words."""

TRIP_SCREENS: tuple[tuple[str, str, str], ...] = (
    ("call", "The call", "trip.read"),
    ("hands-on", "Hands-on", "trip.read"),
    ("mountain", "Mountain", "trip.read"),
    ("to-chase", "To chase", "trip.read"),
    ("paper", "On paper", "trip.read"),
    ("plan", "Plan", "trip.read"),
    ("roster", "People", "trip.read"),
    ("flags", "Flags", "trip.read"),
    ("ropes-check", "Ropes and party", "trip.read"),
    ("nights", "Nights", "trip.read"),
    ("body", "What the body needs", "trip.read"),
    ("forecasts", "Forecasts", "trip.read"),
    ("cover", "Cover plan", "trip.read"),
    ("loans", "Loans", "trip.read"),
)
"""Under the address of a trip: the end of the address, the words, the action one must be allowed."""

OUTFIT_SCREENS: tuple[tuple[str, str, str], ...] = (
    ("/new-trip", "New trip", "trip.create"),
    ("/kit-lists", "Kit lists", "kitlist.read"),
    ("/locker", "Locker", "locker.read"),
    ("/seasons", "Seasons", "seasons.read"),
    ("/party-rules", "Permit rules", "outfit.rules"),
    ("/staff", "Staff", "staff.manage"),
)
"""Beside the list of trips: the address, the words, the action one must be allowed."""


def trip_links(trip: str, reader: Reader) -> tuple[Link, ...]:
    """The screens of a trip that a reader may open."""
    return tuple(
        (f"/trips/{trip}/{end}", words) for end, words, action in TRIP_SCREENS if may(reader, action)
    )


def outfit_links(reader: Reader) -> tuple[Link, ...]:
    """The screens of the outfit that a reader may open."""
    return tuple((address, words) for address, words, action in OUTFIT_SCREENS if may(reader, action))
