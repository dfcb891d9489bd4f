"""Whether the snow of each stage on a glacier refreezes in the night before it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import tzinfo

import numpy as np
import numpy.typing as npt

from api.conditions.forecast import Forecast
from api.conditions.itinerary import STEP_S, Leg, night_before
from api.conditions.rules import Moments, Reading
from api.conditions.shifts import Air
from api.science import snow

METHOD = (
    "air at the lowest point of the stage at or below 0 °C for 4 h of the night before; "
    "a night that would take a clear sky counts as none"
)


def refreeze_codes(legs: Sequence[Leg], zone: tzinfo, forecast: Forecast, air: Air) -> npt.NDArray[np.int8]:
    """`snow.Refreeze` codes of the night before each of some legs, at its lowest point, [scenario, leg]."""
    # Legs that set out at the same moment from the same height have the same night before them.
    keys = [(leg.start_s, float(leg.path()[1].min())) for leg in legs]
    each = {key: night_before(leg, zone) for key, leg in zip(keys, legs, strict=True)}
    if not each:
        return np.zeros((1, 0), dtype=np.int8)
    sizes = np.array([night.size for night in each.values()])
    reading = Reading(forecast, Moments.forward(np.concatenate(list(each.values()))))
    where_m = np.repeat([lowest_m for _, lowest_m in each], sizes)
    found_c = reading.temperature_c(where_m, reading.freezing_level_m()) + air.column_c
    # All nights at once: the shorter ones are filled up with hours that freeze nothing.
    inside = np.arange(sizes.max()) < sizes[:, np.newaxis]
    nights = np.full((found_c.shape[0], *inside.shape), np.inf)
    nights[:, inside] = found_c
    codes = snow.overnight_refreeze(nights, step_hours=STEP_S / 3600.0)
    rows = {key: row for row, key in enumerate(each)}
    return codes[:, [rows[key] for key in keys]]
