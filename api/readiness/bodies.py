"""A party as the body's computing sees it: what is sighted for each, as far as it is known. Pure."""

import math

from api.body.people import Person, Thing
from api.body.settings import BodySettings
from api.body.whole import Body, body
from api.journal.kinds import GearState, Known
from api.kitlist.schemas import Scope
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import Holding, worth
from api.readiness.party import units

BODY_KG = "body-kg"
"""Under this name a person's sizes say their weight, kg."""
FUEL = "fuel"


def body_of(evaluation: Evaluation, settings: BodySettings | None = None) -> Body:
    """What the stages of a trip ask of everyone's body, and what is sighted against it.

    Only what was seen or tried counts as there; what someone only says they have is not known.
    """
    return body(
        people_of(evaluation), evaluation.plan, evaluation.conditions, settings, packed_fuel_g(evaluation)
    )


def people_of(evaluation: Evaluation) -> tuple[Person, ...]:
    """Everyone on the trip, in the order of the board, with their things and the group gear they carry."""
    rope_of = {member: rope.id for rope in evaluation.picture.rope_teams for member in rope.members}
    shared: dict[str, float] = {}
    for unit in units(evaluation):
        if unit.carrier is not None:
            shared[unit.carrier] = shared.get(unit.carrier, 0.0) + (unit.weight_g or 0.0) / 1000.0
    lacking = evaluation.lacks
    subjects = () if lacking is None else lacking.subjects
    return tuple(
        Person(
            id=subject.id,
            name=subject.name,
            rope=rope_of.get(subject.id),
            things=_things(evaluation, p),
            body_kg=_body_kg(evaluation, subject.id),
            shared_kg=shared.get(subject.id, 0.0),
        )
        for p, subject in enumerate(subjects)
        if subject.scope is Scope.PERSON
    )


def packed_fuel_g(evaluation: Evaluation) -> float:
    """Fuel that was counted for the party, g; NaN when nobody has."""
    lacking = evaluation.lacks
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


def _things(evaluation: Evaluation, p: int) -> dict[str, Thing]:
    lacking = evaluation.lacks
    if lacking is None:
        return {}
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


def _body_kg(evaluation: Evaluation, member: str) -> float | None:
    told = evaluation.picture.profiles[member].sizes.get(BODY_KG, "").removesuffix("kg").strip()
    try:
        kilos = float(told.replace(",", "."))
    except ValueError:
        return None
    return kilos if 30.0 <= kilos <= 200.0 else None
