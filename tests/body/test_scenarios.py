"""What is asked of bodies is looked at in every scenario, and shifted by temperature and wind."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.shifts import Shift
from api.conditions.sources.manual import to_forecast
from api.kitlist.schemas import Requirement
from api.readiness.body_scenarios import body_flags
from api.readiness.body_tipping import body_tipping_points
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.mountain import Outlook
from api.readiness.tipping import REACHES, Axis
from seeds import demo
from tests.body.test_findings import asked
from tests.readiness import big
from tests.web import sample

BAG = asked("bag_margin_c", "°C", 0.0)
CLO = asked("clothing_margin_clo", "clo", -0.5)
OF_THE_PARTY = {"count": 1.0, "computed": "fuel_g", "unit": "g", "per": "party"}
FUEL = asked("fuel_g", "g", 1.0, scope="party", how_many=OF_THE_PARTY)
WATER = asked("water_l", "L", 1.0)
LIGHT = asked("light_h", "h", 1.0)
PACK = asked("pack_kg", "kg", 12.0)


def whole(*more: Requirement, shift: Shift | None = None, members: int = 5) -> Evaluation:
    plan, party, edition = big.plan(), big.party(), big.edition()
    conditions = stage_conditions(plan, big.forecast(members, seed=4), None, shift)
    listed = edition.model_copy(update={"requirements": (*edition.requirements, *more)})
    return evaluate("big", 1, party, plan, listed, conditions)


def ids(evaluation: Evaluation) -> set[str]:
    return {f.id for f in evaluation.findings if f.requirement == "of-the-body"}


@pytest.mark.parametrize(
    "line",
    [BAG, CLO, FUEL, WATER, LIGHT, PACK],
    ids=["bag", "clothing", "fuel", "water", "light", "pack"],
)
def test_each_scenario_stands_as_if_it_were_the_forecast_itself(line: Requirement) -> None:
    now = whole(line)
    assert now.asks is not None
    assert now.lacks is not None
    assert now.bodies is not None
    flags = body_flags(now.asks, now.lacks, now.bodies)
    for s in range(len(now.conditions.scenarios)):
        there = replace(now.conditions, base=s)
        alone = evaluate("big", 1, now.picture, now.plan, now.edition, there)
        listed = {
            f"{now.lacks.subjects[p].id}.of-the-body"
            for n, (p, _) in enumerate(flags.pairs)
            if flags.appears[s, n]
        }
        assert listed == ids(alone)


def test_what_only_other_scenarios_raise_is_counted_and_listed() -> None:
    now = whole()
    assert now.asks is not None
    assert now.lacks is not None
    lowest = whole(BAG).bodies
    assert lowest is not None
    left = lowest.sleep.margin_c
    margins = np.where(np.isnan(left), np.inf, left).min(axis=1)
    person = int(np.flatnonzero(np.isfinite(margins).all(axis=1))[0])
    base = lowest.conditions.base
    line = asked("bag_margin_c", "°C", float((margins[person, base] + margins[person].min()) / 2.0))
    assert margins[person].min() < margins[person, base]
    outlook = Outlook(whole(line), ())
    key = f"{lowest.people[person].id}.of-the-body"
    assert key not in ids(outlook.evaluation)
    frequency = outlook.frequencies[key]
    below = int((margins[person] < line.how_many.count).sum())
    assert (frequency.appears, frequency.total) == (below, len(lowest.conditions.scenarios))
    assert key in {flag.id for flag in outlook.possible}


def test_a_spread_is_told_with_the_number() -> None:
    findings = [
        f for f in whole(asked("bag_margin_c", "°C", 40.0)).findings if f.requirement == "of-the-body"
    ]
    short = [f for f in findings if f.kind == "short"]
    assert short
    assert all("over 5 scenarios" in f.reasons[0].says for f in short)
    assert all(len(f.scenarios) == 5 for f in short)


def test_a_tipping_point_is_where_the_trip_under_that_shift_says_so() -> None:
    now = whole(BAG, members=1)
    points = body_tipping_points(now, big.forecast(1, seed=4))
    assert {point.axis for point in points} <= {Axis.TEMPERATURE, Axis.WIND}
    found = [point for point in points if point.axis is Axis.TEMPERATURE and point.appear]
    assert found
    for point in found[:3]:
        past = ids(whole(BAG, shift=Shift(temperature_c=point.shift), members=1))
        short = ids(
            whole(BAG, shift=Shift(temperature_c=point.shift * (1 - 0.06 / abs(point.shift))), members=1)
        )
        for tipped in point.appear:
            assert tipped.id in past
            assert tipped.id not in short


def test_every_tipping_point_of_bodies_is_where_the_demo_trip_evaluated_anew_changes() -> None:
    """All axes are looked at together; each is held against one trip a shift, at the point and just short."""
    now = sample.evaluation("F2")
    forecast = to_forecast(demo.forecast(demo.scenario(), "F2"), now.plan.place)

    def there(axis: Axis, value: float) -> set[str]:
        shift = Shift(**{axis.value: value})  # type: ignore[arg-type]
        conditions = stage_conditions(now.plan, forecast, None, shift)
        return {f.id for f in evaluate("demo", 1, now.picture, now.plan, now.edition, conditions).findings}

    points = body_tipping_points(now, forecast)
    assert {Axis.TEMPERATURE, Axis.WIND} <= {point.axis for point in points}
    at_no_shift = {finding.id for finding in now.findings}
    for point in points:
        reach = REACHES[point.axis]
        short = point.shift - math.copysign(reach.within * 1.01, point.shift - reach.neutral)
        assert point.appear or point.go
        for tipped in (*point.appear, *point.go):
            assert (tipped in point.go) == (tipped.id in at_no_shift)
            assert (tipped.id in there(point.axis, short)) == (tipped.id in at_no_shift)
            assert (tipped.id in there(point.axis, point.shift)) != (tipped.id in at_no_shift)


def test_stages_that_are_over_ask_nothing_of_bodies() -> None:
    now = whole(asked("bag_margin_c", "°C", 100.0))
    over = np.ones(len(now.plan.stages), dtype=np.bool_)
    over[-1] = False
    later = evaluate("big", 1, now.picture, now.plan, now.edition, replace(now.conditions, over=over))
    last = now.plan.stages[-1]
    first = {f.first_stage for f in later.findings if f.requirement == "of-the-body"}
    assert first <= {last.id}
    assert ids(now)
