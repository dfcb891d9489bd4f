"""Metrics gathered from steps to stages: lowest, highest, sum, and whether all of it was known."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from api.conditions.itinerary import Itinerary

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


@dataclass(slots=True, eq=False)
class Gathered:
    """Metrics as they are worked out, with the scenarios and stages they are for."""

    way: Itinerary
    scenarios: int
    issued_s: int | None = None
    """When the forecast was issued. It says nothing of hours before, and nothing is missing there: they
    are past."""
    low: dict[str, Floats] = field(default_factory=dict)
    high: dict[str, Floats] = field(default_factory=dict)
    complete: dict[str, Bools] = field(default_factory=dict)
    hourly: dict[str, Floats] = field(default_factory=dict)
    methods: dict[str, str] = field(default_factory=dict)

    def every_step(self, name: str, values: Floats) -> None:
        """A metric that changes along the stage, [scenario, step] or [step]."""
        self.hourly[name] = np.broadcast_to(values, (self.scenarios, self.way.times_s.size))
        # What is the same in every scenario is gathered once.
        shape = (self.scenarios, len(self.way.legs))
        self.low[name] = np.broadcast_to(self._by_stage(np.fmin, values), shape)
        self.high[name] = np.broadcast_to(self._by_stage(np.fmax, values), shape)
        self.complete[name] = np.broadcast_to(self.known(values), shape)

    def each_stage(self, name: str, values: Floats, complete: Bools) -> None:
        """A metric with one value a stage, [scenario, stage] or [stage]."""
        shape = (self.scenarios, len(self.way.legs))
        self.low[name] = self.high[name] = np.broadcast_to(values, shape)
        self.complete[name] = np.broadcast_to(complete, shape)

    def known(self, values: Floats, among: Bools | None = None) -> Bools:
        """Whether every step of each stage is known, of those that matter, [scenario, stage]."""
        known = ~np.isnan(values) | self.past
        if among is not None:
            known |= ~among
        result: Bools = self._by_stage(np.logical_and, known)
        return result

    @property
    def past(self) -> Bools:
        """Which steps lie before the issue of the forecast."""
        if self.issued_s is None:
            return np.zeros(self.way.times_s.size, dtype=np.bool_)
        return self.way.times_s < self.issued_s

    def over(self) -> Bools:
        """Which stages, with the night after them, were over when the forecast was issued."""
        result: Bools = self._by_stage(np.logical_and, self.past)
        return result

    def lowest(self, values: Floats) -> Floats:
        result: Floats = self._by_stage(np.fmin, values)
        return result

    def highest(self, values: Floats) -> Floats:
        result: Floats = self._by_stage(np.fmax, values)
        return result

    def every(self, flags: Bools) -> Bools:
        """Whether something holds at every step of each stage, [..., stage]."""
        result: Bools = self._by_stage(np.logical_and, flags)
        return result

    def sum(self, rate_per_h: Floats) -> tuple[Floats, Bools]:
        """What comes together over each stage, of what is known, and whether all of it was known."""
        matters = self.way.lasts_h > 0.0
        amount = np.where(matters, rate_per_h * self.way.lasts_h, 0.0)
        nothing_known = ~self._by_stage(np.logical_or, matters & ~np.isnan(amount))
        total = self._by_stage(np.add, np.where(np.isnan(amount), 0.0, amount))
        return np.where(nothing_known, np.nan, total), self.known(amount)

    def _by_stage(self, ufunc: np.ufunc, values: npt.NDArray[Any]) -> Any:
        if not self.way.legs:
            return values[..., :0]
        return ufunc.reduceat(values, self.way.first, axis=-1)
