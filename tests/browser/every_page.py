"""An invented outfit in which every page has something to show, and what fills the addresses of its pages."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta

from fastapi import FastAPI
from fastapi.routing import iter_route_contexts

from api.access import assigning, queries, service
from api.access.current import Reader, Role
from api.access.tokens import Visitor
from api.clock import FixedClock
from api.db import Database, Work
from api.kitlist import service as kitlists
from api.locker.loans import Desk
from api.locker.schemas import Promise
from api.nights.service import Health
from api.seasons import letters, trying
from api.selfreport import links
from seeds import demo, history_loading, loading, locker, permit
from seeds.history import invent
from tests.seasons.test_trial import raised

TOLD = demo.scenario()
OUTFIT, TRIP = TOLD.data["outfit"]["id"], TOLD.trip
AT_END = loading.begins_at(demo.moments(TOLD)[-1])
HERE = Visitor("192.0.2.77", "A phone")
LIST, PAST_LIST = "glaciated-peak", "climbers-2025"
MEMBER, OWN_ITEM = "p07", "boots"
WHO: tuple[Role, ...] = ("lead", "admin")
LEAD = Reader(OUTFIT, "lead", "Maren Okafor", "lead")

QUESTIONS = {"/kit-lists/{edition}/difference": f"since={LIST}", "/locker/find": "label=he-02"}
"""What some addresses have to be asked."""

Parts = Mapping[str, Mapping[str, str]]
"""What stands in an address for each name in it, by how the addresses begin; the longest beginning counts."""


def seed(db: Database) -> None:
    """Put the demo there with its locker, its rules and two past trips."""
    loading.seed(db)
    with db.writing() as work:
        locker.load_once(work, OUTFIT)
        permit.load_once(work, OUTFIT)
    history_loading.load(db, FixedClock(AT_END), trips=invent(1))


@dataclass(frozen=True)
class Furnished:
    """Who can sign in, by the token of a session, and what fills the addresses."""

    sessions: Mapping[Role, str]
    parts: Parts


def furnish(app: FastAPI) -> Furnished:
    """Tell the demo's story to its end, and make one of everything that has a page of its own."""
    state = app.state
    with state.db.writing() as work:
        health = Health(state.settings, state.clock, state.journal)
        while loading.advance(work, state.journal, health):
            pass
        sessions = {role: _session(work, role) for role in WHO}
        joining = service.new_link(work, queries.staff_by_id(work, "admin"), AT_END, by="admin")
        [own] = links.make(work, state.settings, state.journal, LEAD, TRIP, [MEMBER])
        lent = Promise(item="pa-01", subject="p10", requirement="parka")
        loan = Desk(work, LEAD, state.readiness, TRIP).promise(lent).loan
        letter = letters.begin(work, LEAD, state.clock, "guides")
        draft = kitlists.copy(work, OUTFIT, LIST, now=AT_END).id
        changed = kitlists.copy(work, OUTFIT, PAST_LIST, now=AT_END).id
        kitlists.change(
            work, OUTFIT, changed, raised(kitlists.get_edition(work, OUTFIT, changed)), now=AT_END
        )
        trial = trying.begin(work, LEAD, state.clock, PAST_LIST, changed)
    trying.run(state.db, state.readiness, OUTFIT, trial)
    with state.db.reading() as conn:
        board = state.readiness.board(conn, OUTFIT, TRIP)
        picture = state.journal.picture(conn, OUTFIT, TRIP).picture
        [tried, *_] = (trying.find(conn, OUTFIT, trial).result or {})["behind"]
    rope = picture.rope_teams[0].id
    parts = {
        "/": {"trip": TRIP, "member": MEMBER, "subject": MEMBER, "group": rope, "stage": "summit"},
        "/trips/{trip}/findings": {"finding": board.findings[0].id},
        "/trips/{trip}/flags": {"finding": board.findings[0].id},
        "/trips/{trip}/ropes": {"subject": rope},
        "/trips/{trip}/forecasts": {"forecast": str(picture.forecasts[-1].body.forecast)},
        "/trips/{trip}/loans": {"loan": loan},
        "/trips/{trip}/calls": {"call": str(picture.decided.calls[-1].entry)},
        "/join": {"token": joining.token},
        "/r": {"token": own.token},
        "/kit-lists": {
            "edition": draft,
            "requirement": "gaiters",
            "line": "dry-mitts",
            "kind": "requirements",
            "part": "gaiters",
        },
        "/locker": {"item": "he-02", "deed": "quarantine", "shop": "desk-fuel"},
        "/seasons": {"requirement": "headlamp-power", "which": "late", "table": "numbers", "kind": "csv"},
        "/seasons/export": {"table": "changes"},
        "/seasons/trials": {"trial": trial, "requirement": tried, "table": "lines"},
        "/seasons/letters": {"letter": letter},
        "/seasons/letters/{letter}/{kind}": {"kind": "md"},
    }
    return Furnished(sessions, parts)


def _session(work: Work, role: Role) -> str:
    """Let someone of `role` have an account, be on the trip and be signed in."""
    person = {
        "id": role,
        "outfit_id": OUTFIT,
        "name": f"The {role}",
        "email": f"{role}@quillstone.example",
        "role": role,
        "active": True,
        "password_hash": None,
        "openid_subject": None,
        "created_at": AT_END,
    }
    queries.add_staff(work, person)
    if role in assigning.GUIDE_ROLES:
        assigning.assign_one(work, TRIP, role, AT_END, by="admin")
    signed_in = service.open_session(
        work, queries.staff_by_id(work, role), AT_END, how="password", visitor=HERE, lasts=timedelta(days=21)
    )
    return signed_in.token


def addresses(app: FastAPI) -> Iterator[str]:
    """The paths of everything that a browser may open, as the app declares them."""
    for context in iter_route_contexts(app.routes):
        made_by = getattr(context, "endpoint", None)
        if "GET" in (context.methods or ()) and made_by is not None and made_by.__module__.startswith("web."):
            yield context.path or ""


def filled(address: str, parts: Parts) -> str | None:
    """An address with everything in it that it names; None when something is not known."""
    known: dict[str, str] = {}
    for begins in sorted(parts, key=len):
        if address.startswith(begins):
            known |= parts[begins]
    names = re.findall(r"{(\w+)(?::\w+)?}", address)
    if any(name not in known for name in names):
        return None
    path = re.sub(r"{(\w+)(?::\w+)?}", lambda part: known[part[1]], address)
    return f"{path}?{QUESTIONS[address]}" if address in QUESTIONS else path
