"""Stage conditions of an ensemble at once, against the same code member by member."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from statistics import median

import numpy as np

from api.clock import SystemClock
from api.conditions.evaluate import evaluate
from api.conditions.forecast import Forecast
from api.journal.trip import Terrain
from tests.bench import Row
from tests.conditions.building import START, camp, ensemble, stage, trip

MEMBERS, HOURS, STAGES = 51, 240, 12
ROUNDS = 5
BAR = 4.0
"""How much an ensemble must gain from being worked out at once."""

PLAN = trip(
    *(
        stage(
            f"s{i:02}",
            START + timedelta(hours=6 + 18 * i),
            9,
            2000 + 200 * i,
            2200 + 200 * i,
            camp(2200 + 200 * i),
            frozenset({Terrain.GLACIER}),
        )
        for i in range(STAGES)
    ),
    usual_m=4000,
)


def run() -> list[Row]:
    """One row; the numbers of both ways are compared first."""
    drawn = ensemble(MEMBERS, HOURS, delivered=False)
    alone = [_member(drawn, i) for i in range(MEMBERS)]
    together = evaluate(PLAN, drawn)
    for i, one in enumerate(alone):
        np.testing.assert_array_equal(
            evaluate(PLAN, one).low["wind_chill_c"][0], together.low["wind_chill_c"][i]
        )
    at_once_s = _seconds(lambda: evaluate(PLAN, drawn), ROUNDS)
    by_member_s = _seconds(lambda: [evaluate(PLAN, one) for one in alone], 1)
    return [
        Row(
            what=f"Conditions of {MEMBERS} members, {HOURS} h, {STAGES} stages",
            baseline="one member at a time",
            ratio=by_member_s / at_once_s,
            figure=f"{at_once_s * 1e3:.0f} against {by_member_s * 1e3:.0f} ms",
            bar=BAR,
        )
    ]


def _member(drawn: Forecast, i: int) -> Forecast:
    series = {name: replace(given, values=given.values[[i]]) for name, given in drawn.series.items()}
    return replace(drawn, members=(drawn.members[i],), series=series)


def _seconds(work: Callable[[], object], rounds: int) -> float:
    clock = SystemClock()
    times = []
    for _ in range(rounds):
        started = clock.monotonic()
        work()
        times.append(clock.monotonic() - started)
    return median(times)
