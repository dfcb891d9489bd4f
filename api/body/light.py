"""Dark hours on the move against each lamp, hour by hour of the trip, in the cold. Pure.

Nothing is taken to be charged on the way: dark hours add up from stage to stage.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta

import numpy as np
import numpy.typing as npt

from api.body.people import Person
from api.conditions.needs import stretches
from api.conditions.stages import StageConditions
from api.journal.trip import TripPlan
from api.science.light import CHEMISTRIES, cold_share, light_margin_h, usable_light_h
from api.science.sun import dark_hours

Floats = npt.NDArray[np.float64]

LAMP, SPARE = "headlamp", "headlamp-power"
CELLS, CHARGED = "alkaline", "rechargeable lithium-ion"


@dataclass(frozen=True, slots=True)
class Lamp:
    """What is known of one person's light."""

    there: bool | None
    labelled_h: float
    charge: float
    chemistry: str
    """Of the lamp and its spare. Lithium where that was answered; rechargeable where the spare is a power
    bank; else alkaline, which the cold hurts most."""
    spare_sets: float
    """1 for a whole set of cells, a second lamp or a power bank; NaN when it is not known."""
    spare_on_body: bool


@dataclass(frozen=True, slots=True)
class Light:
    """Light by [person, stage, scenario]; NaN: not known, or too cold for the cells to promise anything."""

    lamps: tuple[Lamp, ...]
    dark_h: Floats
    """On each stage, [stage, scenario]."""
    dark_so_far_h: Floats
    usable_h: Floats
    """Of lamp and spare together, at the coldest of the stage."""
    margin_h: Floats
    """Usable hours less the dark hours of the trip up to the end of the stage."""


def lamp_of(person: Person) -> Lamp:
    """Read a person's lamp and spare; without a fit lamp there is no light, whatever the spare."""
    kind, cold = person.answer(SPARE, "kind"), person.answer(SPARE, "cold")
    chemistry = "lithium" if cold == "lithium" else CHARGED if kind == "power-bank" else CELLS
    spare = person.has(SPARE)
    fits = kind in ("cells", "second-lamp", "power-bank")
    sets = math.nan if spare is None or (spare and kind is None) else float(bool(spare) and fits)
    if person.has(LAMP) is False:
        return Lamp(False, 0.0, 0.0, chemistry, 0.0, False)
    charge = person.number(LAMP, "charge-percent") / 100.0
    label = person.number(LAMP, "run-time-h")
    return Lamp(person.has(LAMP), label, charge, chemistry, sets, cold == "on-body")


def dark_on_the_move(plan: TripPlan, conditions: StageConditions, hours: Mapping[str, float]) -> Floats:
    """Hours on the move outside civil twilight, [stage, scenario], with a guide's own hours in place.

    Stages without a night between them follow on each other: none sets out before the one before it has
    arrived.
    """
    dark = np.array(
        np.broadcast_to(conditions.low["dark_h"], (len(conditions.scenarios), len(plan.stages))).T
    )
    if not hours:
        return dark
    place, stretch, arrived = plan.place, stretches(plan), None
    for t, stage in enumerate(plan.stages):
        follows = arrived is not None and stretch[t] == stretch[t - 1]
        sets_out = max(stage.starts_at, arrived) if arrived is not None and follows else stage.starts_at
        own = hours.get(stage.id)
        arrived = sets_out + (stage.ends_at - stage.starts_at if own is None else timedelta(hours=own))
        if (sets_out, arrived) != (stage.starts_at, stage.ends_at):
            dark[t] = dark_hours(sets_out, arrived, place.latitude_deg, place.longitude_deg)
    return dark


def light(
    people: Sequence[Person],
    dark_h: Floats,
    low_c: Floats,
    usable_share: float,
    body_warm_c: float,
) -> Light:
    """Usable hours and what is left of them after the dark of each stage.

    Parameters
    ----------
    dark_h
        Hours on the move in the dark, [stage, scenario]: `dark_on_the_move`.
    low_c
        Coldest air on the way, [stage, scenario]: the lamp on the helmet is as cold.
    usable_share, body_warm_c
        Share of the label that is light to walk by; temperature of cells on the body, °C.
    """
    lamps = tuple(lamp_of(person) for person in people)
    so_far = np.cumsum(dark_h, axis=0)
    in_air = {name: cold_share(name, low_c) for name in CHEMISTRIES}
    on_body = {name: float(cold_share(name, body_warm_c)) for name in CHEMISTRIES}
    there = (len(lamps), *low_c.shape)
    own, kept = np.empty(there), np.empty(there)
    for p, lamp in enumerate(lamps):
        own[p] = in_air[lamp.chemistry]
        kept[p] = on_body[lamp.chemistry] if lamp.spare_on_body else own[p]
    labelled, charge, sets = (
        np.array(each, dtype=np.float64).reshape(-1, 1, 1)
        for each in (
            [lamp.labelled_h for lamp in lamps],
            [lamp.charge for lamp in lamps],
            [lamp.spare_sets for lamp in lamps],
        )
    )
    first = usable_light_h(labelled, own, charge=charge, usable_share=usable_share)
    spare = usable_light_h(labelled, kept, sets=sets, usable_share=usable_share)
    usable = np.asarray(first + spare)
    return Light(lamps, dark_h, so_far, usable, np.asarray(light_margin_h(usable, so_far)))
