"""What each carries, what that costs on each stage, and the hours that follow. Pure.

Grade and pace come from the distance of a stage where the plan has one; else the way is taken to have a usual
grade, and says so. The formulas were tried at low altitude: higher up people are slower, so the hours are the
least to reckon with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.body.people import Person
from api.body.settings import EFFORT_WPM2, BodySettings
from api.conditions.evaluate import ON_SNOW
from api.conditions.itinerary import legs_of
from api.conditions.needs import Drinking, drinking, stretches
from api.conditions.stages import StageConditions
from api.journal.trip import Terrain, TripPlan
from api.science import load as walking

Floats = npt.NDArray[np.float64]

WORN = frozenset(
    {
        "boots",
        "socks",
        "base-legs",
        "base-top-long",
        "soft-shell-trousers",
        "soft-shell-jacket",
        "sun-hat",
        "helmet",
        "harness",
    }
)
"""On the body and not in the pack: common practice, no published source."""
LEAST_WPM2, MOST_WPM2 = 70.0, 400.0
"""Standing still (ISO 8996, from memory), and the most ISO 11079 reckons with."""

LEAST_SPARE_KG, MOST_SPARE_KG = 1.0, 20.0
"""Bounds of what anybody is taken to have room for. Common practice, no published source."""
SPARE_STEPS = 12
"""Halvings of that span: to 5 g."""


@dataclass(frozen=True, slots=True)
class Way:
    """The ground of each stage, [stage] each."""

    up_m: Floats
    """Along the ground, as `down_m` and `flat_m`."""
    down_m: Floats
    flat_m: Floats
    """NaN where no distance is known: level ground then takes the hours of the plan."""
    up_h: Floats
    down_h: Floats
    flat_h: Floats
    """Planned hours by what the way does between two points of the plan, or a guide's own in their place."""
    grade_pct: Floats
    """Of what climbs and descends."""
    assumed: npt.NDArray[np.bool_]
    """Where the grade is taken for granted, because the plan has no distance."""
    steep: npt.NDArray[np.bool_]
    """Where pace is that of steep snow."""
    on_snow: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Load:
    """Load by [person, stage, scenario] unless said otherwise; NaN: not known, or outside the formulas."""

    way: Way
    body_kg: Floats
    """[person]."""
    items_kg: Floats
    """[person]: what is asked of them and not seen to be missing, worn things too."""
    pack_kg: Floats
    """Items not worn, group gear, and the most water that is carried at any moment."""
    carried_kg: Floats
    """Pack and what is worn."""
    terrain: Floats
    """Terrain factor, [stage, scenario]."""
    power_w: Floats
    """At the plan's pace, the mean over the stage."""
    metabolic_wpm2: Floats
    """Heat made on the move: of the stage's effort, or less where the plan's pace asks less."""
    hours: Floats
    """At the stage's effort, rests included; downhill at the pace that footing allows."""
    slowest_h: Floats
    """Of the slowest, [stage, scenario]."""
    party_h: Floats
    """Of the slowest, or the guide's own, [stage, scenario]."""
    arrival_h: Floats
    """Hours after the planned start of the stage's day stretch at which it ends, [stage, scenario]."""
    energy_kj: Floats
    """Of the whole day on which the stage begins."""


def way_of(plan: TripPlan, settings: BodySettings) -> Way:
    """Read the ground from the points of the plan.

    A measured distance is shared between level and sloping ground as the hours are, and all slopes of the
    stage get one grade. A guide's own hours stretch or shrink all of its hours alike.
    """
    rows = []
    for leg in legs_of(plan):
        times, heights = leg.path()
        climbs, spans = np.diff(heights), np.diff(times) / 3600.0
        up, down = climbs > 0.0, climbs < 0.0
        flat = ~up & ~down
        own = settings.hours.get(leg.stage.id)
        spans = spans if own is None else spans * (own / spans.sum())
        rows.append(
            (
                *(climbs[up].sum(), -climbs[down].sum()),
                *(spans[up].sum(), spans[down].sum(), spans[flat].sum()),
                np.nan if leg.stage.distance_m is None else leg.stage.distance_m,
            )
        )
    climb, fall, up_h, down_h, flat_h, distance = np.array(rows, dtype=np.float64).reshape(-1, 6).T
    steep = np.array([Terrain.STEEP_SNOW in stage.terrain for stage in plan.stages], dtype=np.bool_)
    snow = np.array([bool(stage.terrain & ON_SNOW) for stage in plan.stages], dtype=np.bool_)
    usual = np.where(steep, settings.steep_grade_pct, settings.path_grade_pct)
    height, assumed = climb + fall, np.isnan(distance)
    with np.errstate(divide="ignore", invalid="ignore"):
        sloping = np.maximum(distance * (1.0 - flat_h / (up_h + down_h + flat_h)), height)
        sloping = np.where(assumed, height / (usual / 100.0), sloping)
        grade = np.where(height > 0.0, 100.0 * height / sloping, 0.0)
        along = np.where(height > 0.0, np.hypot(1.0, sloping / height), 0.0)
    return Way(
        up_m=climb * along,
        down_m=fall * along,
        flat_m=distance - np.where(height > 0.0, sloping, 0.0),
        up_h=up_h,
        down_h=down_h,
        flat_h=flat_h,
        grade_pct=grade,
        assumed=assumed,
        steep=steep | (grade >= settings.steep_grade_pct),
        on_snow=snow,
    )


def terrain_factor(way: Way, new_snow_cm: Floats, density_gpcm3: float) -> Floats:
    """Terrain factor, [stage, scenario], from the new snow of the stage.

    On snow: as hard snow, or what boots sink into where that is more. Where new snow is not known it is taken
    as hard: an open question the hours leave out. Deeper than the formula goes counts as its end.
    """
    path = walking.TERRAIN["gravel or moraine"].factor
    depth = np.nan_to_num(new_snow_cm, nan=0.0)
    sunk = np.minimum(walking.sinkage_cm(depth, density_gpcm3), 20.0)
    snow = np.maximum(walking.snow_factor(sunk), walking.TERRAIN["hard snow"].factor)
    return np.where(way.on_snow[:, np.newaxis], snow, path)


def load(
    people: Sequence[Person],
    plan: TripPlan,
    conditions: StageConditions,
    settings: BodySettings,
    drunk: Drinking | None = None,
) -> Load:
    """Weights, effort, hours and energy of everyone on every stage. `drunk`: where it is at hand."""
    drunk = drunk or drinking(plan, conditions)
    way = way_of(plan, settings)
    ground = terrain_factor(way, conditions.high["new_snow_cm"].T, settings.snow_density_gpcm3)
    body = np.array([person.body_kg or settings.body_kg for person in people])
    items = np.array([_kg(person, worn=False) + _kg(person, worn=True) for person in people])
    in_pack = np.array([_kg(person, worn=False) + person.shared_kg for person in people])
    worn = items - np.array([_kg(person, worn=False) for person in people])
    pack = in_pack[:, np.newaxis, np.newaxis] + drunk.heaviest.T
    carried = pack + worn[:, np.newaxis, np.newaxis]
    masses = (body[:, np.newaxis, np.newaxis], carried)
    resting = settings.rest_min_per_h / 60.0
    grade = way.grade_pct[:, np.newaxis]
    class_wpm2 = np.array([EFFORT_WPM2[stage.effort] for stage in plan.stages])[:, np.newaxis]
    class_w = class_wpm2 * walking.STANDARD_SKIN_M2

    up_w = _planned_w(masses, way.up_m, way.up_h, resting, grade, ground)
    down_w = _planned_w(masses, way.down_m, way.down_h, resting, -grade, ground)
    shape = np.broadcast_shapes(up_w.shape, class_w.shape)
    flat_w: Floats = np.broadcast_to(class_w, shape)
    level = np.isfinite(way.flat_m) & (way.flat_h > 0.0)
    if level.any():
        flat_w = np.where(
            level[:, np.newaxis],
            _planned_w(masses, way.flat_m, way.flat_h, resting, 0.0 * grade, ground),
            flat_w,
        )
    spans = np.stack([way.up_h, way.down_h, way.flat_h])[:, np.newaxis, :, np.newaxis]
    powers = np.stack([np.broadcast_to(one, shape) for one in (up_w, down_w, flat_w)])
    whole = spans.sum(axis=0)
    moving = np.where(spans > 0.0, powers * spans, 0.0).sum(axis=0) / whole
    power = moving * (1.0 - resting) + walking.RESTING_W * resting
    weakest = np.where(spans > 0.0, powers, np.inf).min(axis=0) / walking.STANDARD_SKIN_M2
    weakest = np.where(np.isnan(weakest), np.inf, weakest)
    metabolic = np.clip(np.minimum(np.broadcast_to(class_wpm2, shape), weakest), LEAST_WPM2, MOST_WPM2)

    fastest = np.where(way.steep, settings.fastest_steep_mps, settings.fastest_mps)[:, np.newaxis]
    climbing = np.minimum(
        walking.sustained_speed_mps(class_w, *masses, grade, ground, beyond_trials=True), fastest
    )
    up_hours = walking.stage_hours(way.up_m[:, np.newaxis], climbing, settings.rest_min_per_h)
    down_hours = walking.stage_hours(way.down_m[:, np.newaxis], fastest, settings.rest_min_per_h)
    flat_hours: Floats = way.flat_h[:, np.newaxis]
    if level.any():
        pace = np.minimum(
            walking.sustained_speed_mps(class_w, *masses, 0.0 * grade, ground, beyond_trials=True), fastest
        )
        across = walking.stage_hours(way.flat_m[:, np.newaxis], pace, settings.rest_min_per_h)
        flat_hours = np.where(level[:, np.newaxis], across, flat_hours)
    hours = flat_hours + down_hours + np.where(way.up_m[:, np.newaxis] > 0.0, up_hours, 0.0)
    slowest = np.full(ground.shape, np.nan) if not people else hours.max(axis=0)
    party = slowest.copy()
    for t, stage in enumerate(plan.stages):
        if stage.id in settings.hours:
            party[t] = settings.hours[stage.id]
    return Load(
        way=way,
        body_kg=body,
        items_kg=items,
        pack_kg=pack,
        carried_kg=carried,
        terrain=ground,
        power_w=power,
        metabolic_wpm2=metabolic,
        hours=hours,
        slowest_h=slowest,
        party_h=party,
        arrival_h=_arrivals(plan, party),
        energy_kj=_day_energy(plan, power, whole.reshape(-1)),
    )


def spare_kg(
    people: Sequence[Person], plan: TripPlan, conditions: StageConditions, settings: BodySettings
) -> Floats:
    """How much group gear each could take before a climb asks more than its effort, kg, [person].

    By Pandolf at the plan's pace, on the stage that leaves them least, in the scenario of the forecast
    itself; from `LEAST_SPARE_KG`, for somebody who is at the limit already, to `MOST_SPARE_KG`. NaN where no
    stage climbs or its pace is not known. The same effort is taken for everyone, which is common practice and
    no measurement of anybody's strength.
    """
    way = way_of(plan, settings)
    snow = conditions.high["new_snow_cm"].T[:, [conditions.base]]
    ground = terrain_factor(way, snow, settings.snow_density_gpcm3)
    body = np.array([person.body_kg or settings.body_kg for person in people]).reshape(-1, 1, 1)
    own = np.array([_kg(person, worn=False) + _kg(person, worn=True) for person in people])
    heaviest = drinking(plan, conditions).heaviest.T[:, [conditions.base]]
    carried = own.reshape(-1, 1, 1) + heaviest
    limit = np.array([EFFORT_WPM2[stage.effort] for stage in plan.stages]) * walking.STANDARD_SKIN_M2
    climb = way.up_m, way.up_h, settings.rest_min_per_h / 60.0, way.grade_pct[:, np.newaxis]
    low, high = np.full(carried.shape, 0.0), np.full(carried.shape, MOST_SPARE_KG)
    for _ in range(SPARE_STEPS):
        middle = (low + high) / 2.0
        enough = _planned_w((body, carried + middle), *climb, ground) <= limit[:, np.newaxis]
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    known = np.isfinite(_planned_w((body, carried), *climb, ground))
    least = np.where(known, low, np.inf).min(axis=(1, 2), initial=np.inf)
    return np.where(np.isfinite(least), np.clip(least, LEAST_SPARE_KG, MOST_SPARE_KG), np.nan)


def latest_turn_h(plan: TripPlan, party_h: Floats, top: int) -> Floats:
    """Hours after the planned start of stage `top` at which to turn, to be at the next camp as planned.

    [scenario]; NaN where the way back is not planned or not known. No margin is inside.
    """
    stretch = stretches(plan)
    back = [t for t in range(top + 1, len(plan.stages)) if stretch[t] == stretch[top]]
    if not back:
        return np.full(party_h.shape[1], np.nan)
    planned = plan.stages[back[-1]].ends_at - plan.stages[top].starts_at
    hours = planned.total_seconds() / 3600.0
    return np.asarray(walking.turnaround_h(hours, party_h[back].T))


def _kg(person: Person, *, worn: bool) -> float:
    """What is asked of them and not seen to be missing; what is optional only where it is there."""
    grams = (
        thing.weight_g or 0.0
        for id_, thing in person.things.items()
        if (id_ in WORN) is worn and (thing.fits or (thing.fits is None and not thing.optional))
    )
    return sum(grams) / 1000.0


def _planned_w(
    masses: tuple[Floats, Floats],
    distance_m: Floats,
    hours: Floats,
    resting: float,
    grade: Floats,
    ground: Floats,
) -> Floats:
    """Power at the pace of the plan; NaN where the plan is faster than walking."""
    moving_s = np.where(hours > 0.0, hours * 3600.0 * (1.0 - resting), np.nan)
    speed = (distance_m / moving_s)[:, np.newaxis]
    return walking.walking_power_w(*masses, speed, grade, ground, beyond_trials=True)


def _arrivals(plan: TripPlan, party_h: Floats) -> Floats:
    """Stages of one stretch follow each other, none before its planned start."""
    starts = [stage.starts_at.timestamp() / 3600.0 for stage in plan.stages]
    stretch, ends = stretches(plan), np.full(party_h.shape, np.nan)
    for t in range(len(starts)):
        begins: Floats | float = starts[t]
        if t and stretch[t] == stretch[t - 1]:
            begins = np.maximum(starts[t], ends[t - 1] + starts[t - 1])
        ends[t] = begins + party_h[t] - starts[t]
    return ends


def _day_energy(plan: TripPlan, power_w: Floats, spans: Floats) -> Floats:
    """The energy of the day on which each stage begins: its stages, and rest for what is left."""
    days = [stage.starts_at.astimezone(plan.place.zone).date() for stage in plan.stages]
    energy = np.full(power_w.shape, np.nan)
    for day in dict.fromkeys(days):
        at = [t for t, on in enumerate(days) if on == day]
        whole = walking.day_energy_kj(np.moveaxis(power_w[:, at], 1, -1), spans[at])
        energy[:, at] = np.asarray(whole)[:, np.newaxis]
    return energy
