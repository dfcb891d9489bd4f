"""The screens of the product, in the order they are offered; a new screen adds its line here."""

from __future__ import annotations

from dataclasses import dataclass

from api.access.current import Reader
from api.access.permissions import may

Link = tuple[str, str]
"""An address and its words."""

TRIP_SCREENS: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = (
    (
        "",
        (
            ("", "Board", "trip.read"),
            ("/hands-on", "Hands-on", "trip.read"),
            ("/flags", "Flags", "trip.read"),
            ("/mountain", "Mountain", "trip.read"),
            ("/call", "The call", "trip.read"),
        ),
    ),
    (
        "People",
        (
            ("/roster", "People", "trip.read"),
            ("/ropes-check", "Ropes and party", "trip.read"),
            ("/nights", "Nights", "trip.read"),
            ("/to-chase", "To chase", "trip.read"),
            ("/watchers", "Who is told", "watch.own"),
        ),
    ),
    (
        "Gear",
        (
            ("/cover", "Cover plan", "trip.read"),
            ("/loans", "Loans", "trip.read"),
            ("/paper", "On paper", "trip.read"),
        ),
    ),
    (
        "Plan and weather",
        (
            ("/plan", "Plan", "trip.read"),
            ("/forecasts", "Forecasts", "trip.read"),
            ("/body", "What the body needs", "trip.read"),
        ),
    ),
)
"""Groups of screens: their words, then the end of the address, the words, the action one must be allowed. The
first group is always in sight, the others open on demand."""

OUTFIT_SCREENS: tuple[tuple[str, str, str], ...] = (
    ("/new-trip", "New trip", "trip.create"),
    ("/kit-lists", "Kit lists", "kitlist.read"),
    ("/locker", "Locker", "locker.read"),
    ("/seasons", "Seasons", "seasons.read"),
    ("/party-rules", "Permit rules", "outfit.rules"),
    ("/staff", "Staff", "staff.manage"),
)
"""Beside the list of trips: the address, the words, the action one must be allowed."""


@dataclass(frozen=True, slots=True)
class Menu:
    """The screens of one trip that a reader may open."""

    first: tuple[Link, ...]
    more: tuple[tuple[str, tuple[Link, ...]], ...]
    """The words of each further group, and its links."""


def trip_menu(trip: str, reader: Reader) -> Menu:
    """The screens of a trip that a reader may open."""
    groups = [
        (
            words,
            tuple((f"/trips/{trip}{end}", label) for end, label, action in screens if may(reader, action)),
        )
        for words, screens in TRIP_SCREENS
    ]
    return Menu(groups[0][1], tuple((words, links) for words, links in groups[1:] if links))


def menu_at(path: str, reader: Reader | None) -> Menu | None:
    """The menu that belongs on the page at `path`: that of its trip, if it is about one."""
    parts = path.split("/")
    if reader is None or len(parts) < 3 or parts[1] != "trips" or not parts[2]:
        return None
    return trip_menu(parts[2], reader)


def outfit_links(reader: Reader) -> tuple[Link, ...]:
    """The screens of the outfit that a reader may open."""
    return tuple((address, words) for address, words, action in OUTFIT_SCREENS if may(reader, action))
