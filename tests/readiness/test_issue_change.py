"""What a new issue did: the numbers and flags that differ, with the gear and the plan as they are."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.quantities import quantities
from api.journal.kinds import GearState
from api.kitlist.schemas import Grade
from api.readiness.evaluation import evaluate
from api.readiness.mountain import Outlook
from api.readiness.outlook import FlagTurn, IssueChange
from tests.conditions import kessandry
from tests.readiness.building import edition, entry, member, picture, requirement, sighting

MITTS = requirement("mitts", when={"metric": "freezing_level_m", "below": "3600 m"})


def outlook(*issues: str, asked: dict[str, Any] = MITTS) -> Outlook:
    """Ann lacks what is asked; the last issue is in force."""
    forecasts: tuple[Forecast, ...] = tuple(kessandry.issue(name) for name in issues)
    known = picture(kessandry.PLAN, member("ann"), entry(sighting(asked["id"], state=GearState.ABSENT)))
    newest = forecasts[-1] if forecasts else None
    conditions = stage_conditions(kessandry.PLAN, newest, forecasts[-2] if len(forecasts) > 1 else None)
    amounts = quantities(kessandry.PLAN, conditions, 1)
    return Outlook(evaluate("t", 1, known, kessandry.PLAN, edition(asked), conditions, amounts), forecasts)


def since(*issues: str, asked: dict[str, Any] = MITTS) -> IssueChange:
    change = outlook(*issues, asked=asked).since
    assert change is not None
    return change


def test_the_freezing_level_of_each_stage_now_and_before() -> None:
    """F2 gives 3,350 m from 04:00 on summit day and 3,200 m from 10:00; F3 2,800 m and 2,650 m."""
    change = since("F2", "F3")
    found = {number.stage: (number.was, number.now) for number in change.numbers}
    assert found["summit"] == (3200.0, 2650.0)
    summit = next(number for number in change.numbers if number.stage == "summit")
    assert summit.at == kessandry.at(14, "10:00")
    assert (change.before_label, change.label) == ("F2", "F3")


def test_a_flag_that_opens_says_why() -> None:
    ok = requirement("mitts", when={"metric": "freezing_level_m", "below": "2900 m"})
    (flag,) = since("F2", "F3", asked=ok).flags
    assert (flag.turn, flag.id) == (FlagTurn.OPENED, "ann.mitts")
    assert [(n.metric, n.was, n.now, n.line) for n in flag.because] == [
        ("freezing_level_m", 3200.0, 2650.0, 2900.0)
    ]


def test_a_flag_that_goes_says_why() -> None:
    ok = requirement("mitts", when={"metric": "freezing_level_m", "below": "2900 m"})
    (flag,) = since("F3", "F2", asked=ok).flags
    assert (flag.turn, flag.id) == (FlagTurn.GONE, "ann.mitts")
    (number,) = flag.because
    assert (number.metric, number.was, number.now) == ("freezing_level_m", 2650.0, 3200.0)


def test_a_flag_that_is_graded_otherwise_says_so() -> None:
    graded = requirement(
        "mitts",
        grades=[
            {"grade": "stop", "at": "base", "when": {"metric": "freezing_level_m", "below": "2900 m"}},
            {"grade": "fix", "at": "base"},
        ],
    )
    (flag,) = since("F2", "F3", asked=graded).flags
    assert flag.turn is FlagTurn.CHANGED
    assert (flag.was_grade, flag.grade) == (Grade.FIX, Grade.STOP)
    assert flag.because[0].now == 2650.0


def test_what_a_new_issue_leaves_as_it_was_is_not_told() -> None:
    assert since("F2", "F3").flags == ()  # asked under both
    same = since("F2", "F2")
    assert same.flags == ()
    assert same.numbers == ()


@pytest.mark.parametrize("issues", [(), ("F2",)])
def test_without_an_issue_before_nothing_has_changed(issues: tuple[str, ...]) -> None:
    assert outlook(*issues).since is None


def test_gear_that_came_to_light_between_two_issues_is_not_the_forecasts_doing() -> None:
    """The issue before is held against what is known now: only the forecast differs."""
    change = since("F1", "F2")
    assert {flag.turn for flag in change.flags} <= {FlagTurn.OPENED, FlagTurn.CHANGED}
    whole = outlook("F1", "F2")
    nothing = replace(whole.evaluation, edition=None, asks=None, lacks=None)
    assert Outlook(nothing, whole.issues).since is None


def test_hours_the_issue_before_did_not_cover_have_no_number_then() -> None:
    """F1 ends on Monday at 10:00 and says nothing of the walk out."""
    numbers = {number.stage: number for number in since("F1", "F2").numbers}
    assert numbers["walk-out"].was is None
    assert numbers["walk-out"].now == 3100.0
