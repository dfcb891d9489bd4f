"""If these stay behind: the boards that would result at once, and what each side would be left with. Pure.

A what-if: nothing of it is written anywhere. The weather is the one the evaluation rests on.
"""

from collections.abc import Collection, Mapping
from dataclasses import replace
from datetime import UTC, datetime

from api.conditions.quantities import quantities
from api.journal.fold import Picture
from api.journal.kinds import PARTY
from api.journal.trip import HoldKind, RopeTeam
from api.kitlist.schemas import Basis, Grade, GradeRule, Scope, Zone
from api.readiness.board import board
from api.readiness.evaluation import Evaluation, with_picture
from api.readiness.findings import HoldPoints, rank
from api.readiness.lacks import Subject, needed, subjects_of
from api.readiness.ropes import MEDICINE, PRACTICE, carriers_of, rules_here
from api.readiness.schemas import CAUTION, Board, Finding, GapKind, Reason, Shown

SATELLITE = "satellite-messenger"
SHELTER = "group-shelter"


class Carried(Shown):
    """One unit of group gear, and with whom it would be."""

    requirement: str
    item: str
    unit: int
    carrier: str | None
    """Name of who carries it; None: nobody knows."""


class Side(Shown):
    """People who would be together, away from the others."""

    name: str
    people: tuple[str, ...]
    guides: int
    findings: tuple[Finding, ...] = ()
    gear: tuple[Carried, ...] = ()
    """Group gear known to be with them."""


class IfTheyStay(Shown):
    """What would be, were these people to stay behind or go down. Nothing of it has happened."""

    caution: str = CAUTION
    what_if: bool = True
    on: Board | None
    """The board of those who go on; None when nobody does."""
    sides: tuple[Side, ...]
    breaks_permit: bool
    unplaced: tuple[Carried, ...] = ()
    """Group gear of which nobody has said who carries it."""


def stay_behind(
    evaluation: Evaluation,
    staying: Collection[str],
    *,
    down: Collection[str] = (),
    moves: Mapping[str, str] | None = None,
    now: datetime,
) -> IfTheyStay:
    """The trip as it would be if some people stayed where they are, and others went down.

    Parameters
    ----------
    evaluation
        The trip as it stands.
    staying, down
        Member ids of those who stay, and of those who go down. The others go on.
    moves
        Member id to the id of the rope they would be on; the others keep their places.
    now
        The present moment, for the board.
    """
    away = set(staying) | set(down)
    going = [m for m in evaluation.picture.members if m not in away]
    groups = {
        "Going on": going,
        "Staying": list(staying),
        "Going down": [m for m in down if m not in staying],
    }
    groups = {name: people for name, people in groups.items() if people}
    after = _without(evaluation, away, moves or {})
    shown = board(after, now=now) if going else None
    sides = tuple(
        _side(evaluation, name, people, list(groups.values()), after if name == "Going on" else None)
        for name, people in groups.items()
    )
    broken = [f for side in sides for f in side.findings if f.basis.kind == "law-or-permit"]
    return IfTheyStay(
        on=shown,
        sides=sides,
        breaks_permit=any(finding.kind is GapKind.RULE for finding in broken),
        unplaced=_unplaced(evaluation),
    )


def _without(evaluation: Evaluation, away: set[str], moves: Mapping[str, str]) -> Evaluation:
    """The evaluation of those who go on, on the ropes they would be on."""
    picture = evaluation.picture
    members = {m: record for m, record in picture.members.items() if m not in away}
    ropes = picture.ropes
    if ropes is not None:
        teams = _moved(ropes.body.ropes, away, moves)
        ropes = replace(ropes, body=ropes.body.model_copy(update={"ropes": teams}))
    after = replace(picture, members=members, ropes=ropes)
    amounts = quantities(evaluation.plan, evaluation.conditions, len(members))
    return with_picture(replace(evaluation, quantities=amounts), evaluation.seq, after)


def _moved(teams: tuple[RopeTeam, ...], away: set[str], moves: Mapping[str, str]) -> tuple[RopeTeam, ...]:
    changed = []
    for team in teams:
        stay = [m for m in team.members if m not in away and moves.get(m, team.id) == team.id]
        come = [m for m, rope in moves.items() if rope == team.id and m not in stay and m not in away]
        changed.append(team.model_copy(update={"members": (*stay, *come)}))
    return tuple(team for team in changed if team.members)


def _side(
    evaluation: Evaluation,
    name: str,
    people: list[str],
    groups: list[list[str]],
    after: Evaluation | None,
) -> Side:
    profiles = evaluation.picture.profiles
    guides = sum(profiles[m].role.guides for m in people)
    found = [f for f in after.findings if f.kind is GapKind.RULE] if after else []
    if after is None and guides == 0:
        found.append(_no_guide(evaluation, name, people))
    if len(groups) > 1:
        found += _shared(evaluation, name, people)
    return Side(
        name=name,
        people=tuple(profiles[m].name for m in people),
        guides=guides,
        findings=tuple(sorted(found, key=rank)),
        gear=_gear(evaluation, people),
    )


def _no_guide(evaluation: Evaluation, name: str, people: list[str]) -> Finding:
    here = next(
        (h for h in rules_here(evaluation.plan, evaluation.picture) if h.rule.clients_need_guide), None
    )
    basis = PRACTICE
    if here is not None:
        basis = Basis(kind="law-or-permit", source=f"{here.rule.title}: {here.rule.source}")
    alone = "one client" if len(people) == 1 else f"{len(people)} clients"
    return _finding(
        evaluation, name, "client-guide", "A guide with every client", f"{alone} without a guide",
        "A guide stays with them.", Grade.STOP if here else Grade.FIX, basis,
    )  # fmt: skip


def _shared(evaluation: Evaluation, name: str, people: list[str]) -> list[Finding]:
    """What there is one of, and each side would need: who has it, or that this is not known."""
    found = []
    for requirement in (MEDICINE, SATELLITE, SHELTER):
        item = evaluation.edition.requirement(requirement) if evaluation.edition else None
        if item is None:
            continue
        carriers = carriers_of(evaluation.picture).get((PARTY, requirement), {})
        if any(who in people for who in carriers.values()):
            continue
        units = needed(item.how_many, _party(evaluation))
        if carriers and len(carriers) >= units:
            says = "it is with the others"
        else:
            says = f"{units:g} for the whole party, and who would carry it is not known"
        clears = "Say who carries it, and what this side does without it."
        kind = GapKind.SHORT if carriers else GapKind.UNKNOWN
        slug = f"{requirement}-here"
        found.append(_finding(evaluation, name, slug, item.item, says, clears, Grade.FIX, PRACTICE, kind))
    return found


def _party(evaluation: Evaluation) -> Subject:
    return next(s for s in subjects_of(evaluation.picture) if s.scope is Scope.PARTY)


def _finding(
    evaluation: Evaluation,
    name: str,
    slug: str,
    item: str,
    says: str,
    clears: str,
    grade: Grade,
    basis: Basis,
    kind: GapKind = GapKind.RULE,
) -> Finding:
    plan, picture = evaluation.plan, evaluation.picture
    ahead = next((h for h in plan.hold_points if h.id not in picture.holds_passed), None)
    _, point = HoldPoints(plan, picture).in_force(
        GradeRule(grade=Grade.ADVISE, at=ahead.kind if ahead else HoldKind.SUMMIT_START)
    )
    stage = plan.stages[0]
    return Finding(
        id=f"{PARTY}.{slug}",
        subject=PARTY,
        subject_name=name,
        scope=Scope.PARTY,
        requirement=slug,
        item=item,
        zone=Zone.PARTY,
        kind=kind,
        grade=grade,
        hold=point.kind,
        hold_name=point.name,
        title=f"{name}: {item} – {says}",
        reasons=(Reason(kind=kind, says=says),),
        why=basis.source if basis.kind == "law-or-permit" else "Each party must be able to stand alone.",
        first_stage=stage.id,
        first_stage_name=stage.name,
        first_at=stage.starts_at.astimezone(UTC),
        clears=clears,
        basis=basis,
        life_safety=False,
    )


# -- group gear


def units_of(evaluation: Evaluation) -> tuple[Carried, ...]:
    """Every unit of the party's group gear that is asked for, with who carries it."""
    return tuple(unit for _, unit in _units(evaluation, evaluation.picture))


def _units(evaluation: Evaluation, picture: Picture) -> list[tuple[str | None, Carried]]:
    if evaluation.edition is None:
        return []
    carriers, party, found = carriers_of(picture), _party(evaluation), []
    for item in evaluation.edition.requirements:
        if item.scope is not Scope.PARTY or item.weight_g is None or item.how_many.computed is not None:
            continue
        for unit in range(1, int(needed(item.how_many, party)) + 1):
            who = carriers.get((PARTY, item.id), {}).get(unit)
            name = picture.profiles[who].name if who else None
            found.append((who, Carried(requirement=item.id, item=item.item, unit=unit, carrier=name)))
    return found


def _gear(evaluation: Evaluation, people: list[str]) -> tuple[Carried, ...]:
    return tuple(unit for who, unit in _units(evaluation, evaluation.picture) if who in people)


def _unplaced(evaluation: Evaluation) -> tuple[Carried, ...]:
    return tuple(unit for who, unit in _units(evaluation, evaluation.picture) if who is None)
