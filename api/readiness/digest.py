"""What watchers are told: which flags changed, and why, in a few lines. Pure.

Nothing about health goes into it (flags of acclimatisation are left out before), and no free text that
somebody typed: names, items, grades and causes only.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Protocol

from api.readiness.schemas import CAUTION

MOST_LINES = 30
TOLD = ("reopened", "opened", "changed", "cleared", "accepted")
"""What watchers are told about, in this order. Who sees to what is the guides' own affair."""

_HEADS = {
    "reopened": "Asked again",
    "opened": "New",
    "changed": "Changed",
    "cleared": "Cleared",
    "accepted": "Accepted by name",
}
_CAUSES = {
    "forecast-received": "a new forecast",
    "sighting": "a record of the gear",
    "trip-planned": "a change of the plan",
    "ropes-set": "a change of the ropes",
    "hold-passed": "a hold point passed",
    "withdrawn": "a record taken back",
    "flag-accepted": "a lead guide",
}


class Event(Protocol):
    """One thing that happened to a flag, as far as a digest needs it."""

    @property
    def seq(self) -> int: ...
    @property
    def happened(self) -> str: ...
    @property
    def finding(self) -> str: ...
    @property
    def what(self) -> str: ...
    @property
    def grade(self) -> str: ...
    @property
    def hold(self) -> str: ...
    @property
    def cause_kind(self) -> str: ...


@dataclass(frozen=True, slots=True)
class Digest:
    """A message: its title, its text, and the same for programs."""

    title: str
    text: str
    payload: dict[str, Any]


def digest(trip: str, name: str, events: Sequence[Event], at: datetime) -> Digest | None:
    """What to tell about some events of one trip, in their order; None when there is nothing to tell.

    Of several events about one flag the last counts: what opened and was cleared in between is not told.
    """
    last: dict[str, Event] = {}
    first: dict[str, Event] = {}
    for event in events:
        if event.happened in TOLD:
            first.setdefault(event.finding, event)
            last[event.finding] = event
    told = [
        event
        for finding, event in last.items()
        if not (event.happened == "cleared" and first[finding].happened == "opened")
    ]
    if not told:
        return None
    told.sort(key=lambda event: (TOLD.index(event.happened), event.seq, event.finding))
    lines = [f"{name}: {_count(told)}", ""]
    for happened in TOLD:
        group = [event for event in told if event.happened == happened]
        lines += [f"{_HEADS[happened]}:", *(f"- {_line(event)}" for event in group)] if group else []
    if len(lines) > MOST_LINES:
        left = len(lines) - MOST_LINES
        lines = [*lines[:MOST_LINES], f"… and {left} more lines; the board has them all."]
    text = "\n".join([*lines, "", CAUTION])
    return Digest(f"{name}: {_count(told)}", text, _payload(trip, name, told, at))


def _line(event: Event) -> str:
    who_and_what = event.what.partition(" – ")[0]
    cause = _CAUSES.get(event.cause_kind, "an entry in the journal")
    due = "" if event.happened == "cleared" else f", {event.grade} before {event.hold.replace('-', ' ')}"
    return f"{who_and_what}{due} (by {cause})"


def _count(told: Sequence[Event]) -> str:
    parts = []
    for happened in TOLD:
        number = sum(event.happened == happened for event in told)
        if number:
            parts.append(f"{number} {_HEADS[happened].lower()}")
    return ", ".join(parts)


def _payload(trip: str, name: str, told: Sequence[Event], at: datetime) -> dict[str, Any]:
    return {
        "type": "flags.changed",
        "timestamp": at.isoformat(),
        "data": {
            "trip": trip,
            "name": name,
            "caution": CAUTION,
            "flags": [
                {
                    "finding": event.finding,
                    "what": event.what.partition(" – ")[0],
                    "happened": event.happened,
                    "grade": event.grade,
                    "hold": event.hold,
                    "cause": event.cause_kind,
                    "seq": event.seq,
                }
                for event in told
            ],
        },
    }
