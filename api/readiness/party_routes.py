"""Ropes and party as JSON: rules, what would be if some stay behind, and who carries group gear."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Path, Query, status
from pydantic import BaseModel, ConfigDict, Field

from api.access.current import CurrentReader
from api.access.permissions import permit
from api.db import Reading, Writing
from api.errors import Invalid
from api.journal.party import PartyRule
from api.journal.trip import Slug
from api.readiness import party, queries
from api.readiness.evaluation import Evaluation
from api.readiness.party import Share, Unit
from api.readiness.schemas import CAUTION, Shown
from api.readiness.service import Evaluations
from api.readiness.staying import IfTheyStay, stay_behind

router = APIRouter(prefix="/api", tags=["ropes and party"])

TripId = Annotated[Slug, Path(description="Id of the trip.")]
People = Annotated[list[Slug], Query(max_length=100)]


class RuleShown(Shown):
    """A rule with who entered it and when."""

    rule: PartyRule
    entered_at: datetime
    entered_by: str
    ended_at: datetime | None


class Rules(Shown):
    """The rules an outfit took from its permits. They are its own words, not law."""

    rules: tuple[RuleShown, ...]


class TripRules(Shown):
    """The rules a trip goes by."""

    caution: str = CAUTION
    rules: tuple[PartyRule, ...]


class TakeRules(BaseModel):
    """Which of the outfit's rules: those for everything, and those for this activity."""

    model_config = ConfigDict(extra="forbid")

    activity: Slug | None = None


class Gear(Shown):
    """Group gear and who carries it."""

    seq: int
    units: tuple[Unit, ...]


class GearProposal(Shown):
    """A balanced proposal; nothing of it is written. `fullest` over 1: more than someone can carry."""

    units: tuple[Unit, ...]
    fullest: float


class Shares(BaseModel):
    """Who is to carry what."""

    model_config = ConfigDict(extra="forbid")

    shares: Annotated[tuple[Share, ...], Field(max_length=500)]


@router.get("/party-rules", dependencies=[permit("outfit.rules")])
def list_rules(conn: Reading, reader: CurrentReader) -> Rules:
    """The outfit's ratio and party rules, those taken out of use too."""
    rows = queries.party_rules(conn, reader.outfit)
    return Rules(
        rules=tuple(
            RuleShown(
                rule=PartyRule.model_validate(row.rule),
                entered_at=row.entered_at,
                entered_by=row.entered_by,
                ended_at=row.ended_at,
            )
            for row in rows
        )
    )


@router.post("/party-rules", status_code=status.HTTP_201_CREATED, dependencies=[permit("outfit.rules")])
def enter_rule(rule: PartyRule, work: Writing, reader: CurrentReader, readiness: Evaluations) -> Rules:
    """Enter a rule, with the text it was taken from."""
    party.enter_rule(work, reader, readiness.clock, rule)
    return list_rules(work, reader)


@router.post("/party-rules/{rule}/end", dependencies=[permit("outfit.rules")])
def end_rule(
    rule: Annotated[Slug, Path(description="Id of the rule.")],
    work: Writing,
    reader: CurrentReader,
    readiness: Evaluations,
) -> Rules:
    """Take a rule out of use."""
    party.end_rule(work, reader, readiness.clock, rule)
    return list_rules(work, reader)


@router.post("/trips/{trip}/party-rules/take", dependencies=[permit("trip.plan")])
def take_rules(
    trip: TripId, asked: TakeRules, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> TripRules:
    """Let the trip go by the outfit's rules as they are now."""
    return TripRules(rules=party.take_rules(work, readiness, reader, trip, asked.activity))


@router.get("/trips/{trip}/if-they-stay", dependencies=[permit("trip.read")])
def if_they_stay(
    trip: TripId,
    conn: Reading,
    reader: CurrentReader,
    readiness: Evaluations,
    stay: People = [],  # noqa: B006
    down: People = [],  # noqa: B006
    move: Annotated[list[str], Query(max_length=100, description="MEMBER:ROPE")] = [],  # noqa: B006
) -> IfTheyStay:
    """What would be, were some people to stay behind or go down. Nothing of it is written."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    moves = dict(_move(text) for text in move)
    check_people(evaluation, "stay", stay)
    check_people(evaluation, "down", down)
    check_people(evaluation, "move", moves)
    return stay_behind(evaluation, stay, down=down, moves=moves, now=readiness.clock.now())


def _move(text: str) -> tuple[str, str]:
    member, colon, rope = text.partition(":")
    if not (member and colon and rope):
        raise Invalid.field("move", text, "this names no person and rope.", "Write it like p10:r1.")
    return member, rope


def check_people(evaluation: Evaluation, field: str, people: list[str] | dict[str, str]) -> None:
    """Raise Invalid when someone, or a rope they would be on, is not of this trip."""
    for member in people:
        if member not in evaluation.picture.members:
            remedy = f"Name one of: {', '.join(sorted(evaluation.picture.members))}."
            raise Invalid.field(field, member, "nobody of this id is on the trip.", remedy)
    ropes = {rope.id for rope in evaluation.picture.rope_teams}
    for rope in people.values() if isinstance(people, dict) else ():
        if rope not in ropes:
            remedy = f"Name one of: {', '.join(sorted(ropes))}."
            raise Invalid.field(field, rope, "the trip has no such rope.", remedy)


@router.get("/trips/{trip}/group-gear", dependencies=[permit("trip.read")])
def read_gear(trip: TripId, conn: Reading, reader: CurrentReader, readiness: Evaluations) -> Gear:
    """Group gear, unit by unit, with who carries it."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    return Gear(seq=evaluation.seq, units=party.units(evaluation))


@router.get("/trips/{trip}/group-gear/proposal", dependencies=[permit("trip.read")])
def propose_gear(trip: TripId, conn: Reading, reader: CurrentReader, readiness: Evaluations) -> GearProposal:
    """A proposal balanced by what each can carry, everything shared out anew."""
    evaluation = readiness.evaluation(conn, reader.outfit, trip)
    made = party.propose(evaluation)
    shared = tuple(
        unit.model_copy(update={"carrier": made.carriers.get((unit.subject, unit.requirement, unit.unit))})
        for unit in party.units(evaluation)
    )
    return GearProposal(units=shared, fullest=made.fullest)


@router.post("/trips/{trip}/group-gear", dependencies=[permit("gear.lend")])
def share_gear(
    trip: TripId, asked: Shares, work: Writing, reader: CurrentReader, readiness: Evaluations
) -> Gear:
    """Write who carries what."""
    party.share(work, readiness, reader, trip, asked.shares)
    return read_gear(trip, work, reader, readiness)
