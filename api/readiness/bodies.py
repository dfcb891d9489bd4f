"""A party as the body's computing sees it: what is sighted for each, as far as it is known. Pure."""

from __future__ import annotations

import math
from dataclasses import replace

from api.body.people import Person, Thing
from api.body.settings import BodySettings
from api.body.whole import Body, body
from api.conditions.stages import StageConditions
from api.journal.fold import Picture
from api.journal.kinds import GearState, Known
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

    Only what was seen or tried counts as there; what someone only says they have is not known.
    """
    return body(people_of(picture, lacking), plan, conditions, settings, packed_fuel_g(lacking))


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
    if subject.scope is Scope.PARTY:
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


def packed_fuel_g(lacking: Lacks | None) -> float:
    """Fuel that was counted for the party, g; NaN when nobody has."""
    if lacking is None:
        return math.nan
    for (p, r), holding in lacking.holdings.items():
        if lacking.subjects[p].scope is Scope.PARTY and lacking.edition.requirements[r].id == FUEL:
            fits = _fits(holding)
            if fits is None or holding.record is None:
                return math.nan
            count = holding.record.body.count if fits else 0.0
            return math.nan if count is None else count
    return math.nan


def _things(lacking: Lacks, p: int) -> dict[str, Thing]:
    found = {}
    for r, requirement in enumerate(lacking.edition.requirements):
        holding = lacking.holdings.get((p, r))
        if holding is not None:
            found[requirement.id] = Thing(
                requirement.item, _fits(holding), holding.answers, requirement.weight_g, requirement.optional
            )
    return found


def _fits(holding: Holding) -> bool | None:
    """Whether a thing is there and fits; None when nobody has seen it, or records disagree.

    What is said to be absent or unfit is taken at its word.
    """
    record = holding.record
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
