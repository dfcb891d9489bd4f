"""Findings about the body, where an edition asks for them: too little warmth, sleep or light, too much load.

An edition asks by a requirement of one person whose `how_many` names a quantity of the body and the least
that must be left of it (of a load: the most there may be). Nobody looks for such a thing in a pack, so it is
written `optional: true`, with its grades. What cannot be worked out is a finding too: unknown is a gap. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC

import numpy as np
import numpy.typing as npt

from api.body.people import Person
from api.body.whole import Body
from api.journal.fold import Picture
from api.kitlist.metrics import METRICS, OF_THE_BODY
from api.kitlist.schemas import GradeRule, Requirement, Scope
from api.readiness.asks import Asks, grade_in_force
from api.readiness.bodies import body_from
from api.readiness.findings import HoldPoints
from api.readiness.lacks import Lacks
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
_QUANTITIES = {**LEFT, **BORNE}
WARMTH = frozenset({"clothing_margin_clo", "standing_min"})


def asked_of_the_body(requirement: Requirement) -> bool:
    """Whether a requirement is about the body and not about a thing."""
    name = requirement.how_many.computed
    return requirement.scope is Scope.PERSON and requirement.optional and name in OF_THE_BODY


@dataclass(frozen=True, slots=True, eq=False)
class BodyGap:
    """What is asked of one person's body and is too little, too much or not known; [stage, scenario]."""

    pair: tuple[int, int]
    """Index of the subject, index of the requirement."""
    person: int
    """Index among the people of the body."""
    values: Floats
    amiss: Bools
    unknown: Bools
    certain: Bools
    """Where the forecast leaves no doubt that it is asked."""

    def where(self, scenario: int) -> Bools:
        """The stages that a finding is about in one scenario: what is amiss, else what is not known."""
        amiss = self.amiss[:, scenario]
        return amiss if amiss.any() else self.unknown[:, scenario]


def body_asked(asked: Asks, lacking: Lacks, picture: Picture) -> Body | None:
    """The bodies of the party, where the edition asks anything of them; else None."""
    wanted = any(asked_of_the_body(r) and r.grades for r in lacking.edition.requirements)
    return body_from(asked.plan, asked.conditions, picture, lacking) if wanted and asked.plan.stages else None


def body_gaps(asked: Asks, lacking: Lacks, found: Body) -> Iterator[BodyGap]:
    """Everything the edition asks of bodies and is not surely enough, in every scenario."""
    place = {subject.id: p for p, subject in enumerate(lacking.subjects)}
    ahead = asked.ahead[:, np.newaxis]
    for r, requirement in enumerate(lacking.edition.requirements):
        if not (asked_of_the_body(requirement) and requirement.grades):
            continue
        name, limit = str(requirement.how_many.computed), requirement.how_many.count
        values, truth = _QUANTITIES[name](found), asked.weather.truth(requirement.when)
        counts = _counts(name, found) & ahead
        here, certain = truth.possible.T & counts, truth.certain.T & counts
        with np.errstate(invalid="ignore"):
            amiss = here & (values < limit if name in LEFT else values > limit)
        unknown = here & np.isnan(values)
        for at, person in enumerate(found.people):
            p = place[person.id]
            concerned = not requirement.roles or lacking.subjects[p].role in requirement.roles
            if concerned and (amiss[at].any() or unknown[at].any()):
                yield BodyGap((p, r), at, values[at], amiss[at], unknown[at], certain)


def body_findings(
    asked: Asks, lacking: Lacks, picture: Picture, found: Body | None = None
) -> tuple[Finding, ...]:
    """Everything asked of the body that is too little, too much or not known in the forecast itself.

    Worked out only when the edition asks for any of it. `found`: the bodies, where they are at hand.
    """
    bodies = body_asked(asked, lacking, picture) if found is None else found
    if bodies is None:
        return ()
    gaps = body_gaps(asked, lacking, bodies)
    each = (body_finding(gap, bodies, asked, lacking, picture, asked.base) for gap in gaps)
    return tuple(finding for finding in each if finding is not None)


def body_finding(
    gap: BodyGap, found: Body, asked: Asks, lacking: Lacks, picture: Picture, scenario: int
) -> Finding | None:
    """The finding as it would be, were one scenario the forecast itself; None where there is none."""
    where = gap.where(scenario)
    requirement = lacking.edition.requirements[gap.pair[1]]
    graded = grade_in_force(requirement.grades, asked.weather, where, scenario) if where.any() else None
    if graded is None:
        return None
    return _finding(requirement, found.people[gap.person], gap, graded, asked, picture, scenario)


def _counts(name: str, found: Body) -> Bools:
    """Where the quantity means anything, [stage, scenario]: nights for sleep, air up to 10 °C for warmth."""
    if name == "bag_margin_c":
        return np.array([[stage.night is not None] for stage in found.plan.stages], dtype=np.bool_)
    if name in WARMTH:
        return np.asarray(~found.air.too_warm)
    return np.ones((len(found.plan.stages), 1), dtype=np.bool_)


def _finding(
    requirement: Requirement,
    person: Person,
    gap: BodyGap,
    graded: tuple[GradeRule, tuple[GradeRule, ...]],
    asked: Asks,
    picture: Picture,
    scenario: int,
) -> Finding:
    quantity, plan = METRICS[str(requirement.how_many.computed)], asked.plan
    rule, also = graded
    holds = HoldPoints(plan, picture)
    grade, hold = holds.in_force(rule)
    where = gap.where(scenario)
    shown = np.where(where, gap.values[:, scenario], np.nan)
    kind = GapKind.UNKNOWN if np.isnan(shown).all() else GapKind.SHORT
    stage = plan.stages[int(np.argmax(where))]
    limit = f"{requirement.how_many.count:g} {quantity.unit}"
    if kind is GapKind.UNKNOWN:
        says, answer = f"{quantity.title} cannot be worked out from what is known", None
    else:
        least = quantity.name in LEFT
        at = int(np.nanargmin(shown) if least else np.nanargmax(shown))
        stage, answer = plan.stages[at], f"{shown[at]:.1f} {quantity.unit}"
        word = "at least" if least else "at most"
        says = f"{quantity.title}: {answer} on {stage.name}{_spread(gap.values[at])}, {word} {limit} asked"
    there = np.asarray((gap.amiss | gap.unknown).any(axis=0))
    scenarios = zip(asked.conditions.scenarios, there.tolist(), strict=True)
    return Finding(
        id=f"{person.id}.{requirement.id}",
        subject=person.id,
        subject_name=person.name,
        scope=Scope.PERSON,
        requirement=requirement.id,
        item=requirement.item,
        zone=requirement.zone,
        kind=kind,
        grade=grade,
        hold=hold.kind,
        hold_name=hold.name,
        also=tuple(HoldGrade(grade=g, hold=h.kind, hold_name=h.name) for g, h in map(holds.in_force, also)),
        title=f"{person.name}: {requirement.item} – {says}",
        reasons=(Reason(kind=kind, says=says, answer=answer, asked=limit),),
        why=requirement.why,
        first_stage=stage.id,
        first_stage_name=stage.name,
        first_at=stage.starts_at.astimezone(UTC),
        clears=requirement.clears,
        basis=requirement.basis,
        life_safety=False,
        conditions_known=kind is not GapKind.UNKNOWN,
        scenarios=tuple(one.id for one, there in scenarios if there),
    )


def _spread(values: Floats) -> str:
    """From the lowest to the highest over the scenarios, where these differ."""
    known = values[np.isfinite(values)]
    if known.size < 2 or f"{known.min():.1f}" == f"{known.max():.1f}":
        return ""
    return f" ({known.min():.1f} to {known.max():.1f} over {known.size} scenarios)"
