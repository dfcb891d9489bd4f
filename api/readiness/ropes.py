"""How ropes and party are made up, held against the permit's rules and good practice. Pure.

Which rules apply is typed in by the outfit and carried by the trip; nothing here is law by itself. What good
practice asks in any case (nobody alone on a glacier, gear for a rescue not all in one place) says so.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC
from uuid import UUID

from api.journal.fold import Picture
from api.journal.kinds import PARTY
from api.journal.party import PartyRule
from api.journal.trip import HoldKind, RopeTeam, Stage, Terrain, TripPlan
from api.kitlist.schemas import Basis, Edition, Grade, GradeRule, Scope, Zone
from api.readiness.findings import HoldPoints
from api.readiness.schemas import Finding, GapKind, Reason

PRACTICE = Basis(kind="common-practice", source="common practice, no published source")
ON_GLACIER = frozenset({Terrain.GLACIER, Terrain.CREVASSED})

SPACING_M: Mapping[int, tuple[float, float]] = {
    2: (15.0, 20.0),
    3: (10.0, 12.0),
    4: (8.0, 10.0),
    5: (8.0, 10.0),
}
"""Usual distance between people tied in, m, by how many are on the rope (common practice, no published
source; for two, with brake knots, from memory; the U.S. Antarctic Program's field manual gives 12 to 14 m for
three)."""
MOST_ON_ROPE = 5
"""More than this on one rope get very slow (common practice, no published source)."""

ROPE = "glacier-rope"
ROPE_LENGTH = "length-m"
HAULING = "hauling-kit"
STOVES = "stoves"
MEDICINE = "medicine-box"
RESCUE = ("second-rope", "group-shelter", "splint-set", "carry-kit", "first-aid-kit")
"""Requirements of the party that a rescue needs, by the ids that shipped kit lists use."""


@dataclass(frozen=True, slots=True)
class RuleHere:
    """A rule with the first stage of this trip on which it applies."""

    rule: PartyRule
    stage: Stage


def rules_here(plan: TripPlan, picture: Picture) -> tuple[RuleHere, ...]:
    """The trip's rules that apply to any of its stages, by date and ground."""
    rules = picture.party_rules.body.rules if picture.party_rules else ()
    found = []
    for rule in rules:
        stage = next((s for s in plan.stages if _applies(rule, s, plan)), None)
        if stage is not None:
            found.append(RuleHere(rule, stage))
    return tuple(found)


def _applies(rule: PartyRule, stage: Stage, plan: TripPlan) -> bool:
    ground = rule.terrain is None or rule.terrain in stage.terrain
    return ground and rule.in_force(stage.starts_at.astimezone(plan.place.zone).date())


def rope_findings(plan: TripPlan, picture: Picture, edition: Edition | None = None) -> tuple[Finding, ...]:
    """Everything amiss with ropes and party.

    Parameters
    ----------
    plan, picture
        The trip; its ropes, its rules, who carries what, and what is known of the ropes' lengths.
    edition
        Gives the names of gear; without it nothing is said about gear.

    Returns
    -------
    Findings about persons, ropes or the party, of the kind `rule`. None while no ropes are set.
    """
    if picture.ropes is None or not plan.stages:
        return ()
    return tuple(_Look(plan, picture, edition).all())


class _Look:
    """One look at the ropes of a trip."""

    def __init__(self, plan: TripPlan, picture: Picture, edition: Edition | None) -> None:
        self.plan = plan
        self.picture = picture
        self.edition = edition
        self.guides = {m for m, profile in picture.profiles.items() if profile.role.guides}
        self.ropes = [rope for rope in picture.rope_teams if rope.members]
        self.rules = rules_here(plan, picture)
        self.glacier = next((s for s in plan.stages if s.terrain & ON_GLACIER), None)
        self.holds = HoldPoints(plan, picture)

    def all(self) -> Iterator[Finding]:
        yield from self._party()
        for rope in self.ropes:
            yield from self._rope(rope)
        if self.glacier is not None:
            yield from self._alone(self.glacier)
        if self.edition is not None:
            yield from self._gear(self.edition)

    # -- people

    def _party(self) -> Iterator[Finding]:
        people, guides = len(self.picture.members), len(self.guides)
        for here in self.rules:
            rule = here.rule
            if rule.max_party is not None and people > rule.max_party:
                says = f"{people} people, the rule allows {rule.max_party}"
                yield self._by_rule(here, PARTY, "party-size", "Size of the party", says, "A smaller party.")
            if rule.min_guides is not None and guides < rule.min_guides:
                says = f"{guides} guides, the rule asks for {rule.min_guides}"
                yield self._by_rule(here, PARTY, "party-guides", "Guides", says, "Another guide.")
            if rule.max_clients_per_guide is not None:
                clients, most = people - guides, rule.max_clients_per_guide * guides
                if clients > most:
                    says = f"{clients} clients with {guides} guides, at most {most} are allowed"
                    clears = "Another guide, or fewer clients."
                    yield self._by_rule(here, PARTY, "party-ratio", "Clients per guide", says, clears)

    def _rope(self, rope: RopeTeam) -> Iterator[Finding]:
        people = len(rope.members)
        guides = len(self.guides & set(rope.members))
        yield from self._ratio(rope, people - guides, guides)
        least = _tightest(self.rules, "least_on_rope")
        if people == 1:
            stage = least.stage if least else self.glacier
            if stage is not None:
                basis = _basis(least.rule) if least else PRACTICE
                clears = "Put this person on a rope with others."
                yield self._finding(
                    rope.id, "rope-alone", "People on the rope", "one person alone on a rope", clears,
                    Grade.STOP, stage, basis,
                )  # fmt: skip
        elif least is not None and least.rule.least_on_rope and people < least.rule.least_on_rope:
            says = f"{people} on the rope, the rule asks for {least.rule.least_on_rope}"
            clears = "Join this rope with another, or move someone onto it."
            yield self._by_rule(least, rope.id, "rope-least", "People on the rope", says, clears)
        elif people == 2 and self.glacier is not None:
            says = "two on one rope; who stays up is easily pulled in too"
            yield self._finding(
                rope.id, "rope-two", "People on the rope", says,
                "Make it three, or say why these two can hold each other.",
                Grade.FIX, self.glacier, PRACTICE,
            )  # fmt: skip
        if self.glacier is not None:
            yield from self._length(rope, people, self.glacier)

    def _ratio(self, rope: RopeTeam, clients: int, guides: int) -> Iterator[Finding]:
        if guides == 0 and clients > 0:
            needs = next((here for here in self.rules if here.rule.clients_need_guide), None)
            stage = needs.stage if needs else self.glacier
            if stage is not None:
                yield self._finding(
                    rope.id, "rope-guide", "Guide on the rope", "no guide on this rope",
                    "Put a guide on this rope, or its people on guided ropes.",
                    Grade.STOP if needs else Grade.FIX, stage, _basis(needs.rule) if needs else PRACTICE,
                )  # fmt: skip
            return
        here = _tightest(self.rules, "max_clients_per_guide")
        if here is not None and here.rule.max_clients_per_guide is not None:
            most = here.rule.max_clients_per_guide * guides
            if clients > most:
                says = f"{clients} clients to {guides} on this rope, at most {most} are allowed"
                clears = "Move a client to another rope, or a guide to this one."
                yield self._by_rule(here, rope.id, "rope-ratio", "Clients per guide", says, clears)

    def _length(self, rope: RopeTeam, people: int, stage: Stage) -> Iterator[Finding]:
        if people > MOST_ON_ROPE:
            says = f"{people} on one rope; more than {MOST_ON_ROPE} get very slow"
            yield self._finding(
                rope.id, "rope-many", "People on the rope", says, "Split the rope, with a guide on each.",
                Grade.ADVISE, stage, PRACTICE,
            )  # fmt: skip
            return
        length = rope_length_m(self.picture, rope.id)
        if length is None or people not in SPACING_M:
            return
        spacing, _ = SPACING_M[people]
        reserve = (length - (people - 1) * spacing) / 2
        if reserve < spacing:
            says = (
                f"{length:g} m for {people} people: {people - 1} times {spacing:g} m between them leaves "
                f"{max(reserve, 0):g} m at each end, less than one distance for a hoist"
            )
            yield self._finding(
                rope.id, "rope-length", "Length of the rope", says,
                "A longer rope, or one person less on it.",
                Grade.ADVISE if reserve >= 0 else Grade.FIX, stage, PRACTICE,
            )  # fmt: skip

    def _alone(self, stage: Stage) -> Iterator[Finding]:
        roped = {member for rope in self.ropes for member in rope.members}
        for member in sorted(set(self.picture.members) - roped):
            yield self._finding(
                member, "on-a-rope", "A place on a rope", "on no rope, and the way goes over a glacier",
                "Give this person a place on a rope.", Grade.FIX, stage, PRACTICE,
            )  # fmt: skip

    # -- gear

    def _gear(self, edition: Edition) -> Iterator[Finding]:
        high = next((s for s in self.plan.stages if s.night is not None), self.plan.stages[0])
        carriers = carriers_of(self.picture)
        stoves = carriers.get((PARTY, STOVES), {})
        if len(stoves) > 1 and len(set(stoves.values())) == 1:
            who = self._name(next(iter(stoves.values())))
            says = f"all {len(stoves)} stoves are with {who}"
            yield self._finding(
                PARTY, "stove-spread", "Stoves in different packs", says,
                "Give one stove to someone else.", Grade.FIX, high, PRACTICE, HoldKind.BASE,
            )  # fmt: skip
        if self.glacier is None:
            return
        for rope in self.ropes:
            yield from self._rope_gear(rope, carriers, edition, self.glacier)
        if len(self.ropes) > 1:
            yield from self._rescue(carriers, edition, self.glacier)

    def _rope_gear(
        self, rope: RopeTeam, carriers: "Carriers", edition: Edition, stage: Stage
    ) -> Iterator[Finding]:
        ends = carriers.get((rope.id, HAULING), {})
        if len(ends) > 1 and len(set(ends.values())) == 1:
            says = f"both sets are with {self._name(next(iter(ends.values())))}"
            yield self._finding(
                rope.id, "hauling-spread", "A hauling set at each end", says,
                "Give one set to someone towards the other end.", Grade.FIX, stage, PRACTICE,
            )  # fmt: skip
        elsewhere = [
            f"{item.item} with {self._name(who)}"
            for item in edition.requirements
            if item.scope is Scope.ROPE
            for who in sorted(set(carriers.get((rope.id, item.id), {}).values()))
            if who not in rope.members
        ]
        if elsewhere:
            says = f"carried on another rope: {', '.join(elsewhere)}"
            yield self._finding(
                rope.id, "rope-gear-here", "The rope's own gear on the rope", says,
                "Give it to someone on this rope.", Grade.FIX, stage, PRACTICE,
            )  # fmt: skip

    def _rescue(self, carriers: "Carriers", edition: Edition, stage: Stage) -> Iterator[Finding]:
        rope_of = {member: rope for rope in self.ropes for member in rope.members}
        known = {
            item.item: {rope_of[who].id for who in carriers[PARTY, item.id].values() if who in rope_of}
            for item in edition.requirements
            if item.id in RESCUE and (PARTY, item.id) in carriers
        }
        places = set().union(*known.values()) if known else set()
        if len(known) > 1 and len(places) == 1:
            name = next(rope.name for rope in self.ropes if rope.id in places)
            yield self._finding(
                PARTY, "rescue-spread", "Rescue gear on more than one rope",
                f"all on {name}: {', '.join(known)}", "Give part of it to another rope.",
                Grade.FIX, stage, PRACTICE,
            )  # fmt: skip

    # -- making findings

    def _by_rule(self, here: RuleHere, subject: str, slug: str, item: str, says: str, clears: str) -> Finding:
        return self._finding(subject, slug, item, says, clears, Grade.STOP, here.stage, _basis(here.rule))

    def _finding(
        self,
        subject: str,
        slug: str,
        item: str,
        says: str,
        clears: str,
        grade: Grade,
        stage: Stage,
        basis: Basis,
        hold: HoldKind | None = None,
    ) -> Finding:
        at = hold or (HoldKind.GLACIER_EDGE if stage.terrain & ON_GLACIER else HoldKind.BASE)
        in_force, point = self.holds.in_force(GradeRule(grade=grade, at=at))
        name, scope = self._subject(subject)
        return Finding(
            id=f"{subject}.{slug}",
            subject=subject,
            subject_name=name,
            scope=scope,
            requirement=slug,
            item=item,
            zone=Zone.PARTY if scope is Scope.PARTY else Zone.ROPE,
            kind=GapKind.RULE,
            grade=in_force,
            hold=point.kind,
            hold_name=point.name,
            title=f"{name}: {item} – {says}",
            reasons=(Reason(kind=GapKind.RULE, says=says),),
            why=basis.source if basis.kind == "law-or-permit" else "Good practice on glaciers.",
            first_stage=stage.id,
            first_stage_name=stage.name,
            first_at=stage.starts_at.astimezone(UTC),
            clears=clears,
            basis=basis,
            life_safety=False,
            rests_on=self._rests_on(),
        )

    def _subject(self, subject: str) -> tuple[str, Scope]:
        if subject == PARTY:
            return "The party", Scope.PARTY
        if subject in self.picture.members:
            return self._name(subject), Scope.PERSON
        return next(rope.name for rope in self.ropes if rope.id == subject), Scope.ROPE

    def _name(self, member: str) -> str:
        profile = self.picture.profiles.get(member)
        return profile.name if profile else member

    def _rests_on(self) -> tuple[UUID, ...]:
        """Who is on the trip and on which rope, and the rules: an acceptance holds for these."""
        records = [self.picture.ropes, self.picture.party_rules, *self.picture.members.values()]
        return tuple(sorted(record.entry for record in records if record is not None))


Carriers = dict[tuple[str, str], dict[int, str]]


def carriers_of(picture: Picture) -> Carriers:
    """Who carries which unit of what, by (subject, requirement); units with nobody are left out."""
    found: Carriers = {}
    for (subject, requirement, unit), record in picture.shares.items():
        carrier = record.body.carrier
        if carrier is not None and carrier in picture.members:
            found.setdefault((subject, requirement), {})[unit] = carrier
    return found


def rope_length_m(picture: Picture, rope: str) -> float | None:
    """The length of a rope as someone recorded it; None when nobody has, or two records differ."""
    records = picture.sightings.get((rope, ROPE), ())
    lengths = {record.body.answers.get(ROPE_LENGTH) for record in records}
    only = lengths.pop() if len(lengths) == 1 else None
    return float(only) if isinstance(only, int | float) and not isinstance(only, bool) else None


def _tightest(rules: Sequence[RuleHere], limit: str) -> RuleHere | None:
    """Of several rules, the one that allows least: every rule has to be kept."""
    having = [here for here in rules if getattr(here.rule, limit) is not None]
    if not having:
        return None
    sign = -1 if limit == "least_on_rope" else 1
    return min(having, key=lambda here: sign * int(getattr(here.rule, limit)))


def _basis(rule: PartyRule) -> Basis:
    return Basis(kind="law-or-permit", source=f"{rule.title}: {rule.source}")
