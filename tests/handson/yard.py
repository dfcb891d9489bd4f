"""An invented trip in the yard: one rope of four, a short kit list, and nothing looked at yet."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from fastapi import FastAPI, Request

from api.access.current import Reader, current_reader, reader_or_none
from api.db import Database
from api.ids import new_id
from api.journal import store
from api.journal.entry import Actor, Entry
from api.journal.kinds import AnyBody, MemberSet, RopesSet, TripPlanned
from api.journal.queries import create_outfit, create_trip
from api.journal.trip import MemberProfile, Role, RopeTeam
from api.kitlist import service as kitlists
from tests.readiness import building

OUTFIT, TRIP = "quillstone", "yard"
PEOPLE = {
    "maren": ("Maren Okafor", Role.LEAD),
    "aroha": ("Aroha Tūmanako", Role.CLIMBER),
    "yusuf": ("Yusuf Demirkaya", Role.CLIMBER),
    "samuel": ("Samuel Adjei", Role.CLIMBER),
}
GUIDES = {
    "maren": Reader(OUTFIT, "maren", "Maren Okafor", "lead", everywhere=True),
    "tashi": Reader(OUTFIT, "tashi", "Tashi Wangdrak", "assistant", everywhere=True),
    "petra": Reader(OUTFIT, "petra", "Petra Vasilenko", "office", everywhere=True),
}
READER_COOKIE = "reads_as"
THINGS = ("boots", "crampons", "harness", "headlamp", "mitts", "parka")


def _requirements() -> list[dict[str, Any]]:
    def thing(id_: str, zone: str, **fields: Any) -> dict[str, Any]:
        return building.requirement(id_, zone=zone, grades=[{"grade": "stop", "at": "base"}], **fields)

    return [
        thing("boots", "feet"),
        thing("crampons", "technical", takes="tried", life_safety=True),
        thing("harness", "technical", takes="tried"),
        thing(
            "headlamp",
            "light",
            questions=[
                {
                    "id": "charge",
                    "ask": "How full is the battery?",
                    "kind": "number",
                    "unit": "%",
                    "needs": "seen",
                    "limits": [{"at_least": "80 %", "says": "The battery is too low."}],
                }
            ],
        ),
        thing(
            "mitts",
            "hands",
            questions=[
                {
                    "id": "dry",
                    "ask": "Are they dry?",
                    "kind": "yes-no",
                    "needs": "seen",
                    "limits": [{"want": True, "says": "They are wet."}],
                }
            ],
        ),
        thing("parka", "torso", stands_in=[{"id": "two-layers", "item": "Two thin jackets"}]),
    ]


def furnish(db: Database) -> None:
    """Put the trip there."""
    edition = building.edition(*_requirements())
    now = building.START
    plan = building.plan(edition_id=edition.id, name="In the yard")
    bodies: list[AnyBody] = [TripPlanned(plan=plan)]
    bodies += [
        MemberSet(member=id_, profile=MemberProfile(name=name, role=role))
        for id_, (name, role) in PEOPLE.items()
    ]
    bodies.append(RopesSet(ropes=(RopeTeam(id="rope-1", name="Rope 1", members=tuple(PEOPLE)),)))
    office = Actor(id="petra", name="Petra Vasilenko", role="office")
    entries = [
        Entry(
            id=new_id(now + timedelta(seconds=n)),
            trip=TRIP,
            body=body,
            actor=office,
            device="office",
            happened_at=now + timedelta(seconds=n),
            after=(),
        )
        for n, body in enumerate(bodies)
    ]
    with db.writing() as work:
        create_outfit(work, OUTFIT, "Quillstone Mountain Guides")
        kitlists.create(work, OUTFIT, edition, now=now)
        kitlists.publish(work, OUTFIT, edition.id, now=now)
        kitlists.mark_used(work, OUTFIT, edition.id)
        create_trip(work, TRIP, OUTFIT, now)
        outcomes = store.append(work, TRIP, OUTFIT, entries, now)
    assert {outcome.status for outcome in outcomes} == {"stored"}


def read_by_cookie(app: FastAPI) -> None:
    """Let each browser read as the guide its cookie names."""

    async def reader(request: Request) -> Reader:
        found = GUIDES[request.cookies.get(READER_COOKIE, "maren")]
        request.state.reader = found
        return found

    app.dependency_overrides[current_reader] = reader
    app.dependency_overrides[reader_or_none] = reader


def stored(db: Database) -> list[Any]:
    """Every entry of the trip, in order."""
    with db.reading() as conn:
        return list(store.read(conn, TRIP))
