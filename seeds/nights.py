"""The nights and the private notes of the demo's story."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from api.journal.entry import Actor
from api.journal.kinds import NightTold


def told_nights(asked: Mapping[str, Any]) -> Iterator[NightTold]:
    """Where people slept, as they were asked or seen during the story."""
    for member in asked["who"]:
        for day, elevation_m in enumerate(asked["heights_m"]):
            yield NightTold(
                member=member,
                on=asked["first"] + timedelta(days=day),
                elevation_m=elevation_m,
                known=asked.get("known", "said"),
            )


@dataclass(frozen=True, slots=True)
class Noted:
    """A private note of the story, or the answer to the text about such notes (`content` is None)."""

    at: datetime
    by: Actor
    member: str
    content: Mapping[str, Any] | None


def notes_of(moment_id: str) -> tuple[Noted, ...]:
    """What is noted in private between the moment before and this one."""
    from seeds import demo  # which takes the nights from here

    told = demo.scenario()
    who = demo.actors(told)
    moment = next(m for m in told.data["moments"] if m["id"] == moment_id)
    about = ("who", "by", "at", "consent")
    return tuple(
        Noted(
            told.moment(note["at"]),
            who[note["by"]],
            note["who"],
            None if "consent" in note else {k: v for k, v in note.items() if k not in about},
        )
        for note in moment.get("notes", ())
    )
