"""From a plan and a forecast to what each stage will be like, in every scenario. Pure, and vectorised over
scenarios.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import asdict
from functools import lru_cache, partial

import numpy as np
import numpy.typing as npt
import rfc8785

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, moment
from api.conditions.gathered import Gathered
from api.conditions.itinerary import Itinerary, Leg, itinerary, legs_of, nights_at
from api.conditions.refreeze import METHOD as REFREEZE_METHOD
from api.conditions.refreeze import refreeze_codes
from api.conditions.rules import Moments, Reading, edges_of
from api.conditions.shifts import NO_SHIFT, Air, Shift
from api.conditions.stages import Scenario, StageConditions
from api.journal.trip import Terrain, TripPlan
from api.kitlist.metrics import CONDITION_METRICS
from api.science import atmosphere, cold, snow, sun

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

CODE = "conditions/1"
"""Raise it whenever the same plan and forecast would give other numbers."""

CLEAR_NIGHT_C = 3.0
"""Taken off the night low for a clear night out of doors. Common practice, no published source."""
ON_SNOW = frozenset({Terrain.GLACIER, Terrain.CREVASSED, Terrain.STEEP_SNOW, Terrain.SNOW_CAMP})
ON_GLACIER = frozenset({Terrain.GLACIER, Terrain.CREVASSED})

NO_FORECAST = Scenario("none", "no forecast")
_LABELS = {"low": "low", "best": "best", "high": "high", "run": "single run"}

PLAN_METRICS = frozenset(
    {
        "altitude_m",
        "pressure_hpa",
        "daylight_on_snow_h",
        "dark_h",
        "sleeping_elevation_m",
        "sleeping_gain_m",
        "trip_nights",
    }
)
"""Known from the plan alone."""
SLOW = frozenset(
    {
        "freezing_level_drop_m",
        "air_temperature_c",
        "wind_mps",
        "gust_mps",
        "wind_chill_c",
        "frostbite_min",
        "uv_index",
        "refreeze",
    }
)
"""Left out where many shifts are worked out at once and nothing looks at them."""


def evaluate(
    plan: TripPlan,
    forecast: Forecast | None,
    previous: Forecast | None = None,
    shift: Shift | None = None,
) -> StageConditions:
    """What each stage will be like.

    Parameters
    ----------
    plan
        The trip with its stages.
    forecast
        The forecast, with any number of members. None: what the plan alone says is known, and nothing else.
    previous
        The issue before, to see how the freezing level moved between the two.
    shift
        A what-if on top of the forecast or plan. With one, every scenario id begins with `what-if`.

    Returns
    -------
    StageConditions
        All condition metrics of the registry. NaN means not known when `complete` is false for it, and that
        the stage has no such thing (a night, where none is planned; a glacier) when `complete` is true.
    """
    shift = shift or NO_SHIFT
    legs = legs_of(plan, shift.start_min, shift.stage)
    edges = edges_of(forecast) if forecast is not None else np.empty(0, dtype=np.int64)
    way = itinerary(legs, plan.place.zone, edges)
    issued_s = None if forecast is None else int(forecast.provenance.issued_at.timestamp())
    metrics = Gathered(way, 1 if forecast is None else len(forecast.members), issued_s)
    from_plan(metrics, plan)
    if forecast is None or not legs:
        nothing_known(metrics)
    else:
        from_forecast(metrics, plan, forecast, previous, Air.of(shift))
        metrics.methods.update(_shift_methods(shift))
    scenarios, base = _scenarios(forecast, shift)
    return StageConditions(
        scenarios=scenarios,
        base=base,
        stages=tuple(leg.stage.id for leg in legs),
        low={name: metrics.low[name] for name in CONDITION_METRICS},
        high={name: metrics.high[name] for name in CONDITION_METRICS},
        complete={name: metrics.complete[name] for name in CONDITION_METRICS},
        steps_epoch_s=way.times_s,
        step_stage=way.stage,
        step_moving=way.moving,
        step_elevation_m=way.elevation_m,
        hourly=metrics.hourly,
        methods=metrics.methods,
        make_version=partial(version, plan, forecast, previous, shift),
        step_lying=way.lying,
        over=metrics.over(),
        issued_s=issued_s,
        attribution=forecast.provenance.attribution if forecast else "",
        licence=forecast.provenance.licence if forecast else "",
    )


def version(
    plan: TripPlan, forecast: Forecast | None, previous: Forecast | None = None, shift: Shift | None = None
) -> str:
    """Names the numbers `evaluate` gives for these inputs, without working them out."""
    inputs = {
        "code": CODE,
        "plan": plan.model_dump(mode="json"),
        "forecast": forecast.fingerprint if forecast is not None else None,
        "previous": previous.fingerprint if previous is not None else None,
        "shift": asdict(shift or NO_SHIFT),
    }
    return hashlib.sha256(rfc8785.dumps(inputs)).hexdigest()


def _scenarios(forecast: Forecast | None, shift: Shift) -> tuple[tuple[Scenario, ...], int]:
    found = [NO_FORECAST]
    if forecast is not None:
        found = [Scenario(member, _LABELS.get(member, f"member {member}")) for member in forecast.members]
    if shift != NO_SHIFT and len(found) == 1:
        found = [Scenario("what-if", "what-if")]
    elif shift != NO_SHIFT:
        found = [Scenario(f"what-if-{member.id}", f"what-if, {member.label}") for member in found]
    return tuple(found), 0 if forecast is None else forecast.base


def from_plan(metrics: Gathered, plan: TripPlan) -> None:
    """Work out what the plan alone says."""
    along_the_way(metrics, plan)
    all_known = np.ones(len(metrics.way.legs), dtype=np.bool_)
    for name, values in nights_planned(plan, metrics.way.legs).items():
        metrics.each_stage(name, values, all_known)
    metrics.methods["sleeping_gain_m"] = (
        "before the first night of the plan the party is taken to have slept at base"
    )


def along_the_way(metrics: Gathered, plan: TripPlan) -> None:
    """How high and in what light each leg goes; a leg is looked at by itself."""
    way, legs = metrics.way, metrics.way.legs
    metrics.every_step("altitude_m", way.elevation_m)
    metrics.every_step("pressure_hpa", atmosphere.standard_pressure_at_elevation_pa(way.elevation_m) / 100.0)
    metrics.methods["pressure_hpa"] = "standard atmosphere"

    all_known = np.ones(len(legs), dtype=np.bool_)
    light = [
        _light(leg.start_s, leg.end_s, plan.place.latitude_deg, plan.place.longitude_deg) for leg in legs
    ]
    metrics.each_stage("dark_h", np.array([dark for dark, _ in light]), all_known)
    on_snow = np.array([bool(leg.stage.terrain & ON_SNOW) for leg in legs], dtype=np.bool_)
    metrics.each_stage(
        "daylight_on_snow_h", np.where(on_snow, np.array([day for _, day in light]), 0.0), all_known
    )


def nights_planned(plan: TripPlan, legs: Sequence[Leg]) -> dict[str, Floats]:
    """What the nights after the legs of a whole trip come to, [stage]."""
    slept = np.array([leg.stage.night.elevation_m if leg.stage.night else np.nan for leg in legs])
    last, ends_on = len(legs) - 1, plan.ends_on.toordinal()
    nights = sum(nights_at(leg, plan.place.zone, ends_on, i == last) for i, leg in enumerate(legs))
    return {
        "sleeping_elevation_m": slept,
        "sleeping_gain_m": _gains(slept, plan.place.base_elevation_m),
        "trip_nights": np.full(len(legs), float(nights)),
    }


def _gains(slept: Floats, base_m: float) -> Floats:
    before, gains = base_m, []
    for here in slept.tolist():
        gains.append(here - before)
        before = before if np.isnan(here) else here
    return np.array(gains)


@lru_cache(maxsize=512)
def _light(start_s: int, end_s: int, latitude_deg: float, longitude_deg: float) -> tuple[float, float]:
    """Hours of darkness, and hours with the sun up, on the move."""
    start, end = moment(start_s), moment(end_s)
    dark = sun.dark_hours(start, end, latitude_deg, longitude_deg)
    up, crossings = sun.level_crossings(start, end, latitude_deg, longitude_deg, sun.SUNRISE_DEG)
    lit, since = 0.0, start
    for at, rises in crossings:
        if not rises:
            lit += (at - since).total_seconds()
        since, up = at, rises
    if up:
        lit += (end - since).total_seconds()
    return dark, lit / 3600.0


def nothing_known(metrics: Gathered) -> None:
    """Every metric that rests on a forecast: not known, except where the stage has no such thing."""
    stages = len(metrics.way.legs)
    unknown = np.full((metrics.scenarios, stages), np.nan)
    no = np.zeros(stages, dtype=np.bool_)
    for name, metric in CONDITION_METRICS.items():
        if name in PLAN_METRICS:
            continue
        if metric.span == "hour":
            metrics.every_step(name, np.full(metrics.way.times_s.size, np.nan))
        else:
            metrics.each_stage(name, unknown, no | _no_such_thing(name, metrics.way.legs))
    steps = np.full((metrics.scenarios, metrics.way.times_s.size), np.nan)
    for name in ("precipitation_mm", "new_snow_cm", "thunder"):
        metrics.hourly[name] = steps


def _no_such_thing(name: str, legs: tuple[Leg, ...]) -> Bools:
    if name in ("night_low_c", "sleep_min_c"):
        return np.array([leg.stage.night is None for leg in legs], dtype=np.bool_)
    if name == "refreeze":
        return np.array([not leg.stage.terrain & ON_GLACIER for leg in legs], dtype=np.bool_)
    return np.zeros(len(legs), dtype=np.bool_)


def from_forecast(
    metrics: Gathered,
    plan: TripPlan,
    forecast: Forecast,
    previous: Forecast | None,
    air: Air,
    wanted: Collection[str] | None = None,
) -> None:
    """Work out what the forecast says, in the air as it is or shifted, scenario by scenario.

    With `wanted`, what takes long is left out unless it is among it.
    """
    way = metrics.way
    left_out = frozenset() if wanted is None else SLOW - frozenset(wanted)
    reading = Reading(forecast, Moments(way.times_s, way.closing))
    freezing = reading.freezing_level_m()
    temperature = reading.temperature_c(way.elevation_m, freezing)
    temperature = temperature + air.column_c
    freezing = freezing + air.freezing_level_m
    wind = reading.wind_mps(cf.WIND, way.elevation_m) * air.wind_factor

    metrics.every_step("freezing_level_m", freezing)
    usual = np.nan if plan.usual_freezing_level_m is None else plan.usual_freezing_level_m
    by_hour: dict[str, Callable[[], Floats]] = {
        "freezing_level_drop_m": lambda: usual - freezing,
        "air_temperature_c": lambda: temperature,
        "wind_mps": lambda: wind,
        "gust_mps": lambda: reading.wind_mps(cf.GUST, way.elevation_m) * air.wind_factor,
        "wind_chill_c": lambda: cold.wind_chill_c(temperature, wind),
        "frostbite_min": lambda: cold.frostbite_minutes_shortest(temperature, wind),
        "uv_index": lambda: _uv(reading, way, plan),
    }
    for name in by_hour.keys() - left_out:
        metrics.every_step(name, by_hour[name]())
    pressure = reading.pressure_hpa(way.elevation_m)
    if not np.isnan(pressure).all():
        standard = metrics.hourly["pressure_hpa"]
        metrics.every_step("pressure_hpa", np.where(np.isnan(pressure), standard, pressure))
        reading.methods["pressure_hpa"] = (
            "as forecast, between pressure levels; standard atmosphere outside them"
        )

    _water(metrics, reading, temperature)
    _nights(metrics, temperature)
    if "refreeze" not in left_out:
        _refreeze(metrics, plan, forecast, air)
    _fall(metrics, freezing, forecast, previous)
    metrics.methods.update(reading.methods)


def _shift_methods(shift: Shift) -> dict[str, str]:
    if not shift.in_air:
        return {}
    wind = f"what-if: times {shift.wind_factor:g}"
    return {
        "freezing_level_m": f"what-if: {shift.freezing_level_m:+.0f} m",
        "air_temperature_c": (
            f"what-if: {shift.temperature_c:+.1f} °C, and 6.5 °C/km for {shift.freezing_level_m:+.0f} m"
        ),
        "wind_mps": wind,
        "gust_mps": wind,
    }


def _uv(reading: Reading, way: Itinerary, plan: TripPlan) -> Floats:
    clear = reading.flat(cf.UV_CLEAR_SKY)
    index = np.where(np.isnan(clear), reading.flat(cf.UV), clear)
    up = _sun_up(way.times_s, plan.place.latitude_deg, plan.place.longitude_deg)
    reading.methods["uv_index"] = "as forecast while the sun is up, 0 while it is down"
    return np.where(~np.isnan(index) & ~up, 0.0, index)


def _sun_up(times_s: Ints, latitude_deg: float, longitude_deg: float) -> Bools:
    stamps = times_s.astype("datetime64[s]")
    return np.asarray(sun.solar_elevation_deg(stamps, latitude_deg, longitude_deg) >= sun.SUNRISE_DEG)


def _water(metrics: Gathered, reading: Reading, temperature: Floats) -> None:
    falling = reading.rate_per_h(cf.PRECIPITATION)
    new_snow_cm = reading.rate_per_h(cf.NEW_SNOW) * 100.0
    thunder = reading.flat(cf.THUNDER)
    metrics.each_stage("precipitation_mm", *metrics.sum(falling))
    metrics.each_stage("new_snow_cm", *metrics.sum(new_snow_cm))
    dry = falling == 0.0
    wet = np.where(temperature >= snow.SNOW_BELOW_C, falling, 0.0)
    wet = np.where(np.isnan(temperature), np.nan, wet)
    # A dry hour is known to be without rain, whatever the temperature.
    wet = np.where(dry, 0.0, np.where(np.isnan(falling), np.nan, wet))
    metrics.each_stage("rain_mm", *metrics.sum(wet))
    metrics.methods["rain_mm"] = (
        f"precipitation while the air at the party is at {snow.SNOW_BELOW_C} °C or warmer, "
        "where rain or wet snow may fall"
    )
    metrics.each_stage("thunder", metrics.highest(thunder), metrics.known(thunder))
    shape = (metrics.scenarios, metrics.way.times_s.size)
    for name, values in (("precipitation_mm", falling), ("new_snow_cm", new_snow_cm), ("thunder", thunder)):
        metrics.hourly[name] = np.broadcast_to(values, shape)


def _nights(metrics: Gathered, temperature: Floats) -> None:
    lying = metrics.way.lying
    nowhere = _no_such_thing("night_low_c", metrics.way.legs)
    low = metrics.lowest(np.where(lying, temperature, np.nan))
    complete = metrics.known(temperature, among=lying)
    some = np.bincount(metrics.way.stage[lying], minlength=nowhere.size) > 0
    metrics.each_stage("night_low_c", low, (complete & some) | nowhere)
    metrics.each_stage("sleep_min_c", low - CLEAR_NIGHT_C, (complete & some) | nowhere)


def _refreeze(metrics: Gathered, plan: TripPlan, forecast: Forecast, air: Air) -> None:
    """1 where a stage on a glacier surely refreezes in the night before it."""
    legs = metrics.way.legs
    on_ice = np.array([bool(leg.stage.terrain & ON_GLACIER) for leg in legs], dtype=np.bool_)
    codes = refreeze_codes(
        [leg for leg in legs if leg.stage.terrain & ON_GLACIER], plan.place.zone, forecast, air
    )
    found = np.full((codes.shape[0], len(legs)), np.int8(snow.Refreeze.UNKNOWN))
    found[:, on_ice] = codes
    known = found != snow.Refreeze.UNKNOWN
    frozen = np.where(known, (found == snow.Refreeze.YES).astype(np.float64), np.nan)
    under_way = np.array([leg.start_s <= (metrics.issued_s or 0) for leg in legs], dtype=np.bool_)
    metrics.each_stage("refreeze", frozen, ~on_ice | under_way | known)
    metrics.methods["refreeze"] = REFREEZE_METHOD


def _fall(metrics: Gathered, freezing: Floats, forecast: Forecast, previous: Forecast | None) -> None:
    """How far the lowest freezing level of each stage came down; without an issue before there is no fall."""
    if previous is None:
        stages = len(metrics.way.legs)
        metrics.each_stage("freezing_level_fall_m", np.full(stages, np.nan), np.ones(stages, dtype=np.bool_))
        return
    reading = Reading(previous, Moments(metrics.way.times_s, metrics.way.closing))
    before = reading.freezing_level_m()[_rows_of(forecast, previous)]
    both = np.where(np.isnan(before) | np.isnan(freezing), np.nan, 0.0)
    fall = metrics.lowest(before + both) - metrics.lowest(freezing + both)
    metrics.each_stage("freezing_level_fall_m", fall, metrics.known(both))
    metrics.methods["freezing_level_fall_m"] = (
        "lowest level on the stage in the issue before minus that in this one, over the hours both give"
    )


def _rows_of(forecast: Forecast, previous: Forecast) -> list[int]:
    """For each member, the one of the issue before that it is compared with.

    Low, best and high go with their own. Members of two ensemble runs, or of two kinds of forecast, have
    nothing in common; there the base of the issue before stands for all.
    """
    if not forecast.kind == previous.kind == "manual":
        return [previous.base] * len(forecast.members)
    return [previous.members.index(m) if m in previous.members else previous.base for m in forecast.members]


def metric_methods(conditions: StageConditions) -> Mapping[str, str]:
    """How each condition metric came about here: what the registry says, or what was done instead."""
    return {name: conditions.methods.get(name, metric.method) for name, metric in CONDITION_METRICS.items()}
