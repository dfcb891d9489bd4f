"""Random forecasts read along a real itinerary, against MetPy and pvlib, which the service does not use."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from pvlib import solarposition

from api.conditions import variables as cf
from api.conditions.evaluate import evaluate
from api.science import sun
from tests.conditions.building import HEIGHTS_M, START, TWO_DAYS, ensemble

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from metpy.calc import find_intersections, windchill
    from metpy.interpolate import interpolate_1d
    from metpy.units import units

SEEDS = range(4)
MEMBERS = 3
READ = ((cf.TEMPERATURE, "air_temperature_c", 273.15), (cf.WIND, "wind_mps", 0.0))
"""A variable, the metric read from it, and what is taken off."""


@pytest.mark.parametrize("seed", SEEDS)
def test_air_and_wind_where_the_party_is(seed: int) -> None:
    """MetPy's interpolate_1d, linear in height, at every whole hour of the climb."""
    forecast = ensemble(MEMBERS, seed=seed)
    found = evaluate(TWO_DAYS, forecast)
    heights = forecast.series[cf.LEVEL_HEIGHT].values
    steps = np.flatnonzero((found.steps_epoch_s % 3600 == 0) & found.step_moving)[::3]
    for step in steps.tolist():
        hour = int((found.steps_epoch_s[step] - START.timestamp()) // 3600)
        for m in range(MEMBERS):
            at = found.step_elevation_m[step]
            column = heights[m, hour]
            if not column.min() <= at <= column.max():
                continue
            for name, metric, zero in READ:
                theirs = interpolate_1d([at], column, forecast.series[name].values[m, hour])[0] - zero
                assert found.hourly[metric][m, step] == pytest.approx(theirs, abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_wind_chill_on_the_way(seed: int) -> None:
    """MetPy's windchill is the US formula; the metric one lies within 0.35 °C of it, no closer."""
    found = evaluate(TWO_DAYS, ensemble(MEMBERS, seed=seed))
    air, wind, chill = (found.hourly[name] for name in ("air_temperature_c", "wind_mps", "wind_chill_c"))
    holds = np.isfinite(chill) & (wind > 4.9 / 3.6) & (air < 9.9)
    theirs = windchill(air[holds] * units.degC, wind[holds] * units("m/s")).to("degC").magnitude
    assert holds.sum() > 50
    np.testing.assert_allclose(chill[holds], theirs, atol=0.35)


@pytest.mark.parametrize("seed", SEEDS)
def test_freezing_level_of_a_profile(seed: int) -> None:
    """MetPy's find_intersections of the profile with 0 °C; its highest is what a stage is held against."""
    forecast = ensemble(MEMBERS, delivered=False, seed=seed)
    found = evaluate(TWO_DAYS, forecast)
    celsius = forecast.series[cf.TEMPERATURE].values - 273.15
    heights = forecast.series[cf.LEVEL_HEIGHT].values
    compared = 0
    for step in np.flatnonzero(found.steps_epoch_s % 3600 == 0)[::5].tolist():
        hour = int((found.steps_epoch_s[step] - START.timestamp()) // 3600)
        for m in range(MEMBERS):
            crossings, _ = find_intersections(heights[m, hour], celsius[m, hour], np.zeros(HEIGHTS_M.size))
            if crossings.size:
                mine = found.hourly["freezing_level_m"][m, step]
                assert mine == pytest.approx(float(crossings.max()), abs=0.01)
                compared += 1
    assert compared > 20


def test_hours_in_the_dark() -> None:
    """pvlib's NREL SPA, minute by minute: the sun more than 6° under the horizon while on the move."""
    found = evaluate(TWO_DAYS, None)
    place = TWO_DAYS.place
    for t, stage in enumerate(TWO_DAYS.stages):
        minutes = pd.date_range(stage.starts_at, stage.ends_at, freq="1min", inclusive="left")
        solar = solarposition.get_solarposition(minutes, place.latitude_deg, place.longitude_deg)
        dark_h = float((solar["elevation"] < sun.CIVIL_DEG).sum()) / 60.0
        assert found.high["dark_h"][0, t] == pytest.approx(dark_h, abs=2.0 / 60.0)
    assert found.high["dark_h"][0, 1] > 1.0
