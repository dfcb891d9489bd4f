"""People with gear for tests of the body's computing. Invented."""

from __future__ import annotations

from functools import cache
from typing import Any

from api.body.people import Person, Thing
from api.conditions.evaluate import evaluate
from api.conditions.stages import StageConditions
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


@cache
def crowd() -> tuple[Person, ...]:
    """Twelve people who differ."""
    return tuple(
        person(
            f"p{i:02}",
            rope=f"r{i % 3}",
            without=("insulated-overtrousers",) if i % 4 == 1 else ("hard-shell-jacket",) if i == 6 else (),
            parka=None if i == 5 else {"warmth": ("light", "mid", "heavy")[i % 3]},
            sleeping_bag={"figure": "extreme-only"} if i == 3 else {"limit-c": -15.0 + i},
            headlamp={"run-time-h": 8.0 + i, "charge-percent": 100.0 - 5 * i},
            headlamp_power={"kind": "cells", "cold": ("lithium", "on-body", "neither")[i % 3]},
        )
        for i in range(12)
    )


@cache
def weather() -> StageConditions:
    """Twelve stages in fifty-one scenarios."""
    return evaluate(big.plan(), big.forecast())
