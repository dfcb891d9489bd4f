"""The life of a flag: taken, accepted within bounds, reopened with what changed, cleared by evidence."""

from datetime import datetime, timedelta
from typing import Any

import pytest

from api.errors import Invalid
from api.journal.entry import Actor, Entry
from api.journal.kinds import (
    AcceptanceEnded,
    FlagAccepted,
    FlagReleased,
    FlagTaken,
    GearState,
    HoldPassed,
    Known,
    PartyRulesSet,
    RopesSet,
)
from api.journal.party import PartyRule
from api.journal.trip import HoldKind, RopeTeam, TripPlan
from api.kitlist.schemas import Edition
from api.readiness.acceptance import CannotBeAccepted, Wider, acceptance
from api.readiness.board import board, evaluate
from api.readiness.evaluation import Evaluation
from api.readiness.life import bounds_of
from api.readiness.schemas import Board, Finding, FlagState, GapKind, Standing
from tests.readiness.building import (
    LEAD,
    OTHER,
    START,
    conditions,
    edition,
    entry,
    member,
    picture,
    plan,
    requirement,
    sighting,
)

CLIMBER = Actor(id="ann", name="Ann", role="climber")
OFFICE = Actor(id="office", name="Office", role="office")
FINDING = "ann.mitts"
HOUR = timedelta(hours=1)
NAN = float("nan")


def mitts(**fields: Any) -> dict[str, Any]:
    """Asked below 3,600 m, a stop when it is very cold; invented."""
    values: dict[str, Any] = {
        "when": {"metric": "freezing_level_m", "below": "4500 m"},
        "grades": [
            {"grade": "stop", "at": "summit-start", "when": {"metric": "wind_chill_c", "below": "-20 °C"}},
            {
                "grade": "fix",
                "at": "high-camp",
                "when": {"metric": "freezing_level_m", "below": "3600 m"},
            },
            {"grade": "advise", "at": "base"},
        ],
    }
    return requirement("mitts", **{**values, **fields})


MILD = {"freezing_level_m": [4000.0, 3950.0, 3900.0], "wind_chill_c": -5.0}
COLD = {"freezing_level_m": [3500.0, 3450.0, 3350.0], "wind_chill_c": -5.0}
BITTER = {"freezing_level_m": [2950.0, 2900.0, 2800.0], "wind_chill_c": -24.8}
ABSENT = entry(sighting("mitts", state=GearState.ABSENT))


def evaluated(
    *entries: Entry, metrics: Any = MILD, kit: Edition | None = None, trip: TripPlan | None = None
) -> Evaluation:
    the_plan = trip or plan()
    the_picture = picture(the_plan, member(), ABSENT, *entries)
    return evaluate("test", 9, the_picture, the_plan, kit or edition(mitts()), conditions(the_plan, metrics))


def shown(*entries: Entry, now: datetime = START + 2 * HOUR, **given: Any) -> Board:
    return board(evaluated(*entries, **given), now=now)


def flag(shown_board: Board, finding: str = FINDING) -> Finding:
    found = shown_board.finding(finding)
    assert found is not None
    return found


def accepted(metrics: Any = MILD, actor: Actor = LEAD, at: datetime = START + HOUR, *more: Entry) -> Entry:
    body = acceptance(evaluated(*more, metrics=metrics), FINDING, "spare pair in the lid of Ann's pack")
    return entry(body, at=at, actor=actor)


class TestTaken:
    def test_open_until_someone_takes_it(self) -> None:
        assert flag(shown()).life.state is FlagState.OPEN

    def test_taken_says_by_whom_and_until_when(self) -> None:
        until = START + 5 * HOUR
        life = flag(
            shown(entry(FlagTaken(finding=FINDING, until=until, note="at the hut"), actor=OTHER))
        ).life
        assert (life.state, life.taken_by, life.until, life.note) == (
            FlagState.TAKEN,
            "Other",
            until,
            "at the hut",
        )

    def test_a_taking_that_is_over_is_offered_to_others_and_still_named(self) -> None:
        taken = entry(FlagTaken(finding=FINDING, until=START + HOUR), actor=OTHER)
        life = flag(shown(taken, now=START + 2 * HOUR)).life
        assert (life.state, life.stale, life.taken_by) == (FlagState.OPEN, True, "Other")

    def test_given_back(self) -> None:
        taken = entry(FlagTaken(finding=FINDING, until=START + 5 * HOUR))
        life = flag(shown(taken, entry(FlagReleased(finding=FINDING), after=(taken.id,)))).life
        assert (life.state, life.taken_by) == (FlagState.OPEN, None)

    def test_two_who_took_it_unknown_to_each_other_are_both_named(self) -> None:
        a = entry(FlagTaken(finding=FINDING, until=START + 4 * HOUR), actor=OTHER)
        b = entry(FlagTaken(finding=FINDING, until=START + 5 * HOUR), actor=LEAD)
        life = flag(shown(a, b)).life
        assert (life.taken_by, life.also_taken_by) == ("Lead", ("Other",))

    def test_taking_does_not_make_the_gap_smaller(self) -> None:
        taken = shown(entry(FlagTaken(finding=FINDING, until=START + 5 * HOUR)))
        assert taken.verdict.tally == shown().verdict.tally


class TestAccepted:
    def test_apart_from_what_is_open_and_not_clear(self) -> None:
        the_board = shown(accepted())
        assert FINDING not in {f.id for f in the_board.findings}
        assert [f.id for f in the_board.accepted] == [FINDING]
        assert (the_board.verdict.tally.advise, the_board.verdict.tally.accepted) == (0, 1)
        person = the_board.unroped[0].verdict
        assert person.standing is Standing.ACCEPTED
        assert person.words == "Nothing open, 1 gap accepted by name"

    def test_says_by_whom_why_and_within_which_bounds(self) -> None:
        life = flag(shown(accepted())).life
        assert (life.accepted_by, life.reason) == ("Lead", "spare pair in the lid of Ann's pack")
        assert "freezing level on Stage 3 not below 3,900 m" in {bound.says for bound in life.bounds}

    @pytest.mark.parametrize("actor", [OTHER, OFFICE, CLIMBER])
    def test_by_anyone_but_a_lead_guide_counts_for_nothing(self, actor: Actor) -> None:
        assert flag(shown(accepted(actor=actor))).life.state is FlagState.OPEN

    def test_holds_while_conditions_get_better(self) -> None:
        better = {"freezing_level_m": [4100.0, 4050.0, 4000.0], "wind_chill_c": -2.0}
        assert flag(shown(accepted(), metrics=better)).life.state is FlagState.ACCEPTED

    def test_opens_again_when_a_number_gets_worse_and_says_the_numbers(self) -> None:
        life = flag(shown(accepted(), metrics=COLD)).life
        assert life.state is FlagState.REOPENED
        assert life.changes[0].says == "now fix before high camp, was advise"
        numbers = {c.stage: (c.was, c.now, c.line) for c in life.changes if c.metric == "freezing_level_m"}
        assert numbers["stage-3"] == (3900.0, 3350.0, 3600.0)
        says = [c.says for c in life.changes if c.stage == "stage-3"]
        assert says == ["freezing level Fri 08:00 now 3,350 m, was 3,900 m, the line is 3,600 m"]

    def test_opens_again_on_one_worse_stage_alone(self) -> None:
        worse = {"freezing_level_m": [4000.0, 3940.0, 3900.0], "wind_chill_c": -5.0}
        changes = flag(shown(accepted(), metrics=worse)).life.changes
        assert [(c.stage, c.was, c.now) for c in changes] == [("stage-2", 3950.0, 3940.0)]

    def test_what_is_not_known_any_more_opens_it_again(self) -> None:
        lost = {"freezing_level_m": [4000.0, NAN, 3900.0], "wind_chill_c": -5.0}
        changes = flag(shown(accepted(), metrics=lost)).life.changes
        assert "freezing level on Stage 2 not known any more, was 3,950 m" in {c.says for c in changes}

    def test_accepted_without_a_forecast_it_opens_again_when_one_comes(self) -> None:
        blind = accepted({})
        assert flag(shown(blind, metrics={})).life.state is FlagState.ACCEPTED
        assert flag(shown(blind, metrics=MILD)).life.state is FlagState.REOPENED

    def test_new_evidence_opens_it_again_and_names_who(self) -> None:
        given = accepted()
        again = entry(sighting("mitts", state=GearState.UNFIT, remark="wet"), actor=OTHER, after=(ABSENT.id,))
        life = flag(shown(given, again)).life
        assert life.state is FlagState.REOPENED
        assert "Other recorded it anew: seen, unfit (wet)" in {change.says for change in life.changes}

    def test_taken_back_it_is_open_again(self) -> None:
        given = accepted()
        ended = entry(AcceptanceEnded(finding=FINDING, reason="the pair is wet"), after=(given.id,))
        life = flag(shown(given, ended)).life
        assert life.state is FlagState.REOPENED
        assert life.because == "Lead took the acceptance back: the pair is wet"

    def test_taken_back_unknown_to_a_second_acceptance_it_is_open(self) -> None:
        first = accepted()
        second = accepted()
        ended = entry(AcceptanceEnded(finding=FINDING), after=(first.id,))
        assert flag(shown(first, second, ended)).life.state is FlagState.REOPENED

    def test_passing_the_hold_point_it_was_accepted_for_does_not_open_it(self) -> None:
        given = accepted(COLD)
        passed = entry(HoldPassed(hold="high-camp", at=START + 12 * HOUR))
        assert flag(shown(given, passed, metrics=COLD)).life.state is FlagState.ACCEPTED
        assert flag(shown(passed, metrics=COLD)).grade.value == "stop"

    def test_whoever_took_it_is_done_with_it_once_it_is_accepted(self) -> None:
        taken = entry(FlagTaken(finding=FINDING, until=START + 50 * HOUR), at=START)
        life = flag(shown(taken, accepted(), metrics=COLD)).life
        assert (life.state, life.taken_by) == (FlagState.REOPENED, None)

    def test_taken_after_it_opened_again_it_still_says_what_changed(self) -> None:
        taken = entry(FlagTaken(finding=FINDING, until=START + 50 * HOUR), at=START + 2 * HOUR)
        life = flag(shown(accepted(), taken, metrics=COLD)).life
        assert life.state is FlagState.TAKEN
        assert life.changes

    def test_bounds_hold_the_hold_point_and_grade_of_that_time(self) -> None:
        body = accepted(BITTER).body
        assert isinstance(body, FlagAccepted)
        assert (body.grade, body.hold, body.gap) == ("stop", HoldKind.SUMMIT_START, "absent")
        assert body.evidence == (ABSENT.id,)


class TestBounds:
    def test_an_amount_that_is_worked_out_is_a_bound_of_its_own(self) -> None:
        import numpy as np

        trip = plan()
        fuel = requirement(
            "fuel",
            scope="party",
            how_many={"per": "party", "computed": "fuel_plan_g", "unit": "g"},
            grades=[{"grade": "advise", "at": "base"}],
        )
        short = entry(sighting("fuel", subject="party", count=4400))

        def at(amount: float) -> Evaluation:
            the_picture = picture(trip, member(), short)
            amounts = {"fuel_plan_g": np.array([amount])}
            return evaluate("test", 3, the_picture, trip, edition(fuel), conditions(trip, {}), amounts)

        given = acceptance(at(4620), "party.fuel", "the reserve day is given up")
        assert [(b.metric, b.comparison, b.value) for b in given.bounds] == [
            ("fuel_plan_g", "not-above", 4620.0)
        ]
        later = at(5610)
        entries = [entry(given), short, member()]
        the_picture = picture(trip, *entries)
        reopened = board(
            evaluate("test", 4, the_picture, trip, edition(fuel), later.conditions, dict(later.quantities)),
            now=START,
        )
        life = flag(reopened, "party.fuel").life
        assert life.state is FlagState.REOPENED
        assert "fuel by the planning rule now 5,610 g, was 4,620 g" in {c.says for c in life.changes}

    def test_a_requirement_that_looks_at_nothing_has_no_bounds(self) -> None:
        evaluation = evaluated(kit=edition(requirement("mitts")))
        assert bounds_of(evaluation, evaluation.findings[0]) == ()


class TestLifeSafety:
    """A stop on which life depends is cleared only by a guide who tried it."""

    KIT = edition(requirement("helmet", life_safety=True, takes="seen"))

    def kind(self, known: Known, actor: Actor) -> GapKind | None:
        seen = entry(sighting("helmet", known=known), actor=actor)
        found = [f for f in evaluated(seen, kit=self.KIT).findings if f.id == "ann.helmet"]
        return found[0].kind if found else None

    @pytest.mark.parametrize("actor", [LEAD, OTHER])
    def test_tried_by_a_guide_clears(self, actor: Actor) -> None:
        assert self.kind(Known.TRIED, actor) is None

    @pytest.mark.parametrize("known", [Known.SAID, Known.PICTURED, Known.SEEN])
    def test_less_than_tried_does_not(self, known: Known) -> None:
        assert self.kind(known, LEAD) is GapKind.UNSEEN

    @pytest.mark.parametrize("actor", [OFFICE, CLIMBER])
    def test_tried_by_someone_else_does_not(self, actor: Actor) -> None:
        assert self.kind(Known.TRIED, actor) is GapKind.UNSEEN

    def test_what_a_climber_reports_is_a_picture_at_best(self) -> None:
        kit = edition(requirement("helmet"), requirement("hat", takes="pictured"))
        seen = [entry(sighting(item, known=Known.TRIED), actor=CLIMBER) for item in ("helmet", "hat")]
        open_ids = {f.id for f in evaluated(*seen, kit=kit).findings}
        assert "ann.helmet" in open_ids
        assert "ann.hat" not in open_ids

    def test_a_guide_who_tried_it_outweighs_a_climber_who_did(self) -> None:
        both = [entry(sighting("helmet", known=Known.TRIED), actor=a) for a in (CLIMBER, OTHER)]
        assert "ann.helmet" not in {f.id for f in evaluated(*both, kit=self.KIT).findings}


class TestWider:
    """A lead guide lets an acceptance hold for worse numbers, by a new acceptance."""

    FREEZING = Wider("freezing_level_m", "not-below", 3700.0)
    WORSE = {"freezing_level_m": [3750.0, 3720.0, 3700.0], "wind_chill_c": -5.0}

    def given(self, *wider: Wider) -> FlagAccepted:
        return acceptance(evaluated(), FINDING, "spare pair in the lid", wider)

    def test_holds_down_to_the_number_given_and_no_further(self) -> None:
        wide = entry(self.given(self.FREEZING), at=START + HOUR)
        assert flag(shown(wide, metrics=self.WORSE)).life.state is FlagState.ACCEPTED
        lower = {**self.WORSE, "freezing_level_m": [3750.0, 3720.0, 3690.0]}
        changes = flag(shown(wide, metrics=lower)).life.changes
        assert [(c.stage, c.was, c.now) for c in changes] == [("stage-3", 3700.0, 3690.0)]

    def test_takes_the_place_of_the_one_before(self) -> None:
        before = accepted()
        assert flag(shown(before, metrics=self.WORSE)).life.state is FlagState.REOPENED
        after = entry(self.given(self.FREEZING), at=START + 2 * HOUR, after=(before.id,))
        assert flag(shown(before, after, metrics=self.WORSE)).life.state is FlagState.ACCEPTED

    def test_opens_again_where_the_gap_weighs_heavier(self) -> None:
        wide = entry(self.given(Wider("freezing_level_m", "not-below", 3000.0)), at=START + HOUR)
        life = flag(shown(wide, metrics=COLD)).life
        assert life.state is FlagState.REOPENED
        assert [change.about for change in life.changes] == ["grade"]

    @pytest.mark.parametrize(
        "wider",
        [
            Wider("freezing_level_m", "not-below", 4200.0),
            Wider("freezing_level_m", "not-above", 3000.0),
            Wider("no_such_metric", "not-below", 1.0),
        ],
    )
    def test_a_number_that_is_no_worse_is_refused(self, wider: Wider) -> None:
        with pytest.raises(Invalid) as caught:
            self.given(wider)
        assert caught.value.fields[0].field == f"wider.{wider.metric}.{wider.comparison}"


def test_a_limit_of_the_permit_is_not_accepted_by_any_way_in() -> None:
    rule = PartyRule(id="permit", title="Permit", max_party=1, source="Invented permit, § 4")
    rules = entry(PartyRulesSet(rules=(rule,)))
    ropes = entry(RopesSet(ropes=(RopeTeam(id="r1", name="Rope 1", members=("ann", "bob")),)))
    crowd = (rules, ropes, member("bob"))
    with pytest.raises(CannotBeAccepted):
        acceptance(evaluated(*crowd), "party.party-size", "only this once")
    forced = FlagAccepted(
        finding="party.party-size", reason="only this once", hold=HoldKind.BASE, grade="stop", gap="rule"
    )
    shown_board = shown(*crowd, entry(forced))
    assert "party.party-size" in {f.id for f in shown_board.findings}
    assert shown_board.accepted == ()
