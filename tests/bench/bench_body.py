"""What the body needs, for everyone on every stage in every scenario, against the same one cell at a time."""

from __future__ import annotations

import numpy as np

from api.body.whole import Body, body
from api.clock import SystemClock
from tests.bench import Row
from tests.body import plainly
from tests.body.building import crowd, measured, weather

ROUNDS = 7
BAR = 50.0
BAR_MS = 100.0
PLAIN_SCENARIOS = 3
"""The plain way is timed on so many of the scenarios and scaled up; it takes minutes for all."""


def run() -> list[Row]:
    """All quantities at once; warmth, the dearest, also plainly. That both agree is tested elsewhere."""
    people, plan, conditions, clock = crowd(), measured(), weather(), SystemClock()
    found = body(people, plan, conditions, packed_fuel_g={"party": 9000.0})
    started = clock.monotonic()
    plain(found)
    plain_s = (clock.monotonic() - started) * len(conditions.scenarios) / PLAIN_SCENARIOS
    times = []
    for _ in range(ROUNDS):
        started = clock.monotonic()
        everything(body(people, plan, conditions, packed_fuel_g={"party": 9000.0}))
        times.append(clock.monotonic() - started)
    size = f"{len(people)} people, {len(plan.stages)} stages, {len(conditions.scenarios)} scenarios"
    return [
        Row(
            what=f"what the body needs, all quantities: {size}",
            baseline="warmth alone, one person, stage and scenario at a time",
            ratio=plain_s / min(times),
            figure=f"{min(times) * 1e3:.0f} against {plain_s * 1e3:.0f} ms",
            bar=BAR,
        ),
        Row(
            what="what the body needs, in the process",
            baseline=f"the bar of {BAR_MS:.0f} ms",
            ratio=BAR_MS / (min(times) * 1e3),
            figure=f"{min(times) * 1e3:.0f} ms",
            bar=1.0,
        ),
    ]


def everything(found: Body) -> None:
    """Ask for every number, because none is worked out before it is asked for."""
    warm = found.warmth
    numbers = (
        warm.margin_min_clo,
        warm.margin_neutral_clo,
        warm.moving_h,
        warm.standing_min_min,
        warm.standing_further_min,
        found.load.energy_kj,
        found.sleep.margin_c,
        found.sleep.open_margin_c,
        found.sleep.limit_margin_c,
        warm.standing_neutral_min,
        found.light.margin_h,
    )
    shape = (len(found.people), len(found.plan.stages), len(found.conditions.scenarios))
    assert all(one.shape == shape for one in numbers)
    assert found.water_fuel.spare_g().shape == shape[2:]
    assert found.water_fuel.carried.heaviest.T.shape == found.light.dark_h.shape == shape[1:]
    assert found.load.arrival_h.shape == found.air.bare_skin_min.shape == shape[1:]
    assert found.load.pack_kg.shape == found.load.hours.shape == found.load.power_w.shape == shape


def plain(found: Body) -> list[float]:
    """Insulation asked for and minutes standing, cell by cell."""
    air, results = found.air, []
    for s in range(PLAIN_SCENARIOS):
        for t in range(len(found.plan.stages)):
            for p, who in enumerate(found.people):
                low, wind = float(air.low_c[t, s]), float(air.body_wind_mps[t, s])
                heat = float(found.load.metabolic_wpm2[p, t, s])
                moving = plainly.Cold(heat, low, wind, plainly.cloth(who))
                standing = plainly.Cold(70.0, low, wind, plainly.cloth(who))
                if moving.valid:
                    worn = plainly.icl(who)
                    results += [moving.needed_clo(neutral) for neutral in (False, True)]
                    results += [standing.hours(worn, neutral) for neutral in (False, True)]
                    results.append(moving.hours(worn, True))
    assert np.isfinite(results).any()
    return results
