"""Findings about nights: not told, more gain than the guideline has, a rest due, a private note. Pure.

An edition grades them by requirements named `nights`, `night-gain` and `private-note`, the first grade whose
conditions hold on the stages at issue; without those the grades below hold. They are nothing anybody looks
for in a pack, so they stand on no check sheet.
"""

from collections.abc import Iterator, Mapping
from datetime import UTC
from uuid import UUID

import numpy as np

from api.journal.fold import Picture
from api.journal.health import Mark
from api.journal.trip import HOLD_ORDER, HoldKind, HoldPoint, Stage, TripPlan
from api.kitlist.schemas import NIGHT_LINES, Basis, Edition, Grade, GradeRule, Scope, Zone
from api.nights.rules import Assessment, assessments
from api.nights.symptoms import Standing, standing
from api.readiness.asks import Bools, Weather, grade_in_force
from api.readiness.findings import HoldPoints
from api.readiness.schemas import Finding, GapKind, HoldGrade, Reason
from api.science.ascent import (
    GAIN_BETWEEN_RESTS_M,
    GAIN_PER_NIGHT_M,
    NIGHTS_BETWEEN_RESTS,
    RULE_FROM_M,
    NightGain,
    RestCheck,
)

REQUIREMENTS = NIGHT_LINES
NIGHTS, GAIN, PRIVATE = REQUIREMENTS

DEFAULT_GRADES: Mapping[str, GradeRule] = {
    NIGHTS: GradeRule(grade=Grade.FIX, at=HoldKind.BASE),
    GAIN: GradeRule(grade=Grade.ADVISE, at=HoldKind.HIGH_CAMP),
}

GUIDELINE = Basis(
    kind="published",
    source="Therapeutic Guidelines: Wilderness Medicine (at most 500 m a night above 3,000 m, an extra day "
    "for every 1,000 m); Wilderness Medical Society 2024 update, whose own text, with a rest every 3 to 4 "
    "days, is given from memory",
)
PRACTICE = Basis(kind="common-practice", source="common practice, no published source")

PRIVATE_SAYS = {
    Mark.HOLD: "ask the lead guide. Goes no higher for now",
    Mark.OPEN: "ask the lead guide. A question is open",
}
ERASED_SAYS = "erased while it held this person back: ask"


def night_findings(
    plan: TripPlan,
    picture: Picture,
    edition: Edition | None = None,
    weather: Weather | None = None,
    nights: Mapping[str, Assessment] | None = None,
) -> tuple[Finding, ...]:
    """Everything about nights that is amiss or not known.

    Parameters
    ----------
    plan, picture
        The trip, the nights told, and the marks of private notes; never what these say.
    edition
        May grade these findings; see above.
    weather
        Of that edition, for grades with conditions; without it none of these can be ruled out.
    nights
        Everyone's nights against the guideline, where they are worked out already.

    Returns
    -------
    Findings about persons. Nothing about heights while the plan has no night above the threshold.
    """
    if not plan.stages:
        return ()
    found = assessments(plan, picture) if nights is None else nights
    return tuple(_Look(plan, picture, edition, weather, found).all())


class _Look:
    """One look at everyone's nights."""

    def __init__(
        self,
        plan: TripPlan,
        picture: Picture,
        edition: Edition | None,
        weather: Weather | None,
        nights: Mapping[str, Assessment],
    ) -> None:
        self.plan = plan
        self.picture = picture
        self.edition = edition
        self.weather = weather
        self.nights = nights
        self.holds = HoldPoints(plan, picture)

    def all(self) -> Iterator[Finding]:
        for member in sorted(self.picture.members):
            found = self.nights[member]
            if found.not_known:
                yield self._not_known(member, found)
            gains = [gain for gain in found.above if self._on_trip(found, gain.night)]
            rests = [rest for rest in found.overdue if self._on_trip(found, rest.night)]
            if gains or rests:
                yield self._above(member, found, gains, rests)
            stands = standing(self.picture, member)
            if stands.mark is not None:
                yield self._private(member, stands)

    def _not_known(self, member: str, found: Assessment) -> Finding:
        gap = found.not_known[0]
        before = found.unknown_nights
        told_before = any(n.told for n in found.nights[: gap.night])
        what = "last nights not told" if not told_before else f"{_nights(len(before))} before it not known"
        says = f"{what}. Not counted as OK. Ask before leaving"
        more = f"{night_in_words(found, self.plan, gap.night)} gains nobody knows how much"
        return self._finding(
            member,
            NIGHTS,
            "Nights before",
            GapKind.UNKNOWN,
            [says, more],
            why="How high someone slept before decides how much a night gains.",
            clears="Ask this person where they slept, and record it; also that they do not know.",
            basis=GUIDELINE,
            on=[gap.night],
            found=found,
        )

    def _on_trip(self, found: Assessment, night: int) -> bool:
        """What went before the trip is over, and shown on the nights page."""
        return found.nights[night].on >= self.plan.starts_on

    def _above(
        self, member: str, found: Assessment, gains: list[NightGain], rests: list[RestCheck]
    ) -> Finding:
        first = {gain.night for gain in gains} | {rest.night for rest in rests}
        says = [gain_in_words(found, self.plan, gain) for gain in gains]
        says += [
            f"{night_in_words(found, self.plan, rest.night)} comes {rest.nights_since} climbing nights and "
            f"{rest.gained_m or 0:,.0f} m after the last rest; guideline a rest at least every "
            f"{NIGHTS_BETWEEN_RESTS} nights and {GAIN_BETWEEN_RESTS_M:,.0f} m"
            for rest in rests
        ]
        return self._finding(
            member,
            GAIN,
            "Sleeping height",
            GapKind.HEIGHT,
            says,
            why="Gain in sleeping height is the main driver of mountain sickness that a plan can change.",
            clears="An extra night, or a lower one; the nights page works out where. Ask each evening.",
            basis=GUIDELINE,
            on=sorted(first),
            found=found,
        )

    def _private(self, member: str, stands: Standing) -> Finding:
        says = ERASED_SAYS if stands.erased or stands.mark is None else PRIVATE_SAYS[stands.mark]
        held = stands.mark is Mark.HOLD and not stands.erased
        point = self._ahead()
        ahead = [stage for stage in self.plan.stages if stage.ends_at > point.at] or [self.plan.stages[-1]]
        # It holds at the next hold point, whatever an edition says: nobody passes one with an open stop.
        graded = self._rule(PRIVATE, ahead)
        grade = (graded[0].grade if graded else Grade.STOP) if held else Grade.FIX
        return self._made(
            member,
            PRIVATE,
            "Private note",
            GapKind.HELD if held else GapKind.UNANSWERED,
            [says],
            why="A guide of this trip noted something that is for its guides to read, on the nights page.",
            clears="A later note by a guide of this trip, or the lead guide's decision after a talk.",
            basis=PRACTICE,
            grade=(grade, point),
            also=(),
            stage=ahead[0],
            rests_on=tuple(record.entry for record in stands.records),
        )

    def _ahead(self) -> HoldPoint:
        """The next hold point that nobody has passed, else the last."""
        points = self.plan.hold_points
        ahead = [point for point in points if point.id not in self.picture.holds_passed]
        if ahead:
            return min(ahead, key=lambda point: HOLD_ORDER[point.kind])
        return points[-1] if points else self.holds.at(HoldKind.BASE)

    def _rule(self, requirement: str, stages: list[Stage]) -> tuple[GradeRule, tuple[GradeRule, ...]] | None:
        """The first grade of the edition that holds on any of some stages, and what it says for later."""
        found = self.edition.requirement(requirement) if self.edition else None
        if found is None or not found.grades:
            return None
        if self.weather is None:
            return found.grades[0], found.grades[0].also
        here: Bools = np.array([stage in stages for stage in self.plan.stages])
        return grade_in_force(found.grades, self.weather, here, self.weather.conditions.base)

    def _finding(
        self,
        member: str,
        requirement: str,
        item: str,
        kind: GapKind,
        says: list[str],
        *,
        why: str,
        clears: str,
        basis: Basis,
        on: list[int],
        found: Assessment,
    ) -> Finding:
        stages = [self._stage_to(found, night) for night in on]
        rule, later = self._rule(requirement, stages) or (DEFAULT_GRADES[requirement], ())
        also = tuple(
            HoldGrade(grade=grade, hold=point.kind, hold_name=point.name)
            for grade, point in map(self.holds.in_force, later)
        )
        told = self.picture.nights.get(member, {})
        return self._made(
            member,
            requirement,
            item,
            kind,
            says,
            why=why,
            clears=clears,
            basis=basis,
            grade=self.holds.in_force(rule),
            also=also,
            stage=stages[0],
            rests_on=tuple(told[on].entry for on in sorted(told)),
        )

    def _stage_to(self, found: Assessment, night: int) -> Stage:
        """The stage that leads to a night."""
        day = found.nights[night].on
        zone = self.plan.place.zone
        leads = [s for s in self.plan.stages if s.starts_at.astimezone(zone).date() <= day]
        return leads[-1] if leads else self.plan.stages[0]

    def _made(
        self,
        member: str,
        requirement: str,
        item: str,
        kind: GapKind,
        says: list[str],
        *,
        why: str,
        clears: str,
        basis: Basis,
        grade: tuple[Grade, HoldPoint],
        also: tuple[HoldGrade, ...],
        stage: Stage,
        rests_on: tuple[UUID, ...],
    ) -> Finding:
        name = self.picture.profiles[member].name
        in_force, point = grade
        return Finding(
            id=f"{member}.{requirement}",
            subject=member,
            subject_name=name,
            scope=Scope.PERSON,
            requirement=requirement,
            item=item,
            zone=Zone.PAPERS,
            kind=kind,
            grade=in_force,
            hold=point.kind,
            hold_name=point.name,
            also=also,
            title=f"{name}: {item} – {says[0]}",
            reasons=tuple(Reason(kind=kind, says=text) for text in says),
            why=why,
            first_stage=stage.id,
            first_stage_name=stage.name,
            first_at=stage.starts_at.astimezone(UTC),
            clears=clears,
            basis=basis,
            life_safety=False,
            rests_on=rests_on,
        )


def gain_in_words(found: Assessment, plan: TripPlan, gain: NightGain) -> str:
    """A gain that is too large, in words and numbers."""
    over = "the night before" if gain.over == 1 else f"the last known night, {gain.over} nights before"
    return (
        f"{night_in_words(found, plan, gain.night)} is {gain.gain_m or 0:,.0f} m above {over}; guideline at "
        f"most {GAIN_PER_NIGHT_M:,.0f} m a night above {RULE_FROM_M:,.0f} m"
    )


def night_in_words(found: Assessment, plan: TripPlan, index: int) -> str:
    """A night by its number on the trip, its date, place and height."""
    night = found.nights[index]
    day = f"{night.on.day} {night.on:%B}"
    number = (night.on - plan.starts_on).days + 1
    named = f"night {number} ({day})" if number > 0 else f"the night of {day}"
    place = f" at {night.place}" if night.place else ""
    height = "not known" if night.elevation_m is None else f"{night.elevation_m:,.0f} m"
    return f"{named}{place}, {height},"


def _nights(count: int) -> str:
    return "one night" if count == 1 else f"{count} nights"
