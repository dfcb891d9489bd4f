"""What a person tells of their own list by their own link: kept in the journal as their word."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal, cast
from uuid import UUID

from sqlalchemy import Connection

from api.db import Work
from api.errors import Conflict, NotFound
from api.ids import new_id
from api.journal.entry import Actor, Entry
from api.journal.kinds import Answer, AnyBody, GearState, IntentionTold, Known, NightTold, Sighting, Withdrawn
from api.journal.pictures import Snapshot
from api.journal.trip import MemberProfile, TripPlan
from api.photos import queries as photo_queries
from api.photos import service as photos
from api.photos.queries import PhotoRow
from api.photos.rules import Made
from api.readiness.service import Readiness
from api.selfreport import links, queries
from api.selfreport.links import Closed
from api.selfreport.queries import LinkRow
from api.selfreport.rules import CLIMBER, Thing, night_is_free, nights_before, own_list
from api.settings import Settings

DEVICE = "self-report"
Plan = Literal["have", "renting", "will-buy", "not-sure"]


@dataclass(frozen=True, slots=True)
class Own:
    """A person's own view of a trip: their list and their nights, and nothing of anyone else."""

    link: LinkRow
    snapshot: Snapshot
    plan: TripPlan
    profile: MemberProfile
    things: tuple[Thing, ...]
    photos: tuple[PhotoRow, ...]

    @property
    def member(self) -> str:
        return self.link.member

    def thing(self, requirement: str) -> Thing:
        """One thing of the list. Raises NotFound for anything that is not on it."""
        found = next((thing for thing in self.things if thing.requirement.id == requirement), None)
        if found is None:
            raise NotFound("This is not on your list. Open your list again.")
        return found

    def photos_of(self, requirement: str) -> list[PhotoRow]:
        return [row for row in self.photos if row.requirement == requirement]

    @property
    def actor(self) -> Actor:
        """The person as entries name them: a climber who speaks of their own gear, whoever they are."""
        return Actor(id=self.member, name=self.profile.name, role=CLIMBER)


def read(conn: Connection, readiness: Readiness, token: str) -> Own:
    """What the link with this token shows. Raises Closed, also when the person has left the trip."""
    link = links.open_link(conn, token, readiness.clock.now())
    snapshot = readiness.journal.picture(conn, link.outfit_id, link.trip_id)
    plan, profile = snapshot.picture.trip, snapshot.picture.profiles.get(link.member)
    if plan is None or profile is None:
        raise Closed
    evaluation = readiness.evaluation(conn, link.outfit_id, link.trip_id)
    return Own(
        link,
        snapshot,
        plan,
        profile,
        own_list(evaluation, link.member),
        tuple(photo_queries.listed(conn, link.outfit_id, link.trip_id, [link.member])),
    )


def tell(
    work: Work,
    readiness: Readiness,
    own: Own,
    requirement: str,
    plan: Plan,
    *,
    by: date | None = None,
    count: float | None = None,
    answers: Mapping[str, Answer] | None = None,
) -> None:
    """Keep what the person says of one thing. What staff have recorded of it stays as it is.

    Who has it makes a sighting "said" (or "pictured"); who has it not yet takes back an earlier one.
    """
    thing = own.thing(requirement)
    bodies: list[AnyBody] = [
        IntentionTold(
            member=own.member, requirement=requirement, plan=plan, by=None if plan == "have" else by
        )
    ]
    if plan == "have" and thing.looked is None:
        bodies.append(_sighting(own, thing, count, answers))
    elif plan != "have":
        bodies += [
            Withdrawn(entry=id_, reason=f"self-report: {plan}") for id_ in _own_entries(own, requirement)
        ]
    _write(work, readiness, own, bodies)


def _sighting(
    own: Own,
    thing: Thing,
    count: float | None,
    answers: Mapping[str, Answer] | None,
    photo: str | None = None,
) -> Sighting:
    """The person's word for a thing, with what they had said of it before where they say nothing new."""
    before = thing.own.body if thing.own else None
    if photo is None and before is not None:
        photo = before.photo
    if photo is None and (kept := own.photos_of(thing.requirement.id)):
        photo = kept[-1].hash
    if answers is None:
        answers = before.answers if before else {}
        count = count if count is not None else (before.count if before else None)
    return Sighting(
        subject=own.member,
        requirement=thing.requirement.id,
        known=Known.SAID if photo is None else Known.PICTURED,
        state=GearState.FITS,
        count=count,
        answers=dict(answers),
        photo=photo,
    )


def _own_entries(own: Own, requirement: str) -> list[UUID]:
    """All of the person's own sightings that count: one taken back lets the one before stand."""
    key = ("sighting", own.member, requirement)
    taken_back = {e.body.entry for e in own.snapshot.entries if isinstance(e.body, Withdrawn)}
    return [
        entry.id
        for entry in own.snapshot.entries
        if entry.key() == key
        and entry.actor.role == CLIMBER
        and entry.actor.id == own.member
        and entry.id not in taken_back
    ]


def add_photo(
    work: Work, readiness: Readiness, settings: Settings, own: Own, requirement: str, shows: str, made: Made
) -> None:
    """Keep a photo of a thing; the thing is then known by picture, and had."""
    thing = own.thing(requirement)
    hash_ = photos.keep(
        work,
        settings,
        own.link.outfit_id,
        own.link.trip_id,
        subject=own.member,
        requirement=requirement,
        shows=shows,
        made=made,
        now=readiness.clock.now(),
        by=own.profile.name,
    )
    bodies: list[AnyBody] = []
    if thing.plan != "have":
        bodies.append(IntentionTold(member=own.member, requirement=requirement, plan="have"))
    if thing.looked is None:
        bodies.append(_sighting(own, thing, None, None, hash_))
    _write(work, readiness, own, bodies)


def tell_nights(work: Work, readiness: Readiness, own: Own, told: Mapping[date, float | None]) -> None:
    """Keep where the person sleeps before the trip. What staff have recorded is left alone."""
    known = own.snapshot.picture.nights.get(own.member, {})
    bodies: Sequence[NightTold] = [
        NightTold(member=own.member, on=on, elevation_m=elevation_m)
        for on, elevation_m in sorted(told.items())
        if on in nights_before(own.plan.starts_on)
        and night_is_free(known.get(on), own.member)
        and (on not in known or known[on].body.elevation_m != elevation_m)
    ]
    _write(work, readiness, own, bodies)


def _write(work: Work, readiness: Readiness, own: Own, bodies: Sequence[AnyBody]) -> None:
    now = readiness.clock.now()
    entries = [
        Entry(
            id=new_id(now),
            trip=own.link.trip_id,
            body=body,
            actor=own.actor,
            device=DEVICE,
            happened_at=now,
            seen_seq=own.snapshot.seq,
        )
        for body in bodies
    ]
    outcomes = readiness.journal.record(work, own.link.outfit_id, own.link.trip_id, entries)
    refused = [outcome.problem for outcome in outcomes if outcome.status == "refused"]
    if refused:
        raise Conflict(" ".join(refused))
    queries.used(work, own.link.id, now)


def plan_of(text: str) -> Plan | None:
    """A plan as a form sends it; None for anything else."""
    return cast(Plan, text) if text in ("have", "renting", "will-buy", "not-sure") else None
