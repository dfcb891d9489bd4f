"""People with gear for tests of the body's computing. Invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from functools import cache
from typing import Any, Literal

import numpy as np

from api.body.people import Person, Thing
from api.conditions.evaluate import evaluate
from api.conditions.stages import StageConditions
from api.journal.trip import Night, TripPlan, Via
from tests.conditions.building import START, stage, trip
from tests.readiness import big

ALL = {
    "socks": {},
    "boots": {"warmth": "double"},
    "base-legs": {},
    "base-top-long": {},
    "soft-shell-trousers": {},
    "soft-shell-jacket": {},
    "shell-trousers": {},
    "hard-shell-jacket": {},
    "insulated-overtrousers": {},
    "parka": {"warmth": "heavy", "dry": True},
    "mitts": {},
    "sleeping-bag": {"figure": "comfort-and-limit", "comfort-c": -10.0, "limit-c": -16.0},
    "sleeping-mat": {"r-value": 4.0},
    "headlamp": {"run-time-h": 30.0, "charge-percent": 90.0},
    "headlamp-power": {"kind": "cells", "cold": "lithium"},
}
WEIGHT_G = 700.0


def person(
    id_: str = "p", *, rope: str | None = "r1", without: tuple[str, ...] = (), **changes: Any
) -> Person:
    """Someone who has everything; `changes` are answers by requirement, or None where it is not known.

    Underscores stand for hyphens.
    """
    given = {name.replace("_", "-"): answers for name, answers in changes.items()}
    things = {}
    for id2, answers in ALL.items():
        said = given.get(id2, answers)
        fits = None if said is None else id2 not in without
        things[id2] = Thing(id2.replace("-", " "), fits, said or {}, WEIGHT_G)
    return Person(id_, id_, rope, things)


WITHOUT = {
    1: ("insulated-overtrousers",),
    5: ("insulated-overtrousers",),
    6: ("hard-shell-jacket",),
    8: ("sleeping-mat",),
    9: ("insulated-overtrousers",),
}


@cache
def crowd() -> tuple[Person, ...]:
    """Twelve people who differ."""
    return tuple(
        person(
            f"p{i:02}",
            rope=f"r{i % 3}",
            without=WITHOUT.get(i, ()),
            parka=None if i == 5 else {"warmth": ("light", "mid", "heavy")[i % 3]},
            sleeping_bag={"figure": "extreme-only"} if i == 3 else {"limit-c": -15.0 + i},
            headlamp={"run-time-h": 8.0 + i, "charge-percent": 100.0 - 5 * i},
            sleeping_mat=None if i == 7 else {"r-value": 2.0 + i},
            headlamp_power={"kind": "cells", "cold": ("lithium", "on-body", "neither")[i % 3]},
        )
        for i in range(12)
    )


@cache
def measured() -> TripPlan:
    """Twelve stages: without a distance, with one, and with one and a level stretch; water on some ways."""
    plan = big.plan()
    stages = []
    for i, one in enumerate(plan.stages):
        half = one.starts_at + (one.ends_at - one.starts_at) / 2
        middle = (one.from_m + one.to_m) / 2.0
        water: Literal["stream", "snow"] | None = "stream" if i in (1, 4, 10) else "snow" if i == 7 else None
        first = Via(name="Level so far", elevation_m=one.from_m, at=one.starts_at + timedelta(hours=1.5))
        via = (first,) if i % 3 == 2 else (Via(name="Half way", elevation_m=middle, at=half, water=water),)
        metres = None if i % 3 == 0 else 6.0 * abs(one.to_m - one.from_m)
        stages.append(one.model_copy(update={"via": via, "distance_m": metres}))
    return plan.model_copy(update={"stages": tuple(stages), "reserve_days": 2})


OWN_HOURS = {"s03": 12.0, "s08": 5.0, "s11": 16.0}


@cache
def weather() -> StageConditions:
    """Twelve stages in fifty-one scenarios."""
    return evaluate(measured(), big.forecast())


def only(values: Any) -> float:
    return float(np.asarray(values).reshape(-1)[0])


def one_camp(elevation_m: float, *, water: bool = False, hours: float = 5.0) -> TripPlan:
    night = Night(place="Camp", elevation_m=elevation_m, running_water=water)
    return trip(stage("up", START + timedelta(hours=8), hours, elevation_m - 400, elevation_m, night))


def known(plan: TripPlan, **metrics: float) -> StageConditions:
    """Conditions without a forecast, with some metrics set for all hours."""
    bare = evaluate(plan, None)
    shape = bare.low["night_low_c"].shape
    low = dict(bare.low) | {name: np.full(shape, value) for name, value in metrics.items()}
    hourly = dict(bare.hourly) | {
        name: np.full((shape[0], bare.step_stage.size), value)
        for name, value in metrics.items()
        if name in bare.hourly
    }
    return replace(bare, low=low, high=low, hourly=hourly)
