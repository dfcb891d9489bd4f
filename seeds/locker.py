"""The demo's locker: loan gear with its history, a buying list, and a promise to another trip."""

from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import yaml

from api.access.current import Reader
from api.clock import FixedClock
from api.db import Work
from api.journal import queries as journal_queries
from api.journal.kinds import LoanHandedOut, LoanPromised, LoanTerms, MemberSet, TripPlanned
from api.journal.service import Journal
from api.journal.trip import MemberProfile, Role, TripPlan
from api.locker import queries, service
from api.locker.givers import Shop
from api.locker.schemas import ItemCreate, Quarantine, Retirement
from seeds import demo

FILE = Path(__file__).with_name("locker.yaml")


def load(work: Work, outfit: str) -> None:
    """Fill an outfit's locker. The outfit must be there, and its locker empty."""
    data = yaml.safe_load(FILE.read_text(encoding="utf-8"))
    who = data["entered_by"]
    office = Reader(outfit=outfit, staff=who["id"], name=who["name"], role="office", everywhere=True)
    for written in data["items"]:
        _enter(work, office, data, written)
    for written in data["shops"]:
        shop = {**written, "meets": tuple(written["meets"]), "until": _at(written.get("until"))}
        queries.add_shop(work, outfit, Shop(**shop))
    for other in data["other_trips"]:
        _lend_elsewhere(work, office, other)


def load_once(work: Work, outfit: str) -> bool:
    """Fill the demo's locker unless something is in it; False when there was."""
    if queries.items(work, outfit):
        return False
    load(work, outfit)
    return True


def _enter(work: Work, office: Reader, data: Mapping[str, Any], written: Mapping[str, Any]) -> None:
    fields = {key: value for key, value in written.items() if key not in ("quarantined", "retired")}
    new = ItemCreate.model_validate(fields)
    service.create(work, office, _clock(data["entered_at"]), new)
    if held := written.get("quarantined"):
        asked = Quarantine(reason=held["reason"])
        service.quarantine(work, office, _clock(held["at"]), new.id, asked)
    if gone := written.get("retired"):
        service.retire(work, office, _clock(gone["at"]), new.id, Retirement(reason=gone["reason"]))


def _lend_elsewhere(work: Work, office: Reader, other: Mapping[str, Any]) -> None:
    place = demo.plan(demo.scenario(), demo.scenario().data["edition"]).place
    promised, member = other["promised"], other["member"]
    clock = _clock(promised["at"])
    thing = service.find(work, office.outfit, promised["item"])
    plan = TripPlan(
        name=other["name"],
        place=place,
        starts_on=other["starts_on"],
        ends_on=other["ends_on"],
        remark="Everything about this trip is invented; not for navigation.",
    )
    terms = LoanTerms(
        source="locker",
        giver=thing.id,
        what=thing.what,
        subject=member["id"],
        requirement=promised["requirement"],
    )
    journal_queries.create_trip(work, other["id"], office.outfit, clock.now())
    Journal(clock).write(
        work,
        office,
        other["id"],
        TripPlanned(plan=plan),
        MemberSet(member=member["id"], profile=MemberProfile(name=member["name"], role=Role.CLIMBER)),
        LoanPromised(loan=f"loan-{thing.id}", terms=terms),
        device="demo-office",
    )
    if out := other.get("handed_out"):
        handed_out = LoanHandedOut(loan=f"loan-{thing.id}", terms=terms)
        Journal(_clock(out["at"])).write(work, office, other["id"], handed_out, device="demo-office")


def _clock(written: datetime | str) -> FixedClock:
    return FixedClock(demo.scenario().moment(written))


def _at(written: datetime | str | None) -> datetime | None:
    return demo.scenario().moment(written) if written is not None else None
