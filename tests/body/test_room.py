"""Who has room for how much group gear follows from their pack, their weight and the climbs."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from api.body.load import LEAST_SPARE_KG, MOST_SPARE_KG, load, spare_kg
from api.body.settings import EFFORT_WPM2, BodySettings
from api.conditions.evaluate import evaluate
from api.readiness.party import capacity_g, packs, propose, units
from api.readiness.room import room_g
from api.science.load import RESTING_W, STANDARD_SKIN_M2
from tests.body.building import person
from tests.readiness import big
from tests.web import sample

PLAN, SETTINGS = big.plan(), BodySettings()


def test_with_what_is_spare_the_hardest_climb_asks_its_effort_and_no_more() -> None:
    conditions = evaluate(PLAN, big.forecast(1, seed=4))
    people = [person("light"), replace(person("heavy"), body_kg=90.0)]
    spare = spare_kg(people, PLAN, conditions, SETTINGS)
    inside = (spare > LEAST_SPARE_KG) & (spare < MOST_SPARE_KG)
    assert inside.any()
    limit = np.array([EFFORT_WPM2[stage.effort] for stage in PLAN.stages]) * STANDARD_SKIN_M2
    resting = SETTINGS.rest_min_per_h / 60.0
    for who, kilos in zip(np.flatnonzero(inside), spare[inside], strict=True):
        found = load([replace(people[who], shared_kg=float(kilos))], PLAN, conditions, SETTINGS)
        only_up = (found.way.up_h > 0) & (found.way.down_h == 0) & (found.way.flat_h == 0)
        climbing = (found.power_w[0, :, 0] - RESTING_W * resting) / (1.0 - resting)
        assert np.nanmax((climbing - limit)[only_up]) <= 2.0


def test_who_carries_more_has_less_room() -> None:
    conditions = evaluate(PLAN, big.forecast(1, seed=4))
    free = person("free")
    heavy = {name: replace(thing, weight_g=2500.0) for name, thing in free.things.items()}
    rooms = spare_kg([replace(free, things=heavy), free], PLAN, conditions, SETTINGS)
    assert rooms[0] < rooms[1] - 1.0


def test_the_share_out_goes_by_it_where_nobody_said() -> None:
    evaluation = sample.evaluation("F1")
    room = room_g(evaluation)
    assert room
    for pack in packs(evaluation, units(evaluation)):
        stated = capacity_g(evaluation, pack.member)
        assert pack.capacity_g == pytest.approx(stated if stated else room[pack.member])
    assert propose(evaluation).carriers
