"""Findings about the body, where an edition asks for them: too little warmth, sleep or light, too much load.

An edition asks by a requirement of one person whose `how_many` names a quantity of the body and the least
that must be left of it (of a load: the most there may be). Nobody looks for such a thing in a pack, so it is
written `optional: true`, with its grades. What cannot be worked out is a finding too: unknown is a gap. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import UTC

import numpy as np
import numpy.typing as npt

from api.body.whole import Body
from api.journal.fold import Picture
from api.journal.trip import TripPlan
from api.kitlist.metrics import METRICS, OF_THE_BODY
from api.kitlist.schemas import GradeRule, Requirement, Scope
from api.readiness.asks import Asks, grade_in_force
from api.readiness.bodies import body_from
from api.readiness.findings import HoldPoints
from api.readiness.lacks import Lacks, applies
from api.readiness.schemas import Finding, GapKind, HoldGrade, Reason

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

LEFT: Mapping[str, Callable[[Body], Floats]] = {
    "clothing_margin_clo": lambda found: found.warmth.margin_min_clo,
    "standing_min": lambda found: found.warmth.standing_neutral_min,
    "bag_margin_c": lambda found: found.sleep.margin_c,
    "light_margin_h": lambda found: found.light.margin_h,
}
"""What must be left, by name; [person, stage, scenario]."""
BORNE: Mapping[str, Callable[[Body], Floats]] = {
    "pack_kg": lambda found: found.load.pack_kg[:, :, np.newaxis] + np.zeros(len(found.conditions.scenarios)),
    "energy_kj": lambda found: found.load.energy_kj,
}
"""What must not be more, by name."""
WARMTH = frozenset({"clothing_margin_clo", "standing_min"})


def asked_of_the_body(requirement: Requirement) -> bool:
    """Whether a requirement is about the body and not about a thing."""
    name = requirement.how_many.computed
    return requirement.scope is Scope.PERSON and requirement.optional and name in OF_THE_BODY


def body_findings(asked: Asks, lacking: Lacks, picture: Picture) -> tuple[Finding, ...]:
    """Everything the edition asks of the body that is too little, too much or not known.

    Worked out only when the edition asks for any of it. The findings rest on the scenario of the forecast
    itself.
    """
    wanted = [r for r in lacking.edition.requirements if asked_of_the_body(r) and r.grades]
    if not wanted or not asked.plan.stages:
        return ()
    found = body_from(asked.plan, asked.conditions, picture, lacking)
    return tuple(
        finding for requirement in wanted for finding in _of(requirement, found, asked, lacking, picture)
    )


def _of(
    requirement: Requirement, found: Body, asked: Asks, lacking: Lacks, picture: Picture
) -> Iterator[Finding]:
    name, base, plan = str(requirement.how_many.computed), asked.base, asked.plan
    values = {**LEFT, **BORNE}[name](found)[:, :, base]
    here = asked.weather.truth(requirement.when).possible[base] & _counts(name, found, plan, base)
    for p, person in enumerate(found.people):
        subject = next(s for s in lacking.subjects if s.id == person.id)
        if not applies(requirement, subject):
            continue
        with np.errstate(invalid="ignore"):
            limit = requirement.how_many.count
            amiss = here & (values[p] < limit if name in LEFT else values[p] > limit)
        unknown = here & np.isnan(values[p])
        where = amiss if amiss.any() else unknown
        graded = grade_in_force(requirement.grades, asked.weather, where, base) if where.any() else None
        if graded is not None:
            yield _finding(requirement, person.id, person.name, values[p], where, graded, asked, picture)


def _counts(name: str, found: Body, plan: TripPlan, base: int) -> Bools:
    """Stages on which the quantity means anything: nights for sleep, air up to 10 °C for warmth."""
    if name == "bag_margin_c":
        return np.array([stage.night is not None for stage in plan.stages], dtype=np.bool_)
    if name in WARMTH:
        return np.asarray(~found.warmth.air.too_warm[:, base])
    return np.ones(len(plan.stages), dtype=np.bool_)


def _finding(
    requirement: Requirement,
    member: str,
    name: str,
    values: Floats,
    where: Bools,
    graded: tuple[GradeRule, tuple[GradeRule, ...]],
    asked: Asks,
    picture: Picture,
) -> Finding:
    quantity, plan = METRICS[str(requirement.how_many.computed)], asked.plan
    rule, also = graded
    holds = HoldPoints(plan, picture)
    grade, hold = holds.in_force(rule)
    shown = np.where(where, values, np.nan)
    kind = GapKind.UNKNOWN if np.isnan(shown).all() else GapKind.SHORT
    stage = plan.stages[int(np.argmax(where))]
    limit = f"{requirement.how_many.count:g} {quantity.unit}"
    if kind is GapKind.UNKNOWN:
        says, answer = f"{quantity.title} cannot be worked out from what is known", None
    else:
        least = quantity.name in LEFT
        at = int(np.nanargmin(shown) if least else np.nanargmax(shown))
        stage, answer = plan.stages[at], f"{values[at]:.1f} {quantity.unit}"
        says = (
            f"{quantity.title}: {answer} on {stage.name}, {'at least' if least else 'at most'} {limit} asked"
        )
    return Finding(
        id=f"{member}.{requirement.id}",
        subject=member,
        subject_name=name,
        scope=Scope.PERSON,
        requirement=requirement.id,
        item=requirement.item,
        zone=requirement.zone,
        kind=kind,
        grade=grade,
        hold=hold.kind,
        hold_name=hold.name,
        also=tuple(HoldGrade(grade=g, hold=h.kind, hold_name=h.name) for g, h in map(holds.in_force, also)),
        title=f"{name}: {requirement.item} – {says}",
        reasons=(Reason(kind=kind, says=says, answer=answer, asked=limit),),
        why=requirement.why,
        first_stage=stage.id,
        first_stage_name=stage.name,
        first_at=stage.starts_at.astimezone(UTC),
        clears=requirement.clears,
        basis=requirement.basis,
        life_safety=False,
        conditions_known=kind is not GapKind.UNKNOWN,
    )
