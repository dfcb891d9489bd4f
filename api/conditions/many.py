"""Many what-ifs of one forecast in a single pass, one scenario a shift. Pure.

The numbers are those of `evaluate` with each shift in turn, for the member that stands for the forecast
itself.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from api.conditions.evaluate import from_forecast, from_plan, nothing_known
from api.conditions.forecast import Forecast
from api.conditions.gathered import Gathered
from api.conditions.itinerary import itinerary, legs_of
from api.conditions.quantities import quantities
from api.conditions.rules import edges_of
from api.conditions.shifts import NO_SHIFT, Air, Shift
from api.conditions.stages import Scenario, StageConditions
from api.journal.trip import TripPlan
from api.kitlist.metrics import CONDITION_METRICS

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Shifted:
    """A plan under many shifts: conditions and computed amounts, one scenario a shift."""

    conditions: StageConditions
    quantities: Mapping[str, Floats]


def evaluate_shifts(
    plan: TripPlan,
    forecast: Forecast,
    shifts: Sequence[Shift],
    previous: Forecast | None = None,
    *,
    people: int = 0,
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
    """
    if any(shift.start_min for shift in shifts):
        raise ValueError("evaluate_shifts moves no start; use evaluate_starts")
    metrics = _gathered(plan, base_member(forecast), previous, [NO_SHIFT], Air.of_many(shifts), len(shifts))
    conditions = _conditions(metrics, plan, len(shifts))
    return Shifted(conditions, quantities(plan, conditions, people))


def evaluate_starts(
    plan: TripPlan,
    forecast: Forecast,
    starts_min: Sequence[float],
    stage: str | None,
    previous: Forecast | None = None,
    *,
    people: int = 0,
) -> Shifted:
    """What each stage will be like when one stage, or all, start so many minutes later (negative: earlier).

    As `evaluate_shifts`, but without hours, because these differ from one start to the next; a stage counts
    as over when it is over by the plan.
    """
    shifts = [Shift(start_min=minutes, stage=stage) for minutes in starts_min]
    metrics = _gathered(plan, base_member(forecast), previous, shifts, Air.of(NO_SHIFT), 1)
    stages, count = len(plan.stages), len(shifts)
    over = np.array([leg.window_end_s < (metrics.issued_s or 0) for leg in legs_of(plan)], dtype=np.bool_)
    together = _conditions(metrics, plan, 1)
    amounts = [quantities(plan, _part(together, i, stages), people) for i in range(count)]
    shape = (count, stages)
    conditions = replace(
        together,
        scenarios=_numbered(count),
        low={name: together.low[name].reshape(shape) for name in CONDITION_METRICS},
        high={name: together.high[name].reshape(shape) for name in CONDITION_METRICS},
        complete={name: together.complete[name].reshape(shape) for name in CONDITION_METRICS},
        steps_epoch_s=np.empty(0, dtype=np.int64),
        step_stage=np.empty(0, dtype=np.int64),
        step_moving=np.empty(0, dtype=np.bool_),
        step_elevation_m=np.empty(0),
        step_lying=np.empty(0, dtype=np.bool_),
        hourly={},
        over=over,
    )
    names = amounts[0] if amounts else {}
    return Shifted(conditions, {name: np.concatenate([part[name] for part in amounts]) for name in names})


def base_member(forecast: Forecast) -> Forecast:
    """The forecast with its base member alone."""
    if len(forecast.members) == 1:
        return forecast
    row = [forecast.base]
    alone = {name: replace(series, values=series.values[row]) for name, series in forecast.series.items()}
    kind = forecast.kind if forecast.kind == "manual" else "deterministic"
    return replace(forecast, kind=kind, members=(forecast.members[forecast.base],), series=alone)


def _gathered(
    plan: TripPlan,
    forecast: Forecast,
    previous: Forecast | None,
    starts: Sequence[Shift],
    air: Air,
    scenarios: int,
) -> Gathered:
    legs = tuple(leg for shift in starts for leg in legs_of(plan, shift.start_min, shift.stage))
    way = itinerary(legs, plan.place.zone, edges_of(forecast))
    metrics = Gathered(way, scenarios, int(forecast.provenance.issued_at.timestamp()))
    from_plan(metrics, plan, len(starts))
    if legs:
        from_forecast(metrics, plan, forecast, previous, air)
    else:
        nothing_known(metrics)
    return metrics


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
        version="",
        step_lying=way.lying,
        over=metrics.over(),
    )


def _numbered(count: int) -> tuple[Scenario, ...]:
    return tuple(Scenario(f"what-if-{i}", "what-if") for i in range(count))


def _part(together: StageConditions, i: int, stages: int) -> StageConditions:
    """The steps of one start out of many that stand one after another, as computed amounts need them."""
    mine = (together.step_stage >= i * stages) & (together.step_stage < (i + 1) * stages)
    return replace(
        together,
        step_stage=together.step_stage[mine] - i * stages,
        step_lying=together.step_lying[mine],
        hourly={"freezing_level_m": together.hourly["freezing_level_m"][:, mine]},
        over=together.over[i * stages : (i + 1) * stages],
    )
