"""Many what-ifs of one forecast in a single pass, one scenario a shift. Pure.

The numbers are those of `evaluate` with each shift in turn, for the member that stands for the forecast
itself.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property, partial

import numpy as np
import numpy.typing as npt

from api.conditions.evaluate import (
    along_the_way,
    evaluate,
    from_forecast,
    from_plan,
    nights_planned,
    nothing_known,
)
from api.conditions.forecast import Forecast
from api.conditions.gathered import Gathered
from api.conditions.itinerary import Leg, itinerary, legs_of
from api.conditions.quantities import BY_NAME, WhenAsked, camp_fuel_g, quantities
from api.conditions.rules import edges_of
from api.conditions.shifts import NO_SHIFT, Air, Shift
from api.conditions.stages import Scenario, StageConditions
from api.journal.trip import TripPlan

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Shifted:
    """A plan under many shifts, one scenario a shift."""

    conditions: StageConditions
    amounts: Callable[[], Mapping[str, Floats]]

    @cached_property
    def quantities(self) -> Mapping[str, Floats]:
        """Computed amounts by name, each [scenario]; worked out when asked for."""
        return self.amounts()


def evaluate_shifts(
    plan: TripPlan,
    forecast: Forecast,
    shifts: Sequence[Shift],
    previous: Forecast | None = None,
    *,
    people: int = 0,
    wanted: Collection[str] | None = None,
) -> Shifted:
    """What each stage will be like under each of some shifts of the air.

    Parameters
    ----------
    plan, forecast, previous
        As for `evaluate`; of the forecast its base member counts.
    shifts
        At least one; none of them moves the start (`evaluate_starts` does).
    people
        How many eat and drink, for the computed amounts.
    wanted
        Metrics that matter; some of the others are then left out.
    """
    if any(shift.start_min for shift in shifts):
        raise ValueError("evaluate_shifts moves no start; use evaluate_starts")
    base, legs = base_member(forecast), legs_of(plan)
    metrics = _gathered(plan, base, legs, len(shifts))
    from_plan(metrics, plan)
    if legs:
        from_forecast(metrics, plan, base, previous, Air.of_many(shifts), wanted)
    else:
        nothing_known(metrics)
    conditions = _conditions(metrics, plan, len(shifts))
    return Shifted(conditions, lambda: quantities(plan, conditions, people))


def evaluate_starts(
    plan: TripPlan,
    forecast: Forecast,
    starts_min: Sequence[float],
    stage: str | None,
    previous: Forecast | None = None,
    *,
    people: int = 0,
    wanted: Collection[str] | None = None,
) -> Shifted:
    """What each stage will be like when one stage, or all, start so many minutes later (negative: earlier).

    As `evaluate_shifts`, but without hours, because these differ from one start to the next; a stage counts
    as over when it is over by the plan.
    """
    base = base_member(forecast)
    trips = [legs_of(plan, minutes, stage) for minutes in starts_min]
    # Most legs are the same whichever stage is shifted; each is worked out once.
    keys = [[(t, leg.start_s, leg.window_end_s) for t, leg in enumerate(legs)] for legs in trips]
    each = {
        key: leg for row, legs in zip(keys, trips, strict=True) for key, leg in zip(row, legs, strict=True)
    }
    places = {key: n for n, key in enumerate(sorted(each))}
    metrics = _gathered(plan, base, tuple(each[key] for key in places), 1)
    along_the_way(metrics, plan)
    if each:
        from_forecast(metrics, plan, base, previous, Air.of(NO_SHIFT), wanted)
    else:
        nothing_known(metrics)
    rows = np.array([[places[key] for key in row] for row in keys], dtype=np.int64).reshape(len(trips), -1)
    planned = [nights_planned(plan, legs) for legs in trips]
    nights = {name: np.array([found[name] for found in planned]) for name in planned[0]}
    all_known = {name: np.ones(rows.shape, dtype=np.bool_) for name in nights}
    over = np.array([leg.window_end_s < (metrics.issued_s or 0) for leg in legs_of(plan)], dtype=np.bool_)
    conditions = replace(
        _conditions(metrics, plan, len(trips)),
        low={name: values[0, rows] for name, values in metrics.low.items()} | nights,
        high={name: values[0, rows] for name, values in metrics.high.items()} | nights,
        complete={name: values[0, rows] for name, values in metrics.complete.items()} | all_known,
        steps_epoch_s=np.empty(0, dtype=np.int64),
        step_stage=np.empty(0, dtype=np.int64),
        step_moving=np.empty(0, dtype=np.bool_),
        step_elevation_m=np.empty(0),
        step_lying=np.empty(0, dtype=np.bool_),
        hourly={},
        over=over,
    )

    def amounts() -> Mapping[str, Floats]:
        lying, levels = metrics.way.lying, metrics.hourly["freezing_level_m"]
        camps = [leg.stage.night.elevation_m if leg.stage.night else np.nan for leg in metrics.way.legs]
        freezes = metrics.lowest(np.where(lying, levels, np.nan)) < np.array(camps)
        known = metrics.every(~np.isnan(levels) | ~lying)
        return WhenAsked(
            {"fuel_plan_g": lambda: camp_fuel_g(plan, people, freezes[0, rows], known[0, rows], over)}
            | {name: partial(one_by_one, name) for name in ("fuel_g", "water_l", "light_h")}
        )

    def one_by_one(name: str) -> Floats:
        """What is asked for so seldom that each start is worked out by itself."""
        shifts = [Shift(start_min=minutes, stage=stage) for minutes in starts_min]
        each = [evaluate(plan, base, previous, shift) for shift in shifts]
        return np.array([BY_NAME[name](plan, conditions, people)[0] for conditions in each])

    return Shifted(conditions, amounts)


def base_member(forecast: Forecast) -> Forecast:
    """The forecast with its base member alone."""
    if len(forecast.members) == 1:
        return forecast
    row = [forecast.base]
    alone = {name: replace(series, values=series.values[row]) for name, series in forecast.series.items()}
    kind = forecast.kind if forecast.kind == "manual" else "deterministic"
    return replace(forecast, kind=kind, members=(forecast.members[forecast.base],), series=alone)


def _gathered(plan: TripPlan, forecast: Forecast, legs: tuple[Leg, ...], scenarios: int) -> Gathered:
    way = itinerary(legs, plan.place.zone, edges_of(forecast))
    return Gathered(way, scenarios, int(forecast.provenance.issued_at.timestamp()))


def _conditions(metrics: Gathered, plan: TripPlan, scenarios: int) -> StageConditions:
    way = metrics.way
    return StageConditions(
        scenarios=_numbered(scenarios),
        base=0,
        stages=tuple(stage.id for stage in plan.stages),
        low=metrics.low,
        high=metrics.high,
        complete=metrics.complete,
        steps_epoch_s=way.times_s,
        step_stage=way.stage,
        step_moving=way.moving,
        step_elevation_m=way.elevation_m,
        hourly=metrics.hourly,
        methods=metrics.methods,
        make_version=str,
        step_lying=way.lying,
        over=metrics.over(),
        issued_s=metrics.issued_s,
    )


def _numbered(count: int) -> tuple[Scenario, ...]:
    return tuple(Scenario(f"what-if-{i}", "what-if") for i in range(count))
