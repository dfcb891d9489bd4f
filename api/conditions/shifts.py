"""What-ifs: how a forecast, or the start, might come in differently. Pure; never stored as a forecast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from api.science import profile

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Shift:
    """A what-if.

    A freezing level shift moves the whole column of air with it, by 6.5 °C/km. A temperature shift leaves the
    freezing level where it is. `start_min` moves the start of `stage`, with the stages that follow on it
    before a night, or of all stages, later by so many minutes.
    """

    freezing_level_m: float = 0.0
    temperature_c: float = 0.0
    wind_factor: float = 1.0
    start_min: float = 0.0
    stage: str | None = None

    @property
    def in_air(self) -> bool:
        return (self.freezing_level_m, self.temperature_c, self.wind_factor) != (0.0, 0.0, 1.0)

    @property
    def column_c(self) -> float:
        """How much warmer the air is at every height, °C."""
        return profile.STANDARD_LAPSE_K_PER_M * self.freezing_level_m + self.temperature_c


NO_SHIFT = Shift()


@dataclass(frozen=True, slots=True, eq=False)
class Air:
    """The air of one shift, or of many at once: then each is [scenario, 1], to go with [1, moment]."""

    freezing_level_m: float | Floats
    column_c: float | Floats
    wind_factor: float | Floats

    @classmethod
    def of(cls, shift: Shift) -> Air:
        return cls(shift.freezing_level_m, shift.column_c, shift.wind_factor)

    @classmethod
    def of_many(cls, shifts: Sequence[Shift]) -> Air:
        rows = np.array([(s.freezing_level_m, s.column_c, s.wind_factor) for s in shifts], dtype=np.float64)
        freezing_m, column_c, factor = rows.reshape(-1, 3, 1).swapaxes(0, 1)
        return cls(freezing_m, column_c, factor)
