"""The extra-night search over a plan of fourteen nights."""

from __future__ import annotations

from statistics import median

from api.clock import SystemClock
from api.nights.extra import extra_nights
from tests.bench import Row

PLAN = (2640.0, 3240, 3800, 4200, 4700, 5000, 5200, 5400, 5600, 5900, 6000, 6200, 6400, 6600)
BAR_S = 0.020
ROUNDS = 21


def run() -> list[Row]:
    """Time of the search, against its bar."""
    clock = SystemClock()
    times = []
    for _ in range(ROUNDS):
        started = clock.monotonic()
        found = extra_nights(PLAN)
        times.append(clock.monotonic() - started)
    took_s = median(times)
    return [
        Row(
            what=f"extra-night search, {len(PLAN)} nights: 20 ms over its time",
            baseline="20 ms",
            ratio=BAR_S / took_s,
            figure=f"{took_s * 1000:.2f} ms; {len(found[0].nights)} extra nights, {len(found)} ways",
            bar=1.0,
        )
    ]
