"""From arrays over scenarios to numbers that are shown. Pure."""

from __future__ import annotations

import math
from datetime import timedelta

import numpy as np

from api.body.load import latest_turn_h
from api.body.people import Person
from api.body.settings import BodySettings
from api.body.sleep import MatState
from api.body.warmth import hands_of
from api.body.water_fuel import PARTY
from api.body.whole import Body
from api.conditions.evaluate import metric_methods
from api.conditions.needs import Floats
from api.journal.trip import Via
from api.readiness.bodies import body_from, counted
from api.readiness.body_findings import MAT_WORDS
from api.readiness.body_schemas import (
    Amount,
    BodyReport,
    FuelBody,
    HandLayer,
    PersonBody,
    PersonStage,
    StageBody,
    WaySource,
)
from api.readiness.evaluation import Evaluation
from api.science import water as water_science

NOT_KNOWN = "not known"
TOO_WARM = "warmer than 10 °C: the standard says nothing"
TOO_WINDY = "more wind than the standard covers"
BEYOND_8_H = "more than 8 h"
NO_TIME = "no time to freezing is published for this air"
NO_NIGHT = "no night"
WALKED = "behind the party when the forecast was issued"
NO_MAT = "no mat, so the label does not hold"
STOVES, BOOTS = "stoves", "boots"


def body_of(evaluation: Evaluation, settings: BodySettings | None = None) -> Body:
    """What the stages of a trip ask of everyone's body, and what is sighted against it."""
    now = evaluation
    if settings is None and now.bodies is not None:
        return now.bodies
    return body_from(now.plan, now.conditions, now.picture, now.lacks, settings)


def report(evaluation: Evaluation, found: Body) -> BodyReport:
    """Everything in the scenario of the forecast itself, and the worst of all."""
    base = found.conditions.base
    water = found.water_fuel
    names = {rope.id: rope.name for rope in evaluation.picture.rope_teams}
    fuel = [
        FuelBody(
            who="the party" if who == PARTY else names.get(who, who),
            needed_g=amount(water.fuel_g[who], base, high=True),
            packed_g=_plain(water.packed_g.get(who, math.nan)),
        )
        for who in (PARTY, *(who for who in water.fuel_g if who != PARTY))
    ]
    return BodyReport(
        trip=evaluation.trip,
        seq=evaluation.seq,
        scenario=found.conditions.scenarios[base].label,
        stages=tuple(_stage(found, t) for t in range(len(found.plan.stages))),
        people=tuple(_person(found, p) for p in range(len(found.people))),
        fuel=tuple(fuel),
        fuel_packed_g=_plain(water.packed_g.get(PARTY, math.nan)),
        stoves=_stoves(evaluation),
        pressure_by=metric_methods(found.conditions)["pressure_hpa"],
        stream_c=found.settings.kitchen.stream_c,
        treat_chemical_min={f"{dose:g}": _plain(minutes) for dose, minutes in water.chemical_min.items()},
    )


def amount(values: Floats, base: int, *, high: bool, says: str = NOT_KNOWN, endless: str = "") -> Amount:
    """A row over scenarios as one amount; `high`: more is worse.

    Infinite becomes null and says `endless`; NaN becomes null and says `says`. Where only some scenarios are
    not known, the worst is that of the others.
    """
    here = float(values[base])
    known = values[~np.isnan(values)]
    worst = math.nan if known.size == 0 else float(known.max() if high else known.min())
    words = says if math.isnan(here) else endless if math.isinf(here) else ""
    return Amount(base=_plain(here), worst=_plain(worst), says=words)


def _stage(found: Body, t: int) -> StageBody:
    base, stage = found.conditions.base, found.plan.stages[t]
    air, sleep, water, load = found.warmth.air, found.sleep, found.water_fuel, found.load
    melts = float(water.cooking.melts[base, t])
    night = stage.night is not None
    source = "" if not night else _SOURCES.get(melts, NOT_KNOWN)
    top = max(
        range(len(found.plan.stages)),
        key=lambda i: max(
            found.plan.stages[i].to_m, *(v.elevation_m for v in found.plan.stages[i].via), -1e9
        ),
    )
    turn = float(latest_turn_h(found.plan, load.party_h, t)[base]) if t == top else math.nan
    without = NOT_KNOWN if night else NO_NIGHT
    return StageBody(
        stage=stage.id,
        name=stage.name,
        low_c=amount(air.low_c[t], base, high=False),
        wind_mps=amount(air.wind_mps[t], base, high=True),
        bare_skin_min=amount(air.bare_skin_min[t], base, high=False, endless=NO_TIME),
        night_c=amount(sleep.minimum_c[t], base, high=False, says=without),
        open_night_c=amount(sleep.open_minimum_c[t], base, high=False, says=without),
        water_l=float(water.drunk_l[t]),
        set_out_l=amount(water.carried.set_out[:, t], base, high=True),
        most_l=amount(water.carried.heaviest[:, t], base, high=True),
        sources=tuple(_way_source(found, t, via) for via in stage.via if via.water is not None),
        camp_l=amount(water.cool_l[:, t] + water.boiled_l[t], base, high=True),
        distance_m=stage.distance_m,
        grade_pct=_plain(float(load.way.grade_pct[t])),
        boiling_c=_plain(float(water.cooking.boiling_c[base, t])) if night else None,
        fuel_g=amount(water.cooking.fuel_g[:, t], base, high=True),
        source=source,
        boil_min=_plain(float(water.boil_min[t])) if night else None,
        dark_h=amount(found.light.dark_h[t], base, high=True),
        hours=amount(load.party_h[t], base, high=True),
        estimated_h=amount(load.slowest_h[t], base, high=True),
        planned_h=(stage.ends_at - stage.starts_at).total_seconds() / 3600.0,
        arrival=_moment(found, t, float(load.arrival_h[t, base])),
        latest_turn=_moment(found, t, turn),
        own_hours=stage.id in found.settings.hours,
    )


_SOURCES = {0.0: "a stream runs", 1.0: "all of it melted from snow"}


def _moment(found: Body, t: int, hours: float) -> str | None:
    if math.isnan(hours):
        return None
    at = found.plan.stages[t].starts_at + timedelta(hours=hours)
    return at.astimezone(found.plan.place.zone).isoformat(timespec="minutes")


def _person(found: Body, p: int) -> PersonBody:
    person, clothes = found.people[p], found.warmth.wardrobes[p]
    bag, light = found.sleep.bags[p], found.light
    coldest = int(np.argmin(np.nan_to_num(found.warmth.air.low_c[:, found.conditions.base], nan=np.inf)))
    return PersonBody(
        member=person.id,
        name=person.name,
        clothing_clo=_plain(clothes.icl_clo),
        garments=tuple(
            f"{person.things[id_].item}: {piece.clo:g} clo, as {piece.what} ({piece.source})"
            for id_, piece in clothes.worn.items()
        ),
        not_known=clothes.not_known,
        missing=clothes.missing,
        further=clothes.further.layer,
        hands=tuple(HandLayer(item=item, there=there) for item, there in hands_of(person)),
        boots=_boots(person),
        bag=_bag_words(bag.there, bag.rests_on, bag.reading.state.value, bag.figure_c),
        mat=bag.mat,
        mat_says=_mat_says(found, p),
        lamp_h=amount(light.usable_h[p, coldest], found.conditions.base, high=False),
        own_weight=person.body_kg is not None,
        stages=tuple(_person_stage(found, p, t) for t in range(len(found.plan.stages))),
    )


def _mat_says(found: Body, p: int) -> str:
    """What is to be said of the mat beside the label, over all nights; the worst first."""
    bag, nights = found.sleep.bags[p], [stage.night for stage in found.plan.stages if stage.night is not None]
    states = {bag.under(night) for night in nights}
    return next((words for state, words in MAT_WORDS.items() if state in states), "")


def _way_source(found: Body, t: int, via: Via) -> WaySource:
    """A place to fill bottles on the way, and how long water from it is boiled there."""
    base, carried = found.conditions.base, found.water_fuel.carried
    filled = carried.treated if via.water == "stream" else carried.melted
    return WaySource(
        name=via.name,
        kind="stream" if via.water == "stream" else "snow",
        runs=bool(filled[base, t] > 0.0),
        boil_min=float(water_science.boil_minutes(via.elevation_m)),
    )


def _stoves(evaluation: Evaluation) -> float | None:
    """How many stoves are there for the party; None when nobody has counted, or the list asks none."""
    lacking = evaluation.lacks
    if lacking is None:
        return None
    for (p, r), holding in lacking.holdings.items():
        if lacking.edition.requirements[r].id == STOVES and lacking.subjects[p].id == PARTY:
            return _plain(counted(holding))
    return None


def _boots(person: Person) -> str:
    """Whether boots are there, and how warm they are said to be."""
    there = person.has(BOOTS)
    if there is None:
        return "boots not known"
    kind = person.answer(BOOTS, "warmth")
    return "boots not there, or unfit" if not there else f"boots there{f', {kind}' if kind else ''}"


def _bag_words(there: bool | None, rests_on: str, state: str, figure_c: float) -> str:
    if there is None:
        return NOT_KNOWN
    if there is False:
        return "not there, or unfit"
    return f"{rests_on} {figure_c:g} °C" if rests_on else f"cannot be judged: {state}"


def _person_stage(found: Body, p: int, t: int) -> PersonStage:
    base, warm, load = found.conditions.base, found.warmth, found.load
    why = WALKED if np.broadcast_to(warm.air.walked, (len(found.plan.stages), 1))[t, 0] else NOT_KNOWN
    if warm.air.too_warm[t, base]:
        why = TOO_WARM
    elif warm.air.too_windy[t, base]:
        why = TOO_WINDY
    without, night, bag = NO_NIGHT, found.plan.stages[t].night, found.sleep.bags[p]
    if night is not None:
        without = NOT_KNOWN if bag.rests_on else "cannot be judged"
        without = NO_MAT if bag.under(night) is MatState.NONE else without

    def low(values: Floats, says: str = why) -> Amount:
        return amount(values[p, t], base, high=False, says=says, endless=BEYOND_8_H)

    return PersonStage(
        stage=found.plan.stages[t].id,
        clothing_margin_clo=low(warm.margin_neutral_clo),
        clothing_margin_min_clo=low(warm.margin_min_clo),
        standing_min=low(warm.standing_neutral_min),
        standing_further_min=low(warm.standing_further_min),
        bag_margin_c=low(found.sleep.margin_c, without),
        bag_limit_margin_c=low(found.sleep.limit_margin_c, without),
        bag_margin_open_c=low(found.sleep.open_margin_c, without),
        light_margin_h=low(found.light.margin_h, NOT_KNOWN),
        pack_kg=amount(load.pack_kg[p, t], base, high=True),
        energy_kj=amount(load.energy_kj[p, t], base, high=True),
        effort_wpm2=amount(load.metabolic_wpm2[p, t], base, high=True),
    )


def _plain(value: float) -> float | None:
    return value if math.isfinite(value) else None
