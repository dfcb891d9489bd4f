"""Fuel by the planning rule.

Source of the figures: invented scenario, arithmetic checked; of the rule: common practice, no published
source.
"""

from datetime import datetime

import numpy as np
import pytest

from api.conditions.evaluate import evaluate
from api.conditions.forecast import Forecast
from api.conditions.quantities import fuel_plan_g, quantities
from api.conditions.sources.manual import parse, to_forecast
from api.kitlist.metrics import OF_THE_BODY, QUANTITIES
from tests.conditions.kessandry import PEOPLE, PLAN, at, issue, typed


def reaching(name: str, until: datetime = at(15, "13:00"), **spread: float) -> Forecast:
    """An issue typed in so that it says something about every night up to a moment."""
    sheet = typed(name, **spread)
    sheet["blocks"][0]["starts_at"] = at(12, "06:00")
    sheet["blocks"][-1]["ends_at"] = until
    return to_forecast(parse(sheet), PLAN.place)


@pytest.mark.parametrize(("name", "grams"), [("F0", 4620), ("F1", 4620), ("F2", 5610)])
def test_the_stream_at_moraine_freezes_once_the_level_falls_below_camp(name: str, grams: float) -> None:
    conditions = evaluate(PLAN, reaching(name))
    assert fuel_plan_g(PLAN, conditions, PEOPLE).tolist() == pytest.approx([grams])


def test_without_the_reserve_day_less_is_needed() -> None:
    plan = PLAN.model_copy(update={"reserve_days": 0})
    conditions = evaluate(plan, reaching("F2"))
    assert fuel_plan_g(plan, conditions, PEOPLE).tolist() == pytest.approx([3960])


def test_each_scenario_has_its_own_amount() -> None:
    conditions = evaluate(PLAN, reaching("F2", low=200, high=200))
    amounts = dict(zip((s.id for s in conditions.scenarios), fuel_plan_g(PLAN, conditions, 11), strict=True))
    assert amounts == pytest.approx({"low": 5610, "best": 5610, "high": 4620})


def test_not_knowing_whether_the_stream_freezes_leaves_the_amount_open() -> None:
    assert np.isnan(fuel_plan_g(PLAN, evaluate(PLAN, None), PEOPLE)).all()
    # F1 ends on the morning of the 14th and says nothing of the night at Moraine after it.
    assert np.isnan(fuel_plan_g(PLAN, evaluate(PLAN, issue("F1")), PEOPLE)).all()


def test_a_night_known_to_freeze_is_enough_however_little_else_is_known() -> None:
    plan = PLAN.model_copy(update={"stages": PLAN.stages[2:], "reserve_days": 0})
    conditions = evaluate(plan, reaching("F3", until=at(14, "23:00")))
    assert not conditions.complete["freezing_level_m"][0, 0]
    assert fuel_plan_g(plan, conditions, 2).tolist() == pytest.approx([300])


def test_every_quantity_of_the_registry_is_worked_out() -> None:
    assert set(quantities(PLAN, evaluate(PLAN, None), PEOPLE)) == set(QUANTITIES) - OF_THE_BODY
