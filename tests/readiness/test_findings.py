"""Findings: what is asked and lacking, in every way a thing can be lacking."""

from datetime import timedelta
from typing import Any

import pytest

from api.journal.entry import Entry
from api.journal.kinds import GearState, HoldPassed, Known
from api.journal.trip import Night, Role
from api.kitlist.schemas import Edition, Grade
from api.readiness.asks import asks
from api.readiness.board import board, evaluate
from api.readiness.findings import findings
from api.readiness.lacks import lacks
from api.readiness.schemas import Finding, GapKind, Standing
from tests.readiness.building import (
    OTHER,
    START,
    conditions,
    edition,
    entry,
    member,
    picture,
    plan,
    requirement,
    rope,
    sighting,
)

NAN = float("nan")


def found(
    kit: Edition, *entries: Entry, metrics: dict[str, Any] | None = None, trip: Any = None
) -> tuple[Finding, ...]:
    the_plan = trip or plan()
    the_picture = picture(the_plan, member(), *entries)
    asked = asks(kit, the_plan, conditions(the_plan, metrics or {}))
    return findings(asked, lacks(kit, the_plan, the_picture), the_picture)


def only(results: tuple[Finding, ...]) -> Finding:
    assert len(results) == 1, [f.title for f in results]
    return results[0]


class TestHowAThingIsLacking:
    def test_never_sighted_is_unknown_not_fine(self) -> None:
        finding = only(found(edition(requirement())))
        assert finding.kind is GapKind.UNKNOWN
        assert not finding.known_gap
        assert finding.grade is Grade.STOP

    def test_seen_and_fine_is_no_finding(self) -> None:
        assert found(edition(requirement()), entry(sighting())) == ()

    def test_absent(self) -> None:
        finding = only(found(edition(requirement()), entry(sighting(state=GearState.ABSENT))))
        assert finding.kind is GapKind.ABSENT
        assert finding.known_gap

    def test_unfit_carries_the_remark(self) -> None:
        seen = sighting(state=GearState.UNFIT, remark="strap torn")
        finding = only(found(edition(requirement()), entry(seen)))
        assert finding.kind is GapKind.UNFIT
        assert finding.reasons[0].says == "strap torn"

    def test_too_few(self) -> None:
        kit = edition(requirement("liner-gloves", how_many={"count": 2}))
        finding = only(found(kit, entry(sighting("liner-gloves", count=1))))
        assert finding.kind is GapKind.SHORT
        assert (finding.reasons[0].answer, finding.reasons[0].asked) == ("1", "2")

    @pytest.mark.parametrize("known", [Known.SAID, Known.PICTURED, Known.SEEN])
    def test_known_less_well_than_it_takes(self, known: Known) -> None:
        kit = edition(requirement(takes="tried"))
        assert only(found(kit, entry(sighting(known=known)))).kind is GapKind.UNSEEN

    def test_tried_is_enough_where_tried_is_asked(self) -> None:
        assert found(edition(requirement(takes="tried")), entry(sighting(known=Known.TRIED))) == ()

    def test_optional_is_never_flagged(self) -> None:
        assert found(edition(requirement(optional=True, grades=[]))) == ()

    def test_roles_limit_whom_it_concerns(self) -> None:
        kit = edition(requirement(roles=["lead", "assistant"]))
        assert found(kit) == ()
        assert [f.subject for f in found(kit, member("guide", Role.ASSISTANT))] == ["guide"]


class TestFitness:
    GLASSES = requirement(
        "glacier-glasses",
        questions=[
            {
                "id": "category",
                "ask": "Filter category",
                "kind": "number",
                "unit": "1",
                "limits": [
                    {"at_least": "3", "says": "category too low for snow"},
                    {
                        "at_least": "4",
                        "when": {"metric": "uv_index", "at_least": "8"},
                        "says": "category 4 asked",
                    },
                ],
            },
            {
                "id": "side-cover",
                "ask": "Covered at the sides?",
                "kind": "yes-no",
                "limits": [{"want": True, "says": "open at the sides"}],
            },
        ],
    )

    def look(self, uv: float = 5, **answers: Any) -> tuple[Finding, ...]:
        seen = entry(sighting("glacier-glasses", answers=answers))
        return found(edition(self.GLASSES), seen, metrics={"uv_index": uv})

    def test_right_glasses(self) -> None:
        assert self.look(**{"category": 3, "side-cover": True}) == ()

    def test_category_too_low_says_so_with_the_numbers(self) -> None:
        reason = only(self.look(**{"category": 2, "side-cover": True})).reasons[0]
        assert (reason.says, reason.answer, reason.asked) == ("category too low for snow", "2", "at least 3")

    def test_open_sides(self) -> None:
        assert only(self.look(**{"category": 4, "side-cover": False})).reasons[0].says == "open at the sides"

    def test_both_wrong_is_one_finding_with_two_reasons(self) -> None:
        finding = only(self.look(**{"category": 2, "side-cover": False}))
        assert [reason.question for reason in finding.reasons] == ["category", "side-cover"]

    def test_a_limit_of_its_own_conditions(self) -> None:
        finding = only(self.look(uv=9, **{"category": 3, "side-cover": True}))
        assert finding.reasons[0].says == "category 4 asked"
        assert finding.why_now[0].value == 9
        assert finding.why_now[0].threshold == 8

    def test_an_open_question_is_a_gap_of_its_own(self) -> None:
        assert only(self.look(category=4)).kind is GapKind.UNANSWERED

    def test_a_try_on_question_is_open_only_once_tried(self) -> None:
        question = {
            "id": "over-liner",
            "ask": "Does it go over the liner?",
            "kind": "yes-no",
            "needs": "tried",
            "limits": [{"want": True, "says": "will not go over the liner"}],
        }
        kit = edition(requirement("mitts", questions=[question]))
        assert found(kit, entry(sighting("mitts"))) == ()
        assert only(found(kit, entry(sighting("mitts", known=Known.TRIED)))).kind is GapKind.UNANSWERED
        tried = sighting("mitts", known=Known.TRIED, answers={"over-liner": False})
        assert only(found(kit, entry(tried))).reasons[0].says == "will not go over the liner"

    def test_an_answer_of_the_wrong_kind_does_not_pass(self) -> None:
        assert only(self.look(**{"category": "four", "side-cover": True})).kind is GapKind.UNFIT

    def test_dates(self) -> None:
        question = {
            "id": "until",
            "ask": "Valid until",
            "kind": "date",
            "limits": [{"not_before": "trip-end", "says": "runs out during the trip"}],
        }
        kit = edition(requirement("certificate", questions=[question]))
        last_day = plan().ends_on
        day_before = (last_day - timedelta(days=1)).isoformat()
        assert found(kit, entry(sighting("certificate", answers={"until": last_day.isoformat()}))) == ()
        finding = only(found(kit, entry(sighting("certificate", answers={"until": day_before}))))
        assert finding.reasons[0].says == "runs out during the trip"


class TestConditions:
    MITTS = requirement(
        "backup-mitts",
        when={"metric": "freezing_level_m", "below": {"line": "dry-mitts"}},
        grades=[
            {"grade": "stop", "at": "summit-start", "when": {"metric": "wind_chill_c", "below": "-20 °C"}},
            {"grade": "fix", "at": "high-camp", "also": [{"grade": "stop", "at": "summit-start"}]},
        ],
    )
    LINE = {
        "id": "dry-mitts",
        "title": "Dry mitts line",
        "metric": "freezing_level_m",
        "value": {"from": "high-point", "offset": "-1000 m"},
    }

    def look(self, freezing: Any, chill: Any = -5.0, trip: Any = None) -> tuple[Finding, ...]:
        kit = edition(self.MITTS, lines=[self.LINE])
        gone = entry(sighting("backup-mitts", state=GearState.ABSENT))
        return found(kit, gone, metrics={"freezing_level_m": freezing, "wind_chill_c": chill}, trip=trip)

    def test_above_the_line_it_is_not_asked(self) -> None:
        assert self.look(3500.0) == ()

    def test_below_the_line_it_is_with_numbers_and_hour(self) -> None:
        finding = only(self.look([4000, 3400, 3200]))
        assert finding.grade is Grade.FIX
        assert finding.hold_name == "high camp"
        assert [(g.grade, g.hold_name) for g in finding.also] == [(Grade.STOP, "summit start")]
        assert finding.first_stage == "stage-2"
        assert finding.first_at == plan().stages[1].starts_at
        trigger = finding.why_now[0]
        assert (trigger.value, trigger.threshold, trigger.line) == (3400, 3500, "Dry mitts line")

    def test_exactly_on_the_line_is_not_below_it(self) -> None:
        assert self.look(3500.0) == ()
        assert len(self.look(3499.9)) == 1

    def test_the_trip_may_set_its_own_figure(self) -> None:
        assert self.look(3400.0, trip=plan(lines={"dry-mitts": 3300})) == ()
        assert len(self.look(3600.0, trip=plan(lines={"dry-mitts": 3700}))) == 1

    def test_worse_conditions_bring_the_heavier_grade(self) -> None:
        finding = only(self.look(3000.0, chill=-25.0))
        assert (finding.grade, finding.hold_name) == (Grade.STOP, "summit start")

    def test_not_known_conditions_are_treated_as_asked_and_say_so(self) -> None:
        finding = only(self.look([4000, NAN, 4000]))
        assert not finding.conditions_known
        assert finding.first_stage == "stage-2"

    def test_terrain(self) -> None:
        kit = edition(requirement(when={"terrain": ["glacier"]}))
        assert only(found(kit)).first_stage == "stage-2"

    def test_what_the_outfit_supplies_at_every_night_is_not_asked(self) -> None:
        whole = plan()
        supplied = tuple(
            stage.model_copy(
                update={
                    "night": stage.night.model_copy(update={"supplied": ("mat",)}) if stage.night else None
                }
            )
            for stage in whole.stages
        )
        assert found(edition(requirement("mat")), trip=whole.model_copy(update={"stages": supplied})) == ()
        partly = (*supplied[:1], *whole.stages[1:])
        assert isinstance(partly[1].night, Night)
        finding = only(found(edition(requirement("mat")), trip=whole.model_copy(update={"stages": partly})))
        assert finding.first_stage == "stage-2"

    def test_a_limit_measured_from_the_night(self) -> None:
        question = {
            "id": "limit",
            "ask": "Limit temperature",
            "kind": "number",
            "unit": "°C",
            "limits": [
                {
                    "at_most": {"metric": "sleep_min_c", "plus": "5 K"},
                    "says": "far too warm a rating",
                    "grades": [{"grade": "stop", "at": "high-camp"}],
                },
                {
                    "at_most": {"metric": "sleep_min_c"},
                    "says": "rated too warm",
                    "grades": [{"grade": "fix", "at": "high-camp"}],
                },
            ],
        }
        kit = edition(requirement("bag", questions=[question]))

        def look(limit_c: float, night: Any) -> tuple[Finding, ...]:
            return found(
                kit, entry(sighting("bag", answers={"limit": limit_c})), metrics={"sleep_min_c": night}
            )

        assert look(-12, [-8.0, -4.0, NAN])[0].kind is GapKind.UNANSWERED
        assert look(-12, [-8.0, -4.0, -1.0]) == ()
        fix = only(look(-1, [1.0, -4.8, 2.0]))
        assert (fix.grade, fix.reasons[0].says, fix.reasons[0].asked) == (
            Grade.FIX,
            "rated too warm",
            "at most -4.8 °C",
        )
        stop = only(look(-1, [1.0, -8.4, 2.0]))
        assert (stop.grade, stop.reasons[0].says) == (Grade.STOP, "far too warm a rating")


class TestDisagreement:
    def test_two_who_did_not_know_of_each_other_are_seen_to_disagree(self) -> None:
        one = entry(sighting())
        two = entry(sighting(state=GearState.UNFIT, remark="cracked"), actor=OTHER)
        finding = only(found(edition(requirement()), one, two))
        assert finding.kind is GapKind.DISAGREE
        assert "Lead" in finding.reasons[0].says
        assert "Other" in finding.reasons[0].says
        assert len(finding.evidence) == 2

    def test_a_third_who_knew_both_settles_it(self) -> None:
        one = entry(sighting())
        two = entry(sighting(state=GearState.UNFIT), actor=OTHER)
        three = entry(sighting(), after=(one.id, two.id))
        assert found(edition(requirement()), one, two, three) == ()

    def test_one_who_says_less_does_not_contradict(self) -> None:
        kit = TestFitness.GLASSES
        full = entry(sighting("glacier-glasses", answers={"category": 4, "side-cover": True}))
        quick = entry(sighting("glacier-glasses"), actor=OTHER)
        assert found(edition(kit), full, quick, metrics={"uv_index": 3}) == ()


class TestHoldPoints:
    def test_what_had_to_be_fixed_before_a_passed_point_is_a_stop_there(self) -> None:
        kit = edition(requirement(grades=[{"grade": "fix", "at": "base"}]))
        gone = entry(sighting(state=GearState.ABSENT))
        passed = entry(HoldPassed(hold="base", at=START))
        assert only(found(kit, gone)).grade is Grade.FIX
        assert only(found(kit, gone, passed)).grade is Grade.STOP

    def test_a_trip_without_that_hold_point_uses_the_next_there_is(self) -> None:
        trip = plan(hold_points=plan().hold_points[2:])
        finding = only(found(edition(requirement()), trip=trip))
        assert finding.hold_name == "high camp"


class TestBoard:
    def shown(self, *entries: Entry, kit: Edition | None = None) -> Any:
        trip = plan()
        the_picture = picture(trip, member("ann"), member("bob", Role.LEAD), rope("ann", "bob"), *entries)
        evaluation = evaluate("test", 7, the_picture, trip, kit, conditions(trip, {}))
        return board(evaluation, now=START)

    def test_without_a_kit_list_nothing_is_shown_as_fine(self) -> None:
        shown = self.shown()
        assert shown.verdict.standing is Standing.UNKNOWN
        assert {p.verdict.standing for r in shown.ropes for p in r.people} == {Standing.UNKNOWN}

    def test_a_rope_carries_the_worst_of_its_people_and_its_own(self) -> None:
        kit = edition(requirement(), requirement("rope", scope="rope", how_many={"per": "rope"}))
        shown = self.shown(
            entry(sighting(subject="ann")), entry(sighting(state=GearState.ABSENT, subject="bob")), kit=kit
        )
        line = shown.ropes[0]
        assert [p.verdict.standing for p in line.people] == [Standing.CLEAR, Standing.STOP]
        assert (line.verdict.standing, line.verdict.tally.stop, line.verdict.tally.unknown) == (
            Standing.STOP,
            1,
            1,
        )

    def test_a_missing_forecast_is_itself_a_finding(self) -> None:
        shown = self.shown(kit=edition(requirement(optional=True, grades=[])))
        found = {f.id: f for f in shown.findings}
        assert list(found) == ["r1.rope-two", "party.forecast"]
        assert not found["party.forecast"].known_gap
        assert shown.verdict.tally.unknown == 1

    def test_every_board_carries_the_caution(self) -> None:
        assert "licensed guides" in self.shown().caution
