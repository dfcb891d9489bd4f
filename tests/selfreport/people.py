"""Two trips weeks ahead with nothing known of anyone, and an outfit that has no business with them; all
invented."""

from __future__ import annotations

from datetime import UTC, datetime

from fastapi import FastAPI

from api.access.current import Reader, current_reader
from api.journal.kinds import MemberSet, RopesSet, TripPlanned
from api.journal.queries import create_outfit, create_trip
from api.journal.trip import MemberProfile, Role, RopeTeam
from api.kitlist import service as kitlists
from seeds import demo

OUTFIT = "quillstone"
TRIP = "late-summer"
OTHER_TRIP = "early-autumn"
WEEKS_BEFORE = datetime(2026, 8, 20, 8, tzinfo=UTC)
ANA, BO, LEAD_GUIDE = "ana", "bo", "maren"
LEAD = Reader(outfit=OUTFIT, staff="lead", name="Some lead", role="lead", everywhere=True)
OFFICE = Reader(outfit=OUTFIT, staff="office", name="Some office", role="office", everywhere=True)
STRANGER = Reader(outfit="elsewhere", staff="other", name="Another lead", role="lead", everywhere=True)

PROFILES = {
    ANA: MemberProfile(name="Ana Example", role=Role.CLIMBER, language="German", contact="ana@mail.example"),
    BO: MemberProfile(name="Bo Example", role=Role.CLIMBER),
    LEAD_GUIDE: MemberProfile(name="Maren Example", role=Role.LEAD),
}


def read_as(app: FastAPI, reader: Reader) -> None:
    """From now on, every signed-in request comes from this person."""
    app.dependency_overrides[current_reader] = lambda: reader


def furnish(app: FastAPI) -> None:
    """Put the outfits and both trips there. On the second nobody is known but Bo."""
    db, journal = app.state.db, app.state.journal
    plan = demo.plan(demo.scenario(), "glaciated-peak")
    with db.writing() as work:
        create_outfit(work, OUTFIT, "Quillstone Mountain Guides")
        create_outfit(work, "elsewhere", "Elsewhere Guides")
        kitlists.add_shipped(work, OUTFIT, now=WEEKS_BEFORE)
        kitlists.mark_used(work, OUTFIT, plan.edition_id)
        for trip in (TRIP, OTHER_TRIP):
            create_trip(work, trip, OUTFIT, WEEKS_BEFORE)
        ropes = (RopeTeam(id="rope-1", name="Rope 1", members=(LEAD_GUIDE, ANA, BO)),)
        members = [MemberSet(member=member, profile=profile) for member, profile in PROFILES.items()]
        journal.write(work, LEAD, TRIP, TripPlanned(plan=plan), *members, RopesSet(ropes=ropes))
        journal.write(work, LEAD, OTHER_TRIP, TripPlanned(plan=plan), members[1])
