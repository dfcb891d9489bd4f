"""The freezing level hour by hour, as pictures and sentences need it. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from api.conditions.stages import StageConditions

FREEZING = "freezing_level_m"


@dataclass(frozen=True, slots=True)
class Levels:
    """Freezing level by hour [m]: the forecast itself and the spread of its scenarios; NaN is not known."""

    at: tuple[datetime, ...] = ()
    base: tuple[float, ...] = ()
    low: tuple[float, ...] = ()
    high: tuple[float, ...] = ()

    @property
    def spreads(self) -> bool:
        """Whether there is more than one scenario, and they differ."""
        return any(low < high for low, high in zip(self.low, self.high, strict=True))

    def known(self, start: datetime, end: datetime) -> Iterator[tuple[datetime, float]]:
        """The hours of the forecast itself that are known, from `start` to `end`."""
        start, end = start.astimezone(UTC), end.astimezone(UTC)  # comparing within one zone is much faster
        for at, level in zip(self.at, self.base, strict=True):
            if start <= at <= end and math.isfinite(level):
                yield at, level


def levels_of(conditions: StageConditions | None) -> Levels:
    """The freezing level of some conditions; empty when there are none."""
    if conditions is None or FREEZING not in conditions.hourly or not len(conditions.steps_epoch_s):
        return Levels()
    values = conditions.hourly[FREEZING]
    return Levels(
        at=tuple(conditions.moment(step) for step in range(len(conditions.steps_epoch_s))),
        base=tuple(values[conditions.base].tolist()),
        low=tuple(np.fmin.reduce(values, axis=0).tolist()),
        high=tuple(np.fmax.reduce(values, axis=0).tolist()),
    )
