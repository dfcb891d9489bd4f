"""All tipping points of a trip, against evaluating the trip anew at every shift that was looked at."""

from __future__ import annotations

from api.clock import SystemClock
from api.conditions.evaluate import evaluate as stage_conditions
from api.conditions.quantities import quantities
from api.conditions.shifts import Shift
from api.readiness.evaluation import Evaluation, evaluate
from api.readiness.tipping import REACHES, Axis, tipping_points
from tests.bench import Row
from tests.readiness import big

ROUNDS = 9
BAR_MS = 50.0
START_OF = "s06"


def run() -> list[Row]:
    """The baseline looks at the first grids alone, without closing in, which favours it."""
    drawn, clock = big.forecast(1, seed=4), SystemClock()
    now = _whole(Shift())
    assert tipping_points(now, drawn, start_of=START_OF)
    times = []
    for _ in range(ROUNDS):
        started = clock.monotonic()
        tipping_points(now, drawn, start_of=START_OF)
        times.append(clock.monotonic() - started)
    shifts = [_shift(axis, value) for axis in Axis for value in REACHES[axis].grid.tolist()]
    started = clock.monotonic()
    for shift in shifts:
        _whole(shift)
    one_by_one_s = clock.monotonic() - started
    took_ms = min(times) * 1e3
    return [
        Row(
            what="all tipping points of a trip, four axes",
            baseline=f"the trip evaluated at {len(shifts)} shifts, one at a time",
            ratio=one_by_one_s * 1e3 / took_ms,
            figure=f"{took_ms:.0f} against {one_by_one_s * 1e3:.0f} ms",
            bar=20.0,
        ),
        Row(
            what="all tipping points of a trip, in the process",
            baseline=f"the bar of {BAR_MS:.0f} ms",
            ratio=BAR_MS / took_ms,
            figure=f"{took_ms:.0f} ms",
            bar=1.0,
        ),
    ]


def _whole(shift: Shift) -> Evaluation:
    plan, party = big.plan(), big.party()
    conditions = stage_conditions(plan, big.forecast(1, seed=4), None, shift)
    amounts = quantities(plan, conditions, len(party.members))
    return evaluate("big", 1, party, plan, big.edition(), conditions, amounts)


def _shift(axis: Axis, value: float) -> Shift:
    if axis is Axis.START:
        return Shift(start_min=value, stage=START_OF)
    return Shift(**{axis.value: value})  # type: ignore[arg-type]
