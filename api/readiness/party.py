"""Use cases of ropes and party: the outfit's rules, the rules a trip goes by, and who carries group gear."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from api.access.current import Reader
from api.clock import Clock
from api.db import Work
from api.errors import Conflict, Invalid, NotFound
from api.journal.kinds import PARTY, GearShared, PartyRulesSet
from api.journal.party import PartyRule
from api.journal.trip import TripPlan
from api.kitlist.schemas import Scope
from api.readiness import queries
from api.readiness.evaluation import Evaluation
from api.readiness.lacks import needed, subjects_of
from api.readiness.queries import RuleRow
from api.readiness.room import room_g
from api.readiness.ropes import HAULING, RESCUE, STOVES, carriers_of
from api.readiness.schemas import Shown
from api.readiness.service import Readiness
from api.readiness.sharing import Carrier, Load, Proposal, share_out

CARRY_KG = "carry-kg"
"""Under this name a person's sizes say how much group gear they can carry, kg."""
USUAL_KG = 6.0
"""Taken where nobody has said (common practice, no published source)."""
APART = (STOVES, HAULING, *RESCUE, "snow-shovels")


# -- rules


def rules_in_use(conn: Connection, outfit: str) -> list[PartyRule]:
    """The outfit's rules that have not been taken out of use."""
    rows = queries.party_rules(conn, outfit)
    return [PartyRule.model_validate(row.rule) for row in rows if row.ended_at is None]


def enter_rule(work: Work, reader: Reader, clock: Clock, rule: PartyRule) -> None:
    """Enter a rule. Raises Conflict when its id was used before."""
    if any(row.id == rule.id for row in queries.party_rules(work, reader.outfit)):
        raise Conflict(
            f"There is a rule {rule.id} already, in use or not. Give this one another short name, or leave "
            "that empty."
        )
    row = RuleRow(rule.id, rule.model_dump(mode="json"), clock.now(), reader.name, None)
    queries.add_party_rule(work, reader.outfit, row)


def change_rule(work: Work, reader: Reader, clock: Clock, rule_id: str, rule: PartyRule) -> None:
    """Put a rule in the place of another, which goes out of use. Raises NotFound, and Conflict for its id.

    Trips that go by the old one keep it until they take the rules as they are now.
    """
    end_rule(work, reader, clock, rule_id)
    enter_rule(work, reader, clock, rule)


def end_rule(work: Work, reader: Reader, clock: Clock, rule_id: str) -> None:
    """Take a rule out of use. Raises NotFound. Trips that go by it keep it."""
    if not queries.end_party_rule(work, reader.outfit, rule_id, clock.now()):
        raise NotFound(f"There is no rule {rule_id} in use. Look at the list of rules.")


def fitting(rules: Iterable[PartyRule], plan: TripPlan, activity: str | None) -> tuple[PartyRule, ...]:
    """Rules that are in force on any day of a trip, for what is done on it."""
    days = [stage.starts_at.astimezone(plan.place.zone).date() for stage in plan.stages]
    days = days or [plan.starts_on, plan.ends_on]
    return tuple(
        rule
        for rule in rules
        if rule.activity in (None, activity) and any(rule.in_force(day) for day in days)
    )


def take_rules(
    work: Work, readiness: Readiness, reader: Reader, trip: str, activity: str | None = None
) -> tuple[PartyRule, ...]:
    """Let a trip go by the outfit's rules as they are now. Raises Conflict when none fits its days."""
    evaluation = readiness.evaluation(work, reader.outfit, trip)
    rules = fitting(rules_in_use(work, reader.outfit), evaluation.plan, activity)
    if not rules:
        raise Conflict(
            "The outfit has entered no rule that applies on the days of this trip. Enter the permit's rules "
            "first."
        )
    record = evaluation.picture.party_rules
    if record is None or record.body.rules != rules:
        readiness.journal.write(work, reader, trip, PartyRulesSet(rules=rules))
    return rules


# -- who carries what


class Unit(Shown):
    """One unit of group gear."""

    subject: str
    subject_name: str
    requirement: str
    item: str
    unit: int
    weight_g: float | None
    carrier: str | None
    """Member id of who carries it; null while nobody does."""


class Share(Shown):
    """Who is to carry one unit."""

    subject: str
    requirement: str
    unit: int = 1
    carrier: str | None


@dataclass(frozen=True, slots=True)
class Pack:
    """What one person carries of the group gear."""

    member: str
    name: str
    weight_g: float
    capacity_g: float
    stated: bool
    """Whether they said what they can carry."""


def units(evaluation: Evaluation) -> tuple[Unit, ...]:
    """Every unit of rope and party gear on the kit list, with who carries it."""
    if evaluation.edition is None:
        return ()
    carriers, found = carriers_of(evaluation.picture), []
    for subject in subjects_of(evaluation.picture):
        for item in evaluation.edition.requirements:
            counted = item.how_many.computed is None and item.weight_g is not None and not item.optional
            if item.scope is not subject.scope or subject.scope is Scope.PERSON or not counted:
                continue
            for unit in range(1, int(needed(item.how_many, subject)) + 1):
                found.append(
                    Unit(
                        subject=subject.id,
                        subject_name=subject.name,
                        requirement=item.id,
                        item=item.item,
                        unit=unit,
                        weight_g=item.weight_g,
                        carrier=carriers.get((subject.id, item.id), {}).get(unit),
                    )
                )
    return tuple(found)


def packs(evaluation: Evaluation, shared: Sequence[Unit]) -> tuple[Pack, ...]:
    """What everyone would carry."""
    weights: dict[str, float] = {}
    for unit in shared:
        if unit.carrier is not None:
            weights[unit.carrier] = weights.get(unit.carrier, 0.0) + (unit.weight_g or 0.0)
    found, room = [], room_g(evaluation)
    for subject in subjects_of(evaluation.picture):
        if subject.scope is Scope.PERSON:
            stated = capacity_g(evaluation, subject.id)
            capacity = stated or room.get(subject.id, USUAL_KG * 1000)
            weight = weights.get(subject.id, 0.0)
            found.append(Pack(subject.id, subject.name, weight, capacity, stated is not None))
    return tuple(found)


def capacity_g(evaluation: Evaluation, member: str) -> float | None:
    """What a person said they can carry of the group gear, g; None when they have not."""
    told = evaluation.picture.profiles[member].sizes.get(CARRY_KG, "").removesuffix("kg").strip()
    try:
        kilos = float(told.replace(",", "."))
    except ValueError:
        return None
    return kilos * 1000 if 0 < kilos <= 50 else None


def propose(evaluation: Evaluation) -> Proposal:
    """A proposal that shares out everything anew, balanced by what each can carry."""
    picture, room = evaluation.picture, room_g(evaluation)
    rope_of = {member: rope.id for rope in picture.rope_teams for member in rope.members}
    loads = [
        Load(u.subject, u.requirement, u.unit, u.weight_g or 0.0, u.requirement in APART)
        for u in units(evaluation)
    ]
    people = [
        Carrier(
            member,
            capacity_g(evaluation, member) or room.get(member, USUAL_KG * 1000),
            frozenset({PARTY, rope_of[member]} if member in rope_of else {PARTY}),
        )
        for member in sorted(picture.members)
    ]
    return share_out(loads, people)


def share(work: Work, readiness: Readiness, reader: Reader, trip: str, shares: Sequence[Share]) -> int:
    """Write who carries what, where that differs from what stands. Answers with how many entries.

    Raises Invalid when a unit or a person is not of this trip; then nothing is written.
    """
    evaluation = readiness.evaluation(work, reader.outfit, trip)
    known = {(u.subject, u.requirement, u.unit): u.carrier for u in units(evaluation)}
    bodies = []
    for at, asked in enumerate(shares):
        key = (asked.subject, asked.requirement, asked.unit)
        if key not in known:
            raise Invalid.field(
                f"shares.{at}.requirement",
                ".".join(map(str, key)),
                "this is no group gear of this trip.",
                "Take subject, requirement and unit from the list of group gear.",
            )
        if asked.carrier is not None and asked.carrier not in evaluation.picture.members:
            raise Invalid.field(
                f"shares.{at}.carrier",
                asked.carrier,
                "nobody of this id is on the trip.",
                "Name a member of the trip.",
            )
        if known[key] != asked.carrier:
            bodies.append(
                GearShared(
                    subject=asked.subject,
                    requirement=asked.requirement,
                    unit=asked.unit,
                    carrier=asked.carrier,
                )
            )
    if bodies:
        readiness.journal.write(work, reader, trip, *bodies)
    return len(bodies)
