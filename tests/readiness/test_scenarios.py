"""Flags over all scenarios: against the rules worked out plainly, and against findings one by one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.forecast import Forecast
from api.conditions.quantities import quantities
from api.conditions.stages import Scenario, StageConditions
from api.journal.kinds import GearState
from api.readiness.asks import asks
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.findings import finding_of
from api.readiness.outlook import Frequency, Spread
from api.readiness.scenarios import (
    FlagScenarios,
    finding_in,
    flag_scenarios,
    frequencies,
    possible_flags,
    spread_of,
)
from tests.bench.plain_rules import Plainly
from tests.readiness import big
from tests.readiness.building import conditions, edition, entry, member, picture, plan, requirement, sighting


def evaluated(forecast: Forecast) -> Evaluation:
    plan_, party = big.plan(), big.party()
    found = stage_conditions(plan_, forecast)
    amounts = quantities(plan_, found, len(party.members))
    return evaluate("big", 1, party, plan_, big.edition(), found, amounts)


def flags_of(evaluation: Evaluation) -> FlagScenarios:
    assert evaluation.asks is not None
    assert evaluation.lacks is not None
    return flag_scenarios(evaluation.asks, evaluation.lacks, evaluation.quantities)


def one_of(given: StageConditions, s: int) -> StageConditions:
    """One scenario by itself."""
    return replace(
        given,
        scenarios=(given.scenarios[s],),
        base=0,
        low={name: values[[s]] for name, values in given.low.items()},
        high={name: values[[s]] for name, values in given.high.items()},
        complete={name: values[[s]] for name, values in given.complete.items()},
        hourly={name: values[[s]] for name, values in given.hourly.items()},
    )


@pytest.mark.parametrize(("members", "hours"), [(4, 240), (3, 130)])
def test_agrees_with_the_rules_worked_out_plainly(members: int, hours: int) -> None:
    """130 hours leave the last stages open, so that conditions are possible without being certain."""
    evaluation = evaluated(big.forecast(members, hours=hours))
    flags = flags_of(evaluation)
    column = {pair: n for n, pair in enumerate(flags.pairs)}
    assert evaluation.lacks is not None
    decided = appeared = 0
    for s in range(members):
        amounts = {name: float(values[s]) for name, values in evaluation.quantities.items()}
        alone = one_of(evaluation.conditions, s)
        plainly = Plainly(big.edition(), big.plan(), alone, evaluation.lacks, amounts)
        for p in range(len(evaluation.lacks.subjects)):
            for r, (possibly, surely) in plainly.flags(p):
                n = column.get((p, r))
                here = n is not None and bool(flags.appears[s, n])
                assert here == possibly, (s, p, big.edition().requirements[r].id)
                sure = n is not None and bool(flags.appears[s, n] and flags.decided[s, n])
                assert sure == surely, (s, p, big.edition().requirements[r].id)
                decided += surely
                appeared += possibly
    assert appeared > 100
    assert (decided < appeared) == (hours < 240)


def test_is_what_findings_say_scenario_by_scenario() -> None:
    evaluation = evaluated(big.forecast(5))
    flags = flags_of(evaluation)
    assert evaluation.asks is not None
    assert evaluation.lacks is not None
    for s in range(5):
        alone = one_of(evaluation.conditions, s)
        asked = asks(big.edition(), big.plan(), alone)
        amounts = {name: values[[s]] for name, values in evaluation.quantities.items()}
        for n, (p, r) in enumerate(flags.pairs):
            found = finding_of(asked, evaluation.lacks, evaluation.picture, amounts, p, r)
            assert (found is not None) == bool(flags.appears[s, n])


def test_the_forecasts_own_flags_are_the_findings() -> None:
    evaluation = evaluated(big.forecast(3))
    flags = flags_of(evaluation)
    assert evaluation.lacks is not None
    ids = {
        f"{evaluation.lacks.subjects[p].id}.{big.edition().requirements[r].id}"
        for n, (p, r) in enumerate(flags.pairs)
        if flags.appears[evaluation.conditions.base, n]
    }
    listed = {finding.id for finding in evaluation.findings if finding.requirement in known_requirements()}
    assert ids == listed


def known_requirements() -> set[str]:
    return {requirement.id for requirement in big.edition().requirements}


def mitts(scenarios: int, cold_in: Sequence[int], open_in: Sequence[int] = ()) -> Evaluation:
    """Ann lacks mitts, which are asked below -10 °C; some scenarios are cold, some say nothing."""
    trip = plan(2)
    degrees = np.full((scenarios, 2), -5.0)
    degrees[list(cold_in)] = -15.0
    degrees[list(open_in)] = np.nan
    given = conditions(trip, {"air_temperature_c": degrees.tolist()}, scenarios)
    asked = edition(requirement("mitts", when={"metric": "air_temperature_c", "below": "-10 °C"}))
    known = picture(trip, member("ann"), entry(sighting("mitts", state=GearState.ABSENT)))
    return evaluate("t", 1, known, trip, asked, given)


def only_frequency(evaluation: Evaluation) -> Frequency:
    return frequencies(evaluation, flags_of(evaluation))["ann.mitts"]


def test_counts_members_and_never_gives_a_percentage() -> None:
    evaluation = mitts(31, [3, 5, 6, 9, 20, 21, 30])
    (flag,) = possible_flags(evaluation, flags_of(evaluation))
    assert (flag.frequency.appears, flag.frequency.valid, flag.frequency.total) == (7, 31, 31)
    assert flag.frequency.spread is Spread.ENSEMBLE
    assert flag.frequency.given
    assert not {name for name in Frequency.model_fields if "prob" in name or "percent" in name}
    assert (flag.subject_name, flag.item, flag.hold_name) == ("Ann", "Mitts", "base")
    assert evaluation.findings == ()
    flags = flags_of(evaluation)
    assert flags.counts[0, 0] == 7
    assert flags.valid[0, 0] == 31


@pytest.mark.parametrize(
    ("members", "open_", "given"),
    [
        (50, 10, True),
        (50, 11, False),
        (10, 0, True),
        (9, 0, False),
        (12, 2, True),
        (12, 3, False),
        (3, 0, False),
    ],
)
def test_gives_no_count_from_too_few_members(members: int, open_: int, given: bool) -> None:
    """Refused below 80 % valid members, and with fewer than 10 (common practice, no published source)."""
    frequency = only_frequency(mitts(members, [0], range(members - open_, members)))
    assert frequency.valid == members - open_
    assert frequency.given is given


def test_a_member_that_says_nothing_counts_neither_for_nor_against() -> None:
    evaluation = mitts(12, [1, 2], [11])
    frequency = only_frequency(evaluation)
    assert (frequency.appears, frequency.valid, frequency.total) == (2, 11, 12)
    flags = flags_of(evaluation)
    assert flags.appears[11, 0]
    assert not flags.decided[11, 0]


def test_of_a_guides_three_figures_it_is_said_which() -> None:
    evaluation = mitts(3, [0])
    labels = (Scenario("low", "low"), Scenario("best", "best"), Scenario("high", "high"))
    by_hand = replace(evaluation, conditions=replace(evaluation.conditions, scenarios=labels, base=1))
    assert by_hand.asks is not None
    by_hand = replace(by_hand, asks=replace(by_hand.asks, conditions=by_hand.conditions))
    (flag,) = possible_flags(by_hand, flags_of(by_hand))
    assert flag.frequency.spread is Spread.BY_HAND
    assert flag.frequency.which == ("low",)
    assert flag.frequency.given


def test_a_single_run_has_no_spread() -> None:
    assert spread_of((Scenario("run", "single run"),)) is Spread.NONE
    assert spread_of((Scenario("what-if-low", "x"), Scenario("what-if-best", "y"))) is Spread.BY_HAND
    assert possible_flags(mitts(1, [0]), flags_of(mitts(1, [0]))) == ()


def test_the_whole_rule_holds_in_one_member_or_it_does_not() -> None:
    """Cold in half the members and windy in the other half is cold and windy in none."""
    trip = plan(2)
    degrees = [[-15.0] * 2 if i < 10 else [0.0] * 2 for i in range(20)]
    wind = [[2.0] * 2 if i < 10 else [20.0] * 2 for i in range(20)]
    given = conditions(trip, {"air_temperature_c": degrees, "wind_mps": wind}, 20)
    both = {
        "all": [
            {"metric": "air_temperature_c", "below": "-10 °C"},
            {"metric": "wind_mps", "at_least": "10 m/s"},
        ]
    }
    known = picture(trip, member("ann"), entry(sighting("mitts", state=GearState.ABSENT)))
    evaluation = evaluate("t", 1, known, trip, edition(requirement("mitts", when=both)), given)
    assert flags_of(evaluation).counts[0, 0] == 0
    assert possible_flags(evaluation, flags_of(evaluation)) == ()


def test_a_flag_without_a_grade_in_some_conditions_is_none_there() -> None:
    trip = plan(2)
    given = conditions(trip, {"air_temperature_c": [[-15.0] * 2, [0.0] * 2]}, 2)
    graded = requirement(
        "mitts",
        grades=[{"grade": "stop", "at": "base", "when": {"metric": "air_temperature_c", "below": "-10 °C"}}],
    )
    known = picture(trip, member("ann"), entry(sighting("mitts", state=GearState.ABSENT)))
    evaluation = evaluate("t", 1, known, trip, edition(graded), given)
    assert flags_of(evaluation).appears[:, 0].tolist() == [True, False]


def test_a_limit_that_only_another_member_breaks_is_possible_and_not_listed() -> None:
    trip = plan(2)
    given = conditions(trip, {"sleep_min_c": [[-5.0] * 2, [-20.0] * 2]}, 2)
    bag = requirement(
        "bag",
        questions=[
            {
                "id": "comfort",
                "ask": "Comfort limit",
                "kind": "number",
                "unit": "°C",
                "limits": [{"at_most": {"metric": "sleep_min_c"}, "says": "too thin"}],
            }
        ],
    )
    known = picture(trip, member("ann"), entry(sighting("bag", answers={"comfort": -10.0})))
    evaluation = evaluate("t", 1, known, trip, edition(bag), given)
    assert evaluation.findings == ()
    (flag,) = possible_flags(evaluation, flags_of(evaluation))
    assert (flag.says, flag.frequency.appears) == ("too thin", 1)
    assert evaluation.asks is not None
    assert evaluation.lacks is not None
    assert finding_in(evaluation.asks, evaluation.lacks, known, {}, (0, 0), 0) is None
