"""What could cover the open gaps of a trip: from its evaluation and the stock to a problem. Pure."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from math import ceil, isnan

from api.journal.kinds import PARTY, Answer, GearState, Known, LoanHandedOut, LoanPromised
from api.kitlist.schemas import Grade, Requirement, Scope, Zone
from api.locker.givers import Detail, Giver, Shop
from api.locker.problem import Need, Offer, Pairing, Problem, Source
from api.locker.residual import Residual, residual
from api.locker.rules import CRAMPON_TO_BOOT, SUITS, Availability, Item, goes_with
from api.locker.sizes import MISFIT, Fit, Measure, fit, stated
from api.readiness.asks import grade_in_force
from api.readiness.board import Evaluation
from api.readiness.findings import HoldPoints
from api.readiness.lacks import Holding, Lacks, Subject
from api.readiness.schemas import Finding

ZONE_MEASURE: dict[Zone, Measure] = {
    Zone.FEET: Measure.BOOT,
    Zone.LEGS: Measure.CLOTHING,
    Zone.TORSO: Measure.CLOTHING,
    Zone.HANDS: Measure.HANDS,
    Zone.HEAD: Measure.HEAD,
}
"""What a thing of unstated size is likely sized by, from where it is worn."""


@dataclass(frozen=True, slots=True)
class Options:
    """The problem of a trip, with everything needed to put its solution into words."""

    problem: Problem
    findings: Mapping[str, Finding]
    """Open gaps to be covered, by finding id."""
    givers: Mapping[str, Giver]
    details: Mapping[tuple[str, str], Detail]
    """By (finding id, source id)."""
    turned_down: Mapping[str, tuple[str, ...]]
    """By finding id: what of the locker could not be offered, and why."""
    promised: tuple[str, ...]
    """Findings for which something is promised or handed out already."""
    to_look_at: tuple[Finding, ...]
    """Open findings that are not known gaps: looking comes before lending."""
    not_gear: tuple[Finding, ...]
    """Open findings that nothing lent can close: certificates, permits, plans."""
    own_kinds: Mapping[str, str | None]
    """For gaps in what must suit something else: the kind of that which the person has, if it is no gap
    itself."""
    wanted: Mapping[str, int]
    """How many are needed, by finding id."""


def options(
    evaluation: Evaluation,
    stock: Sequence[tuple[Item, Availability]],
    shops: Sequence[Shop],
    *,
    now: datetime,
    at_base: bool = True,
) -> Options:
    """Everything that could cover the known gaps of a trip.

    Parameters
    ----------
    evaluation
        The trip; without an edition there are no gaps and so no offers.
    stock
        Every item of the locker with what of it can be had on the trip's days.
    shops
        What can be bought on the way.
    now
        Shops that are shut by then are left out.
    at_base
        Whether the locker and the shops are within reach; on the mountain only what is there can be shared.
    """
    collected = _Collected(evaluation, now, at_base)
    if evaluation.asks is None or evaluation.lacks is None:
        return collected.done()
    collected.from_locker(stock)
    collected.from_people()
    collected.from_spares()
    collected.from_shops(shops)
    return collected.done()


@dataclass(frozen=True, slots=True)
class _Thing:
    """Something that may be offered for several gaps of one requirement."""

    source: Source
    giver: Giver
    left: Residual
    answers: Mapping[str, Answer] = field(default_factory=dict)
    traits: Mapping[str, str] = field(default_factory=dict)


class _Collected:
    """Offers as they are found."""

    def __init__(self, evaluation: Evaluation, now: datetime, at_base: bool) -> None:
        self._evaluation = evaluation
        self._now = now
        self._at_base = at_base
        self._picture = evaluation.picture
        self._profiles = self._picture.profiles
        self._ropes = {m: rope.id for rope in self._picture.rope_teams for m in rope.members}
        loans = [record.body for record in self._picture.loans.values()]
        waiting = {
            f"{loan.terms.subject}.{loan.terms.requirement}"
            for loan in loans
            if isinstance(loan, LoanPromised | LoanHandedOut)
        }
        known = [f for f in evaluation.findings if f.known_gap and self._is_gear(f)]
        self._promised = tuple(f.id for f in known if f.id in waiting)
        self._findings = {f.id: f for f in known if f.id not in waiting}
        self._to_look_at = tuple(f for f in evaluation.findings if not f.known_gap and self._is_gear(f))
        self._not_gear = tuple(f for f in evaluation.findings if not self._is_gear(f))
        self._by_requirement: defaultdict[str, list[Finding]] = defaultdict(list)
        for finding in self._findings.values():
            self._by_requirement[finding.requirement].append(finding)
        self._index = (
            {r.id: i for i, r in enumerate(evaluation.edition.requirements)} if evaluation.edition else {}
        )
        self._subjects: dict[str, tuple[int, Subject]] = (
            {s.id: (p, s) for p, s in enumerate(evaluation.lacks.subjects)} if evaluation.lacks else {}
        )
        self._wanted = {f.id: self._units(f) for f in self._findings.values()}
        self._sources: dict[str, Source] = {}
        self._givers: dict[str, Giver] = {}
        self._offers: dict[tuple[str, str], Offer] = {}
        self._details: dict[tuple[str, str], Detail] = {}
        self._own_kinds: dict[str, str | None] = {}
        self._turned_down: defaultdict[str, list[str]] = defaultdict(list)

    def done(self) -> Options:
        used = {source for _, source in self._offers}
        return Options(
            problem=Problem(
                needs=tuple(Need(f.id, f.grade) for f in self._findings.values()),
                sources=tuple(source for id_, source in self._sources.items() if id_ in used),
                offers=tuple(self._offers.values()),
                pairings=tuple(self._pairings()),
            ),
            findings=self._findings,
            givers={id_: giver for id_, giver in self._givers.items() if id_ in used},
            details=self._details,
            turned_down={id_: tuple(says) for id_, says in self._turned_down.items()},
            promised=self._promised,
            to_look_at=self._to_look_at,
            not_gear=self._not_gear,
            own_kinds=self._own_kinds,
            wanted=self._wanted,
        )

    # -- the four kinds of sources -------------------------------------------------------------------------

    def from_locker(self, stock: Sequence[tuple[Item, Availability]]) -> None:
        """Things of the locker that can be had and are lent for this at all."""
        for item, available in stock:
            giver = Giver("locker", item.id, item.what, f"the locker ({item.id})", size=item.size)
            source = Source(f"locker:{item.id}", available.free)
            for requirement, findings in self._concerned(item.meets):
                if not _lent(requirement):
                    continue
                left = residual(self._evaluation, self._index[requirement.id], item.answers)
                thing = _Thing(source, giver, left, item.answers, item.traits)
                for finding in findings:
                    if not self._at_base:
                        self._decline(finding, thing, "at base, which the party has left")
                    elif available.any:
                        self._offer(finding, thing, self._fit(finding, item.sized_by, item.size))
                    else:
                        self._decline(finding, thing, "; ".join(available.against))

    def from_people(self) -> None:
        """What a person has more of than is asked of them, seen and fit."""
        lacks = self._evaluation.lacks
        assert lacks is not None
        for (p, r), holding in lacks.holdings.items():
            subject, requirement = lacks.subjects[p], lacks.edition.requirements[r]
            findings = [f for f in self._by_requirement.get(requirement.id, ()) if f.subject != subject.id]
            spare = _to_spare(lacks, p, r, holding)
            if not findings or spare < 1 or subject.scope is not Scope.PERSON or not _lent(requirement):
                continue
            left = residual(self._evaluation, r, holding.answers)
            measure = ZONE_MEASURE.get(requirement.zone, Measure.NONE)
            own = stated(measure, self._profiles[subject.id].sizes) or ""
            source = Source(f"person:{subject.id}:{requirement.id}", spare)
            giver = Giver("person", subject.id, requirement.item, subject.name, size=own)
            thing = _Thing(source, giver, left, holding.answers)
            for finding in findings:
                self._offer(finding, thing, self._fit(finding, measure, own))

    def from_spares(self) -> None:
        """The party's own spares; taking one may leave too few of them."""
        lacks = self._evaluation.lacks
        place = self._subjects.get(PARTY)
        assert lacks is not None
        for r, spare in enumerate(lacks.edition.requirements):
            holding = lacks.holdings.get((place[0], r)) if place is not None and spare.spare_for else None
            there = _counted(holding) if holding is not None else 0
            if holding is None or there < 1:
                continue
            surplus = there - ceil(holding.needed)
            opens = None if surplus > 0 else self._opens(r)
            source = Source(f"party:{spare.id}", surplus if surplus > 0 else there, opens)
            giver = Giver("party", PARTY, spare.item, "the party's spares", spare=spare.id)
            for requirement, findings in self._concerned(spare.spare_for):
                left = residual(self._evaluation, self._index[requirement.id], {})
                for finding in findings:
                    self._offer(finding, _Thing(source, giver, left), Fit.UNKNOWN)

    def from_shops(self, shops: Sequence[Shop]) -> None:
        """What can still be bought; the cheaper of two shops for one gap."""
        bought: set[str] = set()
        if not self._at_base:
            return
        for shop in sorted(shops, key=lambda s: (s.price is None, s.price or 0.0, s.id)):
            if shop.until is not None and shop.until <= self._now:
                continue
            source = Source(f"bought:{shop.id}", None)
            giver = Giver("bought", None, shop.what, shop.place, shop=shop)
            for requirement, findings in self._concerned(shop.meets):
                measure = ZONE_MEASURE.get(requirement.zone, Measure.NONE)
                left = residual(self._evaluation, self._index[requirement.id], shop.answers)
                thing = _Thing(source, giver, left, shop.answers, shop.traits)
                for finding in findings:
                    if finding.id not in bought and self._offer(
                        finding, thing, self._fit(finding, measure, None)
                    ):
                        bought.add(finding.id)

    # -- one offer -----------------------------------------------------------------------------------------

    def _offer(self, finding: Finding, thing: "_Thing", size: Fit) -> bool:
        """Note what a thing could do for a gap; where it can do nothing, say why and return False."""
        left, suits, units = thing.left, goes_with(thing.traits), self._wanted[finding.id]
        own, own_is_open = self._other(finding) if suits is not None else (None, False)
        if suits is not None:
            self._own_kinds[finding.id] = None if own_is_open else own
        unknown_other = suits is not None and own is None and not own_is_open
        if left.grade is not None and left.grade.weight >= finding.grade.weight:
            return self._decline(finding, thing, " ".join(left.remains))
        if size is Fit.NO:
            return self._decline(finding, thing, f"size {thing.giver.size or 'stated'} does not fit")
        if suits is not None and own is not None and not own_is_open and own not in suits:
            return self._decline(finding, thing, f"does not suit {own.upper()} boots. {CRAMPON_TO_BOOT.says}")
        if thing.source.capacity is not None and units > thing.source.capacity:
            return self._decline(finding, thing, f"{thing.source.capacity} to be had, {units} needed")
        if left.unknown or unknown_other:
            size = Fit.UNKNOWN
        hold_question = ("Do they hold on this person's own boots?",) if unknown_other else ()
        key = finding.id, thing.source.id
        self._sources[thing.source.id], self._givers[thing.source.id] = thing.source, thing.giver
        self._details[key] = Detail(size, (*left.unknown, *left.to_try, *hold_question), left.remains)
        self._offers[key] = Offer(
            need=finding.id,
            source=thing.source.id,
            units=units,
            leaves=left.grade,
            misfit=MISFIT[size],
            hand_overs=self._hand_overs(finding, thing.giver),
            purchases=int(thing.giver.source == "bought"),
            gives=_kind_of(thing.answers),
            goes_with=None if unknown_other else suits,
        )
        return True

    def _decline(self, finding: Finding, thing: "_Thing", why: str) -> bool:
        if thing.giver.source == "locker":
            self._turned_down[finding.id].append(f"{thing.giver.what} ({thing.giver.id}): {why}")
        return False

    def _hand_overs(self, finding: Finding, giver: Giver) -> int:
        """One, or two where it has to be carried from one rope to another."""
        if giver.source != "person" or giver.id is None:
            return 1
        return 1 if self._ropes.get(finding.subject) == self._ropes.get(giver.id) else 2

    def _other(self, finding: Finding) -> tuple[str | None, bool]:
        """What the thing it must suit is for this person, and whether that is an open gap itself."""
        other = self._lead_of(finding)
        if other is None:
            return None, False
        lead, own = other
        return own, lead in self._findings

    def _lead_of(self, finding: Finding) -> tuple[str, str | None] | None:
        """For a person: the finding id of the thing that others must suit, and the kind they have of it."""
        lacks = self._evaluation.lacks
        place = self._subjects.get(finding.subject)
        if lacks is None or place is None:
            return None
        for rule in SUITS:
            for r, requirement in enumerate(lacks.edition.requirements):
                holding = lacks.holdings.get((place[0], r))
                if holding is None or all(question.id != rule.question for question in requirement.questions):
                    continue
                answer = holding.answers.get(rule.question)
                there = holding.record is not None and holding.record.body.state is not GearState.ABSENT
                return f"{finding.subject}.{requirement.id}", str(answer) if there and answer else None
        return None

    def _pairings(self) -> Iterable[Pairing]:
        for finding in self._findings.values():
            offers = [o for o in self._offers.values() if o.need == finding.id and o.goes_with is not None]
            lead = self._lead_of(finding) if offers else None
            if lead is not None and lead[0] in self._findings:
                yield Pairing(lead[0], finding.id, lead[1])

    # -- small questions -----------------------------------------------------------------------------------

    def _concerned(self, requirements: Iterable[str]) -> Iterable[tuple[Requirement, list[Finding]]]:
        edition = self._evaluation.edition
        for id_ in requirements:
            if edition is not None and self._by_requirement.get(id_):
                yield edition.requirements[self._index[id_]], self._by_requirement[id_]

    def _is_gear(self, finding: Finding) -> bool:
        """Whether a thing could close it: it has a weight, or is counted out like fuel."""
        edition = self._evaluation.edition
        requirement = edition.requirement(finding.requirement) if edition is not None else None
        if requirement is None or requirement.zone is Zone.PAPERS or not requirement.is_thing:
            return False
        return requirement.weight_g is not None or requirement.how_many.computed is not None

    def _fit(self, finding: Finding, measure: Measure, size: str | None) -> Fit:
        """Whether a size fits who needs it; None: any size can be had, so only theirs must be known."""
        if finding.scope is not Scope.PERSON or measure is Measure.NONE:
            return Fit.FITS
        theirs = stated(measure, self._profiles[finding.subject].sizes)
        if size is None:
            return Fit.FITS if theirs else Fit.UNKNOWN
        return fit(measure, size, theirs)

    def _units(self, finding: Finding) -> int:
        """How many more are needed."""
        lacks = self._evaluation.lacks
        place, r = self._subjects.get(finding.subject), self._index.get(finding.requirement)
        if lacks is None or place is None or r is None or (place[0], r) not in lacks.holdings:
            return 1
        holding = lacks.holdings[place[0], r]
        if isnan(holding.needed):
            return 1
        record = holding.record
        usable = record is not None and finding.kind.value == "short" and record.body.count is not None
        there = record.body.count if usable and record is not None and record.body.count is not None else 0
        return max(ceil(holding.needed - there), 1)

    def _opens(self, r: int) -> Grade | None:
        """The grade of the gap that taking from a spare opens, if it is asked for at all."""
        asks = self._evaluation.asks
        assert asks is not None
        presence = asks.checks_of_requirement(r)[0]
        where = asks.asked[asks.base, :, presence]
        if not where.any():
            return None
        graded = grade_in_force(asks.edition.requirements[r].grades, asks.weather, where, asks.base)
        if graded is None:
            return None
        return HoldPoints(self._evaluation.plan, self._picture).in_force(graded[0])[0]


def _kind_of(answers: Mapping[str, Answer]) -> str | None:
    """What others must suit, where a thing is such: B2 for boots."""
    return next((str(answers[rule.question]) for rule in SUITS if rule.question in answers), None)


def _lent(requirement: Requirement) -> bool:
    """Whether it is lent at all; what belongs to a rope or the party may come from the locker anyway."""
    return requirement.scope is not Scope.PERSON or requirement.loan != "never"


def _counted(holding: Holding) -> int:
    """How many usable ones somebody has seen."""
    record = holding.record
    if record is None or record.body.state is not GearState.FITS or record.body.known.rung < Known.SEEN.rung:
        return 0
    amount = record.body.count if record.body.count is not None else holding.needed
    return 0 if isnan(amount) else int(amount)


def _to_spare(lacks: Lacks, p: int, r: int, holding: Holding) -> int:
    """How many of a thing a person has beyond what is asked; none while anything about it is amiss."""
    if holding.record is None or holding.record.body.count is None or isnan(holding.needed):
        return 0
    span = [c for c, check in enumerate(lacks.checks) if check.requirement == r]
    if any((p, c) in lacks.gaps for c in span):
        return 0
    return max(_counted(holding) - ceil(holding.needed), 0)
