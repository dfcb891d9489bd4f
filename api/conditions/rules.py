"""Reading a forecast where and when the party is. Pure; arrays are [member, moment] unless said otherwise.

What is not known stays NaN. The few assumptions made are named by the constants and texts here, and every
reading says which it used.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from api.conditions import variables as cf
from api.conditions.forecast import Forecast
from api.conditions.series import Series
from api.science import atmosphere, profile

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

LONGEST_BRIDGE_S = 6 * 3600
"""Between two moments of a forecast further apart than this nothing is interpolated. Common practice, no
published source."""

NEAREST_LEVEL_M = 300.0
"""A wind stated at one altitude is taken to hold this far above it, and for a model's level this far below.
Common practice, no published source."""

FROM_FREEZING_LEVEL = "from the freezing level by 6.5 °C/km, for want of a stated temperature or profile"
FROM_BOTH = (
    "between the stated temperatures and 0 °C at the freezing level linear in height, "
    "beyond them by 6.5 °C/km; where the two contradict each other, the colder"
)
FROM_PROFILE = "from the forecast profile, linear in height; outside it from the freezing level by 6.5 °C/km"
WIND_BELOW_STATED = (
    "between stated altitudes linear in height; below the lowest stated one its wind is taken as it is, "
    f"the cautious upper figure; more than {NEAREST_LEVEL_M:.0f} m above the highest unknown"
)
WIND_IN_PROFILE = (
    f"between levels linear in height; outside them the nearest within {NEAREST_LEVEL_M:.0f} m, else unknown"
)
DERIVED_FREEZING_LEVEL = (
    "highest 0 °C height of the forecast profile, linear in height, where none is delivered"
)


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """When to read: UTC seconds, and whether a moment looks back in time (what held until then) or
    forward.
    """

    times_s: Ints
    closing: Bools

    @classmethod
    def forward(cls, times_s: Ints) -> Moments:
        return cls(times_s, np.zeros(times_s.size, dtype=np.bool_))


@dataclass(slots=True, eq=False)
class Reading:
    """A forecast read at given moments."""

    forecast: Forecast
    moments: Moments
    methods: dict[str, str] = field(default_factory=dict)

    @property
    def shape(self) -> tuple[int, int]:
        return (len(self.forecast.members), self.moments.times_s.size)

    @property
    def by_hand(self) -> bool:
        return self.forecast.kind == "manual"

    def flat(self, name: str) -> Floats:
        """A variable without levels. NaN where the forecast does not say."""
        series = self.forecast.get(name)
        if series is None or series.by_level:
            return np.full(self.shape, np.nan)
        return at_moments(series, self.forecast.times_epoch_s, self.moments)

    def rate_per_h(self, name: str) -> Floats:
        """A summed variable per hour, spread evenly over the time it was summed for."""
        series = self.forecast.get(name)
        if series is None or series.by_level or series.cell != "sum":
            return np.full(self.shape, np.nan)
        assert series.bounds_epoch_s is not None
        hours = np.diff(series.bounds_epoch_s, axis=1)[:, 0] / 3600.0
        per_hour = np.divide(
            series.values, hours, out=np.full(series.values.shape, np.nan), where=hours > 0.0
        )
        return _constant(per_hour, series.bounds_epoch_s, self.moments)

    def freezing_level_m(self) -> Floats:
        """Altitude of 0 °C above sea level, m: as delivered, else from the profile."""
        series = self.forecast.get(cf.FREEZING_LEVEL)
        delivered = np.full(self.shape, np.nan)
        if series is not None:
            delivered = at_moments(series, self.forecast.times_epoch_s, self.moments)
            if series.datum == "ground":
                # How high above the sea that is depends on the model's own ground.
                source = self.forecast.source_point
                ground_m = (
                    source.altitude_m if source is not None and source.altitude_m is not None else np.nan
                )
                delivered = delivered + ground_m
                self.methods["freezing_level_m"] = (
                    "forecast above the model's ground, whose elevation is added"
                )
        missing = np.isnan(delivered)
        derived = derived_freezing_level(self.forecast) if missing.any() else None
        if derived is None:
            return delivered
        self.methods["freezing_level_m"] = DERIVED_FREEZING_LEVEL
        return np.where(missing, at_moments(derived, self.forecast.times_epoch_s, self.moments), delivered)

    def temperature_c(self, elevation_m: Floats, freezing_level_m: Floats) -> Floats:
        """Air temperature at an elevation (m, [moment]), °C."""
        stated = self._levels(cf.TEMPERATURE)
        if stated is None:
            self.methods["air_temperature_c"] = FROM_FREEZING_LEVEL
            return profile.temperature_at(elevation_m, freezing_level_m)
        levels_c = stated - atmosphere.ZERO_C_IN_K
        if self.by_hand:
            self.methods["air_temperature_c"] = FROM_BOTH
            return column_temperature_c(levels_c, self._heights_m(), freezing_level_m, elevation_m)
        self.methods["air_temperature_c"] = FROM_PROFILE
        inside = profile.interpolate_height(levels_c, self._heights_m(), elevation_m)
        return np.where(np.isnan(inside), profile.temperature_at(elevation_m, freezing_level_m), inside)

    def wind_mps(self, name: str, elevation_m: Floats) -> Floats:
        """Wind or gusts (`name`) at an elevation (m, [moment]), m/s. Wind near a model's ground is not used
        up high.
        """
        speed = self._levels(name)
        metric = "gust_mps" if name == cf.GUST else "wind_mps"
        if speed is None:
            return np.full(self.shape, np.nan)
        heights = self._heights_m()
        lowest, highest = profile.profile_range_m(speed, heights)
        nearest = np.clip(elevation_m, lowest, highest)
        found = profile.interpolate_height(speed, heights, nearest)
        far = elevation_m - highest > NEAREST_LEVEL_M
        if self.by_hand:
            self.methods[metric] = WIND_BELOW_STATED
        else:
            self.methods[metric] = WIND_IN_PROFILE
            far |= lowest - elevation_m > NEAREST_LEVEL_M
        return np.where(far, np.nan, found)

    def pressure_hpa(self, elevation_m: Floats) -> Floats:
        """Air pressure at an elevation (m, [moment]), hPa: from pressure levels with heights, else NaN."""
        if self.forecast.level_kind != "pressure" or self.forecast.get(cf.LEVEL_HEIGHT) is None:
            return np.full(self.shape, np.nan)
        heights = self._heights_m()
        logs = np.broadcast_to(np.log(self.forecast.levels), heights.shape)
        return np.exp(profile.interpolate_height(logs, heights, elevation_m)) / 100.0

    def _levels(self, name: str) -> Floats | None:
        series = self.forecast.get(name)
        if series is None or not series.by_level:
            return None
        if self.forecast.level_kind == "pressure" and self.forecast.get(cf.LEVEL_HEIGHT) is None:
            return None
        return at_moments(series, self.forecast.times_epoch_s, self.moments)

    def _heights_m(self) -> Floats:
        """Heights of the levels, m, [level] or [member, moment, level]; NaN for those under the model's
        ground.
        """
        heights = self.forecast.levels
        if self.forecast.level_kind == "pressure":
            delivered = self.forecast.series[cf.LEVEL_HEIGHT]
            heights = at_moments(delivered, self.forecast.times_epoch_s, self.moments)
        return _over_ground(heights, self.forecast)


@lru_cache(maxsize=8)
def derived_freezing_level(forecast: Forecast) -> Series | None:
    """Freezing level of the profile at the forecast's own times; None where it has no profile.

    The highest 0 °C height counts, as the cautious one for snow that has to refreeze. NaN where the whole
    profile is below or its top above 0 °C: nothing is extrapolated.
    """
    temperature, heights = forecast.get(cf.TEMPERATURE), forecast.get(cf.LEVEL_HEIGHT)
    if forecast.kind == "manual" or temperature is None or not temperature.by_level:
        return None
    if forecast.levels.size < 2 or (forecast.level_kind == "pressure" and heights is None):
        return None
    at_m = _over_ground(heights.values if heights is not None else forecast.levels, forecast)
    found = profile.freezing_level(temperature.values - atmosphere.ZERO_C_IN_K, at_m).highest_m
    return Series(
        cf.FREEZING_LEVEL,
        found,
        temperature.cell,
        temperature.bounds_epoch_s,
        "geoid",
        derived=True,
        method=DERIVED_FREEZING_LEVEL,
    )


def column_temperature_c(
    levels_c: Floats, heights_m: Floats, freezing_level_m: Floats, elevation_m: Floats
) -> Floats:
    """Temperature at an elevation from what a guide states: temperatures at altitudes and the freezing level.

    Parameters
    ----------
    levels_c
        Stated temperatures, °C, [member, moment, level].
    heights_m
        Their altitudes, m, [level] or like `levels_c`.
    freezing_level_m
        m, [member, moment]; NaN where not stated.
    elevation_m
        Where, m, [moment].

    Returns
    -------
    °C, [member, moment]: linear between the stated points, of which 0 °C at the freezing level is one; 6.5
    °C/km beyond them. Where a stated temperature lies on the wrong side of the freezing level, the colder of
    the two readings. NaN where nothing is stated.
    """
    zero = np.where(np.isnan(freezing_level_m), np.nan, 0.0)[..., np.newaxis]
    level = freezing_level_m[..., np.newaxis]
    heights = np.broadcast_to(heights_m, levels_c.shape)
    both = _beyond(
        np.concatenate([levels_c, zero], axis=-1), np.concatenate([heights, level], axis=-1), elevation_m
    )
    with np.errstate(invalid="ignore"):
        wrong = ((heights <= level) & (levels_c < 0.0)) | ((heights >= level) & (levels_c > 0.0))
    contradicts = wrong.any(axis=-1)
    if not contradicts.any():
        return both
    colder = np.fmin(
        _beyond(levels_c, heights, elevation_m), profile.temperature_at(elevation_m, freezing_level_m)
    )
    return np.where(contradicts, colder, both)


def at_moments(series: Series, times_s: Ints, moments: Moments) -> Floats:
    """A series at the moments asked for, [member, moment] or [member, moment, level].

    Values with bounds hold from their start to their end. Instants are joined linearly when they are at most
    six hours apart. NaN elsewhere.
    """
    if series.bounds_epoch_s is not None:
        return _constant(series.values, series.bounds_epoch_s, moments)
    return _joined(series.values, times_s, moments.times_s)


def edges_of(forecast: Forecast) -> Ints:
    """Moments at which any value of the forecast begins or ends to hold."""
    edges = [
        series.bounds_epoch_s.ravel()
        for series in forecast.series.values()
        if series.bounds_epoch_s is not None
    ]
    return np.unique(np.concatenate(edges)) if edges else np.empty(0, dtype=np.int64)


def _over_ground(heights_m: Floats, forecast: Forecast) -> Floats:
    """Heights of levels, m; NaN for those under the model's ground, whose values are made up."""
    source = forecast.source_point
    if source is None or source.altitude_m is None:
        return heights_m
    return np.where(heights_m < source.altitude_m, np.nan, heights_m)


def _beyond(values: Floats, heights_m: Floats, elevation_m: Floats) -> Floats:
    """Linear between the known levels, by the standard lapse beyond them."""
    lowest, highest = profile.profile_range_m(values, heights_m)
    nearest = np.clip(elevation_m, lowest, highest)
    found = profile.interpolate_height(values, heights_m, nearest)
    return found - profile.STANDARD_LAPSE_K_PER_M * (elevation_m - nearest)


def _constant(values: Floats, bounds_s: Ints, moments: Moments) -> Floats:
    rows = np.flatnonzero(bounds_s[:, 1] > bounds_s[:, 0])
    times = moments.times_s
    if not rows.size:
        return np.full((values.shape[0], times.size, *values.shape[2:]), np.nan)
    starts, ends = bounds_s[rows, 0], bounds_s[rows, 1]
    back = moments.closing
    at = np.where(back, np.searchsorted(starts, times, "left"), np.searchsorted(starts, times, "right")) - 1
    held = (at >= 0) & np.where(back, times <= ends[at], times < ends[at])
    return _where_known(values[:, rows[np.maximum(at, 0)]], held)


def _joined(values: Floats, times_s: Ints, wanted_s: Ints) -> Floats:
    said = ~np.isnan(values).all(axis=tuple(i for i in range(values.ndim) if i != 1))
    rows = np.flatnonzero(said)
    if not rows.size:
        return np.full((values.shape[0], wanted_s.size, *values.shape[2:]), np.nan)
    times = times_s[rows]
    before = np.clip(np.searchsorted(times, wanted_s, "right") - 1, 0, rows.size - 1)
    after = np.minimum(before + 1, rows.size - 1)
    gap = times[after] - times[before]
    exact = wanted_s == times[before]
    share = np.divide(wanted_s - times[before], gap, out=np.zeros(wanted_s.size), where=gap > 0)
    held = exact | ((wanted_s > times[before]) & (gap > 0) & (gap <= LONGEST_BRIDGE_S))
    low, high = values[:, rows[before]], values[:, rows[after]]
    wide = (slice(None), *([np.newaxis] * (values.ndim - 2)))
    # At an exact moment a missing neighbour must not make the value missing.
    return _where_known(np.where(exact[wide], low, low + share[wide] * (high - low)), held)


def _where_known(values: Floats, held: Bools) -> Floats:
    known: Floats = np.where(held[(slice(None), *([np.newaxis] * (values.ndim - 2)))], values, np.nan)
    return known
