"""The figures of a forecast, time by time, whatever its source. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from api.conditions import variables as cf
from api.conditions.forecast import Forecast, moment
from api.conditions.series import Floats, Series
from api.conditions.sources.manual import THUNDER
from api.science.atmosphere import ZERO_C_IN_K

Spread = dict[str, float]
"""`best`, and `low` and `high` where they differ from it."""


class Figures:
    """The figures of a forecast, time by time, in the units used inside; None where nothing is said."""

    def __init__(self, forecast: Forecast) -> None:
        self.forecast = forecast

    def span(self, at: int) -> tuple[datetime, datetime]:
        """From when to when the figures of a time hold; the same moment twice for a forecast of moments."""
        for series in self.forecast.series.values():
            bounds = series.bounds_epoch_s
            if bounds is not None and bounds[at, 1] > bounds[at, 0]:
                return moment(bounds[at, 0]), moment(bounds[at, 1])
        here = moment(self.forecast.times_epoch_s[at])
        return here, here

    def freezing(self, at: int) -> Spread:
        series = self.forecast.get(cf.FREEZING_LEVEL)
        return {} if series is None else self._spread(series.values[:, at])

    def temperatures(self, at: int) -> Sequence[tuple[float, Spread]]:
        """By altitude [m], in °C."""
        found = []
        for level, height in self._altitudes():
            series = self.forecast.get(cf.TEMPERATURE)
            spread = self._spread(series.values[:, at, level]) if series and series.by_level else {}
            if spread:
                found.append((height, {name: value - ZERO_C_IN_K for name, value in spread.items()}))
        return found

    def winds(self, at: int) -> Sequence[tuple[float, float | None, float | None]]:
        """By altitude [m], wind and gust [m/s]."""
        found = []
        for level, height in self._altitudes():
            wind = self._base(self.forecast.get(cf.WIND), at, level)
            gust = self._base(self.forecast.get(cf.GUST), at, level)
            if wind is not None or gust is not None:
                found.append((height, wind, gust))
        return found

    @property
    def ground_m(self) -> float | None:
        """Elevation of the model's own ground, where the forecast says it."""
        source = self.forecast.source_point
        return source.altitude_m if source is not None else None

    @property
    def has_near_ground(self) -> bool:
        """Whether it gives temperature, wind or gusts near its model's ground."""
        return any(self._near_ground(name) is not None for name in (cf.TEMPERATURE, cf.WIND, cf.GUST))

    def near_ground(self, at: int) -> tuple[Spread, float | None, float | None]:
        """Air [°C], wind and gust [m/s] near the model's ground. Shown, never carried up to the party."""
        air = self._near_ground(cf.TEMPERATURE)
        spread = {} if air is None else self._spread(air.values[:, at])
        return (
            {name: value - ZERO_C_IN_K for name, value in spread.items()},
            self._base(self._near_ground(cf.WIND), at),
            self._base(self._near_ground(cf.GUST), at),
        )

    def _near_ground(self, name: str) -> Series | None:
        series = self.forecast.get(name)
        return (
            series
            if series is not None and not series.by_level and series.above_ground_m is not None
            else None
        )

    def precipitation(self, at: int) -> float | None:
        return self._base(self.forecast.get(cf.PRECIPITATION), at)

    def new_snow_mm(self, at: int) -> float | None:
        depth = self._base(self.forecast.get(cf.NEW_SNOW), at)
        return None if depth is None else depth * 1000.0

    def uv(self, at: int) -> float | None:
        return self._base(self.forecast.get(cf.UV_CLEAR_SKY), at)

    def thunder(self, at: int) -> str | None:
        value = self._base(self.forecast.get(cf.THUNDER), at)
        return None if value is None else THUNDER[round(value)]

    def _altitudes(self) -> Sequence[tuple[int, float]]:
        if self.forecast.level_kind != "altitude":
            return []
        return list(enumerate(self.forecast.levels.tolist()))

    def _spread(self, members: Floats) -> Spread:
        best = float(members[self.forecast.base])
        if np.isnan(best):
            return {}
        low, high = float(np.nanmin(members)), float(np.nanmax(members))
        sides = {"low": low, "high": high} if low < high else {}
        return {"best": best} | sides

    def _base(self, series: Series | None, at: int, level: int | None = None) -> float | None:
        if series is None or series.by_level != (level is not None):
            return None
        place = (self.forecast.base, at) if level is None else (self.forecast.base, at, level)
        value = float(series.values[place])
        return None if np.isnan(value) else value
