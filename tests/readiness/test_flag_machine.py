"""No path from open to gone without a cause in the journal; unknown is never clear.

A made-up trip is driven through everything that can happen to it, by guides, climbers and the office, with
and without knowledge of each other. The walk through the journal must agree with an evaluation from scratch
after every entry.
"""

from collections.abc import Sequence
from datetime import timedelta
from typing import Literal
from uuid import UUID

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from api.journal.entry import Actor, Entry
from api.journal.fold import Picture, fold, heads
from api.journal.kinds import (
    AcceptanceEnded,
    AnyBody,
    FlagAccepted,
    FlagReleased,
    FlagTaken,
    ForecastChosen,
    ForecastReceived,
    GearShared,
    GearState,
    HoldPassed,
    IntentionTold,
    Known,
    LoanHandedOut,
    LoanPromised,
    LoanReleased,
    LoanReturned,
    LoanTerms,
    MemberLeft,
    NightTold,
    PartyRulesSet,
    Remark,
    TripPlanned,
    Withdrawn,
)
from api.journal.party import PartyRule
from api.journal.trip import HoldKind, Role, TripPlan
from api.readiness.acceptance import CannotBeAccepted, acceptance
from api.readiness.board import board
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.schemas import FlagState, Standing
from api.readiness.stepping import Walk
from api.readiness.transitions import FlagEvent, Happened, NoCause, transitions
from tests.readiness.building import (
    LEAD,
    OTHER,
    START,
    conditions,
    edition,
    entry,
    member,
    plan,
    requirement,
    rope,
    sighting,
)

CLIMBER = Actor(id="ann", name="Ann", role="climber")
OFFICE = Actor(id="office", name="Office", role="office")
ACTORS = (LEAD, OTHER, CLIMBER, OFFICE)
KIT = edition(
    requirement(
        "mitts",
        when={"metric": "freezing_level_m", "below": "3600 m"},
        grades=[
            {"grade": "stop", "at": "base", "when": {"metric": "freezing_level_m", "below": "3000 m"}},
            {"grade": "fix", "at": "base"},
        ],
    ),
    requirement("helmet", life_safety=True, takes="tried"),
    requirement(
        "stoves",
        scope="party",
        how_many={"per": "party", "count": 2},
        grades=[{"grade": "fix", "at": "base"}],
    ),
)
LATER_KIT = edition(
    requirement("helmet", life_safety=True, takes="tried", grades=[{"grade": "fix", "at": "base"}]),
    requirement("harness"),
)
"""Another edition: no mitts and no stoves asked, a harness that was not, and the helmet weighs less."""
KITS = {"kit": KIT, "later-kit": LATER_KIT}
PERMIT = PartyRule(
    id="permit", title="Permit", clients_need_guide=True, max_party=1, source="Invented permit, § 4"
)
FORECASTS = ({"freezing_level_m": 4200.0}, {"freezing_level_m": 3400.0}, {"freezing_level_m": 2800.0})
SEEN = ("ann.mitts", "ann.helmet", "bob.mitts", "bob.helmet", "party.stoves", "ann.harness")
FINDINGS = (*SEEN, "r1.rope-guide", "party.stove-spread", "party.party-size", "ann.on-a-rope")
TRIP = plan(edition_id="kit")
PLANS = (TRIP, plan(edition_id="later-kit"), plan(2, edition_id="kit"))
TERMS = LoanTerms(source="party", giver="party", what="Mitts", subject="ann", requirement="mitts")
LOANS: tuple[AnyBody, ...] = (
    LoanPromised(loan="l1", terms=TERMS),
    LoanHandedOut(loan="l1", terms=TERMS),
    LoanReturned(loan="l1", terms=TERMS, condition="fine"),
    LoanReleased(loan="l1", terms=TERMS),
)


def evaluated(picture: Picture, entries: Sequence[Entry]) -> Evaluation | None:
    if picture.trip is None:
        return None
    newest = picture.newest_forecast
    metrics = FORECASTS[int(newest.body.forecast[0])] if newest else {}
    trip = picture.trip
    return evaluate(
        "test", len(entries), picture, trip, KITS[trip.edition_id or ""], conditions(trip, metrics)
    )


def check(before: Evaluation | None, after: Evaluation, made: Entry, events: list[FlagEvent]) -> None:
    """Every finding that came or went has exactly one event that names its cause; nothing else has one."""
    was = {f.id for f in before.findings} if before else set()
    now = {f.id for f in after.findings}
    told = {event.finding: event for event in events}
    assert len(told) == len(events)
    assert {e.finding for e in events if e.happened is Happened.CLEARED} == was - now
    came = {Happened.OPENED, Happened.REOPENED, Happened.ACCEPTED}
    assert now - was <= {e.finding for e in events if e.happened in came}
    assert all(event.cause == made.id and event.because for event in events)


class FlagLife(RuleBasedStateMachine):
    """Writes entries as people do, and looks at what became of the flags."""

    def __init__(self) -> None:
        super().__init__()
        self.entries: list[Entry] = []
        self.steps = Walk(evaluated)
        for body in (TripPlanned(plan=TRIP), member("ann").body, member("bob", Role.ASSISTANT).body):
            self.write(body, LEAD)

    def write(self, body: AnyBody, actor: Actor, *, alone: bool = False) -> None:
        known: tuple[UUID, ...] = ()
        key = body.key()
        if key is not None and not alone:
            known = tuple(e.id for e in heads(self.entries).get(key, ()))
        made = entry(body, at=START + timedelta(minutes=len(self.entries)), actor=actor, after=known)
        before = self.steps.evaluation
        self.entries.append(made)
        events = self.steps.step(made)
        if self.steps.evaluation is not None:
            check(before, self.steps.evaluation, made, events)

    @rule(
        about=st.sampled_from(SEEN),
        known=st.sampled_from([Known.SAID, Known.PICTURED, Known.SEEN, Known.TRIED]),
        state=st.sampled_from(list(GearState)),
        actor=st.sampled_from(ACTORS),
        alone=st.booleans(),
    )
    def sees(self, about: str, known: Known, state: GearState, actor: Actor, alone: bool) -> None:
        subject, item = about.split(".")
        self.write(sighting(item, subject, known=known, state=state), actor, alone=alone)

    @rule(which=st.sampled_from(range(len(FORECASTS))))
    def hears(self, which: int) -> None:
        body = ForecastReceived(
            forecast=f"{which}" * 64,
            provider="desk",
            label=f"F{which}",
            issued_at=START + timedelta(minutes=len(self.entries)),
        )
        self.write(body, OFFICE)

    @rule(about=st.sampled_from(FINDINGS), actor=st.sampled_from(ACTORS), alone=st.booleans())
    def takes(self, about: str, actor: Actor, alone: bool) -> None:
        self.write(FlagTaken(finding=about, until=START + timedelta(days=1)), actor, alone=alone)

    @rule(about=st.sampled_from(FINDINGS), actor=st.sampled_from(ACTORS))
    def gives_back(self, about: str, actor: Actor) -> None:
        self.write(FlagReleased(finding=about), actor)

    @precondition(lambda self: self.steps.evaluation and self.steps.evaluation.findings)
    @rule(data=st.data(), actor=st.sampled_from(ACTORS), alone=st.booleans())
    def accepts(self, data: st.DataObject, actor: Actor, alone: bool) -> None:
        evaluation = self.steps.evaluation
        assert evaluation is not None
        chosen = data.draw(st.sampled_from([f.id for f in evaluation.findings]))
        try:
            given = acceptance(evaluation, chosen, "good enough")
        except CannotBeAccepted:
            given = FlagAccepted(
                finding=chosen, reason="all the same", hold=HoldKind.BASE, grade="stop", gap="rule"
            )
        self.write(given, actor, alone=alone)

    @rule(about=st.sampled_from(FINDINGS), actor=st.sampled_from(ACTORS), alone=st.booleans())
    def ends(self, about: str, actor: Actor, alone: bool) -> None:
        self.write(AcceptanceEnded(finding=about), actor, alone=alone)

    @precondition(lambda self: len(self.entries) > 3)
    @rule(data=st.data())
    def withdraws(self, data: st.DataObject) -> None:
        chosen = data.draw(st.sampled_from(self.entries[3:]))
        self.write(Withdrawn(entry=chosen.id), LEAD)

    @rule(members=st.sampled_from([("ann", "bob"), ("ann",), ("bob",), ()]))
    def ropes(self, members: tuple[str, ...]) -> None:
        self.write(rope(*members).body, LEAD)

    @rule(hold=st.sampled_from(["base", "glacier-edge"]))
    def passes(self, hold: str) -> None:
        self.write(HoldPassed(hold=hold, at=START), LEAD)

    @rule()
    def remarks(self) -> None:
        self.write(Remark(text="All well."), OFFICE)

    @rule(leaves=st.booleans(), who=st.sampled_from(["ann", "bob"]))
    def comes_and_goes(self, leaves: bool, who: str) -> None:
        role = Role.ASSISTANT if who == "bob" else Role.CLIMBER
        self.write(MemberLeft(member=who) if leaves else member(who, role).body, LEAD)

    @rule(which=st.sampled_from(PLANS))
    def replans(self, which: TripPlan) -> None:
        self.write(TripPlanned(plan=which), LEAD)

    @rule(provider=st.sampled_from(["desk", "elsewhere", None]))
    def chooses_a_forecast(self, provider: str | None) -> None:
        self.write(ForecastChosen(provider=provider), LEAD)

    @rule(unit=st.integers(1, 2), carrier=st.sampled_from(["ann", "bob", None]))
    def shares_out(self, unit: int, carrier: str | None) -> None:
        self.write(GearShared(subject="party", requirement="stoves", unit=unit, carrier=carrier), OTHER)

    @rule(rules=st.sampled_from([(PERMIT,), ()]))
    def takes_rules(self, rules: tuple[PartyRule, ...]) -> None:
        self.write(PartyRulesSet(rules=rules), LEAD)

    @rule(loan=st.sampled_from(LOANS))
    def lends(self, loan: AnyBody) -> None:
        self.write(loan, OFFICE)

    @rule(who=st.sampled_from(["ann", "bob"]), night=st.integers(0, 2))
    def sleeps(self, who: str, night: int) -> None:
        on = START.date() - timedelta(days=night)
        self.write(NightTold(member=who, on=on, elevation_m=2600, known="spent"), OTHER)

    @rule(who=st.sampled_from(["ann", "bob"]), plan_=st.sampled_from(["have", "will-buy"]))
    def intends(self, who: str, plan_: Literal["have", "will-buy"]) -> None:
        self.write(IntentionTold(member=who, requirement="mitts", plan=plan_), CLIMBER)

    @invariant()
    def the_walk_agrees_with_an_evaluation_from_scratch(self) -> None:
        whole = evaluated(fold(self.entries), self.entries)
        assert whole is not None
        assert self.steps.evaluation is not None
        assert whole.findings == self.steps.evaluation.findings
        assert whole.picture.flags == self.steps.evaluation.picture.flags
        assert whole.picture.acceptances == self.steps.evaluation.picture.acceptances

    @invariant()
    def unknown_is_never_clear(self) -> None:
        evaluation = self.steps.evaluation
        assert evaluation is not None
        assert evaluation.edition is not None
        found = {f.id for f in evaluation.findings}
        for member_id in evaluation.picture.members:
            if not evaluation.picture.sightings.get((member_id, "helmet")):
                assert f"{member_id}.helmet" in found
        asked = evaluation.edition.requirement("stoves") is not None
        if asked and not evaluation.picture.sightings.get(("party", "stoves")):
            assert "party.stoves" in found

    @invariant()
    def life_safety_clears_only_by_a_guide_who_tried_it(self) -> None:
        evaluation = self.steps.evaluation
        assert evaluation is not None
        found = {f.id for f in evaluation.findings}
        for member_id in evaluation.picture.members:
            records = evaluation.picture.sightings.get((member_id, "helmet"), ())
            tried = [
                r
                for r in records
                if r.body.known is Known.TRIED
                and r.actor.role in ("lead", "assistant")
                and r.body.state is GearState.FITS
            ]
            assert tried or f"{member_id}.helmet" in found

    @invariant()
    def only_a_lead_guide_accepts_and_accepted_is_not_clear(self) -> None:
        evaluation = self.steps.evaluation
        assert evaluation is not None
        shown = board(evaluation, now=START)
        assert not [f for f in shown.accepted if f.basis.kind == "law-or-permit"]
        for finding in shown.accepted:
            records = evaluation.picture.acceptances[finding.id]
            assert {r.actor.role for r in records} & {"lead"}
            assert not any(isinstance(r.body, AcceptanceEnded) for r in records)
        assert all(f.life.state is not FlagState.ACCEPTED for f in shown.findings)
        ids = sorted(f.id for f in (*shown.findings, *shown.accepted) if f.id != "party.forecast")
        assert ids == sorted(f.id for f in evaluation.findings)
        if shown.accepted:
            assert shown.verdict.standing is not Standing.CLEAR


FlagLife.TestCase.settings = settings(max_examples=80, stateful_step_count=30, deadline=None)
TestFlagLife = FlagLife.TestCase


def test_a_difference_without_an_entry_is_refused() -> None:
    entries = [entry(TripPlanned(plan=TRIP)), member("ann")]
    before = evaluated(fold(entries), entries)
    entries.append(entry(sighting("helmet", "ann", known=Known.TRIED)))
    after = evaluated(fold(entries), entries)
    assert before is not None
    assert after is not None
    with pytest.raises(NoCause, match=r"ann\.helmet"):
        transitions(before, after, [])
    assert transitions(after, after, []) == []
