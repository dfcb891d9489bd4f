"""A party as the body's computing sees it: what is sighted for each, as far as it is known. Pure."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime
from uuid import UUID

from api.body.people import Person, Thing
from api.body.settings import BodySettings
from api.body.whole import Body, body
from api.conditions.needs import Kitchen, stretches
from api.conditions.stages import StageConditions
from api.journal.fold import Picture, Record
from api.journal.kinds import PARTY, GearState, Known, Sighting
from api.journal.trip import TripPlan
from api.kitlist.schemas import Scope
from api.readiness.lacks import Holding, Lacks, worth

BODY_KG = "body-kg"
"""Under this name a person's sizes say their weight, kg."""
FUEL = "fuel"


def body_from(
    plan: TripPlan,
    conditions: StageConditions,
    picture: Picture,
    lacking: Lacks | None,
    settings: BodySettings | None = None,
) -> Body:
    """What the stages ask of everyone's body, and what is sighted against it; nobody without a kit list.

    Only what was seen or tried counts as there; what someone only says they have is not known. Without
    settings the usual ones hold, with the hours that guides have set.
    """
    chosen = settings or BodySettings(hours=own_hours(picture, plan), kitchen=Kitchen.of(plan))
    return body(people_of(picture, lacking), plan, conditions, chosen, packed_fuel_g(lacking))


def own_hours(picture: Picture, plan: TripPlan) -> dict[str, float]:
    """Hours that guides have set, by stage: for a stage itself, or at a call for the whole way down.

    Those of a call are shared among the stages of the way down as the plan's hours are. Of the two, what was
    set last counts.
    """
    found: dict[str, tuple[tuple[datetime, UUID], float | None]] = {}
    spans = {stage.id: (stage.ends_at - stage.starts_at).total_seconds() for stage in plan.stages}
    stretch = stretches(plan)
    for t, stage in enumerate(plan.stages):
        pace = picture.decided.paces.get(stage.id)
        if pace is None or pace.body.down_h is None:
            continue
        down = [one.id for n, one in enumerate(plan.stages) if n > t and stretch[n] == stretch[t]]
        whole = sum(spans[id_] for id_ in down)
        found |= {
            id_: ((pace.happened_at, pace.entry), pace.body.down_h * spans[id_] / whole) for id_ in down
        }
    for id_, record in picture.decided.hours.items():
        when = record.happened_at, record.entry
        if id_ in spans and (id_ not in found or found[id_][0] < when):
            found[id_] = when, record.body.hours
    return {id_: hours for id_, (_, hours) in found.items() if hours is not None}


def people_of(picture: Picture, lacking: Lacks | None) -> tuple[Person, ...]:
    """Everyone on the trip, in the order of the board, with their things and the group gear they carry."""
    if lacking is None:
        return ()
    rope_of = {member: rope.id for rope in picture.rope_teams for member in rope.members}
    shared = shared_kg(picture, lacking)
    return tuple(
        Person(
            id=subject.id,
            name=subject.name,
            rope=rope_of.get(subject.id),
            things=_things(lacking, p),
            body_kg=_body_kg(picture, subject.id),
            shared_kg=shared.get(subject.id, 0.0),
        )
        for p, subject in enumerate(lacking.subjects)
        if subject.scope is Scope.PERSON
    )


def looked_at_again(before: Body, lacking: Lacks, p: int) -> Body:
    """The same bodies after one subject's things were looked at again."""
    subject = lacking.subjects[p]
    if subject.scope is not Scope.PERSON:
        return replace(before, packed_fuel_g=packed_fuel_g(lacking))
    return before.of(
        [
            replace(person, things=_things(lacking, p)) if person.id == subject.id else person
            for person in before.people
        ]
    )


def shared_kg(picture: Picture, lacking: Lacks) -> dict[str, float]:
    """Group gear by who carries it, kg."""
    weights = {requirement.id: requirement.weight_g or 0.0 for requirement in lacking.edition.requirements}
    found: dict[str, float] = {}
    for (_, requirement, _), record in picture.shares.items():
        carrier = record.body.carrier
        if carrier is not None:
            found[carrier] = found.get(carrier, 0.0) + weights.get(requirement, 0.0) / 1000.0
    return found


def packed_fuel_g(lacking: Lacks | None) -> dict[str, float]:
    """Fuel that was counted, g, for the party or by rope, as the list asks it; NaN where nobody has.

    Where it is counted by rope, the party has what all ropes have together.
    """
    if lacking is None:
        return {}
    found = {
        lacking.subjects[p].id: counted(holding)
        for (p, r), holding in lacking.holdings.items()
        if lacking.subjects[p].scope is not Scope.PERSON and lacking.edition.requirements[r].id == FUEL
    }
    return found if not found or PARTY in found else {**found, PARTY: sum(found.values())}


def counted(holding: Holding) -> float:
    """How much of a thing was counted; NaN where nobody has, 0 where it is absent or unfit."""
    record = holding.record
    fits = _fits(record)
    if fits is None or record is None:
        return math.nan
    count = record.body.count if fits else 0.0
    return math.nan if count is None else count


def _things(lacking: Lacks, p: int) -> dict[str, Thing]:
    found, held = {}, lacking.holdings
    for r, requirement in enumerate(lacking.edition.requirements):
        holding = held.get((p, r))
        if holding is None:
            continue
        record = holding.record
        fits = _fits(record)
        count = 0.0
        if fits and record is not None:
            told = record.body.count
            count = requirement.how_many.count if told is None else told
        found[requirement.id] = Thing(
            requirement.item,
            fits,
            holding.answers if fits else {},
            requirement.weight_g,
            requirement.optional,
            count,
        )
    return found


def _fits(record: Record[Sighting] | None) -> bool | None:
    """Whether a thing is there and fits; None when nobody has seen it, or records disagree.

    What is said to be absent or unfit is taken at its word.
    """
    if record is None:
        return None
    if record.body.state is not GearState.FITS:
        return False
    return True if worth(record).rung >= Known.SEEN.rung else None


def _body_kg(picture: Picture, member: str) -> float | None:
    told = picture.profiles[member].sizes.get(BODY_KG, "").removesuffix("kg").strip()
    try:
        kilos = float(told.replace(",", "."))
    except ValueError:
        return None
    return kilos if 30.0 <= kilos <= 200.0 else None
