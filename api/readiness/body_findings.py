"""Findings about the body, where an edition asks for them: too little warmth, sleep or light, too much load.

An edition asks by a requirement of one person whose `how_many` names a quantity of the body and the least
that must be left of it (of a load: the most there may be). An amount (fuel, water, light) is held against
what other lines of the list show to be there: `count` is then the share of it that must be. Nobody looks for
such a thing in a pack, so it is written `optional: true`, with its grades. What cannot be worked out is a
finding too: unknown is a gap. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Container, Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC

import numpy as np
import numpy.typing as npt

from api.body.sleep import LEAST_R_ON_SNOW, MatState
from api.body.warmth import STRONGEST_MPS
from api.body.whole import Body
from api.journal.fold import Picture
from api.journal.kinds import PARTY
from api.kitlist.metrics import METRICS, OF_THE_BODY
from api.kitlist.schemas import GradeRule, Requirement, Scope
from api.readiness.asks import Asks, grade_in_force
from api.readiness.bodies import body_from
from api.readiness.findings import HoldPoints
from api.readiness.lacks import Lacks, Subject
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
    "pack_kg": lambda found: found.load.pack_kg,
    "energy_kj": lambda found: found.load.energy_kj,
}
"""What must not be more, by name."""


@dataclass(frozen=True, slots=True)
class Held:
    """An amount that is needed and what is there; [person, stage, scenario] each, of the party [1, ...]."""

    there: Floats
    needed: Floats

    @property
    def share(self) -> Floats:
        """What is there over what is needed; infinite where nothing is."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.needed == 0.0, np.inf, self.there / self.needed)


def _fuel(found: Body) -> Held:
    needed = found.water_fuel.fuel_g[PARTY]
    there = np.full(needed.shape, found.water_fuel.packed_g.get(PARTY, np.nan))
    shape = (1, len(found.plan.stages), needed.size)
    return Held(np.broadcast_to(there, shape), np.broadcast_to(needed, shape))


def _water(found: Body) -> Held:
    things = [person.things.get(BOTTLES) for person in found.people]
    litres = [np.nan if thing is None or thing.fits is None else thing.count * BOTTLE_L for thing in things]
    needed = found.water_fuel.carried.heaviest.T
    shape = (len(things), *needed.shape)
    there = np.array(litres, dtype=np.float64).reshape(-1, 1, 1)
    return Held(np.broadcast_to(there, shape), np.broadcast_to(needed, shape))


def _light(found: Body) -> Held:
    there, needed = found.light.usable_h, found.light.dark_so_far_h
    return Held(there, np.broadcast_to(needed, there.shape))


AMOUNTS: Mapping[str, Callable[[Body], Held]] = {"fuel_g": _fuel, "water_l": _water, "light_h": _light}
"""What must be there, by name, and where it is looked up: fuel that was counted; bottles; lamp and spare."""
BOTTLES, BOTTLE_L = "bottles", 1.0
"""The line of the list under which bottles of a litre each are counted."""
WARMTH = frozenset({"clothing_margin_clo", "standing_min"})
_QUANTITIES = {**LEFT, **BORNE}
MAT_WORDS: Mapping[MatState, str] = {
    MatState.NONE: "no mat is there, so the label does not hold",
    MatState.THIN: f"the mat is under R {LEAST_R_ON_SNOW:g} on snow, so it is colder than the label says",
    MatState.UNKNOWN: "nobody has seen a mat, without which the label does not hold",
}
"""What is said of the mat beside the bag; how many degrees it makes is not judged, for want of a source."""


def asked_of_the_body(requirement: Requirement) -> bool:
    """Whether a requirement is about the body and not about a thing."""
    of_one = requirement.how_many.computed in OF_THE_BODY and requirement.scope is Scope.PERSON
    return requirement.holds_amount or (requirement.optional and of_one)


@dataclass(frozen=True, slots=True, eq=False)
class BodyGap:
    """What is asked of one person's body and is too little, too much or not known; [stage, scenario]."""

    pair: tuple[int, int]
    """Index of the subject, index of the requirement."""
    values: Floats
    """What is left or borne; of an amount, the share of it that is there."""
    amiss: Bools
    unknown: Bools
    certain: Bools
    """Where the forecast leaves no doubt that it is asked."""
    told: str = ""
    """What else there is to say."""
    needed: Floats | None = None
    """Of an amount."""

    def where(self, scenario: int) -> Bools:
        """The stages that a finding is about in one scenario: what is amiss, else what is not known."""
        amiss = self.amiss[:, scenario]
        return amiss if amiss.any() else self.unknown[:, scenario]


def body_asked(asked: Asks, lacking: Lacks, picture: Picture) -> Body | None:
    """The bodies of the party, where the edition asks anything of them; else None."""
    wanted = any(asked_of_the_body(r) and r.grades for r in lacking.edition.requirements)
    return body_from(asked.plan, asked.conditions, picture, lacking) if wanted and asked.plan.stages else None


def body_gaps(
    asked: Asks, lacking: Lacks, found: Body, only: str | None = None, lines: Container[int] | None = None
) -> Iterator[BodyGap]:
    """Everything the edition asks of bodies and is not surely enough, in every scenario.

    `only`: the subject to look at; of the party, fuel depends on all people of the body. `lines`: indices of
    the requirements to look at.
    """
    place = {subject.id: p for p, subject in enumerate(lacking.subjects)}
    ahead = asked.ahead[:, np.newaxis]
    for r, requirement in enumerate(lacking.edition.requirements):
        if not (asked_of_the_body(requirement) and requirement.grades) or not (lines is None or r in lines):
            continue
        ids = [PARTY] if requirement.scope is Scope.PARTY else [person.id for person in found.people]
        if only is not None and only not in ids:
            continue
        name, limit = str(requirement.how_many.computed), requirement.how_many.count
        held = AMOUNTS[name](found) if name in AMOUNTS else None
        values, truth = (
            _QUANTITIES[name](found) if held is None else held.share,
            asked.weather.truth(requirement.when),
        )
        counts = _counts(name, found) & ahead
        here, certain = truth.possible.T & counts, truth.certain.T & counts
        with np.errstate(invalid="ignore"):
            amiss = here & (values > limit if name in BORNE else values < limit)
        unknown = here & np.isnan(values)
        short = (amiss | unknown).any(axis=(1, 2)).tolist()
        for at, id_ in enumerate(ids):
            p = place[id_]
            concerned = not requirement.roles or lacking.subjects[p].role in requirement.roles
            if concerned and short[at] and only in (None, id_):
                told = _told(name, found, at, amiss[at] | unknown[at])
                needed = None if held is None else held.needed[at]
                yield BodyGap((p, r), values[at], amiss[at], unknown[at], certain, told, needed)


def _told(name: str, found: Body, p: int, where: Bools) -> str:
    """What else is to be said: wind beyond the standard, or what lies under the bag."""
    if name in WARMTH and (where & found.air.too_windy).any():
        return f": more wind at the body than ISO 11079 covers, {STRONGEST_MPS:g} m/s"
    if name != "bag_margin_c":
        return ""
    bag, nights = found.sleep.bags[p], np.flatnonzero(where.any(axis=1)).tolist()
    states = {bag.under(found.plan.stages[t].night) for t in nights}
    worst = next((state for state in MAT_WORDS if state in states), None)
    return "" if worst is None else f"; {MAT_WORDS[worst]}"


def body_findings(
    asked: Asks, lacking: Lacks, picture: Picture, found: Body | None = None, only: str | None = None
) -> tuple[Finding, ...]:
    """Everything asked of the body that is too little, too much or not known in the forecast itself.

    Worked out only when the edition asks for any of it. `found`: the bodies, where they are at hand;
    `only`: the one subject that is looked at.
    """
    bodies = body_asked(asked, lacking, picture) if found is None else found
    if bodies is None:
        return ()
    gaps = body_gaps(asked, lacking, bodies, only)
    each = (body_finding(gap, asked, lacking, picture, asked.base) for gap in gaps)
    return tuple(finding for finding in each if finding is not None)


def body_finding(
    gap: BodyGap, asked: Asks, lacking: Lacks, picture: Picture, scenario: int
) -> Finding | None:
    """The finding as it would be, were one scenario the forecast itself; None where there is none."""
    where = gap.where(scenario)
    requirement = lacking.edition.requirements[gap.pair[1]]
    graded = grade_in_force(requirement.grades, asked.weather, where, scenario) if where.any() else None
    if graded is None:
        return None
    return _finding(requirement, lacking.subjects[gap.pair[0]], gap, graded, asked, picture, scenario)


def _counts(name: str, found: Body) -> Bools:
    """Where the quantity means anything, [stage, scenario]: nights for sleep and fuel; for the others the way
    ahead, and for warmth air up to 10 °C.
    """
    if name in ("bag_margin_c", "fuel_g"):
        return np.array([[stage.night is not None] for stage in found.plan.stages], dtype=np.bool_)
    ahead = np.broadcast_to(~found.air.walked, (len(found.plan.stages), 1))
    return np.asarray(ahead & ~found.air.too_warm) if name in WARMTH else ahead


def _finding(
    requirement: Requirement,
    subject: Subject,
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
    limit, unit = f"{requirement.how_many.count:g} {quantity.unit}", quantity.unit
    answer: str | None = None
    if kind is GapKind.UNKNOWN:
        why = gap.told if gap.told.startswith(":") else f" from what is known{gap.told}"
        says = f"{quantity.title} cannot be worked out{why}"
        limit = limit if gap.needed is None else ""
    else:
        at = int(np.nanargmax(shown) if quantity.name in BORNE else np.nanargmin(shown))
        stage = plan.stages[at]
        if gap.needed is None:
            answer = f"{shown[at]:.1f} {unit}"
            word = "at most" if quantity.name in BORNE else "at least"
            beside = gap.told if gap.told.startswith(";") else ""
            spread = f"{_spread(gap.values[at])}, {word} {limit} asked{beside}"
            says = f"{quantity.title}: {answer} on {stage.name}{spread}"
        else:
            need = float(gap.needed[at, scenario])
            answer, limit = f"{_amount(shown[at] * need)} {unit}", f"{_amount(need)} {unit}"
            share = f", {100.0 * requirement.how_many.count:.0f} % of it asked"
            until = "" if subject.scope is Scope.PARTY else f" on {stage.name}"
            says = f"{quantity.title}: {answer} there, {limit} needed{until}{_spread(gap.needed[at])}{share}"
    there = np.asarray((gap.amiss | gap.unknown).any(axis=0))
    scenarios = zip(asked.conditions.scenarios, there.tolist(), strict=True)
    return Finding(
        id=f"{subject.id}.{requirement.id}",
        subject=subject.id,
        subject_name=subject.name,
        scope=subject.scope,
        requirement=requirement.id,
        item=requirement.item,
        zone=requirement.zone,
        kind=kind,
        grade=grade,
        hold=hold.kind,
        hold_name=hold.name,
        also=tuple(HoldGrade(grade=g, hold=h.kind, hold_name=h.name) for g, h in map(holds.in_force, also)),
        title=f"{subject.name}: {requirement.item} – {says}",
        reasons=(Reason(kind=kind, says=says, answer=answer, asked=limit or None),),
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


def _amount(value: float) -> str:
    return f"{value:.0f}" if value >= 100.0 else f"{value:.1f}"


def _spread(values: Floats) -> str:
    """From the lowest to the highest over the scenarios, where these differ."""
    known = values[np.isfinite(values)]
    if known.size < 2 or _amount(known.min()) == _amount(known.max()):
        return ""
    return f" ({_amount(known.min())} to {_amount(known.max())} over {known.size} scenarios)"
